"""Labels: opaque unique codes, one live label a thing, the plain address, the square itself."""

import re
import xml.etree.ElementTree as ET
from concurrent.futures import ThreadPoolExecutor

import pytest
import segno
from django.db import IntegrityError, connection, transaction
from django.test import Client
from django.urls import reverse

from tests.factories.look import NOON
from tests.factories.register import SiteFactory, member, valve_at
from valvecare.core.errors import Conflict, Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.models import Event, Label
from valvecare.register.actions import make_label, retire_label
from valvecare.register.reads import search
from valvecare.register.rules import LABEL_ALPHABET, LabelKind, label_code
from valvecare.web.label_drawing import QUIET_ZONE, SIZES, address_on_label, label_drawing

pytestmark = pytest.mark.django_db
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def site():
    return SiteFactory()


@pytest.fixture
def valve(site):
    return valve_at(site, tag="NH-FW-3V")


@pytest.fixture
def keeper(site):
    return member(site, Role.STOREKEEPER)


@pytest.fixture
def label(valve, keeper):
    return make_label(LabelKind.VALVE, valve.pk, actor=keeper, at=NOON)


def signed_in(user):
    client = Client()
    client.force_login(user)
    return client


def refused(code):
    return pytest.raises(Refused, check=lambda error: error.code == code)


def test_a_code_is_short_and_says_nothing(label, valve):
    assert re.fullmatch(rf"[{LABEL_ALPHABET}]{{8}}", label.code)
    assert not set("01IOU") & set(LABEL_ALPHABET)
    assert valve.serial not in label.code
    assert valve.tag not in label.code
    [event] = Event.objects.filter(type="label.made")
    assert (event.valve_id, event.site_id) == (valve.pk, valve.site_of().pk)


def test_codes_differ(site, keeper):
    codes = {
        make_label(LabelKind.VALVE, valve_at(site).pk, actor=keeper, at=NOON).code
        for _ in range(40)
    }
    assert len(codes) == 40


def test_a_drawn_code_that_is_taken_is_drawn_again(site, keeper, label, monkeypatch):
    letters = iter(label.code + "22334455")
    monkeypatch.setattr("valvecare.register.actions.labels.secrets.choice", lambda _: next(letters))
    other = make_label(LabelKind.VALVE, valve_at(site).pk, actor=keeper, at=NOON)
    assert other.code == "22334455"


def test_one_live_label_a_valve(valve, keeper, label):
    with refused("label_exists"):
        make_label(LabelKind.VALVE, valve.pk, actor=keeper, at=NOON)
    with pytest.raises(IntegrityError), transaction.atomic():
        Label.objects.create(
            site=label.site, code="X", kind="valve", target_id=valve.pk, made_at=NOON
        )
    assert Label.objects.count() == 1


def test_a_lost_plate_is_retired_with_a_reason_and_replaced(valve, keeper, label):
    with refused("reason_needed"):
        retire_label(label.pk, version=1, actor=keeper, at=NOON, reason=" ")
    label.refresh_from_db()
    assert (label.version, label.retired_at) == (1, None)
    with pytest.raises(Conflict):
        retire_label(label.pk, version=7, actor=keeper, at=NOON, reason="lost")
    retire_label(label.pk, version=1, actor=keeper, at=NOON, reason="lost")
    with refused("label_retired"):
        retire_label(label.pk, version=2, actor=keeper, at=NOON, reason="lost")
    assert make_label(LabelKind.VALVE, valve.pk, actor=keeper, at=NOON).code != label.code


def test_who_may_make_a_label(valve, site):
    with pytest.raises(Forbidden, match="storekeeper"):
        make_label(LabelKind.VALVE, valve.pk, actor=member(site, Role.AUDITOR), at=NOON)
    with pytest.raises(NotFound):
        make_label(LabelKind.VALVE, valve.pk, actor=member(SiteFactory(), Role.PLANNER), at=NOON)
    assert not Label.objects.exists()


def test_a_retired_valve_gets_no_label(valve, keeper):
    type(valve).objects.filter(pk=valve.pk).update(retired_at=NOON, status="retired")
    with refused("retired"):
        make_label(LabelKind.VALVE, valve.pk, actor=keeper, at=NOON)


def test_a_pump_label_leads_to_the_valve_that_protects_it(valve, keeper):
    label = make_label(LabelKind.PUMP, valve.pump_id, actor=keeper, at=NOON)
    answer = signed_in(keeper).get(reverse("valvecare:label", args=[label.code]))
    assert (answer.status_code, answer["Location"]) == (
        303,
        reverse("valvecare:valve", args=[valve.pk]),
    )


def test_the_plain_address_leads_to_the_valve_in_either_case(valve, keeper, label):
    client, there = signed_in(keeper), reverse("valvecare:valve", args=[valve.pk])
    assert client.get(f"/L/{label.code}/")["Location"] == there
    assert client.get(f"/l/{label.code.lower()}/")["Location"] == there
    assert client.get("/L/22222222/").status_code == 404
    assert client.get("/L/no-code/").status_code == 404


