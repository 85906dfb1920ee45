"""The store's sheets: preview, every error with its place, one transaction, the same rules."""

import io
import re
from datetime import date
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from openpyxl import Workbook, load_workbook

from tests.factories.parts import NOW, PartNumberFactory, Shelf
from tests.factories.register import (
    MembershipFactory,
    SiteFactory,
    UserFactory,
    ValveDesignFactory,
    member,
)
from valvecare.core.errors import Forbidden, Refused
from valvecare.core.permits import Role
from valvecare.models import (
    Bin,
    Event,
    Kit,
    Lot,
    Movement,
    PartNumber,
    Piece,
    ReceivingCheck,
    Store,
)
from valvecare.parts.actions import import_parts, reserve
from valvecare.parts.actions.import_columns import COLUMNS
from valvecare.parts.rules import PartsSheet as Kind
from valvecare.register.actions.export_register import template

pytestmark = pytest.mark.django_db

BOOK = {
    "part numbers": [
        "code,name,place,unit,material,is_consumable,has_serial,shelf_life_months,price_eur",
        "G-100,cover gasket,cover gasket,piece,graphite,no,no,60,12.50",
        "S-100,closing spring,closing spring,piece,not known,no,yes,,310",
        "CL-1,cleaning cloth,,pack,cotton,yes,no,,",
    ],
    "kits": [
        "name,design,design_variant,design_dn,design_revision,use,media,has_shelf_life,lead_weeks",
        "K-100-B,CED-100,,100,B,every strip-down,water; condensate,yes,9",
    ],
    "kit lines": ["kit,part,quantity", "K-100-B,G-100,2", "K-100-B,S-100,1"],
    "stores": ["site,name", "NH,north store"],
    "bins": ["site,store,code", "NH,north store,A-01", "NH,north store,A-02"],
    "lots": [
        "site,store,bin,kit,part,lot,quantity,shelf_until,cured_on,serials,checked",
        "NH,north store,A-01,K-100-B,,L-7,3,2028-03-31,,,marking and packing",
        "NH,north store,A-02,,G-100,L-8,10,,2025-04-01,,marking",
        "NH,north store,A-02,,S-100,L-9,2,,,SP-1; SP-2,free length",
    ],
}
"""Invented. The gasket's last day follows from its cure date and 60 months."""
SITE = {"code": "NH"}


@pytest.fixture
def site():
    ValveDesignFactory(code="CED-100", variant="", dn=100, revision="B")
    return SiteFactory(**SITE)


@pytest.fixture
def keeper(site):
    return member(site, Role.STOREKEEPER)


def xlsx(book=BOOK, **other):
    """The sheets as a workbook, with some of them replaced."""
    made = Workbook()
    made.remove(made.active)
    for name, lines in {**book, **other}.items():
        sheet = made.create_sheet(name)
        for line in lines:
            sheet.append([cell or None for cell in line.split(",")])
    held = io.BytesIO()
    made.save(held)
    return held.getvalue()


def run(keeper, data=None, name="store.xlsx", **given):
    return import_parts(data or xlsx(), name, actor=keeper, at=NOW, **given)


def csv(keeper, kind, *lines, **given):
    return run(keeper, "\n".join(lines).encode(), f"{kind}.csv", **given)


def everything():
    rows = [PartNumber, Kit, Store, Bin, Lot, Movement, Piece, ReceivingCheck, Event]
    return {model.__name__: list(model.objects.order_by("pk").values()) for model in rows}


def counts(result):
    return {
        count.kind: (count.rows, count.added, count.changed, count.unchanged, count.refused)
        for count in result.counts
    }


def sentences(result):
    return [str(error) for error in result.errors]


