"""Valid register rows: sites, people, pumps with a curve, designs, protection valves.

All names are invented. `member(site, role)` is the short way to a person with a role.
"""

from typing import Any

import factory
from django.contrib.auth import get_user_model
from factory.django import DjangoModelFactory

from valvecare.core.permits import Role
from valvecare.models import (
    CurvePoint,
    Membership,
    ProtectionValve,
    Pump,
    PumpGroup,
    Site,
    ValveDesign,
)
from valvecare.register.rules import Attitude, PumpRole, ReturnsTo, ValveStatus

PASSWORD = "only-for-tests"


class UserFactory(DjangoModelFactory):
    class Meta:
        model = get_user_model()
        skip_postgeneration_save = True

    username = factory.Sequence(lambda n: f"person-{n}")
    is_active = True

    @factory.post_generation
    def password(self: Any, create: bool, extracted: str | None, **_: Any) -> None:
        self.set_password(extracted or PASSWORD)
        if create:
            self.save()


class SiteFactory(DjangoModelFactory):
    class Meta:
        model = Site

    code = factory.Sequence(lambda n: f"S{n}")
    name = factory.LazyAttribute(lambda site: f"Invented plant {site.code}")
    business = "invented"
    time_zone = "Europe/Oslo"


class MembershipFactory(DjangoModelFactory):
    class Meta:
        model = Membership

    user = factory.SubFactory(UserFactory)
    site = factory.SubFactory(SiteFactory)
    role = Role.PLANNER.value


class PumpGroupFactory(DjangoModelFactory):
    class Meta:
        model = PumpGroup

    site = factory.SubFactory(SiteFactory)
    code = factory.Sequence(lambda n: f"G-{n}")
    service = "boiler feed"
    installed = 3
    needed = 2
    common_return = False


class PumpFactory(DjangoModelFactory):
    """A pump with the figures of an invented boiler feed pump; no curve (see `with_curve`)."""

    class Meta:
        model = Pump
        skip_postgeneration_save = True

    group = factory.SubFactory(PumpGroupFactory)
    tag = factory.Sequence(lambda n: f"P-{n}")
    role = PumpRole.DUTY.value
    medium = "water"
    speed_rpm = 2970.0
    curve_speed_rpm = 2970.0
    curve_density_kg_per_m3 = 934.8
    curve_source = "invented curve"
    best_flow_m3_per_h = 90.0
    duty_flow_m3_per_h = 86.0
    motor_rated_kw = 315.0
    motor_efficiency = 0.95
    suction_pressure_bar_g = 3.0
    suction_temperature_degc = 130.0
    npsh_required_m = 4.0
    returns_to = ReturnsTo.VESSEL.value
    back_pressure_bar_g = 3.3
    return_line_dn = 50
    stable_min_flow_m3_per_h = 27.0
    stable_min_flow_source = "invented pump record"
    allowed_rise_k = 8.0
    allowed_rise_source = "invented policy"
    liquid_volume_m3 = 0.02
    metal_mass_kg = 400.0

    @factory.post_generation
    def with_curve(self: Any, create: bool, extracted: bool | None, **_: Any) -> None:
        if create and extracted:
            CurvePoint.objects.bulk_create(
                CurvePoint(pump=self, flow_m3_per_h=q, head_m=h, shaft_power_kw=p)
                for q, h, p in CURVE
            )


CURVE = [
    (0.0, 864.0, 139.0),
    (27.0, 851.0, 163.0),
    (45.0, 828.0, 181.0),
    (72.0, 772.0, 208.0),
    (90.0, 720.0, 232.0),
    (108.0, 657.0, 257.0),
]
"""Flow m³/h, head m, shaft power kW of the invented pump."""


class ValveDesignFactory(DjangoModelFactory):
    class Meta:
        model = ValveDesign

    code = factory.Sequence(lambda n: f"OAK-{n}")
    variant = ""
    dn = 100
    bypass_dn = 50
    revision = "A"
    principle = "sleeve bypass, four stages, no lever"
    pressure_class_bar = 100
    has_lever = False
    bypass_stages = 4
    bushing_holes = 48
    bushing_hole_mm = 1.6
    liquid_recovery_factor = 0.97
    cover_bolt_count = 8
    cover_bolt_thread = "M27"
    cover_bolt_grade = "8.8"
    cover_mass_kg = 31.0
    stud_travel_mm = 45.0
    seat_diameter_mm = 90.0
    spring_rate_n_per_mm = 5.3
    spring_free_length_mm = 130.0
    spring_fitted_length_mm = 100.0
    lift_mm = 23.0
    opening_pressure_bar = 0.25
    full_lift_pressure_bar = 0.44
    reuse_depth_mm = 0.05
    lap_overcut_mm = 0.05
    removal_per_event_mm = 0.2
    removal_total_mm = 0.6
    guide_clearance_limit_mm = 0.45
    preload_loss_limit_share = 0.1
    holes_open_limit_share = 0.95
    limits_source = "invented part data"
    job_hours = 19.0


class ProtectionValveFactory(DjangoModelFactory):
    class Meta:
        model = ProtectionValve

    tag = factory.Sequence(lambda n: f"V-{n}")
    pump = factory.SubFactory(PumpFactory)
    design = factory.SubFactory(ValveDesignFactory)
    serial = factory.Sequence(lambda n: f"SER-{n:05d}")
    built_year = 2014
    seal_material = "EPDM"
    attitude = Attitude.HORIZONTAL.value
    status = ValveStatus.IN_SERVICE.value
    bypass_kv_m3_per_h = 3.3
    design_bypass_flow_m3_per_h = 30.0
    switching_flow_m3_per_h = 36.0


def member(site: Any, role: Role = Role.PLANNER, **user: Any) -> Any:
    """A person with one role at one site."""
    person = UserFactory(**user)
    MembershipFactory(user=person, site=site, role=role.value)
    return person


def valve_at(site: Any, **valve: Any) -> Any:
    """A protection valve with its pump, group and design at the given site."""
    return ProtectionValveFactory(pump__group__site=site, **valve)
