"""Importing the register: every sentence, all or nothing, good rows only, repeat, permits."""

import io
from datetime import UTC, date, datetime

import pytest
from openpyxl import Workbook

from tests.factories.register import (
    PumpFactory,
    PumpGroupFactory,
    SiteFactory,
    UserFactory,
    ValveDesignFactory,
    member,
    valve_at,
)
from valvecare.core.errors import Refused
from valvecare.core.permits import Role
from valvecare.models import Event, ProtectionValve, Pump, PumpGroup, Site, ValveDesign
from valvecare.register.actions.import_columns import COLUMNS
from valvecare.register.actions.import_register import import_register
from valvecare.register.actions.pumps import curve_of
from valvecare.register.rules import SheetKind as Kind

pytestmark = pytest.mark.django_db
AT = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)


@pytest.fixture
def site():
    return SiteFactory(code="NH")


@pytest.fixture
def planner(site):
    return member(site, Role.PLANNER)


def csv(*lines, mark=","):
    return "\n".join(mark.join(line) for line in lines).encode()


def book(**sheets):
    made = Workbook()
    made.remove(made.active)
    for name, lines in sheets.items():
        sheet = made.create_sheet(name.replace("_", " "))
        for line in lines:
            sheet.append(line)
    held = io.BytesIO()
    made.save(held)
    return held.getvalue()


VALVE = ("site", "tag", "pump", "design", "design_variant", "design_dn", "design_revision",
         "serial", "stamped_identity", "built_year", "seal_material", "attitude", "status",
         "bypass_kv_m3_per_h")  # fmt: skip


def valve_line(**changes):
    line = dict(
        zip(
            VALVE,
            ("NH", "NH-1V", "NH-1P", "OAK", "", "100", "A", "S-1", "not known", "2014", "EPDM",
             "horizontal", "in service", "3.3"),
            strict=True,
        )
    )  # fmt: skip
    return tuple({**line, **changes}[name] for name in VALVE)


def run(data, planner, kind="valves", **more):
    return import_register(data, f"{kind}.csv", actor=planner, at=AT, **more)


@pytest.fixture
def pump(site):
    ValveDesignFactory(code="OAK")
    return PumpFactory(group__site=site, group__code="NH-FW", tag="NH-1P")


def test_a_new_valve_comes_with_history_and_one_event(pump, planner):
    result = run(csv(VALVE, valve_line()), planner, reason="first register")
    assert (result.added, result.changed, result.unchanged, result.errors) == (1, 0, 0, ())
    assert result.was_written
    valve = ProtectionValve.objects.get()
    assert (valve.tag, valve.serial, valve.built_year, valve.bypass_kv_m3_per_h) == (
        "NH-1V",
        "S-1",
        2014,
        3.3,
    )
    kept = valve.history.get()
    assert (kept.history_user, kept.history_change_reason, kept.history_type) == (
        planner,
        "first register",
        "+",
    )
    event = Event.objects.get()
    assert (event.type, event.site.code) == ("register.imported", "NH")
    assert event.words == "Register imported: valves 1 added, 0 changed."
    assert len(event.data["sha256"]) == 64


def test_the_same_file_again_changes_nothing(pump, planner):
    data = csv(VALVE, valve_line())
    run(data, planner)
    again = run(data, planner)
    assert (again.added, again.changed, again.unchanged, again.was_written) == (0, 0, 1, False)
    valve = ProtectionValve.objects.get()
    assert (valve.version, valve.history.count(), Event.objects.count()) == (1, 1, 1)


def test_a_repaired_row_is_the_only_one_that_changes(pump, planner):
    run(csv(VALVE, valve_line()), planner)
    result = run(csv(VALVE, valve_line(serial="S-2")), planner)
    assert [(row.name, row.changes) for row in result.changes] == [
        ("NH-1V", (("serial", "S-1", "S-2"),))
    ]
    valve = ProtectionValve.objects.get()
    assert (valve.serial, valve.version, valve.history.count()) == ("S-2", 2, 2)


def test_columns_left_out_leave_the_record_alone(pump, planner):
    valve = valve_at(None, pump=pump, tag="NH-1V", serial="S-1")
    run(csv(("site", "tag", "remarks"), ("NH", "NH-1V", "painted over")), planner)
    valve.refresh_from_db()
    assert (valve.remarks, valve.serial) == ("painted over", "S-1")


