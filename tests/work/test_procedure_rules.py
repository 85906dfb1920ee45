"""Which procedure serves, which steps apply, and why a version may not be put in use."""

from dataclasses import replace

import pytest

from tests.factories.procedures import TEST_STEPS, written
from valvecare.work.actions.load_procedures import default_set
from valvecare.work.rules import GateKind, OrderKind
from valvecare.work.rules.procedure_checks import (
    MOST_CONDITIONS,
    MOST_STEPS,
    why_not_second,
    why_not_steps,
)
from valvecare.work.rules.procedures import (
    YES_OR_NO,
    Candidate,
    Fact,
    apply_step,
    compare_steps,
    numbered,
    step_data,
    step_from,
    which_serves,
)

STRIP = next(row.steps for row in default_set() if row.kind is OrderKind.STRIP_DOWN)
KIND = OrderKind.STRIP_DOWN

FOR_ALL = Candidate(1, "all", None, "")
DESIGN = Candidate(2, "oak", None, "OAK")
SITE = Candidate(3, "here", 7, "")
BOTH = Candidate(4, "oak-here", 7, "OAK")


@pytest.mark.parametrize(
    ("case", "candidates", "site", "design", "wanted"),
    [
        ("only what is for all", [FOR_ALL], 7, "OAK", 1),
        ("a design before what is for all", [FOR_ALL, DESIGN], 7, "OAK", 2),
        ("a site before a design", [FOR_ALL, DESIGN, SITE], 7, "OAK", 3),
        ("design at the site before all", [SITE, BOTH, FOR_ALL], 7, "OAK", 4),
        ("another design", [FOR_ALL, DESIGN, BOTH], 7, "ELM", 1),
        ("another site", [FOR_ALL, SITE, BOTH], 8, "OAK", 1),
        ("a valve without a design", [FOR_ALL, DESIGN], 7, "", 1),
    ],
)
def test_the_most_specific_serves(case, candidates, site, design, wanted):
    assert which_serves(KIND, candidates, site=site, design=design).version == wanted


def test_none_and_two_alike_say_so():
    none = which_serves(KIND, [DESIGN], site=7, design="ELM")
    assert (none.version, none.refusal) == (None, None)
    assert none.words == "No procedure is in use for 'strip-down' at this valve."
    tie = which_serves(KIND, [SITE, replace(SITE, version=9, code="there")], site=7, design="")
    assert tie.version is None
    assert tie.refusal.code == "procedures_tie"
    assert tie.refusal.numbers == {"procedures": ["here", "there"]}


def step(**given):
    return step_from({"phase": "inspect", "kind": "check", "words": "Look.", **given}, 1)


@pytest.mark.parametrize(
    ("case", "when", "facts", "applies", "why"),
    [
        ("no condition", [], {}, True, "always"),
        ("holds", [("has lever", "yes")], {"has lever": "yes"}, True, "because has lever"),
        (
            "does not hold",
            [("has lever", "yes")],
            {"has lever": "no"},
            False,
            "not asked: has lever is no",
        ),
        (
            "not known: shown",
            [("hot", "yes")],
            {"hot": None},
            True,
            "shown because 'hot' is not known",
        ),
        (
            "a fact that was never gathered: shown",
            [("hot", "yes")],
            {},
            True,
            "shown because 'hot' is not known",
        ),
        (
            "known no beats not known",
            [("hot", "yes"), ("has lever", "yes")],
            {"hot": None, "has lever": "no"},
            False,
            "not asked: has lever is no",
        ),
        (
            "all must hold",
            [("has lever", "yes"), ("medium", "sea water")],
            {"has lever": "yes", "medium": "Sea Water"},
            True,
            "because has lever, medium is sea water",
        ),
        (
            "the word of the register for not known",
            [("seal material", "EPDM")],
            {"seal material": "not known"},
            True,
            "shown because 'seal material' is not known",
        ),
        (
            "two not known",
            [("hot", "yes"), ("medium", "water")],
            {},
            True,
            "shown because 'hot', 'medium' are not known",
        ),
        (
            "not",
            [("loaded cover", "no")],
            {"loaded cover": "no"},
            True,
            "because not: loaded cover",
        ),
    ],
)
def test_a_step_applies_unless_a_known_fact_says_no(case, when, facts, applies, why):
    one = apply_step(
        step(when=[{"fact": fact, "is": word} for fact, word in when]),
        {Fact(name): word for name, word in facts.items()},
    )
    assert (one.applies, one.why) == (applies, why)


def codes(steps, kind=KIND):
    return [reason.code for reason in why_not_steps(kind, numbered(list(steps)))]


