"""Cautions: complete, ordered, deferring; every composed result carries them."""

import re

import pytest

from valvecare.engineering.cautions import (
    ALL_CAUTIONS,
    COMPUTATIONS,
    DEFER,
    Signal,
    StepKind,
    caution,
    cautions_for,
    cautions_for_step,
)
from valvecare.engineering.errors import OutOfRange


def test_ids_are_unique_and_stable_in_form() -> None:
    ids = [c.id for c in ALL_CAUTIONS]
    assert len(set(ids)) == len(ids)
    assert all(re.fullmatch(r"[a-z]+(-[a-z]+)*", id) for id in ids)


@pytest.mark.parametrize("one", ALL_CAUTIONS, ids=lambda c: c.id)
def test_every_caution_defers_and_names_its_source(one: object) -> None:
    found = caution(one.id)  # type: ignore[attr-defined]
    assert found.text.endswith(DEFER)
    assert found.hazard.endswith(".")
    assert found.source
    assert found.steps


@pytest.mark.parametrize("step", list(StepKind))
def test_every_kind_of_step_has_cautions_strongest_first(step: StepKind) -> None:
    shown = cautions_for_step(step)
    ranks = [list(Signal).index(c.signal) for c in shown]
    assert ranks == sorted(ranks)
    assert "advice-only" in {c.id for c in shown}


@pytest.mark.parametrize(
    ("step", "ids"),
    [
        (StepKind.ISOLATE, {"stored-energy", "three-isolations", "isolation-standard"}),
        (StepKind.OPEN, {"trapped-pressure", "spring-cover", "hot-water", "stored-energy"}),
        (StepKind.BREAK_JOINT, {"trapped-pressure", "three-isolations", "hot-water"}),
        (StepKind.LIFT, {"lifting"}),
        (StepKind.LAP, {"lapping"}),
        (StepKind.SEAL, {"listed-pairs"}),
        (StepKind.CLOSE, {"compress-evenly", "spring-cover"}),
        (StepKind.TIGHTEN, {"torque-basis", "never-retorque-hot"}),
        (StepKind.TEST, {"closed-in-running", "reverse-rotation", "hot-water"}),
        (StepKind.RETURN_TO_SERVICE, {"return-to-service", "reverse-rotation"}),
    ],
)
def test_the_cautions_that_belong_to_a_step(step: StepKind, ids: set[str]) -> None:
    assert ids <= {c.id for c in cautions_for_step(step)}


@pytest.mark.parametrize("name", sorted(COMPUTATIONS))
def test_every_computation_ends_with_advice_only(name: str) -> None:
    shown = cautions_for(name)
    assert len(shown) >= 2
    assert shown[-1].id == "advice-only"


@pytest.mark.parametrize(
    "id",
    ["stored-energy", "three-isolations", "trapped-pressure", "spring-cover", "closed-in-running"],
)
def test_what_kills_is_a_danger(id: str) -> None:
    assert caution(id).signal == Signal.DANGER


def test_notices_are_about_property_only() -> None:
    notices = [c for c in ALL_CAUTIONS if c.signal == Signal.NOTICE]
    assert {c.id for c in notices} == {"lapping", "advice-only"}


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: caution("no-such"), "id"),
        (lambda: cautions_for("no such"), "computation"),
        (lambda: cautions_for_step("dance"), "step"),  # type: ignore[arg-type]
    ],
)
def test_unknown_names_are_refused(call: object, name: str) -> None:
    with pytest.raises(OutOfRange) as refusal:
        call()  # type: ignore[operator]
    assert refusal.value.name == name