def test_a_dry_run_writes_nothing_and_its_fingerprint_confirms_the_same_plan(pump, planner):
    data = csv(VALVE, valve_line())
    shown = run(data, planner, dry_run=True)
    assert (shown.added, shown.is_dry_run, shown.was_written) == (1, True, False)
    assert (ProtectionValve.objects.count(), Event.objects.count()) == (0, 0)
    valve_at(None, pump=PumpFactory(group=pump.group), tag="NH-1V")
    with pytest.raises(Refused) as refused:
        run(data, planner, confirm=shown.fingerprint)
    assert refused.value.code == "plan_changed"
    again = run(data, planner, dry_run=True)
    assert run(data, planner, confirm=again.fingerprint).was_written


@pytest.mark.parametrize(
    ("case", "changes", "sentence"),
    [
        ("blank identity", {"serial": ""},
         "Sheet valves, row 2, column serial: is blank: write the value, or the words "
         "'not known'."),
        ("blank year", {"built_year": ""},
         "Sheet valves, row 2, column built_year: is blank: write the value, or the words "
         "'not known'."),
        ("blank key", {"tag": ""}, "Sheet valves, row 2, column tag: is blank, but is needed."),
        ("decimal comma", {"bypass_kv_m3_per_h": '"3,3"'},
         "Sheet valves, row 2, column bypass_kv_m3_per_h: '3,3' has a ',', but the declared "
         "locale writes the decimal mark '.' and no thousands marks."),
        ("not a number", {"bypass_kv_m3_per_h": "abc"},
         "Sheet valves, row 2, column bypass_kv_m3_per_h: 'abc' is not a number."),
        ("grouping", {"bypass_kv_m3_per_h": "1_000"},
         "Sheet valves, row 2, column bypass_kv_m3_per_h: '1_000' is not a number."),
        ("other digits", {"bypass_kv_m3_per_h": "٣"},
         "Sheet valves, row 2, column bypass_kv_m3_per_h: '٣' is not a number."),
        ("infinite", {"bypass_kv_m3_per_h": "1e999"},
         "Sheet valves, row 2, column bypass_kv_m3_per_h: '1e999' is not a finite number."),
        ("NaN", {"bypass_kv_m3_per_h": "nan"},
         "Sheet valves, row 2, column bypass_kv_m3_per_h: 'nan' is not a finite number."),
        ("negative", {"bypass_kv_m3_per_h": "-1"},
         "Sheet valves, row 2, column bypass_kv_m3_per_h: '-1' is not above 0, at most 1e+09."),
        ("fraction of a year", {"built_year": "2014.5"},
         "Sheet valves, row 2, column built_year: '2014.5' is not a whole number."),
        ("insane year", {"built_year": "14"},
         "Sheet valves, row 2, column built_year: '14' is not from 1850 to 2200."),
        ("word", {"attitude": "upside down"},
         "Sheet valves, row 2, column attitude: 'upside down' is not one of: horizontal; "
         "vertical, flow upwards; vertical, flow downwards; not known."),
        ("retiring by status", {"status": "retired"},
         "Sheet valves, row 2, column status: 'retired' is not one of: in service; spare."),
        ("formula", {"serial": "=1+1"},
         "Sheet valves, row 2, column serial: '=1+1' is a formula; paste its value."),
        ("sheet error", {"serial": "#REF!"},
         "Sheet valves, row 2, column serial: '#REF!' is an error of the sheet program."),
        ("too long", {"serial": "x" * 61},
         f"Sheet valves, row 2, column serial: '{'x' * 57}…' is longer than 60 characters."),
        ("control", {"serial": "a\x07b"},
         "Sheet valves, row 2, column serial: 'a\x07b' holds a control character."),
        ("no site", {"site": "ZZ"},
         "Sheet valves, row 2, column site: 'ZZ' there is no such site for you."),
        ("no pump", {"pump": "NH-9P"},
         "Sheet valves, row 2, column pump: 'NH-9P' is neither a pump in service nor in a good "
         "row of this file."),
        ("no design", {"design_revision": "C"},
         "Sheet valves, row 2, column design: 'OAK 100 C' is neither a design in service nor in a "
         "good row of this file."),
    ],
)  # fmt: skip
def test_what_is_wrong_is_one_sentence_with_its_place(case, changes, sentence, pump, planner):
    result = run(csv(VALVE, valve_line(**changes)), planner)
    assert [str(error) for error in result.errors] == [sentence]
    assert not result.was_written
    assert (ProtectionValve.objects.count(), Event.objects.count()) == (0, 0)


