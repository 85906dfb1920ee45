"""REST of parts: shapes, permits, refusals, repeats, counts of queries."""

import json
from datetime import date

import pytest
from django.test import Client

from tests.factories.parts import Shelf
from tests.factories.register import SiteFactory, member
from valvecare.core.permits import Role
from valvecare.models import Lot, Movement, PartNumber, Reservation

pytestmark = pytest.mark.django_db

V1 = "/api/v1"


@pytest.fixture
def shelf(settings):
    settings.VALVECARE = {**settings.VALVECARE, "DEMO": True, "TODAY": "2026-05-04"}
    return Shelf()


def signed_in(person):
    client = Client()
    client.force_login(person)
    return client


def post(client, path, body, **headers):
    return client.post(
        f"{V1}/{path}", json.dumps(body), content_type="application/json", headers=headers
    )


def code(answer):
    return answer.status_code, answer.json()["code"]


RECEIPT = {
    "lot": "L1",
    "quantity": 2,
    "shelf_until": "2028-03-31",
    "is_accepted": True,
    "checks": {"marking": "B"},
}


def test_from_receipt_to_return(shelf):
    keeper = signed_in(shelf.keeper)
    receipt = {**RECEIPT, "bin": shelf.bin.pk, "kit": shelf.kit.pk}
    made = post(keeper, "receipts", receipt)
    assert made.status_code == 201, made.content
    lot = made.json()
    assert (lot["on_hand"], lot["available"], lot["state"]) == (2, 2, "on the shelf")
    kept = post(keeper, "reservations", {"order": shelf.order.pk, "kit": shelf.kit.pk})
    assert kept.status_code == 201, kept.content
    assert (kept.json()["job_on"], kept.json()["fit"]) == ("2026-06-08", "Fits.")
    issued = post(keeper, f"lots/{lot['id']}/issue", {"order": shelf.order.pk})
    assert (issued.json()["on_hand"], issued.json()["reserved"]) == (1, 0)
    half = {"order": shelf.order.pk, "is_whole": False, "missing": [shelf.spring.code]}
    back = post(keeper, f"lots/{lot['id']}/return", half)
    assert (back.json()["lot"], back.json()["state"]) == ("L1-R1", "in quarantine")
    ledger = keeper.get(f"{V1}/movements?lot={lot['id']}").json()["results"]
    assert [(row["kind"], row["quantity"]) for row in ledger] == [
        ("received", 2),
        ("issued", -1),
        ("returned", 1),
        ("quarantined", -1),
    ]
    apart = back.json()
    broken = post(
        keeper,
        f"lots/{apart['id']}/break-up",
        {"why": "Spring gone."},
        **{"If-Match": f'"{apart["version"]}"'},
    )
    assert [row["item"] for row in broken.json()["results"]] == [shelf.gasket.code]


def test_the_same_key_keeps_once(shelf):
    shelf.stock(3)
    planner = signed_in(shelf.planner)
    body = {"order": shelf.order.pk, "kit": shelf.kit.pk}
    first, again = (
        post(planner, "reservations", body, **{"Idempotency-Key": "k1"}) for _ in range(2)
    )
    assert first.json() == again.json()
    assert Reservation.objects.count() == 1
    assert code(post(planner, "reservations", body)) == (409, "already_reserved")


def test_versions_are_asked_for(shelf):
    lot = shelf.stock(1)
    keeper = signed_in(shelf.keeper)
    path, body = f"lots/{lot.pk}/quarantine", {"why": "Wrong label."}
    assert post(keeper, path, body).status_code == 428
    assert post(keeper, path, body, **{"If-Match": '"9"'}).status_code == 412
    done = post(keeper, path, body, **{"If-Match": '"1"'})
    assert (done.status_code, done.headers["ETag"]) == (200, '"2"')
    freed = post(keeper, f"lots/{lot.pk}/free", {"why": "x"}, **{"If-Match": '"2"'})
    assert code(freed) == (409, "second_person")


def test_a_refusal_carries_its_reason_and_remedy(shelf):
    shelf.stock(1, "L1950", shelf_until=date(2026, 5, 31))
    planner = signed_in(shelf.planner)
    answer = post(planner, "reservations", {"order": shelf.order.pk, "kit": shelf.kit.pk})
    assert code(answer) == (409, "expired_before_job")
    (error,) = answer.json()["errors"]
    assert error["detail"] == "Lot L1950 may be used until 2026-05-31, the job is on 2026-06-08."
    assert error["remedy"] == "Take a lot that lasts until the job."


@pytest.mark.parametrize(
    ("case", "body"),
    [
        ("unknown field", {"order": 1, "kit": 1, "kits": 2}),
        ("text for a number", {"order": "1", "kit": 1}),
        ("true for a number", {"order": True, "kit": 1}),
        ("none of them", {"order": 1, "quantity": 0, "kit": 1}),
    ],
)
def test_shapes_are_closed(shelf, case, body):
    answer = post(signed_in(shelf.planner), "reservations", body)
    assert code(answer) == (400, "invalid")


def test_the_kit_check_says_why_field_by_field(shelf):
    shelf.stock(1)
    planner = signed_in(shelf.planner)
    path = f"{V1}/valves/{shelf.valve.pk}/kit-check"
    (found,) = planner.get(f"{path}?on=2026-06-08").json()["results"]
    assert (found["kit"], found["decision"]["word"]) == (shelf.kit.name, "fits")
    assert [row["decision"]["word"] for row in found["lots"]] == ["fits"]
    (late,) = planner.get(f"{path}?kit={shelf.kit.name}&on=2028-03-20").json()["results"]
    assert late["lots"][0]["decision"]["reasons"][0]["code"] == "inside_service_margin"
    assert planner.get(path).status_code == 400
    assert planner.get(f"{path}?on=2026-06-08&size=100").status_code == 400


