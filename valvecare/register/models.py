"""Tables of the register. Every number carries its unit in the name; null means not known."""

from typing import Any, ClassVar
from zoneinfo import available_timezones

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from valvecare.core.models import NOT_KNOWN, SiteScoped, SiteScopedQuerySet, Versioned
from valvecare.core.permits import Role
from valvecare.register.rules import (
    Attitude,
    BodyLining,
    CoverClosure,
    CoverFastener,
    LabelKind,
    PumpRole,
    ReturnsTo,
    ValveStatus,
    Washers,
    choices,
    limit_of,
)


def _sane(*names: str) -> list[models.BaseConstraint]:
    """Two-sided checks from the rules' limits: `> 0` alone lets NaN through on PostgreSQL."""
    found: list[models.BaseConstraint] = []
    for name in names:
        limit = limit_of(name)
        low = "gte" if limit.low_counts else "gt"
        within = Q(**{f"{name}__{low}": limit.low, f"{name}__lte": limit.high})
        found.append(
            models.CheckConstraint(
                condition=Q(**{f"{name}__isnull": True}) | within,
                name=f"%(class)s_{name}_sane",
                violation_error_message=f"{name} must be {limit.words}.",
            )
        )
    return found


class Retirable(models.Model):
    """A row that can leave service but is never deleted."""

    retired_at = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta:
        abstract = True

    @property
    def is_retired(self) -> bool:
        return self.retired_at is not None


class Site(Versioned, SiteScoped, Retirable):
    """One plant location with its own time zone and calendar rules."""

    site_path: ClassVar[str] = "id"

    code = models.CharField(max_length=12, unique=True)
    name = models.CharField(max_length=120)
    business = models.CharField(max_length=200, blank=True)
    time_zone = models.CharField(max_length=64, help_text="IANA name, for example Europe/Oslo.")
    atmospheric_pressure_bar_a = models.FloatField(
        null=True,
        blank=True,
        help_text="At the site's height; needed to make gauge pressures absolute. Not assumed.",
    )

    history = HistoricalRecords(table_name="valvecare_site_history")

    class Meta:
        db_table = "valvecare_site"
        ordering = ("code",)
        constraints = _sane("atmospheric_pressure_bar_a")

    def __str__(self) -> str:
        return self.code

    def clean(self) -> None:
        if self.time_zone not in available_timezones():
            raise ValidationError({"time_zone": f"{self.time_zone!r} is not an IANA time zone."})

    def site_of(self) -> Any:
        return self


