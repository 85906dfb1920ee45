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


PLACES = {
    # design, variant, size, revision: its place in the invented plant
    "ALD-16": ("ALD-16", "", 300, "A", "water", 55.0, "EPDM"),
    "ALD-16 S": ("ALD-16", "S", 350, "A", "sea water", 22.0, "NBR"),
    "BIR-40": ("BIR-40", "", 200, "A", "water", 125.0, "EPDM"),
    "CED-100": ("CED-100", "", 100, "B", "water", 130.0, "EPDM"),
    "ELM-160": ("ELM-160", "", 125, "A", "water", 143.0, "EPDM"),
    "FIR-100S": ("FIR-100S", "", 200, "A", "sea water", 22.0, "NBR"),
}
LEVERS, SLEEVES = {"ALD-16", "ALD-16 S", "BIR-40"}, {"CED-100", "ELM-160", "FIR-100S"}
MANY = {"BIR-40", "CED-100", "ELM-160", "FIR-100S"}
RODS = {"ALD-16", "ALD-16 S", "BIR-40", "ELM-160", "FIR-100S"}
HOT, SEA = {"BIR-40", "CED-100", "ELM-160"}, {"ALD-16 S", "FIR-100S"}
EVERY = LEVERS | SLEEVES
BY_DESIGN = [
    # where of job: the beginning of a step, and the designs at which it is asked, and only there
    ("prepare", "Long rods", RODS),
    ("prepare", "Clamp for the spring", set()),
    ("prepare", "Lifting: mass and centre", EVERY),
    ("prepare", "Lever pin of the kit", LEVERS),
    ("prepare", "Sleeve of the kit", SLEEVES),
    ("prepare", "Bushing of the kit", MANY),
    ("prepare", "Pin gauges", MANY),
    ("prepare", "Pressure-seal ring of the kit", {"ELM-160"}),
    ("isolate", "Hot: cool", HOT),
    ("isolate", "Above 100 °C", HOT),
    ("isolate", "Sea water: pits", SEA),
    ("open", "Cover rods fitted", RODS),
    ("open", "Nuts on the standard studs", EVERY - RODS),
    ("open", "Loosened crosswise", EVERY - {"ELM-160"}),
    ("open", "Pressure-seal cover", {"ELM-160"}),
    ("open", "Stroke of the main disc, before the linkage", LEVERS),
    ("open", "Stroke of the main disc with its sleeve", SLEEVES),
    ("open", "Open length of the ports", SLEEVES),
    ("open", "Lift of the bypass with the disc closed, before", LEVERS),
    ("open", "Overlap: lift of the disc at which the bypass shuts", LEVERS),
    ("open", "Overlap: lift of the disc at which the sleeve", SLEEVES),
    ("inspect", "Actuating lever", LEVERS),
    ("inspect", "Lever pin", LEVERS),
    ("inspect", "Lever bush", LEVERS),
    ("inspect", "Sleeve: clearance", SLEEVES),
    ("inspect", "One stage", EVERY - MANY),
    ("inspect", "Pressure-breaking bushing", MANY),
    ("inspect", "Deposits from plugged holes", MANY),
    ("inspect", "Flow ring", {"ALD-16", "ALD-16 S"}),
    ("inspect", "Lining of the body", {"ALD-16 S"}),
    ("inspect", "Bore of the body at the seal ring", {"ELM-160"}),
    ("inspect", "Hot service", HOT),
    ("inspect", "Sea water", SEA),
    ("reassemble", "EPDM", EVERY - SEA),
    ("reassemble", "NBR", SEA),
    ("reassemble", "FKM", set()),
    ("reassemble", "Lever and bypass", LEVERS),
    ("reassemble", "Sleeve in the recorded relation", SLEEVES),
    ("reassemble", "Pressure-breaking bushing", MANY),
    ("reassemble", "Flow ring", {"ALD-16", "ALD-16 S"}),
    ("close up", "New cover gasket", EVERY - {"ELM-160"}),
    ("close up", "New pressure-seal ring", {"ELM-160"}),
    ("close up", "Spring compressed evenly with the rods", RODS),
    ("reassemble", "Lift of the bypass with the disc closed, as left", LEVERS),
    ("reassemble", "Open length of the ports with the disc closed, as left", SLEEVES),
    ("reassemble", "Overlap as left", EVERY),
    ("function test", "Hot: vents and drains", HOT),
    ("function test", "Hot: warmed through", HOT),
    ("function test", "Above 100 °C", HOT),
    ("function test", "Return line does not flash", HOT),
    ("return to service", "Pull-up bolts", {"ELM-160"}),
    ("return to service", "Alarms and restrictions", EVERY),
]
"""Common practice, sections 3 to 9 of the job as the trade does it; which design has what is
invented with the plant."""


@pytest.fixture
def at_designs(db):
    """By design: phase and words of the steps its full strip-down asks in the invented plant."""
    asked = {}
    for name, (code, variant, dn, revision, medium, degc, seal) in PLACES.items():
        [row] = [
            row
            for row in DESIGNS
            if (row["code"], row["variant"], row["dn"], row["revision"])
            == (code, variant, dn, revision)
        ]
        valve = valve_at(
            SiteFactory(),
            design=ValveDesign.objects.create(**row),
            seal_material=seal,
            pump__medium=medium,
            pump__suction_temperature_degc=degc,
        )
        applied = apply_steps(SET[OrderKind.STRIP_DOWN].steps, valve_facts(valve))
        assert [one.step.words for one in applied if one.is_unsure] == []
        asked[name] = [(one.step.phase, one.step.words) for one in applied if one.applies]
    return asked


def test_each_design_is_asked_what_it_has_and_nothing_else(at_designs):
    wrong = []
    for phase, words, wanted in BY_DESIGN:
        found = {
            name
            for name, steps in at_designs.items()
            if any(one == phase and said.startswith(words) for one, said in steps)
        }
        if found != wanted:
            wrong.append((phase, words, sorted(found), sorted(wanted)))
    assert wrong == []
    known = [words for step in SET[OrderKind.STRIP_DOWN].steps for words in (step.words,)]
    assert [words for _, words, _ in BY_DESIGN if not any(w.startswith(words) for w in known)] == []


def test_every_step_for_some_valves_only_is_in_the_table():
    """A condition that is written wrongly would leave its step out everywhere, unseen."""
    of_the_valve = {
        "has lever", "has flow ring", "several bypass stages", "lined body", "pressure-seal cover",
        "loaded cover", "lifting gear needed", "hot", "flashes to steam", "medium", "seal material",
    }  # fmt: skip
    left_out = [
        step.words
        for step in SET[OrderKind.STRIP_DOWN].steps
        if {one.fact for one in step.when} & of_the_valve
        and not any(
            (step.phase, True) == (phase, step.words.startswith(words))
            for phase, words, _ in BY_DESIGN
        )
    ]
    assert left_out == []


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
