"""A fitted part counts its own life with the pump's counters."""

from datetime import timedelta

import pytest

from tests.factories.due import scene
from tests.factories.parts import PartNumberFactory
from tests.factories.register import member
from valvecare.core.errors import Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.models import FittedPart
from valvecare.parts.actions import fit_part, remove_part
from valvecare.parts.reads import lives_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def world():
    made = scene()
    site = made.valve.site_of()
    from tests.factories.due import NOON

    days = [NOON - timedelta(days=n) for n in range(20, -1, -1)]
    made.push(made.hours, [(day, 1000 + 10 * n) for n, day in enumerate(days)], at=NOON)
    made.push(made.starts, [(day, 50 + n) for n, day in enumerate(days)], at=NOON)
    made.technician = member(site, Role.TECHNICIAN)
    made.now, made.days = NOON, days
    made.part = PartNumberFactory(place="closing spring", has_serial=True)
    return made


def fit(world, **given):
    facts = {"actor": world.technician, "at": world.now, "fitted_at": world.days[5]}
    return fit_part(world.valve.pk, world.part.pk, **{**facts, "serial": "S-1", **given})


def test_a_part_ages_from_the_instant_it_was_fitted(world):
    fit(world)
    (life,) = lives_of(world.valve, world.now)
    assert (life.run_hours, life.starts) == pytest.approx((150.0, 15.0))
    (life,) = lives_of(world.valve, world.days[10] + timedelta(hours=12))
    assert (life.run_hours, life.starts) == pytest.approx((55.0, 5.5))


def test_a_part_taken_out_keeps_its_life(world):
    row = fit(world)
    who = {"actor": world.technician, "at": world.now}
    remove_part(row.pk, "Pitted.", removed_at=world.days[15], **who)
    (life,) = lives_of(world.valve, world.now)
    assert (life.run_hours, life.starts) == pytest.approx((100.0, 10.0))
    assert life.removed_why == "Pitted."
    with pytest.raises(Refused, match="taken out"):
        remove_part(row.pk, "Again.", removed_at=world.now, **who)
    fit(world, fitted_at=world.now)


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"serial": ""}, "serial_missing"),
        ({"fitted_at": None}, "in_the_future"),
    ],
)
def test_fitting_refuses(world, given, code):
    if "fitted_at" in given:
        given = {"fitted_at": world.now + timedelta(days=1)}
    with pytest.raises(Refused) as caught:
        fit(world, **given)
    assert caught.value.code == code
    assert not FittedPart.objects.exists()


def test_a_serial_lives_in_one_valve(world):
    fit(world)
    twin = scene()
    with pytest.raises(NotFound):
        fit_part(
            twin.valve.pk,
            world.part.pk,
            serial="S-1",
            fitted_at=world.now,
            actor=world.technician,
            at=world.now,
        )
    there = member(twin.valve.site_of(), Role.TECHNICIAN)
    with pytest.raises(Refused, match="is fitted in"):
        fit_part(
            twin.valve.pk,
            world.part.pk,
            serial="S-1",
            fitted_at=world.now,
            actor=there,
            at=world.now,
        )


def test_taking_out_refuses(world):
    row = fit(world)
    who = {"actor": world.technician, "at": world.now}
    early = world.days[5] - timedelta(days=1)
    with pytest.raises(Refused, match="after it was fitted"):
        remove_part(row.pk, "Pitted.", removed_at=early, **who)
    with pytest.raises(Refused, match="reason"):
        remove_part(row.pk, " ", removed_at=world.now, **who)
    planner = member(world.valve.site_of(), Role.PLANNER)
    with pytest.raises(Forbidden):
        remove_part(row.pk, "Pitted.", removed_at=world.now, actor=planner, at=world.now)
