"""The catalogue, stores and bins are kept: by action, page, interface, token and admin."""

import pytest
from django.test import Client
from django.urls import reverse

from tests.factories.parts import NOW, BinFactory, PartNumberFactory, Shelf, StoreFactory
from tests.factories.register import SiteFactory, UserFactory, member
from valvecare.core.errors import Conflict, Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.models import Bin, Event, Kit, Label, PartNumber, PartsPolicy, Store, Supersession
from valvecare.parts import actions
from valvecare.register.actions import issue_plant_credential, make_label
from valvecare.register.reads import label_of
from valvecare.register.rules import LabelKind

pytestmark = pytest.mark.django_db
JSON = {"content_type": "application/json"}


@pytest.fixture
def shelf():
    return Shelf()


def signed_in(user):
    client = Client()
    client.force_login(user)
    return client


def refused(code):
    return pytest.raises(Refused, check=lambda error: error.code == code)


def test_a_bin_is_added_renamed_and_retired_only_when_empty(shelf):
    who = {"actor": shelf.keeper, "at": NOW}
    shelf.stock(1)
    shelf.bin.refresh_from_db()
    version = shelf.bin.version
    with refused("still_carries"):
        actions.retire_bin(shelf.bin.pk, version=version, reason="gone", **who)
    made = actions.add_bin(shelf.bin.store_id, " A-07 ", **who)
    assert made.code == "A-07"
    renamed = actions.rename_bin(made.pk, "A-08", version=1, **who)
    with pytest.raises(Conflict):
        actions.rename_bin(made.pk, "A-09", version=1, **who)
    with refused("reason_needed"):
        actions.retire_bin(made.pk, version=renamed.version, reason=" ", **who)
    actions.retire_bin(made.pk, version=renamed.version, reason="shelf taken down", **who)
    with refused("retired"):
        actions.rename_bin(made.pk, "A-10", version=renamed.version + 1, **who)
    with refused("still_carries"):
        actions.retire_store(shelf.bin.store_id, version=1, reason="moved", **who)
    assert Event.objects.filter(type="bin.retired").count() == 1
    for person, error in ((shelf.technician, Forbidden), (shelf.stranger, NotFound)):
        with pytest.raises(error):
            actions.add_bin(shelf.bin.store_id, "X", actor=person, at=NOW)


def test_nothing_is_received_into_a_retired_bin(shelf):
    empty = BinFactory(store=shelf.bin.store)
    actions.retire_bin(empty.pk, version=1, actor=shelf.keeper, at=NOW, reason="wet")
    shelf.bin = empty
    with pytest.raises(NotFound, match="no such bin"):
        shelf.stock(1)


def test_a_kit_changes_its_lines_in_one_version_with_an_event(shelf):
    ring = PartNumberFactory(code="RING")
    who = {"actor": shelf.keeper, "at": NOW}
    lines = {shelf.gasket.code: 1, "RING": 2}
    kit = actions.change_kit(shelf.kit.pk, {"note": "with ring"}, version=1, lines=lines, **who)
    assert kit.version == 2
    assert {line.part.code: line.quantity for line in kit.lines.all()} == lines
    told = Event.objects.filter(type="kit.changed").order_by("-pk")[0].data["changes"]["lines"]
    assert told["from"] == {shelf.gasket.code: 1, shelf.spring.code: 1}
    with refused("part_number_not_known"):
        actions.change_kit(kit.pk, {}, version=2, lines={"NOPE": 1}, **who)
    assert kit.lines.count() == 2
    with refused("still_carries"):
        actions.retire_part(ring.pk, version=1, reason="no longer made", **who)
    shelf.stock(1)
    with refused("still_carries"):
        actions.retire_kit(kit.pk, version=2, reason="superseded", **who)


def test_a_supersession_shows_in_the_fit_answer_and_is_withdrawn(shelf):
    who = {"actor": shelf.keeper, "at": NOW}
    PartNumberFactory(code="GASKET-NEW")
    made = actions.supersede(shelf.gasket.code, "GASKET-NEW", note="new coating.", **who)
    client = signed_in(shelf.keeper)
    at = f"/api/v1/valves/{shelf.valve.pk}/kit-check?on=2026-06-08"
    [check] = client.get(at).json()["results"]
    words = " ".join(reason["words"] for reason in check["decision"]["reasons"])
    assert f"{shelf.gasket.code} is superseded by GASKET-NEW: the new one comes next." in words
    page = client.get(reverse("valvecare:kit", args=[shelf.kit.pk])).content.decode()
    assert "is superseded by GASKET-NEW" in page
    with refused("reason_needed"):
        actions.withdraw_supersession(made.pk, why=" ", **who)
    actions.withdraw_supersession(made.pk, why="wrong way round", **who)
    assert not Supersession.objects.exists()
    [check] = client.get(at).json()["results"]
    assert check["decision"]["word"] == "fits"