def changed(**where):
    """The default strip-down with one of its steps changed: `find` picks it, the rest is new."""
    find = where.pop("find")
    return [replace(one, **where) if find(one) else one for one in STRIP]


def without(find):
    return [one for one in STRIP if not find(one)]


def gate(kind):
    return lambda one: one.kind == "gate" and one.gate == kind


def swapped(first, second):
    found = list(STRIP)
    i = next(n for n, one in enumerate(found) if gate(first)(one))
    j = next(n for n, one in enumerate(found) if gate(second)(one))
    found[i], found[j] = found[j], found[i]
    return found


COVER = GateKind.COVER_RELEASED


def is_first(one):
    return one.number == 1


def says_isolate(one):
    return "three-isolations" in one.cautions


@pytest.mark.parametrize(
    ("case", "steps", "wanted"),
    [
        ("as it is", STRIP, []),
        ("no step", [], ["no_steps"]),
        ("too many", list(STRIP) * 2, ["too_many_steps"]),
        ("no isolated before the cover", without(gate("isolated")), ["gates_missing"]),
        ("isolated after the cover", swapped("isolated", "cover released"), ["gates_out_of_order"]),
        (
            "joint before the parts",
            swapped("every part judged", "joint closed"),
            ["gates_out_of_order"],
        ),
        (
            "as found after the cover",
            swapped("as-found recorded", "cover released"),
            ["gates_out_of_order", "gates_out_of_order", "caution_missing"],
        ),
        (
            "a gate that may be left out",
            changed(find=gate("isolated"), is_mandatory=False),
            ["gate_not_always"],
        ),
        (
            "a gate with a condition",
            changed(find=gate("isolated"), when=(step_from(TEST_STEPS[5], 1).when[0],)),
            ["gate_not_always"],
        ),
        (
            "a gate twice",
            [*STRIP, next(one for one in STRIP if gate("isolated")(one))],
            ["gate_twice"],
        ),
        ("a part nobody judges", without(lambda one: one.part == "flow ring"), ["parts_missing"]),
        (
            "an unknown part",
            changed(find=lambda one: one.part == "disc stem", part="flywheel"),
            ["unknown_part"],
        ),
        (
            "an unknown gate",
            changed(find=gate("moved by hand"), gate="polished"),
            ["unknown_gate", "gates_missing"],
        ),
        (
            "an unknown unit",
            changed(find=lambda one: one.words.startswith("Overlap as left"), unit="inch"),
            ["unknown_unit"],
        ),
        (
            "an unknown caution",
            changed(find=is_first, cautions=("beware",)),
            ["unknown_caution"],
        ),
        (
            "an unknown witness",
            changed(find=is_first, witness="the cat"),
            ["unknown_witness"],
        ),
        (
            "an unknown kind and phase",
            changed(find=is_first, kind="dance", phase="later"),
            ["unknown_phase", "unknown_kind"],
        ),
        (
            "empty words",
            changed(find=is_first, words=" "),
            ["no_words"],
        ),
        (
            "a caution without a signal word",
            changed(find=is_first, own_caution="Hot."),
            ["caution_without_signal"],
        ),
        (
            "isolation without its caution",
            changed(find=says_isolate, cautions=("surroundings",)),
            ["caution_missing"],
        ),
        (
            "spring energy only said where it is not mandatory",
            changed(find=lambda one: "stored-energy" in one.cautions, is_mandatory=False),
            ["caution_missing", "caution_missing"],
        ),
        ("nothing tightened", without(lambda one: one.kind == "tighten"), ["no_tightening"]),
        ("no T1", without(lambda one: one.test_step == "T1"), ["no_test"]),
    ],
)
def test_a_version_that_may_not_be_put_in_use_says_why(case, steps, wanted):
    assert codes(steps) == wanted


@pytest.mark.parametrize(
    ("case", "given", "code"),
    [
        ("a measure of nothing", {"kind": "measure"}, "no_quantity"),
        ("a measure without unit", {"kind": "measure", "quantity": "gap"}, "no_unit"),
        (
            "a part's quantity without its part",
            {"kind": "measure", "quantity": "clearance of the guide"},
            "no_part",
        ),
        ("a caution that says nothing", {"kind": "caution"}, "no_caution"),
        ("a test step without its name", {"kind": "test"}, "no_test_step"),
        ("a gate without its name", {"kind": "gate"}, "no_gate"),
        ("a part without its name", {"kind": "judge part"}, "no_part"),
        ("an unknown fact", {"when": [{"fact": "has wings", "is": "yes"}]}, "unknown_condition"),
        ("perhaps", {"when": [{"fact": "hot", "is": "perhaps"}]}, "condition_word"),
        ("no word", {"when": [{"fact": "medium", "is": " "}]}, "condition_word"),
    ],
)
def test_a_step_that_lacks_something_is_named_by_its_number(case, given, code):
    reason = why_not_steps(KIND, numbered([*STRIP, step(**given)]))[0]
    assert reason.code == code
    assert reason.words.startswith(f"Step {len(STRIP) + 1}: ")