def test_strangers_and_nobody_learn_nothing(label):
    stranger = signed_in(member(SiteFactory(), Role.PLANNER))
    for url in (
        f"/L/{label.code}/",
        f"/L/{label.code}/label.svg",
        f"/labels/valve/{label.target_id}/",
        f"/labels/sheet/?label={label.pk}",
        f"/scan/?code={label.code}",
    ):
        answer = stranger.get(url)
        assert answer.status_code == 404, url
        assert b"NH-FW-3V" not in answer.content, url
        assert "/login/" in Client().get(url)["Location"]
    retire = reverse("valvecare:label-retire", args=[label.pk])
    assert stranger.post(retire, {"version": 1, "reason": "mine"}).status_code == 404
    assert b"NH-FW-3V" not in stranger.get("/labels/").content


def test_a_retired_plate_is_gone_and_says_why(keeper, label):
    retire_label(label.pk, version=1, actor=keeper, at=NOON, reason="on the wrong valve")
    answer = signed_in(keeper).get(f"/L/{label.code}/")
    assert answer.status_code == 410
    assert "on the wrong valve" in answer.content.decode()


def test_the_search_box_takes_a_code(keeper, label):
    [hit] = search(keeper, label.code.lower())
    assert (hit.kind, hit.url_name, hit.is_exact) == ("label", "label", True)


@pytest.mark.parametrize(
    ("case", "text", "code"),
    [
        ("bare", "7KQ39MXT", "7KQ39MXT"),
        ("typed", " 7kq3 9mxt ", "7KQ39MXT"),
        ("address", "https://plant.example/care/L/7KQ39MXT/", "7KQ39MXT"),
        ("upper case", "HTTPS://PLANT.EXAMPLE/L/7KQ39MXT/", "7KQ39MXT"),
        ("a tag", "NH-FW-3V", None),
        ("too long", "7KQ39MXTA", None),
        ("zero", "7KQ30MXT", None),
        ("another address", "https://plant.example/valves/7KQ39MXT/", None),
        ("empty", "", None),
    ],
)
def test_what_is_read_as_a_code(case, text, code):
    assert label_code(text) == code


def test_the_address_keeps_the_square_small():
    """ISO/IEC 18004: alphanumeric mode carries more in the same version than bytes (from memory);
    the mode and version are asked of segno."""
    upper = segno.make(address_on_label("https://plant.example/L/7KQ39MXT/"), error="m")
    lower = segno.make("https://plant.example/l/7kq39mxt/", error="m")
    assert (upper.mode, upper.version) == ("alphanumeric", 2)
    assert (lower.mode, lower.version) == ("byte", 3)


@pytest.mark.parametrize("name", SIZES)
def test_a_label_is_true_to_size_and_holds_its_text(name):
    size = SIZES[name]
    drawing = label_drawing(
        address="HTTPS://PLANT.EXAMPLE/L/7KQ39MXT/",
        code="7KQ39MXT",
        name="NH<&FW-3V",
        place="NH, valve",
        size=size,
    )
    root = ET.fromstring(drawing)  # noqa: S314 our own drawing
    assert (root.get("width"), root.get("height")) == (
        f"{size.width_mm:g}mm",
        f"{size.height_mm:g}mm",
    )
    assert root.get("aria-labelledby") == root.find(f"{SVG}title").get("id")
    texts = [text.text for text in root.iter(f"{SVG}text")]
    assert texts[:2] == ["NH<&FW-3V", "7KQ3 9MXT"]
    square = root.find(f"{SVG}svg")
    modules = int(square.get("viewBox").split()[2])
    assert modules == 25 + 2 * QUIET_ZONE
    side, x, y = (float(square.get(name)) for name in ("width", "x", "y"))
    assert x >= 0
    assert x + side <= size.width_mm
    assert y + side <= size.height_mm
    assert (
        side / modules >= 0.5
    )  # mm a module: a phone reads it at a hand's width (common practice)
    assert "style=" not in drawing


def test_making_and_printing_from_the_page(site, keeper):
    valves = [valve_at(site, tag=f"NH-{n}") for n in range(3)]
    client = signed_in(keeper)
    page = client.get("/labels/").content.decode()
    assert page.count("no label") == 3
    [key] = re.findall(r'name="idempotency_key" value="([^"]+)"', page)
    fields = {"thing": [v.pk for v in valves[:2]], "size": "40x20", "idempotency_key": key}
    first = client.post("/labels/print/", {**fields, "make": "1"})
    again = client.post("/labels/print/", {**fields, "make": "1"})
    assert first["Location"] == again["Location"]
    assert Label.objects.count() == 2
    sheet = client.get(first["Location"]).content.decode()
    assert sheet.count("<li><svg") == 2
    assert "size-40x20" in sheet
    assert len(sheet.encode()) < 60_000
    bare = client.get(client.post("/labels/print/", {"thing": [valves[2].pk]})["Location"])
    assert "None of the chosen has a label yet" in bare.content.decode()
    none = client.get(client.post("/labels/print/", {})["Location"])
    assert "Choose 1 to 24 for a sheet" in none.content.decode()


