"""What the register's endpoints take and give. Shapes only; input and output are two classes."""

from typing import Any

from django.urls import reverse
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from valvecare.core.permits import Role
from valvecare.register.models import (
    ProtectionValve,
    Pump,
    PumpGroup,
    Site,
    ValveDesign,
)
from valvecare.register.rules import KEPT_BY_ACTIONS, Scope, choices
from valvecare.web.shapes import Closed, Flag, Number, Related, Text, Whole, field_of, shape_of

REASON: dict[str, Any] = {"required": False, "allow_blank": True, "max_length": 500, "default": ""}


def related(request: Any, name: str, row: Any) -> dict[str, Any] | None:
    """Another record as `{id, name, url}`."""
    if row is None:
        return None
    match = request.resolver_match
    url = reverse(f"valvecare:{name}", args=[row.pk], current_app=match.namespace)
    return {"id": row.pk, "name": str(row), "url": request.build_absolute_uri(url)}


class Ref(Whole):
    """The id of another record that the person can see."""

    def __init__(self, model: Any, **more: Any) -> None:
        self.model = model
        super().__init__(**more)

    def to_internal_value(self, data: Any) -> Any:
        from valvecare.register.actions.records import seen_by

        pk = super().to_internal_value(data)
        user = self.context["request"].user
        row = seen_by(self.model, user).filter(pk=pk).first() if 0 < pk < 2**63 else None
        if row is None:
            raise serializers.ValidationError(
                f"There is no such {self.model._meta.verbose_name} for you."
            )
        return row


def _columns(model: Any, *without: str) -> tuple[str, ...]:
    """Every column of a model but its keys, state and what is given by reference."""
    never = KEPT_BY_ACTIONS | set(without)
    return tuple(field.name for field in model._meta.concrete_fields if field.name not in never)


SITE = _columns(Site)
GROUP = _columns(PumpGroup, "site")
PUMP = _columns(Pump, "group")
DESIGN = _columns(ValveDesign)
VALVE = _columns(ProtectionValve, "pump", "design")


def _pair(word: str, model: Any, columns: Any, required: Any, **refs: Any) -> tuple[Any, Any]:
    """The shapes of a new record and of a change to one (all optional, with a reason)."""
    new = shape_of(
        f"New{word}",
        model,
        columns,
        required=required,
        further={name: Ref(target, **more) for name, (target, more) in refs.items()}
        | {"reason": Text(**REASON)},
    )
    change = shape_of(
        f"{word}Change",
        model,
        columns,
        further={
            name: Ref(target, **(more | {"required": False}))
            for name, (target, more) in refs.items()
            if name != "site"
        }
        | {"reason": Text(**REASON)},
    )
    return new, change


NewSite, SiteChange = _pair("Site", Site, SITE, ("code", "name", "time_zone"))
NewGroup, GroupChange = _pair(
    "PumpGroup", PumpGroup, GROUP, ("code", "service", "installed", "needed"), site=(Site, {})
)
NewDesign, DesignChange = _pair(
    "ValveDesign", ValveDesign, DESIGN, ("code", "dn", "bypass_dn", "principle")
)
NewValve, ValveChange = _pair(
    "ProtectionValve",
    ProtectionValve,
    VALVE,
    ("tag",),
    pump=(Pump, {}),
    design=(ValveDesign, {"required": False, "allow_null": True}),
)
NewPump, _PumpChange = _pair("Pump", Pump, PUMP, ("tag", "role"), group=(PumpGroup, {}))


class PumpChange(_PumpChange):  # type: ignore[valid-type,misc]
    changed_on = serializers.DateField(
        required=False, help_text="Day the machine was changed; else today at the site."
    )
    correction = Flag(
        required=False, help_text="Only the record was wrong: the evidence date stays."
    )


class CurvePointIn(Closed):
    flow_m3_per_h = Number()
    head_m = Number()
    shaft_power_kw = Number(required=False, allow_null=True, default=None)


class CurveIn(Closed):
    points = serializers.ListField(child=CurvePointIn(), max_length=200)
    source = Text(max_length=200, help_text="Where the points come from.")  # type: ignore[assignment]
    speed_rpm = Number(help_text="Speed the points were measured at.")
    density_kg_per_m3 = Number(help_text="Density of the liquid the powers belong to.")
    reason = Text(**REASON)
    changed_on = serializers.DateField(required=False)
    correction = Flag(required=False)