def test_a_whole_store_comes_in_and_comes_again_as_it_was(keeper):
    result = run(keeper)
    assert (sentences(result), result.was_written) == ([], True)
    assert counts(result) == {
        "part numbers": (3, 3, 0, 0, 0),
        "kits": (1, 1, 0, 0, 0),
        "kit lines": (2, 2, 0, 0, 0),
        "stores": (1, 1, 0, 0, 0),
        "bins": (2, 2, 0, 0, 0),
        "lots": (3, 3, 0, 0, 0),
    }
    kit = Kit.objects.get()
    assert kit.media == ["water", "condensate"]
    assert dict(kit.lines.values_list("part__code", "quantity")) == {"G-100": 2, "S-100": 1}
    assert str(PartNumber.objects.get(code="G-100").price_eur) == "12.50"
    gaskets = Lot.objects.get(code="L-8")
    assert (gaskets.on_hand, gaskets.shelf_until) == (10, date(2030, 4, 1))
    assert set(Piece.objects.values_list("serial", flat=True)) == {"SP-1", "SP-2"}
    # through the same action as a receipt: a check, a line of the ledger, an event
    check = ReceivingCheck.objects.get(lot=gaskets)
    assert check.checks == {"taken over": "marking"}
    assert list(Movement.objects.values_list("kind", "quantity")) == [
        ("received", 3),
        ("received", 10),
        ("received", 2),
    ]
    before = everything()
    again = run(keeper)
    assert (again.added, again.changed, again.unchanged, again.was_written) == (0, 0, 12, False)
    assert everything() == before


def test_a_dry_run_says_the_same_and_writes_nothing(keeper):
    before = everything()
    dry = run(keeper, dry_run=True)
    assert everything() == before
    assert (dry.is_dry_run, dry.was_written, dry.added) == (True, False, 12)
    done = run(keeper, confirm=dry.fingerprint)
    assert (done.was_written, counts(done)) == (True, counts(dry))
    assert [change.name for change in done.changes] == [change.name for change in dry.changes]


def test_a_plan_that_has_changed_since_is_refused(keeper):
    dry = run(keeper, dry_run=True)
    PartNumberFactory(code="G-100", name="another")
    before = everything()
    with pytest.raises(Refused, check=lambda refusal: refusal.code == "plan_changed"):
        run(keeper, confirm=dry.fingerprint)
    assert everything() == before


def test_what_differs_is_changed_and_named(keeper):
    run(keeper)
    lines = ["code,name,lead_weeks", "G-100,cover gasket,4", "S-100,closing spring,"]
    dry = csv(keeper, "part numbers", *lines, dry_run=True)
    assert [(one.name, one.changes) for one in dry.changes] == [
        ("G-100", (("lead_weeks", "not known", "4"),))
    ]
    result = csv(keeper, "part numbers", *lines, reason="new supplier agreement")
    assert counts(result) == {"part numbers": (2, 0, 1, 1, 0)}
    part = PartNumber.objects.get(code="G-100")
    assert (part.lead_weeks, part.material, part.version) == (4, "graphite", 2)
    assert part.history.first().history_change_reason == "new supplier agreement"


def test_the_files_lines_of_a_kit_replace_all_its_lines(keeper):
    run(keeper)
    result = csv(keeper, "kit lines", "kit,part,quantity", "K-100-B,G-100,2", "K-100-B,CL-1,4")
    assert counts(result) == {"kit lines": (2, 1, 1, 1, 0)}
    assert result.changes[-1].changes == (("left out", "S-100", ""),)
    lines = dict(Kit.objects.get().lines.values_list("part__code", "quantity"))
    assert lines == {"G-100": 2, "CL-1": 4}
    [event] = Event.objects.filter(type="kit.changed")
    assert event.data["changes"]["lines"]["from"] == {"G-100": 2, "S-100": 1}


