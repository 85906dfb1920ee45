"""Seal pairs, gaskets and flange bolting: only what is listed is allowed, row by row."""

import csv
from pathlib import Path

import pytest

from valvecare.engineering.errors import NoSolution, OutOfRange
from valvecare.engineering.flange_bolting import flange_bolting, flange_standards
from valvecare.engineering.flashing import flash_fraction
from valvecare.engineering.gaskets import (
    GasketAction,
    effective_width,
    gasket_data,
    gasket_renewal,
    gasket_stress,
    reaction_diameter,
)
from valvecare.engineering.seals import (
    WHO_MAY_DECIDE,
    SealAnswer,
    listed_agents,
    listed_media,
    listed_seals,
    seal_lubricant_decision,
    seal_medium_decision,
)

TABLES = Path(__file__).parents[1] / "checks" / "tables" / "mechanical"


def rows(name: str) -> list[dict[str, str]]:
    with (TABLES / name).open(newline="", encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


# the table's names of seals, and ours
SEAL_NAMES = {
    "EPDM (peroxide cured)": "EPDM",
    "PTFE (solid)": "PTFE",
    "flexible graphite gasket": "flexible graphite",
    "spiral-wound or fibre gasket": "spiral wound or fibre",
}
AGENTS = {
    "mineral_grease": "mineral grease",
    "silicone_grease": "silicone grease",
    "soap_solution": "soap solution",
    "PFPE_grease": "PFPE grease",
}


@pytest.mark.parametrize("row", rows("table_seals.csv"), ids=lambda row: row["seal"])
@pytest.mark.parametrize("column", sorted(AGENTS))
def test_every_lubricant_cell(row: dict[str, str], column: str) -> None:
    seal = SEAL_NAMES.get(row["seal"], row["seal"])
    decision = seal_lubricant_decision(seal, agent=AGENTS[column])
    assert decision.answer.upper() == row[column].split()[0]


@pytest.mark.parametrize("row", rows("table_seals.csv"), ids=lambda row: row["seal"])
def test_every_dry_limit(row: dict[str, str]) -> None:
    seal = SEAL_NAMES.get(row["seal"], row["seal"])
    top = row["T_max_dry_C"].split(" ")[0]
    if not top.isdigit():
        decision = seal_medium_decision(seal, medium="dry air", temperature_degc=20.0)
        assert decision.answer == SealAnswer.REFUSE
        return
    for temperature, answer in (
        (float(top), SealAnswer.ALLOW),
        (float(top) + 0.1, SealAnswer.REFUSE),
        (float(row["T_min_C"]), SealAnswer.ALLOW),
    ):
        decision = seal_medium_decision(seal, medium="dry air", temperature_degc=temperature)
        assert decision.answer == answer, temperature


@pytest.mark.parametrize(
    ("seal", "medium", "temperature", "answer", "code"),
    [
        ("EPDM", "steam", 140.0, "allow", "pair_allow"),
        ("EPDM", "steam", 150.0, "allow", "pair_allow"),
        ("EPDM", "steam", 170.0, "refuse", "outside_temperature"),
        ("NBR", "steam", 140.0, "refuse", "outside_temperature"),
        ("NBR", "water", 80.0, "allow", "pair_allow"),
        ("NBR", "water", 81.0, "refuse", "outside_temperature"),
        ("NBR", "sea water", 22.0, "allow", "pair_allow"),
        ("FKM", "steam", 120.0, "refuse", "pair_refuse"),
        ("FKM", "water", 100.0, "allow", "pair_allow"),
        ("FKM", "water", 101.0, "refuse", "outside_temperature"),
        ("EPDM", "mineral oil", 20.0, "refuse", "pair_refuse"),
        ("HNBR", "water", 20.0, "refuse", "pair_refuse"),
        ("VMQ", "steam", 110.0, "refuse", "pair_refuse"),
        ("EPDM", "amine water", 20.0, "refuse", "medium_not_listed"),
        ("FKM", "sea water", 20.0, "refuse", "pair_not_listed"),
        ("butyl", "water", 20.0, "refuse", "seal_not_listed"),
        ("unknown", "water", 20.0, "refuse", "seal_not_known"),
        (None, "water", 20.0, "refuse", "seal_not_known"),
        ("EPDM", None, 20.0, "refuse", "medium_not_known"),
        ("EPDM", "water", None, "refuse", "temperature_not_known"),
    ],
)
def test_medium_decisions(
    seal: str | None, medium: str | None, temperature: float | None, answer: str, code: str
) -> None:
    decision = seal_medium_decision(seal, medium=medium, temperature_degc=temperature)
    assert (decision.answer, decision.reasons[0].code) == (answer, code)
    assert decision.who_may_decide == ("" if answer == "allow" else WHO_MAY_DECIDE)


@pytest.mark.parametrize(
    ("seal", "agent", "answer", "code"),
    [
        ("EPDM", "mineral grease", "refuse", "pair_refuse"),
        ("EPDM", "petroleum jelly", "refuse", "pair_refuse"),
        ("EPDM", "silicone grease", "allow", "pair_allow"),
        ("NBR", "mineral grease", "allow", "pair_allow"),
        ("NBR", "petroleum jelly", "refuse", "pair_not_listed"),
        ("EPDM", "copper paste", "refuse", "thread_paste"),
        ("EPDM", "silicone", "refuse", "agent_not_listed"),
        ("epdm", "silicone grease", "refuse", "seal_not_listed"),
        ("unknown", "silicone grease", "refuse", "seal_not_known"),
        ("EPDM", "unknown", "refuse", "agent_not_known"),
        ("EPDM", "", "refuse", "agent_not_known"),
        (None, None, "refuse", "seal_not_known"),
        ("flexible graphite", "silicone grease", "refuse", "pair_refuse"),
    ],
)
def test_lubricant_decisions(seal: str | None, agent: str | None, answer: str, code: str) -> None:
    decision = seal_lubricant_decision(seal, agent=agent)
    assert (decision.answer, decision.reasons[0].code) == (answer, code)
    assert {c.id for c in decision.cautions} == {"listed-pairs", "advice-only"}


def test_epdm_refusal_says_what_to_use_instead() -> None:
    decision = seal_lubricant_decision("EPDM", agent="mineral grease")
    assert "use silicone grease or soap solution" in decision.reasons[0].text
    assert "seen" in decision.source


def test_no_pair_is_allowed_without_a_source() -> None:
    for seal in listed_seals():
        for agent in listed_agents():
            decision = seal_lubricant_decision(seal, agent=agent)
            assert decision.source
            assert decision.is_listed or decision.answer == SealAnswer.REFUSE
        for medium in listed_media():
            decision = seal_medium_decision(seal, medium=medium, temperature_degc=20.0)
            assert decision.source
            assert decision.is_listed or decision.answer == SealAnswer.REFUSE


@pytest.mark.parametrize("temperature", [float("nan"), float("inf"), -300.0, 1e4, True, "20"])
def test_a_spoiled_temperature_is_refused(temperature: object) -> None:
    with pytest.raises(OutOfRange) as refusal:
        seal_medium_decision("EPDM", medium="water", temperature_degc=temperature)  # type: ignore[arg-type]
    assert refusal.value.name == "temperature_degc"


@pytest.mark.parametrize(
    ("opened", "stocked", "action", "can_close", "codes"),
    [
        (True, True, "new", True, ["opened_joint"]),
        (True, False, "new", False, ["opened_joint", "no_gasket"]),
        (False, False, "leave", True, ["not_opened"]),
    ],
)
def test_gasket_renewal(
    opened: bool, stocked: bool, action: str, can_close: bool, codes: list[str]
) -> None:
    result = gasket_renewal(joint_was_opened=opened, new_gasket_in_stock=stocked)
    assert (result.action, result.can_close) == (GasketAction(action), can_close)
    assert [reason.code for reason in result.reasons] == codes


@pytest.mark.parametrize("name", ["joint_was_opened", "new_gasket_in_stock"])
def test_gasket_renewal_needs_both_answers(name: str) -> None:
    call: dict[str, bool | None] = {"joint_was_opened": True, "new_gasket_in_stock": True}
    with pytest.raises(OutOfRange) as refusal:
        gasket_renewal(**{**call, name: None})  # type: ignore[arg-type]
    assert refusal.value.name == name


def test_effective_width_is_continuous_at_its_limit() -> None:
    """b0 up to 6.35 mm counts fully; 2.52 sqrt(6.35) = 6.35."""
    below, above = effective_width(2 * 0.006349), effective_width(2 * 0.006351)
    assert below == pytest.approx(0.00635, abs=2e-6)
    assert above == pytest.approx(below, abs=3e-6)
    assert effective_width(0.025) == pytest.approx(2.52e-3 * 12.5**0.5)


def test_reaction_diameter_of_wide_gaskets() -> None:
    assert reaction_diameter(0.3, contact_width_m=0.025) == pytest.approx(
        0.3 - 2 * effective_width(0.025)
    )


def test_gasket_data_are_design_values() -> None:
    data = gasket_data("spiral wound with inner ring")
    assert data.yield_pa == pytest.approx(68.95e6, abs=0.01e6)
    assert data.assembly_high_pa == pytest.approx(103e6)
    with pytest.raises(OutOfRange, match="gasket's maker"):
        gasket_data("cork")


@pytest.mark.parametrize(
    "row",
    rows("table_flange_bolting.csv"),
    ids=lambda row: f"{row['standard']}-{row['size']}".replace(" ", "_"),
)
def test_every_flange_row(row: dict[str, str]) -> None:
    size = row["size"].replace("DN", "DN ")
    if "CONFLICT" in row["status"]:
        with pytest.raises(NoSolution, match="Count and measure the bolts"):
            flange_bolting(row["standard"], size=size)
        return
    found = flange_bolting(row["standard"], size=size)
    assert (found.count, found.bolt) == (int(row["count"]), row["bolt"])


def test_a_public_chart_with_three_quarter_bolts_is_not_matched() -> None:
    assert flange_bolting("ASME B16.5 150", size="NPS 4").bolt == "5/8"


@pytest.mark.parametrize(
    ("standard", "size", "name"),
    [("EN 1092-1 PN10", "DN 100", "standard"), ("EN 1092-1 PN16", "DN 32", "size")],
)
def test_flanges_that_are_not_listed_are_refused(standard: str, size: str, name: str) -> None:
    with pytest.raises(OutOfRange) as refusal:
        flange_bolting(standard, size=size)
    assert refusal.value.name == name
    assert len(flange_standards()) == 7


@pytest.mark.parametrize(("temperature", "share"), [(99.0, 0.0), (100.5, 0.0010), (150.0, 0.0945)])
def test_flashing_water(temperature: float, share: float) -> None:
    """IAPWS-IF97; 150 degC: (632.25 - 419.1)/2256.5."""
    found = flash_fraction(temperature, pressure_pa_abs=101325.0)
    assert found == pytest.approx(share, abs=5e-4)


@pytest.mark.parametrize("name", ["seal", "agent"])
def test_something_that_is_no_name_is_refused(name: str) -> None:
    call: dict[str, object] = {"seal": "EPDM", "agent": "silicone grease", name: 7}
    with pytest.raises(OutOfRange) as refusal:
        seal_lubricant_decision(**call)  # type: ignore[arg-type]
    assert refusal.value.name == name


def test_a_bolt_load_no_gasket_can_mean_is_refused() -> None:
    with pytest.raises(OutOfRange, match="check the units of load and diameters"):
        gasket_stress(4, bolt_load_n=105.0, outside_m=0.148, inside_m=0.127)