def test_all_errors_come_at_once_and_stop_everything(pump, planner):
    data = csv(
        VALVE,
        valve_line(serial="", built_year="x"),
        valve_line(tag="NH-2V", pump="NH-9P"),
        valve_line(tag="NH-3V", status="spare"),
        valve_line(tag="NH-3V", status="spare"),
    )
    result = run(data, planner)
    assert [(error.row, error.column) for error in result.errors] == [
        (2, "serial"),
        (2, "built_year"),
        (3, "pump"),
        (5, ""),
    ]
    assert str(result.errors[3]) == "Sheet valves, row 5: NH NH-3V stands in row 4 already."
    assert ProtectionValve.objects.count() == 0
    good = run(data, planner, good_rows_only=True)
    assert (good.added, good.was_written, len(good.errors)) == (1, True, 4)
    assert (good.counts[0].rows, good.counts[0].refused) == (4, 3)
    assert ProtectionValve.objects.get().tag == "NH-3V"


def test_a_new_row_needs_its_columns(pump, planner):
    result = run(csv(("site", "tag", "pump"), ("NH", "NH-1V", "NH-1P")), planner)
    words = [str(error) for error in result.errors]
    assert words[0] == (
        "Sheet valves, row 2, column design: the column is missing; a new record needs it, with a "
        "value or the words 'not known'."
    )
    missing = {error.column for error in result.errors}
    assert missing == {
        "design",
        "serial",
        "stamped_identity",
        "built_year",
        "seal_material",
        "attitude",
    }


def test_not_known_is_an_answer(pump, planner):
    line = valve_line(
        design="Not known", design_dn="", design_revision="", serial="not known",
        built_year="not known", bypass_kv_m3_per_h="not known",
    )  # fmt: skip
    assert run(csv(VALVE, line), planner).added == 1
    valve = ProtectionValve.objects.get()
    assert (valve.design, valve.serial, valve.built_year, valve.bypass_kv_m3_per_h) == (
        None,
        "not known",
        None,
        None,
    )
    assert not valve.is_identified


def test_a_pump_never_gets_two_valves_in_service(pump, planner):
    old = valve_at(None, pump=pump, tag="NH-0V")
    result = run(csv(VALVE, valve_line()), planner)
    assert [str(error) for error in result.errors] == [
        "Sheet valves, row 2, column status: 'in service' pump NH-1P has the valve NH-0V in "
        "service already."
    ]
    # swapping both in one file is fine, whatever the order of the rows
    swap = csv(VALVE, valve_line(), valve_line(tag="NH-0V", status="spare"))
    assert run(swap, planner).errors == ()
    old.refresh_from_db()
    assert old.status == "spare"
    back = csv(VALVE, valve_line(tag="NH-0V"), valve_line(status="spare"))
    assert run(back, planner).errors == ()
    assert ProtectionValve.objects.in_service().get().tag == "NH-0V"


def test_a_retired_record_is_not_changed_by_a_file(pump, planner):
    valve_at(None, pump=pump, tag="NH-1V", status="retired", retired_at=AT)
    result = run(csv(VALVE, valve_line()), planner)
    assert [str(error) for error in result.errors] == [
        "Sheet valves, row 2: NH-1V is retired; bring it back first."
    ]


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_any_usual_csv_is_read(mark, encoding, pump, planner):
    data = csv(VALVE, valve_line(seal_material="Gummi weiß"), mark=mark).decode().encode(encoding)
    assert run(data, planner).errors == ()
    assert ProtectionValve.objects.get().seal_material == "Gummi weiß"


def test_a_decimal_comma_is_read_by_the_declared_locale(pump, planner):
    data = csv(VALVE, valve_line(bypass_kv_m3_per_h="3,25"), mark=";")
    assert run(data, planner, locale="de").errors == ()
    assert ProtectionValve.objects.get().bypass_kv_m3_per_h == 3.25
    point = csv(VALVE, valve_line(bypass_kv_m3_per_h="3.25"), mark=";")
    [error] = run(point, planner, locale="de").errors
    assert error.words.startswith("has a '.', but the declared locale writes the decimal mark ','")
    with pytest.raises(Refused) as refused:
        run(point, planner, locale="xx-yy")
    assert str(refused.value) == "'xx-yy' is no known locale. Give one such as en or de."


