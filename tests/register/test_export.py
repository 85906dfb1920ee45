"""Export: what goes out comes back unchanged, numbers stay numbers, no cell is a live formula."""

import contextlib
import csv
import io
import zipfile
from datetime import UTC, datetime

import pytest
from openpyxl import load_workbook

from tests.factories.register import (
    PumpFactory,
    SiteFactory,
    UserFactory,
    ValveDesignFactory,
    member,
    valve_at,
)
from valvecare.core.cells import plain_cell, safe_cell
from valvecare.core.errors import Refused
from valvecare.core.permits import Role
from valvecare.models import Event, ProtectionValve
from valvecare.register.actions.export_register import (
    csv_lines,
    export_register,
    rows_of,
    template,
)
from valvecare.register.actions.import_columns import COLUMNS
from valvecare.register.actions.import_register import import_register
from valvecare.register.actions.import_sheets import MAX_ROWS, read_sheets
from valvecare.register.rules import SheetKind as Kind

pytestmark = pytest.mark.django_db
AT = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)
LIVE = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", '=HYPERLINK("x")', "'=1", "''=1", "＝1"]


@pytest.fixture
def site():
    return SiteFactory(code="NH", business="=cmd|' /C calc'!A0")


@pytest.fixture
def engineer(site):
    return member(site, Role.RELIABILITY_ENGINEER)


@pytest.fixture
def world(site):
    for number, text in enumerate(LIVE):
        design = ValveDesignFactory(variant="S" if number % 2 else "", principle=text.strip())
        valve_at(
            site,
            tag=f"V{number}",
            design=design if number % 3 else None,
            remarks=text.strip(),
            serial="not known" if number % 2 else f"{text.strip()}{number}",
            built_year=None if number % 2 else 2014,
            bypass_kv_m3_per_h=-0.0 or 0.1 + 0.2,
            pump__with_curve=True,
            pump__medium="Salzwasser; 3,5 % µ ≤",
        )
    valve_at(site, tag="gone", status="retired", retired_at=AT)
    return site


def columns(data):
    book = load_workbook(io.BytesIO(data))
    return {sheet.title: [[cell for cell in row] for row in sheet.iter_rows()] for sheet in book}


@pytest.mark.parametrize("text", [*LIVE, "", "NH-1V", "'80s", "a=b", "0"])
def test_a_safe_cell_is_never_live_and_comes_back(text):
    kept = safe_cell(text)
    assert not kept.startswith(("=", "+", "-", "@", "\t", "\r", "\n", "＝"))
    assert plain_cell(kept) == text


def test_a_workbook_comes_back_unchanged(world, engineer):
    data = export_register(engineer)
    result = import_register(data, "register.xlsx", actor=engineer, at=AT)
    assert [str(error) for error in result.errors] == []
    assert (result.added, result.changed, result.was_written) == (0, 0, False)
    assert {count.kind: count.unchanged for count in result.counts} == {
        "sites": 1,
        "groups": 10,
        "designs": 10,
        "pumps": 10,
        "curve points": 54,
        "valves": 9,
    }
    assert Event.objects.count() == 0


@pytest.mark.parametrize("kind", list(Kind))
def test_a_csv_comes_back_unchanged(kind, world, engineer):
    data = "".join(csv_lines(kind, rows_of(kind, engineer))).encode()
    result = import_register(data, f"{kind}.csv", actor=engineer, at=AT)
    assert [str(error) for error in result.errors] == []
    assert (result.added, result.changed) == (0, 0)
    assert result.unchanged == len(list(csv.reader(io.StringIO(data.decode()))) [1:])  # fmt: skip


def test_no_cell_of_any_export_is_live_and_numbers_are_numbers(world, engineer):
    sheets = columns(export_register(engineer))
    assert list(sheets) == [*Kind, "notes"]
    for lines in sheets.values():
        for line in lines:
            for cell in line:
                assert cell.data_type in ("s", "n", "inlineStr"), cell
                assert not str(cell.value or "").startswith(("=", "+", "-", "@", "\t", "\r"))
    valves = sheets["valves"]
    at = [cell.value for cell in valves[0]].index("bypass_kv_m3_per_h")
    assert [line[at].value for line in valves[1:]] == [pytest.approx(0.3, rel=1e-15)] * 9
    assert {line[at].data_type for line in valves[1:]} == {"n"}
    for kind in Kind:
        for line in csv.reader(csv_lines(kind, rows_of(kind, engineer))):
            for cell in line:
                number = cell.replace(".", "").replace("-", "").replace("e", "").isdigit()
                assert number or not cell.startswith(("=", "+", "-", "@", "\t", "\r"))