class ReasonIn(Closed):
    reason = Text(max_length=500)


class CurvePointOut(serializers.Serializer):
    flow_m3_per_h = serializers.FloatField()
    head_m = serializers.FloatField()
    shaft_power_kw = serializers.FloatField(allow_null=True)


def _out(word: str, model: Any, columns: Any, **refs: str) -> type[serializers.Serializer]:
    """The shape of a record going out: id, version, related records, columns, retirement."""
    fields: dict[str, Any] = {
        "id": serializers.IntegerField(),
        "version": serializers.IntegerField(help_text="The ETag of the record."),
    }
    for name, endpoint in refs.items():
        nullable = name == "design"

        def get(self: Any, row: Any, name: str = name, endpoint: str = endpoint) -> Any:
            target = row.site_of() if name == "site" else getattr(row, name)
            return related(self.context["request"], endpoint, target)

        get.__name__ = f"get_{name}"
        fields[f"get_{name}"] = extend_schema_field(Related(allow_null=nullable))(get)
        fields[name] = serializers.SerializerMethodField()
    for column in columns:
        fields[column] = field_of(model._meta.get_field(column), required=True)
    fields["retired_at"] = serializers.DateTimeField(allow_null=True)
    return type(word, (serializers.Serializer,), fields)


SiteOut = _out("Site", Site, SITE)
GroupOut = _out("PumpGroup", PumpGroup, GROUP, site="api-site")
DesignOut = _out("ValveDesign", ValveDesign, DESIGN)
ValveOut = _out(
    "ProtectionValve",
    ProtectionValve,
    VALVE,
    site="api-site",
    pump="api-pump",
    design="api-valve-design",
)
_PumpOut = _out(
    "_Pump",
    Pump,
    (*PUMP, "hydraulics_changed_on", "hydraulics_change"),
    site="api-site",
    group="api-group",
)


class PumpOut(_PumpOut):  # type: ignore[valid-type,misc]
    curve = CurvePointOut(source="curve_points", many=True)

    class Meta:
        ref_name = "Pump"


class MemberOut(serializers.Serializer):
    id = serializers.IntegerField()
    login = serializers.CharField(source="user.get_username")
    site = serializers.SerializerMethodField()
    role = serializers.ChoiceField(choices=choices(Role))

    @extend_schema_field(Related)
    def get_site(self, row: Any) -> Any:
        return related(self.context["request"], "api-site", row.site)


class RolesAtSite(serializers.Serializer):
    site = Related()
    roles = serializers.ListField(child=serializers.ChoiceField(choices=choices(Role)))
    permits = serializers.ListField(child=serializers.CharField())


class TokenOut(serializers.Serializer):
    name = serializers.CharField()
    scopes = serializers.ListField(child=serializers.ChoiceField(choices=choices(Scope)))
    expires_at = serializers.DateTimeField()


class MeOut(serializers.Serializer):
    login = serializers.CharField()
    is_administrator = serializers.BooleanField()
    sites = RolesAtSite(many=True)
    token = TokenOut(allow_null=True)


class EventOut(serializers.Serializer):
    id = serializers.IntegerField(help_text="Ascending; pass the last one seen as `since`.")
    at = serializers.DateTimeField()
    recorded_at = serializers.DateTimeField()
    type = serializers.CharField(help_text="noun.past, for example protectionvalve.changed")
    site = serializers.CharField(source="site.code", allow_null=True, default=None)
    valve = serializers.CharField(source="valve.tag", allow_null=True, default=None)
    valve_id = serializers.IntegerField(allow_null=True)
    object_type = serializers.CharField()
    object_id = serializers.CharField()
    object_name = serializers.CharField()
    actor = serializers.CharField(source="actor_name")
    words = serializers.CharField()
    data = serializers.JSONField()  # type: ignore[assignment]


def page_of(shape: type[serializers.Serializer], name: str) -> type[serializers.Serializer]:
    """The shape of one page of a list."""
    return type(
        f"{name}Page",
        (serializers.Serializer,),
        {
            "results": shape(many=True),
            "next": serializers.CharField(allow_null=True, help_text="Address of the next page."),
        },
    )
