"""The default set: what it must cover, for the five invented designs, and that it overwrites
nothing. The list of parts is section 5 of the job as the trade does it (common practice)."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from django.core.management import call_command

from tests.factories.register import SiteFactory, valve_at
from valvecare.core.models import NOT_KNOWN
from valvecare.models import Procedure, ProcedureStep, ProcedureVersion, ValveDesign
from valvecare.work.actions.load_procedures import default_set, load_default_set
from valvecare.work.reads import parts_of
from valvecare.work.reads.procedures import valve_facts
from valvecare.work.rules import GATES, NEEDS_PROOF, OrderKind
from valvecare.work.rules.procedure_checks import why_not_steps
from valvecare.work.rules.procedures import apply_steps
from valvecare.work.rules.test_steps import STEP_IDS

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)
ROOT = Path(__file__).resolve().parent.parent.parent
DESIGNS = json.loads((ROOT / "fixtures/demo/designs.json").read_text())["rows"]
SET = {row.kind: row for row in default_set()}
STRIPPED = (OrderKind.STRIP_DOWN, OrderKind.SISTER_INSPECTION, OrderKind.CORRECTIVE)

SECTION_5 = {
    "main disc and body seat": {"main disc", "body seat"},
    "disc guide, stem, bush": {"disc guide", "disc stem", "guide bush"},
    "closing spring": {"closing spring"},
    "actuating lever, pins, bushes": {"actuating lever", "lever pin", "lever bush"},
    "bypass plug or sleeve, ports": {"bypass trim"},
    "multi-stage bushing, orifice": {"pressure-breaking bushing", "bypass outlet orifice"},
    "bypass non-return element": {"bypass non-return element"},
    "flow ring": {"flow ring"},
    "body, cover, studs": {"body", "cover"},
    "seals, gasket": {"cover gasket", "O-ring"},
}
LEVER_PARTS = SECTION_5["actuating lever, pins, bushes"]


def test_every_kind_of_order_has_its_procedure():
    assert set(SET) == set(OrderKind)


@pytest.mark.parametrize("kind", OrderKind)
def test_each_may_be_put_in_use_as_it_is(kind):
    assert [str(reason) for reason in why_not_steps(kind, SET[kind].steps)] == []


@pytest.mark.django_db
@pytest.mark.parametrize(
    "row", DESIGNS, ids=lambda row: f"{row['code']}-{row['dn']}{row['revision']}"
)
def test_every_part_and_every_gate_is_asked_for_at_each_design(row):
    design = ValveDesign.objects.create(**row)
    valve = valve_at(SiteFactory(), design=design)
    facts = valve_facts(valve)
    for kind, shipped in SET.items():
        asked = [one.step for one in apply_steps(shipped.steps, facts) if one.applies]
        gates = [step.gate for step in asked if step.kind == "gate"]
        assert [gate for gate in GATES[kind] if gate.value not in gates] == []
        judged = {step.part for step in asked if step.kind == "judge part"}
        assert judged == {part.value for part in parts_of(valve, kind)}
        if kind in NEEDS_PROOF:
            tests = [step.test_step for step in asked if step.kind == "test"]
            assert [word for word in STEP_IDS[:6] if word not in tests] == []
    parts = {
        step.part
        for step in (
            one.step for one in apply_steps(SET[OrderKind.STRIP_DOWN].steps, facts) if one.applies
        )
    }
    for name, wanted in SECTION_5.items():
        absent = set()
        if not design.has_lever:
            absent |= LEVER_PARTS
        if not design.has_flow_ring:
            absent |= {"flow ring"}
        if design.bypass_stages == 1:
            absent |= {"pressure-breaking bushing"}
        assert wanted - absent <= parts, name
        assert not (absent & wanted & parts), name


@pytest.mark.django_db
def test_a_valve_nothing_is_known_of_is_asked_everything():
    valve = valve_at(
        SiteFactory(),
        design=None,
        serial=NOT_KNOWN,
        seal_material=NOT_KNOWN,
        pump__medium=NOT_KNOWN,
        pump__suction_temperature_degc=None,
    )
    facts = valve_facts(valve)
    for kind in STRIPPED:
        applied = apply_steps(SET[kind].steps, facts)
        # the group's own facts are always known: one pump, on duty, no common return
        left_out = {one.why for one in applied if not one.applies}
        assert left_out <= {
            "not asked: common return is no",
            "not asked: several pumps in the group is no",
            "not asked: standby pump is no",
            "not asked: loaded cover is yes",
        }
        by_words = {one.step.words: one for one in applied}
        lever = by_words["Actuating lever: bend, worn nose."]
        assert (lever.is_unsure, lever.why) == (True, "shown because 'has lever' is not known")


@pytest.mark.django_db
def test_loading_twice_adds_nothing():
    first = load_default_set(at=NOW)
    assert {line.words for line in first} == {"version 1 put in use"}
    counts = (
        Procedure.objects.count(),
        ProcedureVersion.objects.count(),
        ProcedureStep.objects.count(),
    )
    call_command("load_procedures", verbosity=0)
    assert {line.words for line in load_default_set(at=NOW)} == {"there already"}
    assert counts == (
        len(OrderKind),
        len(OrderKind),
        sum(len(shipped.steps) for shipped in SET.values()),
    )
    assert ProcedureVersion.objects.count() == counts[1]
    assert ProcedureStep.objects.count() == counts[2]