def test_all_errors_are_found_in_one_go_each_with_its_place(keeper):
    other = SiteFactory(code="ELSE")
    before = everything()
    result = run(
        keeper,
        xlsx(
            **{
                "part numbers": [
                    *BOOK["part numbers"],
                    "G-100,again,,piece,not known,no,no,,",
                    "P-2,pin,lever pin,piece,not known,perhaps,no,,",
                    "P-3,pin,lever pin,piece,not known,no,no,,1.005",
                    f"P-4,{'x' * 121},lever pin,piece,not known,no,no,,",
                ],
                "kits": [*BOOK["kits"], "K-9,CED-100,,100,Z,every strip-down,any,yes,9"],
                "kit lines": [*BOOK["kit lines"], "K-77,G-100,1"],
                "stores": [*BOOK["stores"], f"{other.code},theirs"],
                "bins": [*BOOK["bins"], "NH,south store,B-1"],
                "lots": [
                    *BOOK["lots"],
                    "NH,north store,A-09,,G-100,L-1,1,2028-01-01,,,marking",
                    "NH,north store,A-01,K-100-B,G-100,L-2,1,2028-01-01,,,marking",
                    "NH,north store,A-01,,NO-1,L-3,1,2028-01-01,,,marking",
                    "NH,north store,A-01,,G-100,L-4,1,,,,marking",
                    "NH,north store,A-01,,G-100,L-5,1,2024-01-01,,,marking",
                    "NH,north store,A-01,,S-100,L-6,2,,,SP-3,marking",
                    "NH,north store,A-01,,G-100,L-10,1,2028-01-01,,,",
                ],
            }
        ),
    )
    assert everything() == before
    assert not result.was_written
    assert sentences(result) == [
        "Sheet part numbers, row 5: G-100 stands in row 2 already.",
        "Sheet part numbers, row 6, column is_consumable: 'perhaps' is neither yes nor no.",
        "Sheet part numbers, row 7, column price_eur: '1.005' has more than two decimals.",
        f"Sheet part numbers, row 8, column name: '{'x' * 57}…' is longer than 120 characters.",
        "Sheet kits, row 3, column design: 'CED-100 100 Z' is no valve design in use.",
        "Sheet kit lines, row 4, column kit: 'K-77' is neither a kit of the catalogue nor in a "
        "good row of this file.",
        "Sheet stores, row 3, column site: 'ELSE' there is no such site for you in use.",
        "Sheet bins, row 4, column store: 'south store' is neither a store here nor in a good row "
        "of this file.",
        "Sheet lots, row 5, column bin: 'A-09' is neither a bin in use there nor in a good row of "
        "this file.",
        "Sheet lots, row 6, column kit: 'K-100-B' name a kit or a part number, one of them.",
        "Sheet lots, row 7, column part: 'NO-1' is not in the catalogue.",
        "Sheet lots, row 8: this has rubber, but no last day of use is given. Read cure date or "
        "packing, and give the day.",
        "Sheet lots, row 9: its shelf life ended on 2024-01-01. Send it back, or receive it into "
        "quarantine.",
        "Sheet lots, row 10: 2 pieces need 2 different serial numbers, 1 given. Read each piece.",
        "Sheet lots, row 11, column checked: is blank, but is needed.",
    ]


def test_good_rows_only_writes_the_others(keeper):
    bad = {"bins": [*BOOK["bins"], "NH,south store,B-1"]}
    result = run(keeper, xlsx(**bad), good_rows_only=True)
    assert (result.was_written, len(result.errors), result.added) == (True, 1, 12)
    assert Bin.objects.count() == 2


def test_no_kit_is_written_in_part_while_a_line_cannot_be_read(keeper):
    run(keeper)
    lines = ["kit,part,quantity", "K-100-B,G-100,2", "K-100-B,S-100,many"]
    result = csv(keeper, "kit lines", *lines, good_rows_only=True)
    assert not result.was_written
    assert "left out while a row of this sheet cannot be read" in sentences(result)[0]
    new = {
        "kits": [BOOK["kits"][0], "K-2,CED-100,,100,B,every strip-down,any,yes,9"],
        "kit lines": ["kit,part,quantity", "K-2,G-100,1", "K-2,S-100,0"],
    }
    result = run(keeper, xlsx(new), good_rows_only=True)
    assert "Sheet kits, row 2: its lines in this file cannot all be read." in sentences(result)
    assert not Kit.objects.filter(name="K-2").exists()
    assert Kit.objects.get(name="K-100-B").lines.count() == 2


def test_a_line_without_its_quantity_is_named_and_no_kit_is_made_without_lines(keeper):
    lines = {"kit lines": ["kit,part", "K-100-B,G-100"]}
    result = run(keeper, xlsx(**lines), good_rows_only=True)
    assert ("kit lines", "quantity") in {(error.sheet, error.column) for error in result.errors}
    assert not Kit.objects.exists()