def test_kept_over_the_interface(shelf):
    client = signed_in(shelf.keeper)
    store = client.post("/api/v1/stores", {"site": shelf.site.pk, "name": "yard",
                                           "bins": ["Y-1"]}, **JSON)  # fmt: skip
    assert store.status_code == 201
    at = f"/api/v1/stores/{store.json()['id']}"
    renamed = client.patch(at, {"name": "north yard"}, HTTP_IF_MATCH=store["ETag"], **JSON)
    assert (renamed.status_code, renamed.json()["name"]) == (200, "north yard")
    assert client.patch(at, {"name": "x"}, **JSON).status_code == 428
    [bin_] = [row for row in client.get("/api/v1/bins").json()["results"] if row["code"] == "Y-1"]
    gone = client.post(
        f"/api/v1/bins/{bin_['id']}/retire", {"reason": "wet"}, HTTP_IF_MATCH='"1"', **JSON
    )
    assert gone.json()["retired_at"] is not None
    part = client.patch(
        f"/api/v1/part-numbers/{shelf.gasket.pk}", {"lead_weeks": 6}, HTTP_IF_MATCH='"1"', **JSON
    )
    assert part.json()["lead_weeks"] == 6
    kit = client.patch(
        f"/api/v1/kits/{shelf.kit.pk}",
        {"lines": {shelf.gasket.code: 3}},
        HTTP_IF_MATCH='"1"',
        **JSON,
    )
    assert kit.status_code == 200
    assert shelf.kit.lines.get().quantity == 3
    policy = {
        "margin_days": 30, "stock_target": 0.9, "source": "letter", "owner": "engineer",
        "valid_from": "2026-06-01",
    }  # fmt: skip
    assert client.post("/api/v1/parts-policies", policy, **JSON).status_code == 403
    engineer = signed_in(member(shelf.site, Role.RELIABILITY_ENGINEER))
    assert engineer.post("/api/v1/parts-policies", policy, **JSON).status_code == 201
    assert PartsPolicy.objects.count() == 2


def test_a_token_reads_and_writes_parts_by_its_scopes_only(shelf):
    admin = member(shelf.site, Role.SITE_ADMINISTRATOR)

    def holder(*scopes):
        _, token = issue_plant_credential(
            "store system", [shelf.site], scopes, 9, actor=admin, at=NOW.replace(year=2027)
        )
        return {"HTTP_AUTHORIZATION": f"Bearer {token}"}

    lot = shelf.stock(2)
    client = Client()
    reads, writes = holder("parts:read"), holder("parts:read", "parts:write")
    neither = holder("register:read")
    assert client.get("/api/v1/stock", **neither).status_code == 403
    [line] = client.get("/api/v1/stock", **reads).json()["results"]
    assert line["id"] == lot.pk
    scrap = {"quantity": 1, "why": "wet"}
    at = f"/api/v1/lots/{lot.pk}/scrap"
    assert client.post(at, scrap, **JSON, **reads).status_code == 403
    assert client.post(at, scrap, **JSON, **writes).json()["on_hand"] == 1
    why = {"why": "I say so"}
    for path in (f"lots/{lot.pk}/free", f"lots/{lot.pk}/break-up"):
        answer = client.post(f"/api/v1/{path}", why, HTTP_IF_MATCH='"2"', **JSON, **writes)
        assert answer.status_code == 403, path
    there = SiteFactory()
    store = StoreFactory(site=there)
    answer = client.post("/api/v1/bins", {"store": store.pk, "code": "X"}, **JSON, **writes)
    assert answer.status_code == 404


def test_the_page_of_stores_adds_a_bin_and_links_its_label(shelf):
    client = signed_in(shelf.keeper)
    html = client.get(reverse("valvecare:stores")).content.decode()
    assert f"{shelf.bin.code}" in html
    given = {"store": shelf.bin.store_id, "code": "C-09", "idempotency_key": "a"}
    assert client.post(reverse("valvecare:bin-add"), given).status_code == 303
    again = client.post(reverse("valvecare:bin-add"), {**given, "idempotency_key": "b"})
    assert again.status_code == 400
    made = Bin.objects.get(code="C-09")
    page = reverse("valvecare:bin", args=[made.pk])
    assert "Nothing lies in this bin" in client.get(page).content.decode()
    retire = reverse("valvecare:bin-act", args=[made.pk, "retire"])
    body = {"reason": "wet", "version": 1, "idempotency_key": "c"}
    assert client.post(retire, body).status_code == 303
    assert Bin.objects.get(pk=made.pk).is_retired
    looker = signed_in(shelf.technician)
    assert looker.get(page).status_code == 200
    assert looker.post(reverse("valvecare:bin-add"), given).status_code in (400, 403)
    assert signed_in(UserFactory()).get(reverse("valvecare:stores")).status_code == 403