class CalendarRule(Versioned, SiteScoped):
    """A yearly season in which nothing may be opened at a site, with exempt groups."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="calendar_rules")
    name = models.CharField(max_length=120)
    from_month = models.PositiveSmallIntegerField()
    from_day = models.PositiveSmallIntegerField()
    to_month = models.PositiveSmallIntegerField()
    to_day = models.PositiveSmallIntegerField()
    exempt_groups = models.ManyToManyField("valvecare.PumpGroup", blank=True, related_name="+")

    class Meta:
        db_table = "valvecare_calendar_rule"
        ordering = ("site", "from_month", "from_day")

    def __str__(self) -> str:
        return f"{self.site}: {self.name}"


class Membership(SiteScoped):
    """What a person may do at a site."""

    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="valvecare_memberships"
    )
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="memberships")
    role = models.CharField(max_length=30, choices=choices(Role))

    class Meta:
        db_table = "valvecare_membership"
        ordering = ("site", "role")
        constraints = [
            models.UniqueConstraint(
                fields=["user", "site", "role"],
                name="one_role_once_per_site",
                violation_error_message="This person has this role at this site already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.user} is {self.role} at {self.site}"


class PumpGroup(Versioned, SiteScoped, Retirable):
    """Pumps that share a duty: so many installed, so many needed."""

    job_path: ClassVar[tuple[str, str] | None] = ("pk", "valve__pump__group")

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="groups")
    code = models.CharField(max_length=24)
    service = models.CharField(max_length=120)
    installed = models.PositiveSmallIntegerField()
    needed = models.PositiveSmallIntegerField()
    common_return = models.BooleanField(
        default=False, help_text="The bypasses of this group share one return line."
    )

    history = HistoricalRecords(table_name="valvecare_pump_group_history")

    class Meta:
        db_table = "valvecare_pump_group"
        ordering = ("code",)
        constraints = [
            models.UniqueConstraint(
                fields=["site", "code"],
                name="group_code_once_per_site",
                violation_error_message="This site has a group with this code already.",
            ),
            models.CheckConstraint(
                condition=Q(installed__gte=1, needed__gte=1, needed__lte=F("installed")),
                name="group_needs_no_more_than_installed",
                violation_error_message="A group needs 1 or more pumps, not more than installed.",
            ),
        ]

    def __str__(self) -> str:
        return self.code


class Pump(Versioned, SiteScoped, Retirable):
    """A centrifugal pump with what its protection depends on. Null numbers are not known."""

    site_path: ClassVar[str] = "group__site"
    job_path: ClassVar[tuple[str, str] | None] = ("pk", "valve__pump")

    group = models.ForeignKey(PumpGroup, on_delete=models.PROTECT, related_name="pumps")
    tag = models.CharField(max_length=40)
    role = models.CharField(max_length=10, choices=choices(PumpRole))
    medium = models.CharField(max_length=40, default=NOT_KNOWN, help_text="water, sea water, …")
    speed_rpm = models.FloatField(null=True, blank=True)
    impeller_diameter_mm = models.FloatField(
        null=True, blank=True, help_text="As fitted now; a trim changes the curve."
    )
    curve_speed_rpm = models.FloatField(null=True, blank=True, help_text="Speed of the curve.")
    curve_density_kg_per_m3 = models.FloatField(null=True, blank=True)
    curve_source = models.CharField(max_length=200, default=NOT_KNOWN)
    best_flow_m3_per_h = models.FloatField(null=True, blank=True)
    duty_flow_m3_per_h = models.FloatField(null=True, blank=True)
    motor_rated_kw = models.FloatField(null=True, blank=True)
    motor_efficiency = models.FloatField(null=True, blank=True, help_text="Share, 0 to 1.")
    suction_pressure_bar_g = models.FloatField(null=True, blank=True)
    suction_temperature_degc = models.FloatField(null=True, blank=True)
    npsh_required_m = models.FloatField(null=True, blank=True)
    returns_to = models.CharField(
        max_length=20, choices=choices(ReturnsTo), default=ReturnsTo.NOT_KNOWN.value
    )
    back_pressure_bar_g = models.FloatField(
        null=True, blank=True, help_text="At the valve's bypass outlet at design bypass flow."
    )
    return_static_bar_g = models.FloatField(
        null=True,
        blank=True,
        help_text="At the bypass outlet with no flow: vessel pressure and height. With it the "
        "back pressure of a common return with all pumps on bypass can be computed.",
    )
    return_line_dn = models.PositiveSmallIntegerField(null=True, blank=True)
    return_line_lagging_mm = models.FloatField(null=True, blank=True)
    return_line_heat_loss_w_per_m_k = models.FloatField(
        null=True, blank=True, help_text="Of the line between valve and temperature sensor."
    )
    return_line_time_constant_h = models.FloatField(
        null=True, blank=True, help_text="In which a tight line cools to 37 % of its excess."
    )
    return_line_cooling_source = models.CharField(max_length=200, default=NOT_KNOWN)
    return_sensor_at_m = models.FloatField(
        null=True, blank=True, help_text="Distance of the line's temperature sensor from the valve."
    )
    stable_min_flow_m3_per_h = models.FloatField(
        null=True, blank=True, help_text="From the pump's maker; never guessed from a share."
    )
    stable_min_flow_source = models.CharField(max_length=200, default=NOT_KNOWN)
    allowed_rise_k = models.FloatField(null=True, blank=True)
    allowed_rise_source = models.CharField(max_length=200, default=NOT_KNOWN)
    liquid_volume_m3 = models.FloatField(null=True, blank=True)
    metal_mass_kg = models.FloatField(null=True, blank=True)
    hydraulics_changed_on = models.DateField(
        null=True,
        blank=True,
        help_text="Last change of impeller, speed or return line: computed evidence before it "
        "counts no longer.",
    )
    hydraulics_change = models.CharField(max_length=200, blank=True)

    history = HistoricalRecords(table_name="valvecare_pump_history")

    class Meta:
        db_table = "valvecare_pump"
        ordering = ("tag",)
        indexes = [models.Index(fields=["tag", "id"], name="pump_by_tag")]
        constraints = [
            models.UniqueConstraint(
                fields=["group", "tag"],
                name="pump_tag_once_per_group",
                violation_error_message="This group has a pump with this tag already.",
            ),
            *_sane(
                "speed_rpm",
                "impeller_diameter_mm",
                "curve_speed_rpm",
                "curve_density_kg_per_m3",
                "best_flow_m3_per_h",
                "duty_flow_m3_per_h",
                "motor_rated_kw",
                "motor_efficiency",
                "suction_pressure_bar_g",
                "suction_temperature_degc",
                "npsh_required_m",
                "back_pressure_bar_g",
                "return_static_bar_g",
                "return_line_lagging_mm",
                "return_line_heat_loss_w_per_m_k",
                "return_line_time_constant_h",
                "return_sensor_at_m",
                "stable_min_flow_m3_per_h",
                "allowed_rise_k",
                "liquid_volume_m3",
                "metal_mass_kg",
            ),
        ]

    def __str__(self) -> str:
        return self.tag


class CurvePoint(models.Model):
    """One measured or published point of a pump's curve at the curve's speed and density."""

    pump = models.ForeignKey(Pump, on_delete=models.CASCADE, related_name="curve_points")
    flow_m3_per_h = models.FloatField()
    head_m = models.FloatField()
    shaft_power_kw = models.FloatField(null=True, blank=True)

    class Meta:
        db_table = "valvecare_curve_point"
        ordering = ("pump", "flow_m3_per_h")
        constraints = [
            models.UniqueConstraint(fields=["pump", "flow_m3_per_h"], name="one_point_per_flow"),
            *_sane("flow_m3_per_h", "head_m", "shaft_power_kw"),
        ]

    def __str__(self) -> str:
        return f"{self.flow_m3_per_h} m³/h, {self.head_m} m"


class ValveDesign(Versioned, Retirable):
    """A design at one variant, size and revision, with its part data. Shared by all sites."""

    code = models.CharField(max_length=24)
    variant = models.CharField(max_length=24, blank=True, help_text="Empty: the plain design.")
    dn = models.PositiveSmallIntegerField(help_text="Nominal size of the main connection.")
    bypass_dn = models.PositiveSmallIntegerField()
    revision = models.CharField(max_length=12, default=NOT_KNOWN)
    principle = models.CharField(max_length=120)
    pressure_class_bar = models.PositiveSmallIntegerField(null=True, blank=True)
    has_lever = models.BooleanField(default=False)
    has_flow_ring = models.BooleanField(default=False)
    bypass_stages = models.PositiveSmallIntegerField(null=True, blank=True)
    bushing_holes = models.PositiveSmallIntegerField(null=True, blank=True)
    bushing_hole_mm = models.FloatField(null=True, blank=True)
    liquid_recovery_factor = models.FloatField(
        null=True, blank=True, help_text="FL of the bypass trim, IEC 60534."
    )
    body_lining = models.CharField(
        max_length=20, choices=choices(BodyLining), default=BodyLining.NOT_KNOWN.value
    )
    # joint
    cover_closure = models.CharField(
        max_length=20,
        choices=choices(CoverClosure),
        default=CoverClosure.NOT_KNOWN.value,
        help_text="A pressure-seal cover is pushed down off its ring and held by segments.",
    )
    cover_bolt_count = models.PositiveSmallIntegerField(null=True, blank=True)
    cover_bolt_thread = models.CharField(max_length=12, default=NOT_KNOWN)
    cover_bolt_grade = models.CharField(max_length=12, default=NOT_KNOWN)
    cover_bolt_pitch_mm = models.FloatField(null=True, blank=True)
    cover_bolt_yield_mpa = models.FloatField(
        null=True,
        blank=True,
        help_text="0.2 % proof strength; empty: the table value of the grade, where it is listed.",
    )
    cover_fastener = models.CharField(
        max_length=20, choices=choices(CoverFastener), default=CoverFastener.NOT_KNOWN.value
    )
    cover_washers = models.CharField(
        max_length=20, choices=choices(Washers), default=Washers.NOT_KNOWN.value
    )
    cover_bearing_outside_mm = models.FloatField(
        null=True, blank=True, help_text="Outside of the bearing face of nut or head."
    )
    cover_bolt_hole_mm = models.FloatField(null=True, blank=True)
    cover_preload_share = models.FloatField(
        null=True,
        blank=True,
        help_text="Wanted preload as a share of yield; this or the preload itself, not both.",
    )
    cover_preload_kn = models.FloatField(
        null=True, blank=True, help_text="Wanted preload of one bolt."
    )
    cover_lubricant = models.CharField(
        max_length=80,
        default=NOT_KNOWN,
        help_text="Of thread and bearing face; 'dry' where nothing is put on them.",
    )
    cover_friction_thread = models.FloatField(
        null=True, blank=True, help_text="Coefficient of this lubricant; or the nut factor."
    )
    cover_friction_head = models.FloatField(null=True, blank=True)
    cover_nut_factor = models.FloatField(
        null=True, blank=True, help_text="K of T = K d F; this or the two coefficients."
    )
    cover_friction_source = models.CharField(max_length=200, default=NOT_KNOWN)
    cover_gasket = models.CharField(max_length=80, default=NOT_KNOWN, help_text="Kind of gasket.")
    cover_gasket_area_mm2 = models.FloatField(null=True, blank=True, help_text="Contact area.")
    cover_gasket_max_mpa = models.FloatField(
        null=True, blank=True, help_text="Stress that crushes it."
    )
    cover_seating_kn = models.FloatField(
        null=True, blank=True, help_text="Load of all bolts that seats the gasket."
    )
    cover_operating_kn = models.FloatField(
        null=True, blank=True, help_text="Load of all bolts needed in service."
    )
    cover_joint_source = models.CharField(max_length=200, default=NOT_KNOWN)
    cover_mass_kg = models.FloatField(null=True, blank=True)
    stud_travel_mm = models.FloatField(
        null=True, blank=True, help_text="Thread left while the nut is still fully engaged."
    )
    # spring
    seat_diameter_mm = models.FloatField(null=True, blank=True)
    spring_rate_n_per_mm = models.FloatField(null=True, blank=True)
    spring_free_length_mm = models.FloatField(null=True, blank=True)
    spring_fitted_length_mm = models.FloatField(null=True, blank=True)
    lift_mm = models.FloatField(null=True, blank=True)
    opening_pressure_bar = models.FloatField(null=True, blank=True)
    full_lift_pressure_bar = models.FloatField(null=True, blank=True)
    # limits of wear (part data)
    reuse_depth_mm = models.FloatField(null=True, blank=True)
    lap_overcut_mm = models.FloatField(null=True, blank=True)
    removal_per_event_mm = models.FloatField(null=True, blank=True)
    removal_total_mm = models.FloatField(null=True, blank=True)
    guide_clearance_limit_mm = models.FloatField(null=True, blank=True)
    lever_lost_motion_limit_mm = models.FloatField(null=True, blank=True)
    lever_pin_mm = models.FloatField(null=True, blank=True)
    preload_loss_limit_share = models.FloatField(null=True, blank=True)
    holes_open_limit_share = models.FloatField(null=True, blank=True)
    limits_source = models.CharField(max_length=200, default=NOT_KNOWN)
    job_hours = models.FloatField(
        null=True, blank=True, help_text="Elapsed crew hours of a full strip-down."
    )

    history = HistoricalRecords(table_name="valvecare_valve_design_history")

    class Meta:
        db_table = "valvecare_valve_design"
        ordering = ("code", "variant", "dn", "revision")
        constraints = [
            models.UniqueConstraint(
                fields=["code", "variant", "dn", "revision"],
                name="design_variant_size_revision",
                violation_error_message="This design exists with this variant, size and revision.",
            ),
            models.CheckConstraint(
                condition=Q(cover_preload_share__isnull=True) | Q(cover_preload_kn__isnull=True),
                name="one_preload_of_the_cover",
                violation_error_message="Give the preload of the cover bolts as a share of yield "
                "or in kN, not both.",
            ),
            *_sane(
                "bushing_hole_mm",
                "cover_bolt_pitch_mm",
                "cover_bolt_yield_mpa",
                "cover_bearing_outside_mm",
                "cover_bolt_hole_mm",
                "cover_preload_share",
                "cover_preload_kn",
                "cover_friction_thread",
                "cover_friction_head",
                "cover_nut_factor",
                "cover_gasket_area_mm2",
                "cover_gasket_max_mpa",
                "cover_seating_kn",
                "cover_operating_kn",
                "cover_mass_kg",
                "stud_travel_mm",
                "seat_diameter_mm",
                "spring_rate_n_per_mm",
                "spring_free_length_mm",
                "spring_fitted_length_mm",
                "lift_mm",
                "opening_pressure_bar",
                "full_lift_pressure_bar",
                "reuse_depth_mm",
                "lap_overcut_mm",
                "removal_per_event_mm",
                "removal_total_mm",
                "guide_clearance_limit_mm",
                "lever_lost_motion_limit_mm",
                "lever_pin_mm",
                "preload_loss_limit_share",
                "holes_open_limit_share",
                "liquid_recovery_factor",
                "job_hours",
            ),
        ]

    def __str__(self) -> str:
        parts = [self.code, self.variant, f"DN{self.dn}", f"rev {self.revision}"]
        return " ".join(part for part in parts if part)


class ProtectionValveQuerySet(SiteScopedQuerySet):
    def in_service(self) -> "ProtectionValveQuerySet":
        return self.filter(status=ValveStatus.IN_SERVICE.value)


class ProtectionValve(Versioned, SiteScoped, Retirable):
    """One check valve with built-in bypass at the outlet of one pump."""

    site_path: ClassVar[str] = "pump__group__site"
    job_path: ClassVar[tuple[str, str] | None] = ("pk", "valve")

    tag = models.CharField(max_length=40)
    pump = models.ForeignKey(Pump, on_delete=models.PROTECT, related_name="valves")
    design = models.ForeignKey(
        ValveDesign, null=True, blank=True, on_delete=models.PROTECT, related_name="valves"
    )
    serial = models.CharField(max_length=60, default=NOT_KNOWN)
    stamped_identity = models.CharField(
        max_length=120, default=NOT_KNOWN, help_text="What is stamped, when the plate is missing."
    )
    built_year = models.PositiveSmallIntegerField(null=True, blank=True)
    seal_material = models.CharField(max_length=40, default=NOT_KNOWN)
    attitude = models.CharField(
        max_length=30, choices=choices(Attitude), default=Attitude.NOT_KNOWN.value
    )
    status = models.CharField(
        max_length=20, choices=choices(ValveStatus), default=ValveStatus.IN_SERVICE.value
    )
    bypass_kv_m3_per_h = models.FloatField(
        null=True, blank=True, help_text="Kv of the bypass with the main disc closed, IEC 60534."
    )
    design_bypass_flow_m3_per_h = models.FloatField(null=True, blank=True)
    switching_flow_m3_per_h = models.FloatField(null=True, blank=True)
    remarks = models.TextField(blank=True)
    placed_at = models.DateTimeField(
        null=True,
        editable=False,
        help_text="When it was last moved to its pump or put back into service.",
    )

    history = HistoricalRecords(table_name="valvecare_protection_valve_history")
    objects = ProtectionValveQuerySet.as_manager()  # type: ignore[misc]

    class Meta:
        db_table = "valvecare_protection_valve"
        ordering = ("tag",)
        indexes = [
            models.Index(fields=["tag", "id"], name="valve_by_tag"),
            models.Index(fields=["serial"], name="valve_by_serial"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["pump", "tag"],
                name="valve_tag_once_per_pump",
                violation_error_message="This pump has a protection valve with this tag already.",
            ),
            models.UniqueConstraint(
                fields=["pump"],
                condition=Q(status=ValveStatus.IN_SERVICE.value),
                name="one_valve_in_service_per_pump",
                violation_error_message="This pump has a protection valve in service already; "
                "take that one out of service first.",
            ),
            *_sane(
                "bypass_kv_m3_per_h",
                "design_bypass_flow_m3_per_h",
                "switching_flow_m3_per_h",
                "built_year",
            ),
        ]

    def __str__(self) -> str:
        return self.tag

    @property
    def is_identified(self) -> bool:
        """True when design, revision and serial are known; only then may a kit be reserved."""
        return (
            self.design is not None
            and self.design.revision != NOT_KNOWN
            and self.serial != NOT_KNOWN
        )


class Label(Versioned, SiteScoped, Retirable):
    """A plate with a code, fixed to a valve, pump, bin or kit. The code says nothing by itself.

    `target_id` is the key of the record of that kind; bins and kits belong to a later
    capability, so the register keeps no foreign key to them.
    """

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="labels")
    code = models.CharField(max_length=12, unique=True, editable=False)
    kind = models.CharField(max_length=8, choices=choices(LabelKind))
    target_id = models.PositiveBigIntegerField()
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    retired_why = models.CharField(max_length=300, blank=True)

    class Meta:
        db_table = "valvecare_label"
        ordering = ("id",)
        constraints = [
            models.UniqueConstraint(
                fields=["kind", "target_id"],
                condition=Q(retired_at__isnull=True),
                name="one_live_label_per_thing",
                violation_error_message="This has a live label already.",
            )
        ]

    def __str__(self) -> str:
        return f"label {self.code}"
