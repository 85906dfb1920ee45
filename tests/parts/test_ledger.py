"""Whatever is done, in whatever order: the lot's sums are those of its ledger and reservations."""

import pytest
from django.db import transaction
from django.db.models import Sum
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from tests.factories.parts import NOW, Shelf
from valvecare.core.errors import Refused
from valvecare.models import Lot, Movement, Reservation
from valvecare.parts.actions import (
    approve_count,
    begin_count,
    break_up,
    enter_count,
    free,
    issue,
    quarantine,
    release,
    reserve,
    return_unused,
    scrap,
)

FEW = st.integers(1, 4)


class Store(RuleBasedStateMachine):
    """A storekeeper doing anything that the actions offer."""

    def __init__(self):
        super().__init__()
        self.world = transaction.atomic()
        self.world.__enter__()
        self.shelf = Shelf()
        self.orders = [self.shelf.order, self.shelf.order_for()]
        self.shelf.stock(3)

    def teardown(self):
        transaction.set_rollback(True)
        self.world.__exit__(None, None, None)

    def attempt(self, action, *args, actor=None, **given):
        try:
            action(*args, actor=actor or self.shelf.keeper, at=NOW, **given)
        except Refused:
            return

    def lot(self, data):
        return Lot.objects.order_by("id")[data % Lot.objects.count()]

    @rule(quantity=FEW, code=st.sampled_from(["L1", "L2"]), accepted=st.booleans())
    def receive(self, quantity, code, accepted):
        try:
            self.shelf.stock(quantity, code, is_accepted=accepted, words="seen")
        except Refused:
            return

    @rule(n=st.integers(0, 1), quantity=FEW)
    def reserve(self, n, quantity):
        self.attempt(reserve, self.orders[n].pk, kit_id=self.shelf.kit.pk, quantity=quantity)

    @rule(n=st.integers(0, 9))
    def release(self, n):
        rows = list(Reservation.objects.order_by("id"))
        if rows:
            self.attempt(release, rows[n % len(rows)].pk, "why")

    @rule(n=st.integers(0, 1), lot=st.integers(0, 9), quantity=FEW)
    def issue(self, n, lot, quantity):
        self.attempt(issue, self.orders[n].pk, self.lot(lot).pk, quantity=quantity)

    @rule(n=st.integers(0, 1), lot=st.integers(0, 9), quantity=FEW, whole=st.booleans())
    def give_back(self, n, lot, quantity, whole):
        missing = [] if whole else [self.shelf.spring.code]
        self.attempt(
            return_unused,
            self.orders[n].pk,
            self.lot(lot).pk,
            quantity=quantity,
            is_whole=whole,
            missing=missing,
        )

    @rule(lot=st.integers(0, 9), quantity=FEW)
    def scrap(self, lot, quantity):
        self.attempt(scrap, self.lot(lot).pk, quantity, "why")

    @rule(lot=st.integers(0, 9), act=st.sampled_from([quarantine, free]))
    def set_apart(self, lot, act):
        one = self.lot(lot)
        who = self.shelf.keeper if act is quarantine else self.shelf.second
        self.attempt(act, one.pk, "why", version=one.version, actor=who)

    @rule(lot=st.integers(0, 9))
    def break_up(self, lot):
        one = self.lot(lot)
        self.attempt(break_up, one.pk, version=one.version)

    @rule(found=st.lists(st.integers(0, 5), min_size=12, max_size=12))
    def count(self, found):
        count = begin_count(self.shelf.bin.store_id, actor=self.shelf.keeper, at=NOW)
        lines = list(count.lines.all())
        given = {line.pk: found[n % 12] for n, line in enumerate(lines)}
        count = enter_count(count.pk, given, version=count.version, actor=self.shelf.keeper, at=NOW)
        approve_count(count.pk, "why", version=count.version, actor=self.shelf.second, at=NOW)

    @invariant()
    def the_sums_are_those_of_the_ledger(self):
        for lot in Lot.objects.all():
            moved = Movement.objects.filter(lot=lot).aggregate(s=Sum("quantity"))["s"] or 0
            kept = (
                Reservation.objects.filter(lot=lot, state="open").aggregate(s=Sum("quantity"))["s"]
                or 0
            )
            assert (lot.on_hand, lot.reserved) == (moved, kept)
            assert 0 <= lot.reserved <= lot.on_hand
            if lot.quarantined_at or lot.missing:
                assert lot.available == 0
                assert kept == 0


@pytest.mark.django_db
@pytest.mark.timeout(300)
def test_stock_equals_the_ledger_whatever_is_done():
    run_state_machine_as_test(
        Store,
        settings=settings(
            max_examples=12,
            stateful_step_count=25,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