def test_a_lot_in_the_ledger_is_compared_and_never_changed(keeper):
    run(keeper)
    head, line = BOOK["lots"][0], BOOK["lots"][2]
    for changed, words in (
        (line.replace(",10,", ",11,"), "receive, issue or count it instead"),
        (line.replace(",10,,", ",10,2029-01-01,"), "is not the last day of this lot, 2030-04-01"),
    ):
        result = csv(keeper, "lots", head, changed)
        assert words in sentences(result)[0]
    assert Lot.objects.get(code="L-8").on_hand == 10
    assert Movement.objects.count() == 3


def test_what_is_not_accepted_goes_into_quarantine(keeper):
    run(keeper)
    lines = [
        "site,store,bin,kit,part,lot,quantity,shelf_until,checked,accepted,words",
        "NH,north store,A-01,,G-100,L-5,4,2024-01-01,marking,no,shelf life is over",
    ]
    assert csv(keeper, "lots", *lines).added == 1
    lot = Lot.objects.get(code="L-5-Q")
    assert (lot.on_hand, lot.available) == (4, 0)
    assert lot.quarantine_why == "receiving check: shelf life is over"
    assert csv(keeper, "lots", *lines).unchanged == 1


def test_a_kit_keeps_its_design_and_retired_things_stay_as_they_are(keeper):
    run(keeper)
    ValveDesignFactory(code="CED-100", variant="", dn=150, revision="B")
    head, line = BOOK["kits"]
    [said] = sentences(csv(keeper, "kits", head, line.replace(",100,B", ",150,B")))
    assert "is another design than that of the kit, CED-100 DN100 rev B; add another kit" in said
    PartNumber.objects.filter(code="CL-1").update(retired_at=NOW)
    Store.objects.update(retired_at=NOW)
    [said] = sentences(csv(keeper, "part numbers", "code,name", "CL-1,other"))
    assert said.endswith("CL-1 is retired; a retired record is not changed.")
    [said] = sentences(csv(keeper, "stores", *BOOK["stores"]))
    assert said.endswith("north store is retired; a retired record is not changed.")


def test_who_may_not_change_parts_imports_nothing(site):
    for person in (member(site, Role.TECHNICIAN), UserFactory()):
        with pytest.raises(Forbidden):
            run(person)
    elsewhere = member(SiteFactory(), Role.STOREKEEPER)
    result = run(elsewhere)
    assert sentences(result)[0] == (
        "Sheet stores, row 2, column site: 'NH' there is no such site for you in use."
    )
    assert not PartNumber.objects.exists()


def test_a_site_where_one_only_looks_is_refused_by_name(keeper, site):
    other = SiteFactory(code="SO")
    MembershipFactory(user=keeper, site=other, role=Role.AUDITOR.value)
    [said] = sentences(csv(keeper, "stores", "site,name", "SO,south"))
    assert said.startswith("Sheet stores, row 2: you may not change parts here.")


def test_a_long_file_is_refused_before_anything_is_done(keeper):
    lines = [f"P-{number},pin,not known" for number in range(1_001)]
    with pytest.raises(Refused, check=lambda refusal: refusal.code == "too_many_rows"):
        csv(keeper, "part numbers", "code,name,material", *lines)
    assert not PartNumber.objects.exists()


def test_what_goes_out_comes_back_unchanged(keeper):
    run(keeper)
    client = Client()
    client.force_login(keeper)
    answer = client.get(reverse("valvecare:api-parts-export"))
    assert answer["Content-Disposition"] == 'attachment; filename="parts.xlsx"'
    before = everything()
    result = run(keeper, answer.content, "parts.xlsx")
    assert (sentences(result), result.unchanged, result.added, result.changed) == ([], 12, 0, 0)
    assert everything() == before