def test_a_count_is_blind_until_it_is_counted(shelf):
    shelf.stock(3)
    keeper, second = signed_in(shelf.keeper), signed_in(shelf.second)
    sheet = post(keeper, "stock-counts", {"store": shelf.bin.store_id}).json()
    (line,) = sheet["lines"]
    assert (line["counted"], line["difference"]) == (None, None)
    assert "on_hand" not in json.dumps(sheet)
    path = f"stock-counts/{sheet['id']}"
    done = post(keeper, f"{path}/enter", {"counted": {str(line["id"]): 2}}, **{"If-Match": '"1"'})
    assert (done.json()["state"], done.json()["lines"][0]["difference"]) == ("counted", -1)
    assert code(post(keeper, f"{path}/approve", {"why": "x"}, **{"If-Match": '"2"'})) == (
        409,
        "second_person",
    )
    assert post(second, f"{path}/approve", {"why": "Lost."}, **{"If-Match": '"2"'}).json()[
        "state"
    ] == ("approved")
    assert Lot.objects.get().on_hand == 2
    assert keeper.get(f"{V1}/{path}").json()["state"] == "approved"


def test_demand_proposals_purchases_and_lives_answer(shelf):
    keeper = signed_in(shelf.keeper)
    (need,) = keeper.get(f"{V1}/parts/demand").json()["results"]
    assert (need["state"], need["kit"]) == ("short", shelf.kit.name)
    body = {"site": shelf.site.pk, "kit": shelf.kit.pk, "order": shelf.order.pk}
    bought = post(keeper, "purchases", body)
    assert (bought.status_code, bought.json()["arrives_on"]) == (201, "2026-07-06")
    listed = keeper.get(f"{V1}/purchases").json()["results"]
    assert [row["state"] for row in listed] == ["asked"]
    gone = post(keeper, f"purchases/{listed[0]['id']}/drop", {"why": "No."}, **{"If-Match": '"1"'})
    assert gone.json()["state"] == "dropped"
    (line,) = keeper.get(f"{V1}/parts/stock-proposals").json()["results"]
    assert (line["proposal"]["stock"], line["proposal"]["planned"]) == (None, 1)
    technician = signed_in(shelf.technician)
    fit = {"part": shelf.spring.pk, "fitted_at": "2026-05-04T10:00:00+00:00"}
    made = post(technician, f"valves/{shelf.valve.pk}/fitted-parts", fit)
    assert made.status_code == 201, made.content
    (life,) = technician.get(f"{V1}/valves/{shelf.valve.pk}/fitted-parts").json()["results"]
    assert (life["place"], life["run_hours"]) == ("closing spring", None)
    out = {"why": "Pitted.", "removed_at": "2026-05-04T11:00:00+00:00"}
    assert post(technician, f"fitted-parts/{life['id']}/remove", out).status_code == 200


def test_the_catalogue_is_written_by_the_storekeeper(shelf):
    keeper, planner = signed_in(shelf.keeper), signed_in(shelf.planner)
    part = {"code": "RING-7", "name": "ring", "place": "seal ring"}
    assert code(post(planner, "part-numbers", part)) == (403, "forbidden")
    assert post(keeper, "part-numbers", part).status_code == 201
    kit = {"name": "RINGS", "design": shelf.design.pk, "lines": {"RING-7": 2}, "media": ["any"]}
    made = post(keeper, "kits", kit)
    assert made.status_code == 201, made.content
    detail = planner.get(f"{V1}/kits/{made.json()['id']}?on=2026-06-08").json()
    assert [(row["code"], row["quantity"]) for row in detail["lines"]] == [("RING-7", 2)]
    assert [(row["valve"], row["decision"]["word"]) for row in detail["valves"]] == [
        (shelf.valve.tag, "fits")
    ]


LISTS = (
    "part-numbers",
    "kits",
    "stock",
    "movements",
    "reservations",
    "purchases",
    "parts/demand",
    "parts/stock-proposals",
)


@pytest.mark.parametrize("path", LISTS)
def test_who_may_not_look_sees_nothing(shelf, path):
    shelf.stock(1)
    for role in (Role.CONTRACTOR,):
        person = member(shelf.site, role)
        answer = signed_in(person).get(f"{V1}/{path}")
        assert answer.status_code == 403 or answer.json()["results"] == [], (role, path)
    stranger = signed_in(member(SiteFactory(), Role.STOREKEEPER))
    if path not in ("part-numbers", "kits"):
        assert stranger.get(f"{V1}/{path}").json()["results"] == []


@pytest.mark.parametrize("path", LISTS)
def test_a_list_asks_the_same_number_of_queries_however_long(
    shelf, path, django_assert_max_num_queries
):
    keeper = signed_in(shelf.keeper)

    def grow(count):
        for _ in range(count):
            n = Lot.objects.count()
            shelf.stock(2, f"G{n}")
            order = shelf.order_for()
            post(keeper, "reservations", {"order": order.pk, "kit": shelf.kit.pk})
            shelf.order_for()
            PartNumber.objects.create(code=f"Q{n}", name="q")

    def asked():
        from django.db import connection
        from django.test.utils import CaptureQueriesContext

        with CaptureQueriesContext(
            connection,
        ) as caught:
            assert keeper.get(f"{V1}/{path}").status_code == 200
        return len(caught)

    grow(1)
    few = asked()
    grow(4)
    assert asked() <= few + 1
    assert few <= 25
    assert Movement.objects.count() == 5