def test_a_bin_and_a_kit_carry_a_label_and_a_scan_leads_to_the_counter(shelf):
    lot = shelf.stock(1)
    who = {"actor": shelf.keeper, "at": NOW}
    of_bin = make_label(LabelKind.BIN, shelf.bin.pk, **who)
    of_kit = make_label(LabelKind.KIT, lot.pk, **who)
    client = signed_in(shelf.keeper)
    for label, page in ((of_bin, "bin"), (of_kit, "lot")):
        target = reverse(f"valvecare:{page}", args=[shelf.bin.pk if page == "bin" else lot.pk])
        assert client.get(f"/L/{label.code}/")["Location"] == target
        typed = label.code[:4].lower() + " " + label.code[4:]
        assert client.get("/parts/find/", {"q": typed})["Location"] == target
        assert client.get("/scan/", {"code": typed})["Location"] == f"/L/{label.code}/"
    assert "Issue" in client.get(f"/parts/lots/{lot.pk}/").content.decode()
    with pytest.raises(NotFound):
        label_of(shelf.stranger, of_bin.code)
    contractor = member(shelf.site, Role.CONTRACTOR)
    assert signed_in(contractor).get(f"/L/{of_kit.code}/").status_code == 404


@pytest.mark.parametrize("kind", ["valve", "pump", "bin", "kit"])
def test_a_sheet_of_labels_of_every_kind(shelf, kind):
    lot = shelf.stock(1)
    thing = {
        "valve": shelf.valve.pk, "pump": shelf.valve.pump_id, "bin": shelf.bin.pk, "kit": lot.pk,
    }[kind]  # fmt: skip
    client = signed_in(shelf.keeper)
    assert "no label" in client.get(f"/labels/?kind={kind}").content.decode()
    answer = client.post(
        "/labels/print/",
        {"kind": kind, "thing": [thing], "make": "1", "size": "25x25", "idempotency_key": kind},
    )
    assert client.get(answer["Location"]).content.decode().count("<li><svg") == 1
    assert Label.objects.get().kind == kind
    single = client.get(reverse("valvecare:label-of", args=[kind, thing])).content.decode()
    assert "SVG 40x20 mm" in single


def admin_at(model, page, *args):
    return reverse(f"admin:valvecare_{model._meta.model_name}_{page}", args=args)


def test_the_catalogue_is_kept_in_the_admin(shelf):
    keeper = member(shelf.site, Role.STOREKEEPER, is_staff=True)
    client = signed_in(keeper)
    part = {"code": "NEW-1", "name": "ring", "unit": "piece", "material": "EPDM", "place": ""}
    assert client.post(admin_at(PartNumber, "add"), part).status_code == 302
    made = PartNumber.objects.get(code="NEW-1")
    change = admin_at(PartNumber, "change", made.pk)
    moved = {**part, "name": "O-ring", "seen_version": 1, "reason": "as printed"}
    assert client.post(change, moved).status_code == 302
    assert PartNumber.objects.get(pk=made.pk).name == "O-ring"
    stale = client.post(change, {**moved, "name": "again"})
    assert "Somebody changed this record" in stale.content.decode()
    client.post(admin_at(Store, "add"), {"site": shelf.site.pk, "name": "yard"})
    assert Store.objects.filter(name="yard").exists()
    kit = {
        "name": "OAK-new", "design": shelf.design.pk, "use": "every strip-down",
        "media": '["water"]', "seal_material": "", "note": "", "seen_version": "",
        "lines-TOTAL_FORMS": 1, "lines-INITIAL_FORMS": 0, "lines-0-part": made.pk,
        "lines-0-quantity": 2,
    }  # fmt: skip
    answer = client.post(admin_at(Kit, "add"), kit)
    assert answer.status_code == 302, answer.content.decode()[:3000]
    new = Kit.objects.get(name="OAK-new")
    assert [(line.part, line.quantity) for line in new.lines.all()] == [(made, 2)]
    body = {"old": shelf.gasket.pk, "new": made.pk, "is_both_ways": "on", "note": ""}
    assert client.post(admin_at(Supersession, "add"), body).status_code == 302
    assert Supersession.objects.get().is_both_ways
    for model in (PartNumber, Kit, Store, Bin, Supersession, PartsPolicy):
        assert client.get(admin_at(model, "changelist")).status_code == 200
    auditor = signed_in(member(shelf.site, Role.AUDITOR, is_staff=True))
    assert auditor.get(admin_at(PartNumber, "changelist")).status_code == 200
    assert auditor.post(admin_at(PartNumber, "add"), part).status_code == 403