@pytest.mark.parametrize(
    ("case", "name", "data", "code", "words"),
    [
        ("kind", "list.csv", b"site,tag\n", "kind_unknown", "'list.csv' does not say what"),
        ("column", "valves.csv", b"site,tag,serail\nNH,V,1\n", "column_unknown",
         "Sheet valves: the column 'serail' is not known. Did you mean 'serial'?"),
        ("twice", "valves.csv", b"site,tag,tag\nNH,V,1\n", "column_twice", "'tag' stands twice"),
        ("key", "valves.csv", b"tag,serial\nV,1\n", "column_missing", "the column site is needed"),
        ("empty", "valves.csv", b"", "column_missing", "the columns site, tag is needed"),
        ("no rows", "valves.csv", b"site,tag\n\n", "no_rows", "The file holds no rows."),
        ("latin-1", "valves.csv", b"site,tag\nNH,\xfcv\n", "not_utf8", "Save it as 'CSV UTF-8'."),
        ("stray cell", "valves.csv", b"site,tag\nNH,V,,x\n", "cell_without_column", "row 2"),
        ("quote", "valves.csv", b'site,tag\nNH,"V\n', "not_csv", "The file is not CSV"),
        ("old workbook", "valves.xls", b"\xd0\xcf\x11\xe0" + b"x" * 99, "old_format", "XLSX"),
        ("broken zip", "x.xlsx", b"PK\x03\x04" + b"x" * 99, "unreadable", "BadZipFile"),
    ],
)  # fmt: skip
def test_an_unreadable_file_is_refused_with_a_remedy(case, name, data, code, words, planner):
    with pytest.raises(Refused) as refused:
        import_register(data, name, actor=planner, at=AT)
    assert refused.value.code == code
    assert words in str(refused.value)


def test_a_whole_register_comes_in_one_workbook(site):
    engineer = member(site, Role.RELIABILITY_ENGINEER)
    data = book(
        groups=[("site", "code", "service", "installed", "needed", "common_return"),
                ("NH", "NH-FW", "boiler feed", 2, 1, "no")],
        designs=[tuple(c.name for c in COLUMNS[Kind.DESIGNS] if c.name in DESIGN),
                 tuple(DESIGN[c.name] for c in COLUMNS[Kind.DESIGNS] if c.name in DESIGN)],
        pumps=[("site", "tag", "group", "role", "speed_rpm", *UNKNOWN_OF_A_PUMP),
               ("NH", "NH-1P", "NH-FW", "duty", 2970, *["not known"] * len(UNKNOWN_OF_A_PUMP))],
        curve_points=[("site", "pump", "flow_m3_per_h", "head_m", "shaft_power_kw"),
                      ("NH", "NH-1P", 90, 720.5, None), ("NH", "NH-1P", 0, 864, 139)],
        valves=[VALVE, valve_line(serial=85603, built_year=2014, bypass_kv_m3_per_h=3.3)],
        notes=[("anything",)],
    )  # fmt: skip
    result = import_register(data, "register.xlsx", actor=engineer, at=AT)
    assert [str(error) for error in result.errors] == []
    assert [(one.kind, one.added, one.changed) for one in result.counts] == [
        ("groups", 1, 0),
        ("designs", 1, 0),
        ("pumps", 1, 0),
        ("curve points", 0, 2),
        ("valves", 1, 0),
    ]
    pump = Pump.objects.get()
    assert curve_of(pump) == ((0.0, 864.0, 139.0), (90.0, 720.5, None))
    assert (pump.version, pump.hydraulics_changed_on, pump.history.count()) == (1, None, 1)
    valve = ProtectionValve.objects.get()
    assert (valve.serial, valve.design.revision) == ("85603", "A")
    assert Event.objects.filter(type="register.imported").count() == 2  # the site, the designs


UNKNOWN_OF_A_PUMP = [column.name for column in COLUMNS[Kind.PUMPS] if column.is_identity]

DESIGN = {
    "code": "OAK", "variant": "", "dn": 100, "revision": "A", "bypass_dn": 50,
    "principle": "sleeve", "has_lever": "no", "has_flow_ring": "no",
    "cover_bolt_thread": "M27", "cover_bolt_grade": "not known", "limits_source": "not known",
}  # fmt: skip


def test_a_changed_curve_needs_a_reason_and_moves_the_evidence_date(site):
    pump = PumpFactory(group__site=site, tag="NH-1P", with_curve=True)
    engineer = member(site, Role.RELIABILITY_ENGINEER)
    data = csv(
        ("site", "pump", "flow_m3_per_h", "head_m"),
        ("NH", "NH-1P", "0", "9"),
        ("NH", "NH-1P", "5", "8"),
    )
    name = "curve points.csv"
    refused = import_register(data, name, actor=engineer, at=AT)
    assert [str(error) for error in refused.errors] == [
        "Sheet curve points, row 2, column pump: 'NH-1P' changing curve moves what counts as "
        "evidence that the pump is protected. Give the reason of the change."
    ]
    import_register(data, name, actor=engineer, at=AT, reason="works test")
    pump.refresh_from_db()
    assert curve_of(pump) == ((0.0, 9.0, None), (5.0, 8.0, None))
    assert (pump.version, pump.hydraulics_changed_on) == (2, date(2026, 5, 4))
    assert pump.hydraulics_change == "curve: works test"
    again = import_register(data, name, actor=engineer, at=AT)
    assert (again.unchanged, again.was_written) == (2, False)
    short = csv(("site", "pump", "flow_m3_per_h", "head_m"), ("NH", "NH-1P", "0", "9"))
    [error] = import_register(short, name, actor=engineer, at=AT, reason="r").errors
    assert error.words.startswith("a curve needs two or more points, not 1.")