SHIPPED = {row.kind: row.steps for row in default_set()}


@pytest.mark.parametrize("kind", [OrderKind.BYPASS_ONLY, OrderKind.EXCHANGE])
def test_stored_energy_is_said_before_isolation_where_no_cover_gate_follows(kind):
    """Said only at the closed joint it comes when the joint has been open for hours."""
    steps = SHIPPED[kind]
    at = next(one.number for one in steps if gate("isolated")(one))
    late = [
        replace(
            one, cautions=tuple(c for c in one.cautions if c != "stored-energy") or ("lifting",)
        )
        if one.number <= at and one.cautions
        else one
        for one in steps
    ]
    assert "stored-energy" in {name for one in late for name in one.cautions}
    [reason] = why_not_steps(kind, late)
    assert reason.words == f"The caution 'stored-energy' is not said before step {at}."


def test_as_found_stands_before_the_parts_are_judged_where_there_is_no_cover_gate():
    steps = list(SHIPPED[OrderKind.BYPASS_ONLY])
    found = next(one for one in steps if gate("as-found recorded")(one))
    steps.remove(found)
    place = next(n for n, one in enumerate(steps) if gate("every part judged")(one))
    [reason] = why_not_steps(
        OrderKind.BYPASS_ONLY, numbered([*steps[: place + 1], found, *steps[place + 1 :]])
    )
    assert reason.code == "gates_out_of_order"
    assert "'as-found recorded' stands after 'every part judged'" in reason.words


def test_a_step_has_at_most_eight_conditions():
    when = [{"fact": fact.value, "is": "yes"} for fact in Fact if fact in YES_OR_NO][:9]
    assert (len(when), MOST_CONDITIONS) == (9, 8)
    assert codes([*STRIP, step(when=when[:8])]) == []
    assert codes([*STRIP, step(when=when)]) == ["too_many_conditions"]


def test_a_kind_without_proof_or_joint_has_neither_test_nor_tightening():
    look = next(row.steps for row in default_set() if row.kind is OrderKind.LOOK_AND_LISTEN)
    kind = OrderKind.LOOK_AND_LISTEN
    assert codes([*look, step(kind="test", test_step="T1")], kind) == ["test_not_in_kind"]
    assert codes([*look, step(kind="tighten")], kind) == ["tightening_not_in_kind"]
    assert codes([*look, step(kind="gate", gate="isolated")], kind) == ["gate_not_in_kind"]


def test_a_part_judged_after_its_gate_is_too_late():
    late = [one for one in STRIP if one.part != "cover" or one.kind != "judge part"]
    late.append(next(one for one in STRIP if one.part == "cover" and one.kind == "judge part"))
    assert codes(late) == ["judged_too_late"]


def test_most_steps_is_the_bound():
    filler = [step(words=f"Look {n}.") for n in range(MOST_STEPS - len(STRIP))]
    assert codes([*STRIP, *filler]) == []
    assert codes([*STRIP, *filler, step()]) == ["too_many_steps"]


@pytest.mark.parametrize(
    ("case", "writers", "signer", "is_refused"),
    [
        ("who drafted it", {5, 6}, 5, True),
        ("who changed it", {5, 6}, 6, True),
        ("nobody", {5}, None, True),
        ("a second person", {5, 6}, 7, False),
        ("from the program", {None}, 7, False),
    ],
)
def test_a_second_person_puts_it_in_use(case, writers, signer, is_refused):
    assert (why_not_second(writers=writers, signer=signer) is not None) == is_refused


def test_a_step_survives_its_way_through_plain_data():
    for one in STRIP:
        assert step_from(step_data(one), one.number) == one


def test_two_versions_side_by_side():
    before = written(TEST_STEPS)
    after = list(before)
    after[1] = replace(after[1], words="Written down as found.")
    after[2] = replace(after[2], cautions=("hot-water",))
    del after[5]
    after.append(step(words="Sweep the floor."))
    lines = compare_steps(before, numbered(after))
    told = [
        (line.word, line.changed, (line.before or line.after).words)
        for line in lines
        if line.word != "same"
    ]
    assert told == [
        ("changed", ("words",), "As found."),
        ("changed", ("cautions",), "Read before the start."),
        ("left out", (), "Pins of the lever locked."),
        ("added", (), "Sweep the floor."),
    ]
    assert {line.word for line in compare_steps(before, before)} == {"same"}
