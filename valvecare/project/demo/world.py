"""Build the demo world through the same actions that a plant would use."""

from datetime import UTC, datetime
from typing import Any

from django.contrib.auth import get_user_model
from django.db import transaction

from valvecare.core.records import create
from valvecare.models import (
    CalendarRule,
    CurvePoint,
    Membership,
    ProtectionValve,
    Pump,
    PumpGroup,
    Site,
    ValveDesign,
)
from valvecare.project.demo.shape import records

BUILT_AT = datetime(2021, 1, 4, 8, 0, tzinfo=UTC)
"""When the invented register was entered, before its first history record."""


def people() -> Any:
    """The demo's people. They have no usable password: the demo login backend lets them in."""
    users = get_user_model().objects
    owner = users.filter(username="demo-admin").first()
    if owner is None:
        owner = users.create_superuser("demo-admin", password=None)
    return owner


@transaction.atomic
def register() -> None:
    """Sites, groups, pumps with curves, designs, valves, calendar rules, people and roles."""
    owner = people()
    common = {"actor": owner, "at": BUILT_AT, "reason": "demo world"}
    sites = {}
    for row in records("sites"):
        sites[row["code"]] = create(Site(**row), permit="change_register", **common)
    groups = {}
    for row in records("groups"):
        row["site"] = sites[row["site"]]
        groups[row["code"]] = create(PumpGroup(**row), permit="change_register", **common)
    for row in records("calendar_rules"):
        exempt = row.pop("exempt_groups")
        row["site"] = sites[row["site"]]
        rule = create(CalendarRule(**row), permit="change_register", **common)
        rule.exempt_groups.set([groups[code] for code in exempt])
    pumps = {}
    for row in records("pumps"):
        curve = row.pop("curve")
        row["group"] = groups[row["group"]]
        pump = create(Pump(**row), permit="change_register", **common)
        CurvePoint.objects.bulk_create(
            CurvePoint(pump=pump, flow_m3_per_h=flow, head_m=head, shaft_power_kw=power)
            for flow, head, power in curve
        )
        pumps[row["tag"]] = pump
    designs = {}
    for row in records("designs"):
        design = ValveDesign(**row)
        design.full_clean()
        design.save()
        designs[(design.code, design.variant, design.dn, design.revision)] = design
    for row in records("valves_register"):
        row["pump"] = pumps[row["pump"]]
        row["design"] = designs[tuple(row["design"])]
        create(ProtectionValve(**row), permit="change_register", **common)
    users = get_user_model().objects
    for row in records("people"):
        user = users.create_user(row["login"], password=None)
        user.is_staff = any(
            held["role"] not in ("technician", "contractor") for held in row["memberships"]
        )
        user.save(update_fields=["is_staff"])
        for held in row["memberships"]:
            Membership.objects.create(user=user, site=sites[held["site"]], role=held["role"])