def test_a_stranger_exports_nothing_but_the_shared_designs(world):
    sheets = columns(export_register(member(SiteFactory(code="SM"), Role.PLANNER)))
    assert {name: len(lines) - 1 for name, lines in sheets.items() if name != "notes"} == {
        "sites": 1,
        "groups": 0,
        "designs": 10,
        "pumps": 0,
        "curve points": 0,
        "valves": 0,
    }
    assert len(columns(export_register(UserFactory()))["valves"]) == 1


def test_the_template_has_every_column_and_a_note_for_each():
    sheets = columns(template())
    for kind in Kind:
        assert [cell.value for cell in sheets[kind][0]] == [c.name for c in COLUMNS[kind]]
        assert len(sheets[kind]) == 1
    notes = [tuple(cell.value for cell in line) for line in sheets["notes"][1:]]
    assert len(notes) == sum(len(found) for found in COLUMNS.values())
    assert ("valves", "serial", "a value, or the words 'not known'", None) in notes
    assert (
        "pumps",
        "motor_efficiency",
        "may be empty",
        "number. above 0, at most 1. Share, 0 to 1",
    ) in notes  # noqa: E501


def refused_code(data, name="x.xlsx"):
    with pytest.raises(Refused) as refused:
        read_sheets(data, name, COLUMNS)
    return refused.value.code


def packed(**parts):
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as made:
        for name, text in parts.items():
            made.writestr(name.replace("__", "/"), text)
    return held.getvalue()


def test_a_bomb_is_refused_by_its_size_unpacked():
    bomb = packed(xl__workbook=b"\0" * 200_000_000)
    assert len(bomb) < 300_000
    assert refused_code(bomb) == "unpacks_too_large"
    many = packed(**{f"part{number}": b"" for number in range(501)})
    assert refused_code(many) == "unpacks_too_large"
    assert refused_code(b"x" * 10_000_001, "valves.csv") == "file_too_large"


def test_an_entity_bomb_inside_a_workbook_is_refused(engineer):
    good = export_register(engineer, [Kind.SITES])
    laughs = (
        '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">'
        + "".join(f'<!ENTITY {chr(98 + n)} "{f"&{chr(97 + n)};" * 10}">' for n in range(9))
        + "]><x>&j;</x>"
    )
    held = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(good)) as old, zipfile.ZipFile(held, "w") as made:
        for part in old.namelist():
            made.writestr(part, laughs if part == "xl/workbook.xml" else old.read(part))
    assert refused_code(held.getvalue()) == "unreadable"


def test_an_endless_table_is_refused(engineer):
    text = "site,tag\n" + "NH,V\n" * (MAX_ROWS + 1)
    assert refused_code(text.encode(), "valves.csv") == "too_many_rows"


@pytest.mark.parametrize("seed", range(60))
def test_a_damaged_workbook_is_refused_or_read_never_a_crash(seed, engineer):
    import random

    chance = random.Random(seed)
    data = bytearray(export_register(engineer, [Kind.SITES]))
    for _ in range(chance.choice([1, 5, 50])):
        data[chance.randrange(len(data))] = chance.randrange(256)
    if chance.random() < 0.3:
        del data[chance.randrange(len(data)) :]
    with contextlib.suppress(Refused):
        assert read_sheets(bytes(data), "x.xlsx", COLUMNS)[0].kind is Kind.SITES


def test_live_text_in_an_imported_cell_is_a_formula_only_without_the_apostrophe(world, engineer):
    data = b"site,tag,remarks\nNH,V0,'=2+2\n"
    assert import_register(data, "valves.csv", actor=engineer, at=AT).errors == ()
    assert ProtectionValve.objects.get(tag="V0").remarks == "=2+2"


def test_export_of_pumps_costs_one_query(world, engineer, django_assert_num_queries):
    PumpFactory(group__site=world)
    with django_assert_num_queries(1):
        assert len(list(csv_lines(Kind.PUMPS, rows_of(Kind.PUMPS, engineer)))) == 12