def test_a_correction_by_file_keeps_the_evidence_date(site):
    pump = PumpFactory(group__site=site, tag="NH-1P")
    engineer = member(site, Role.RELIABILITY_ENGINEER)
    data = csv(("site", "tag", "speed_rpm"), ("NH", "NH-1P", "1480"))
    import_register(
        data, "pumps.csv", actor=engineer, at=AT, reason="misread plate", correction=True
    )
    pump.refresh_from_db()
    assert (pump.speed_rpm, pump.hydraulics_changed_on) == (1480.0, None)


def test_permits_hold_row_by_row(site, planner):
    PumpFactory(group__site=site, tag="NH-1P")
    there = SiteFactory(code="SM")
    PumpGroupFactory(site=there, code="SM-X")
    technician = member(site, Role.TECHNICIAN)
    group = csv(
        ("site", "code", "service", "installed", "needed", "common_return"),
        ("NH", "NH-X", "x", "2", "1", "no"),
        ("SM", "SM-X", "stolen", "2", "1", "no"),
    )
    [error] = run(group, planner, "groups").errors
    assert str(error) == "Sheet groups, row 3, column site: 'SM' there is no such site for you."
    errors = run(group, technician, "groups").errors
    assert errors[0].words == "you may not change register at this site"
    speed = csv(("site", "tag", "speed_rpm"), ("NH", "NH-1P", "1480"))
    [error] = run(speed, planner, "pumps", reason="r").errors
    assert error.words == "you may not change pump at this site"
    design = csv(tuple(DESIGN), tuple(str(value) for value in DESIGN.values()))
    [error] = run(design, planner, "designs").errors
    assert error.words == "you may not change design; a reliability engineer may"
    sites = csv(("code", "name", "time_zone"), ("ZZ", "Z", "UTC"))
    [error] = run(sites, planner, "sites").errors
    assert error.words.endswith("an administrator of the installation adds sites")
    boss = UserFactory(is_superuser=True)
    assert run(sites, boss, "sites").added == 1
    assert (PumpGroup.objects.count(), ValveDesign.objects.count()) == (2, 0)
    [error] = run(csv(("code", "time_zone"), ("NH", "Mars")), boss, "sites").errors
    assert str(error) == "Sheet sites, row 2, column time_zone: 'Mars' is not an IANA time zone."
    assert set(Site.objects.values_list("code", flat=True)) == {"NH", "SM", "ZZ"}


def test_a_group_never_needs_more_than_it_has(site, planner):
    data = csv(
        ("site", "code", "service", "installed", "needed", "common_return"),
        ("NH", "NH-X", "x", "2", "3", "no"),
    )
    [error] = run(data, planner, "groups").errors
    assert str(error) == "Sheet groups, row 2, column needed: '3' is not from 1 to the 2 installed."


def test_an_import_costs_the_same_for_few_rows_and_for_many(
    pump, planner, django_assert_max_num_queries
):
    for size in (2, 60):
        lines = [
            valve_line(tag=f"V{size}-{number}", status="spare", serial=f"S{number}")
            for number in range(size)
        ]
        with django_assert_max_num_queries(20):
            assert run(csv(VALVE, *lines), planner).added == size


def test_a_valve_that_moves_or_comes_back_is_placed_anew_unless_it_is_a_correction(pump, planner):
    run(csv(VALVE, valve_line()), planner)
    PumpFactory(group=pump.group, tag="NH-2P")
    moved = csv(VALVE, valve_line(pump="NH-2P"))
    run(csv(VALVE, valve_line(built_year="2015")), planner)
    assert ProtectionValve.objects.get().placed_at is None
    run(moved, planner, correction=True)
    assert ProtectionValve.objects.get().placed_at is None
    run(csv(VALVE, valve_line()), planner)
    assert ProtectionValve.objects.get().placed_at == AT
    ProtectionValve.objects.update(placed_at=None)
    run(csv(VALVE, valve_line(status="spare")), planner)
    assert ProtectionValve.objects.get().placed_at is None
    run(csv(VALVE, valve_line()), planner)
    assert ProtectionValve.objects.get().placed_at == AT
