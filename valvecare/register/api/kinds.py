"""Sites, pump groups, pumps, valve designs and protection valves over the API."""

from typing import Any

from django.db.models import QuerySet
from django.urls import path
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.register.actions import change_pump, set_curve
from valvecare.register.api import shapes
from valvecare.register.api.records import IF_MATCH, Kind, endpoints, shaped
from valvecare.register.models import ProtectionValve, Pump, PumpGroup, Site, ValveDesign
from valvecare.register.rules import PumpRole, ValveStatus, choices
from valvecare.web.concurrency import version_from
from valvecare.web.filters import IdFilter, YesNoFilter
from valvecare.web.views import Endpoint


class RegisterFilters(filters.FilterSet):
    is_retired = YesNoFilter(method="by_retired", help_text="Left out: both.")

    def by_retired(self, rows: "QuerySet[Any]", name: str, value: str) -> "QuerySet[Any]":
        return rows.filter(retired_at__isnull=value == "false")


class SiteFilters(RegisterFilters):
    code = filters.CharFilter(help_text="Exact code.")


class GroupFilters(RegisterFilters):
    site = filters.CharFilter("site__code", help_text="Code of the site.")
    code = filters.CharFilter(help_text="Exact code.")


class PumpFilters(RegisterFilters):
    site = filters.CharFilter("group__site__code", help_text="Code of the site.")
    group = IdFilter("group_id", help_text="Id of the pump group.")
    tag = filters.CharFilter(help_text="Exact tag.")
    role = filters.ChoiceFilter(choices=choices(PumpRole), help_text="Role in the group.")


class DesignFilters(RegisterFilters):
    code = filters.CharFilter(help_text="Exact code.")


class ValveFilters(RegisterFilters):
    site = filters.CharFilter("pump__group__site__code", help_text="Code of the site.")
    group = IdFilter("pump__group_id", help_text="Id of the pump group.")
    pump = IdFilter("pump_id", help_text="Id of the pump.")
    design = IdFilter("design_id", help_text="Id of the valve design.")
    tag = filters.CharFilter(help_text="Exact tag.")
    serial = filters.CharFilter(help_text="Exact serial number.")
    status = filters.ChoiceFilter(choices=choices(ValveStatus), help_text="Where it is.")


def _change_pump(pk: int, body: dict[str, Any], **who: Any) -> None:
    more = {name: body.pop(name) for name in ("reason", "changed_on", "correction") if name in body}
    change_pump(pk, body, **more, **who)


SITES = Kind(
    "site",
    "sites",
    Site,
    shapes.SiteOut,
    shapes.NewSite,
    shapes.SiteChange,
    SiteFilters,
    {"code": "NH", "name": "Norrhollow District Heat", "time_zone": "Europe/Oslo"},
    ("code", "id"),
)
GROUPS = Kind(
    "group",
    "groups",
    PumpGroup,
    shapes.GroupOut,
    shapes.NewGroup,
    shapes.GroupChange,
    GroupFilters,
    {"site": 1, "code": "NH-FW", "service": "steam boiler feed", "installed": 3, "needed": 2},
    ("code", "id"),
    related=("site",),
)
PUMPS = Kind(
    "pump",
    "pumps",
    Pump,
    shapes.PumpOut,
    shapes.NewPump,
    shapes.PumpChange,
    PumpFilters,
    {"group": 3, "tag": "NH-FW-1P", "role": "duty", "medium": "water", "speed_rpm": 2970},
    ("tag", "id"),
    related=("group__site",),
    prefetch=("curve_points",),
    change=_change_pump,
)
DESIGNS = Kind(
    "valve-design",
    "valve-designs",
    ValveDesign,
    shapes.DesignOut,
    shapes.NewDesign,
    shapes.DesignChange,
    DesignFilters,
    {
        "code": "CED-100",
        "variant": "",
        "dn": 100,
        "bypass_dn": 50,
        "revision": "A",
        "principle": "sleeve bypass, four stages, no lever",
    },
    ("code", "id"),
)
VALVES = Kind(
    "valve",
    "valves",
    ProtectionValve,
    shapes.ValveOut,
    shapes.NewValve,
    shapes.ValveChange,
    ValveFilters,
    {"pump": 7, "design": 6, "tag": "NH-FW-1V", "serial": "not known", "built_year": 2011},
    ("tag", "id"),
    related=("pump__group__site", "design"),
)


class PumpCurve(Endpoint):
    @extend_schema(
        operation_id="pump_set_curve",
        summary="Replace the curve of a pump",
        description="A new curve moves what counts as evidence: a reason is needed, and computed "
        "evidence older than `changed_on` counts no longer, unless it is a correction.",
        tags=["register"],
        parameters=[IF_MATCH],
        request=shapes.CurveIn,
        responses=shapes.PumpOut,
        examples=[
            OpenApiExample(
                "curve (invented)",
                {
                    "points": [
                        {"flow_m3_per_h": 0, "head_m": 864, "shaft_power_kw": 139},
                        {"flow_m3_per_h": 90, "head_m": 720, "shaft_power_kw": 232},
                    ],
                    "source": "works test",
                    "speed_rpm": 2970,
                    "density_kg_per_m3": 934.8,
                    "reason": "impeller trimmed",
                },
                request_only=True,
            )
        ],
    )
    def put(self, request: Request, pk: int) -> Response:
        PUMPS.row(request.user, pk)
        version = version_from(request)
        body = shaped(shapes.CurveIn, request)
        points = [tuple(point.values()) for point in body.pop("points")]
        set_curve(pk, points, version=version, actor=request.user, at=self.now, **body)
        return PUMPS.answer(request, pk)


urls = [
    *endpoints(SITES),
    *endpoints(GROUPS),
    *endpoints(PUMPS),
    path("api/v1/pumps/<int:pk>/curve", PumpCurve.as_view(), name="api-pump-curve"),
    *endpoints(DESIGNS),
    *endpoints(VALVES),
]