def test_the_template_has_every_column_with_a_note(keeper):
    book = load_workbook(io.BytesIO(template(COLUMNS)))
    assert book.sheetnames == [*Kind, "notes"]
    for kind, columns in COLUMNS.items():
        assert [cell.value for cell in book[kind.value][1]] == [column.name for column in columns]
    assert book["notes"].max_row == 1 + sum(len(columns) for columns in COLUMNS.values())
    client = Client()
    client.force_login(keeper)
    assert client.get(reverse("valvecare:api-parts-template")).content[:2] == b"PK"


def test_over_the_interface_for_people_only(keeper):
    client = Client()
    client.force_login(keeper)

    def send(**more):
        file = SimpleUploadedFile("store.xlsx", xlsx())
        return client.post(reverse("valvecare:api-parts-import"), {"file": file, **more})

    dry = send(dry_run="true").json()
    assert (dry["is_dry_run"], dry["was_written"]) == (True, False)
    done = send(confirm=dry["fingerprint"]).json()
    assert done["was_written"]
    assert sum(count["added"] for count in done["counts"]) == 12
    client.force_login(UserFactory())
    assert send().status_code == 403


def test_the_page_shows_first_and_then_does_just_that(keeper, site):
    client, url = Client(), reverse("valvecare:parts-import")
    client.force_login(keeper)
    empty = client.post(url, {"locale": "en"})
    assert (empty.status_code, b"Choose a file." in empty.content) == (400, True)
    file = SimpleUploadedFile("store.xlsx", xlsx())
    page = client.post(url, {"locale": "en", "file": file}).content.decode()
    assert "preview, nothing is written yet" in page
    assert not PartNumber.objects.exists()
    [form] = re.findall(r'<form method="post">.*?</form>', page, re.S)
    fields = dict(re.findall(r'name="([a-z_]+)" value="([^"]*)"', form))
    del fields["csrfmiddlewaretoken"]
    done = client.post(url, fields).content.decode()
    assert "Imported: 12 added, 0 changed, 0 as before." in done
    assert PartNumber.objects.count() == 3
    again = client.post(url, fields).content.decode()
    assert "The store has changed since the preview." in again
    technician = Client()
    technician.force_login(member(site, Role.TECHNICIAN))
    assert technician.get(url).status_code == 403
    assert b"parts/import/" not in technician.get(reverse("valvecare:parts")).content
    assert b"parts/import/" in client.get(reverse("valvecare:parts")).content


def test_the_command_prints_and_refuses(keeper, tmp_path, capsys):
    path = tmp_path / "store.xlsx"
    path.write_bytes(xlsx())
    login = keeper.get_username()
    call_command("import_parts", path, "--as", login, "--dry-run")
    assert "lots: 3 rows, 3 new, 0 changed, 0 unchanged, 0 refused" in capsys.readouterr().out
    call_command("import_parts", path, "--as", login)
    assert Lot.objects.count() == 3
    path.write_bytes(xlsx(stores=["site,name", "XX,store"]))
    with pytest.raises(CommandError, match="Nothing was written"):
        call_command("import_parts", path, "--as", login)
    assert "'XX' there is no such site for you in use." in capsys.readouterr().err


def test_a_reservation_made_of_what_was_imported_holds(settings):
    """The imported lot is a lot like any other: it fits, and it can be kept."""
    shelf = Shelf()
    lines = [
        "site,store,bin,kit,part,lot,quantity,shelf_until,checked",
        f"{shelf.site.code},main store,{shelf.bin.code},{shelf.kit.name},,L-1,1,2028-03-31,marking",
    ]
    assert csv(shelf.keeper, "lots", *lines).added == 1
    kept = reserve(shelf.order.pk, kit_id=shelf.kit.pk, actor=shelf.keeper, at=NOW)
    assert (kept.lot.code, kept.lot.on_hand) == ("L-1", 1)


def test_the_examples_of_the_guide_can_be_imported(keeper):
    text = (Path(__file__).resolve().parents[2] / "docs" / "parts.md").read_text()
    examples = re.findall(r"```csv\n(.*?)```", text, re.S)
    for kind, example in zip(Kind, examples, strict=True):
        result = run(keeper, example.encode(), f"{kind}.csv")
        assert (sentences(result), result.was_written) == ([], True), kind