def test_a_full_sheet_stays_small(site, keeper):
    labels = [
        make_label(LabelKind.VALVE, valve_at(site).pk, actor=keeper, at=NOON) for _ in range(24)
    ]
    query = "&".join(f"label={label.pk}" for label in labels)
    answer = signed_in(keeper).get(f"/labels/sheet/?{query}&size=25x25")
    assert answer.content.decode().count("<li><svg") == 24
    assert len(answer.content) < 60_000


def test_the_page_of_one_label_makes_and_retires(valve, keeper):
    client, at = signed_in(keeper), f"/labels/valve/{valve.pk}/"
    made = client.post(f"{at}make/", {"idempotency_key": "a"})
    assert (made.status_code, made["Location"]) == (303, at)
    label = Label.objects.get()
    page = client.get(at).content.decode()
    assert page.count("<li><svg") == 3
    assert f"HTTP://TESTSERVER/L/{label.code}/" in page
    again = client.post(f"{at}make/", {"idempotency_key": "b"})
    assert again.status_code == 409
    assert "has the label" in again.content.decode()
    url = f"/labels/{label.pk}/retire/"
    gone = client.post(url, {"version": 1, "reason": "lost", "idempotency_key": "c"})
    assert gone.status_code == 303
    assert "no label" in client.get(at).content.decode().lower()
    stale = client.post(url, {"version": 1, "reason": "lost", "idempotency_key": "d"})
    assert stale.status_code == 409


def test_the_file_is_a_drawing_to_keep(keeper, label):
    answer = signed_in(keeper).get(f"/L/{label.code}/label.svg?size=40x20")
    assert answer["Content-Type"] == "image/svg+xml; charset=utf-8"
    assert answer["Content-Disposition"] == (f'attachment; filename="label-{label.code}-40x20.svg"')
    assert signed_in(keeper).get(f"/L/{label.code}/label.svg?size=9x9").status_code == 404


def test_the_scan_page_leads_on(keeper, label, valve):
    client = signed_in(keeper)
    page = client.get("/scan/")
    assert 'name="code"' in page.content.decode()
    assert client.get(f"/scan/?code={label.code}")["Location"] == f"/L/{label.code}/"
    assert client.get("/scan/?code=NH-FW-3V")["Location"] == "/search?q=NH-FW-3V"
    back = client.get(f"/scan/?next=/at-the-valve/work-orders/5/&code={label.code}")
    assert back["Location"] == f"/at-the-valve/work-orders/5/?code={label.code}#next"
    unknown = client.get("/scan/?code=22222222")
    assert unknown.status_code == 404
    assert "No label you can see" in unknown.content.decode()


@pytest.mark.parametrize("url", ["//evil.example/x", "https://evil.example/", "/\\evil.example"])
def test_the_scan_page_never_leads_outside(keeper, label, url):
    answer = signed_in(keeper).get("/scan/", {"next": url, "code": label.code})
    assert answer["Location"] == f"/L/{label.code}/"


def test_only_the_scan_page_may_run_compiled_code(keeper):
    client = signed_in(keeper)
    assert "'wasm-unsafe-eval'" in client.get("/scan/")["Content-Security-Policy"]
    assert "wasm" not in client.get("/labels/")["Content-Security-Policy"]
    assert "unsafe-inline" not in client.get("/scan/")["Content-Security-Policy"]


def test_labels_over_the_api(valve, keeper):
    client = signed_in(keeper)
    body = {"kind": "valve", "target_id": valve.pk}
    made = client.post("/api/v1/labels", body, content_type="application/json")
    assert made.status_code == 201
    row = made.json()
    assert row["url"] == f"http://testserver/L/{row['code']}/"
    [seen] = client.get(f"/api/v1/labels?valve={valve.pk}&live=true").json()["results"]
    assert seen == row
    assert client.get("/api/v1/labels?valve=999999").json()["results"] == []
    again = client.post("/api/v1/labels", body, content_type="application/json")
    assert (again.status_code, again.json()["code"]) == (409, "label_exists")
    url = f"/api/v1/labels/{row['id']}/retire"
    reason = {"reason": "lost"}
    assert client.post(url, reason, content_type="application/json").status_code == 428
    gone = client.post(
        url, reason, content_type="application/json", headers={"If-Match": made["ETag"]}
    )
    assert gone.status_code == 200
    assert gone.json()["retired_why"] == "lost"
    assert client.get(f"/api/v1/labels?valve={valve.pk}&live=true").json()["results"] == []


def test_a_bin_is_not_labelled_where_nothing_knows_bins(keeper, monkeypatch):
    monkeypatch.setattr("valvecare.register.reads.SOURCES", {})
    with pytest.raises(NotFound, match="no such bin"):
        make_label(LabelKind.BIN, 1, actor=keeper, at=NOON)


@pytest.mark.django_db(transaction=True)
def test_two_at_once_make_one_label(valve, keeper):
    def make(_):
        try:
            return make_label(LabelKind.VALVE, valve.pk, actor=keeper, at=NOON).code
        except Refused as error:
            return error.code
        finally:
            connection.close()

    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(make, range(4)))
    assert answers.count("label_exists") == 3
    assert Label.objects.count() == 1
