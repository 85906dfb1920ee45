"""Shapes of the REST interface of parts: types and lengths only."""

from enum import StrEnum
from typing import Any

from rest_framework import serializers

from valvecare.parts.rules import (
    CountState,
    FitWord,
    KitUse,
    LotState,
    MovementKind,
    NeedState,
    OfferKind,
    PurchaseState,
    ReservationState,
)
from valvecare.web.fields import InstantField, QueryWhole
from valvecare.web.shapes import Closed, Flag, Text, Whole


def words_of(kind: type[StrEnum]) -> list[str]:
    return [word.value for word in kind]


def record_id(**more: Any) -> Whole:
    return Whole(min_value=1, max_value=2**63 - 1, **more)


def _quantity() -> Whole:
    return Whole(required=False, default=1, min_value=1, max_value=10_000)


def short_line(length: int = 300, **more: Any) -> Text:
    return Text(required=False, allow_blank=True, default="", max_length=length, **more)


def _key() -> Text:
    return Text(
        required=False,
        default=None,
        allow_null=True,
        max_length=80,
        help_text="Your own name of this movement; used once, whoever sends it again.",
    )


# queries
class StockQuery(serializers.Serializer):
    site = serializers.CharField(required=False, max_length=12, help_text="Code of the site.")
    item = serializers.CharField(
        required=False, max_length=60, help_text="Name of a kit, or a part number."
    )
    empty = serializers.ChoiceField(
        choices=["true", "false"], required=False, help_text="Lots with nothing on hand, too."
    )


class LedgerQuery(serializers.Serializer):
    lot = QueryWhole(required=False, min_value=1)
    order = QueryWhole(required=False, min_value=1)


class KeptQuery(serializers.Serializer):
    order = QueryWhole(required=False, min_value=1)
    state = serializers.ChoiceField(choices=words_of(ReservationState), required=False)


class SiteQuery(serializers.Serializer):
    site = serializers.CharField(required=False, max_length=12, help_text="Code of the site.")


class KitCheckQuery(serializers.Serializer):
    kit = serializers.CharField(
        required=False, max_length=60, help_text="Name of one kit; else all of the design."
    )
    on = serializers.DateField(help_text="Day of the job.")


class KitQuery(serializers.Serializer):
    on = serializers.DateField(required=False, help_text="Day for which valves are checked.")


# inputs
class PartIn(Closed):
    code = Text(max_length=40)
    name = Text(max_length=120)
    place = short_line(
        30, help_text="Part of the valve it replaces, in the words of the part list."
    )
    unit = Text(required=False, default="piece", max_length=12)
    material = Text(required=False, default="not known", max_length=80)
    is_consumable = Flag(required=False, default=False)
    has_serial = Flag(required=False, default=False)
    shelf_life_months = Whole(required=False, default=None, allow_null=True, min_value=1,
                              max_value=600)  # fmt: skip
    lead_weeks = Whole(required=False, default=None, allow_null=True, min_value=0, max_value=520)


class KitIn(Closed):
    name = Text(max_length=60)
    design = record_id(help_text="Id of the valve design at its revision.")
    lines = serializers.DictField(
        child=Whole(min_value=1, max_value=1000), help_text="Part number: how many."
    )
    use = serializers.ChoiceField(
        choices=words_of(KitUse), required=False, default=KitUse.EVERY_STRIP_DOWN.value
    )
    media = serializers.ListField(child=Text(max_length=40), max_length=20)
    seal_material = short_line(40)
    has_shelf_life = Flag(required=False, default=True)
    lead_weeks = Whole(required=False, default=None, allow_null=True, min_value=0, max_value=520)
    express_weeks = Whole(required=False, default=None, allow_null=True, min_value=0, max_value=520)
    note = short_line(200)


class ReceiveIn(Closed):
    bin = record_id(help_text="Id of the bin.")
    kit = record_id(required=False)
    part = record_id(required=False)
    lot = Text(max_length=56, help_text="Lot code as on the packing.")
    quantity = _quantity()
    shelf_until = serializers.DateField(required=False, allow_null=True, default=None)
    cured_on = serializers.DateField(required=False, allow_null=True, default=None)
    certificate = short_line()
    serials = serializers.ListField(
        child=Text(max_length=60), required=False, default=list, max_length=1000
    )
    checks = serializers.DictField(
        child=Text(max_length=200), help_text="What was looked at: what was seen."
    )
    is_accepted = Flag()
    words = short_line(500)
    purchase = record_id(required=False, default=None, allow_null=True)
    key = _key()


class ReserveIn(Closed):
    order = record_id()
    kit = record_id(required=False)
    part = record_id(required=False)
    lot = record_id(required=False)
    quantity = _quantity()


class WhyIn(Closed):
    why = Text(max_length=300, allow_blank=True)


class IssueIn(Closed):
    order = record_id()
    quantity = _quantity()
    key = _key()


class ReturnIn(Closed):
    order = record_id()
    quantity = _quantity()
    is_whole = Flag()
    missing = serializers.ListField(
        child=Text(max_length=40),
        required=False,
        default=list,
        max_length=100,
        help_text="Part numbers that did not come back.",
    )
    why = short_line()
    key = _key()


class ScrapIn(Closed):
    quantity = _quantity()
    why = Text(max_length=300, allow_blank=True)
    key = _key()


class PurchaseIn(Closed):
    site = record_id()
    kit = record_id(required=False)
    part = record_id(required=False)
    quantity = _quantity()
    is_express = Flag(required=False, default=False)
    order = record_id(required=False, default=None, allow_null=True)
    words = short_line()


class CountIn(Closed):
    store = record_id()


class CountedIn(Closed):
    counted = serializers.DictField(
        child=Whole(min_value=0, max_value=1_000_000), help_text="Id of the line: how many."
    )


class FitIn(Closed):
    part = record_id()
    serial = short_line(60)
    lot = record_id(required=False, default=None, allow_null=True)
    fitted_at = InstantField()


class RemoveIn(Closed):
    why = Text(max_length=300, allow_blank=True)
    removed_at = InstantField()


# outputs
class PartOut(serializers.Serializer):
    id = serializers.IntegerField()
    version = serializers.IntegerField()
    code = serializers.CharField()
    name = serializers.CharField()
    place = serializers.CharField()
    unit = serializers.CharField()
    material = serializers.CharField()
    is_consumable = serializers.BooleanField()
    has_serial = serializers.BooleanField()
    shelf_life_months = serializers.IntegerField(allow_null=True)
    lead_weeks = serializers.IntegerField(allow_null=True)
    superseded_by = serializers.ListField(child=serializers.CharField())
    retired_at = serializers.DateTimeField(allow_null=True)


class PartPage(serializers.Serializer):
    results = PartOut(many=True)
    next = serializers.CharField(allow_null=True)


class KitRow(serializers.Serializer):
    id = serializers.IntegerField()
    version = serializers.IntegerField()
    name = serializers.CharField()
    design = serializers.CharField()
    use = serializers.ChoiceField(choices=words_of(KitUse))
    media = serializers.ListField(child=serializers.CharField())
    lead_weeks = serializers.IntegerField(allow_null=True)
    express_weeks = serializers.IntegerField(allow_null=True)
    retired_at = serializers.DateTimeField(allow_null=True)


class KitPageOut(serializers.Serializer):
    results = KitRow(many=True)
    next = serializers.CharField(allow_null=True)


class LotOut(serializers.Serializer):
    id = serializers.IntegerField()
    version = serializers.IntegerField()
    site = serializers.CharField()
    kit_id = serializers.IntegerField(allow_null=True)
    part_id = serializers.IntegerField(allow_null=True)
    item = serializers.CharField()
    name = serializers.CharField()
    store = serializers.CharField()
    bin = serializers.CharField()
    lot = serializers.CharField()
    shelf_until = serializers.DateField(allow_null=True)
    certificate = serializers.CharField()
    on_hand = serializers.IntegerField()
    reserved = serializers.IntegerField()
    available = serializers.IntegerField()
    state = serializers.ChoiceField(choices=words_of(LotState))
    quarantine_why = serializers.CharField()
    missing = serializers.ListField(child=serializers.CharField())


class StockPage(serializers.Serializer):
    results = LotOut(many=True)
    next = serializers.CharField(allow_null=True)


class LotsOut(serializers.Serializer):
    results = LotOut(many=True)


class MovementOut(serializers.Serializer):
    id = serializers.IntegerField()
    lot_id = serializers.IntegerField()
    kind = serializers.ChoiceField(choices=words_of(MovementKind))
    quantity = serializers.IntegerField()
    order_id = serializers.IntegerField(allow_null=True)
    order = serializers.CharField()
    why = serializers.CharField()
    by = serializers.CharField()
    at = serializers.DateTimeField()


class LedgerPage(serializers.Serializer):
    results = MovementOut(many=True)
    next = serializers.CharField(allow_null=True)


class ReservationOut(serializers.Serializer):
    id = serializers.IntegerField()
    lot_id = serializers.IntegerField()
    item = serializers.CharField()
    lot = serializers.CharField()
    bin = serializers.CharField()
    order_id = serializers.IntegerField()
    order = serializers.CharField()
    quantity = serializers.IntegerField()
    state = serializers.ChoiceField(choices=words_of(ReservationState))
    job_on = serializers.DateField()
    fit = serializers.CharField()
    at = serializers.DateTimeField()
    ended_why = serializers.CharField()


class KeptPage(serializers.Serializer):
    results = ReservationOut(many=True)
    next = serializers.CharField(allow_null=True)


class _FitReason(serializers.Serializer):
    field = serializers.CharField()
    word = serializers.ChoiceField(choices=words_of(FitWord))
    code = serializers.CharField()
    words = serializers.CharField()
    remedy = serializers.CharField()


class _Decision(serializers.Serializer):
    word = serializers.ChoiceField(choices=words_of(FitWord))
    reasons = _FitReason(many=True)
    numbers = serializers.DictField(child=serializers.CharField())


class _LotCheck(serializers.Serializer):
    id = serializers.IntegerField()
    code = serializers.CharField()
    place = serializers.CharField()
    shelf_until = serializers.DateField(allow_null=True)
    on_hand = serializers.IntegerField()
    available = serializers.IntegerField()
    decision = _Decision()


class KitCheckOut(serializers.Serializer):
    valve_id = serializers.IntegerField()
    valve = serializers.CharField()
    kit_id = serializers.IntegerField()
    kit = serializers.CharField()
    on = serializers.DateField()
    decision = _Decision()
    lots = _LotCheck(many=True)


class KitChecks(serializers.Serializer):
    results = KitCheckOut(many=True)


class _KitLine(serializers.Serializer):
    part_id = serializers.IntegerField()
    code = serializers.CharField()
    name = serializers.CharField()
    place = serializers.CharField()
    quantity = serializers.IntegerField()


class _KitValve(serializers.Serializer):
    valve_id = serializers.IntegerField()
    valve = serializers.CharField()
    site = serializers.CharField()
    revision = serializers.CharField()
    decision = _Decision()


class KitOut(serializers.Serializer):
    id = serializers.IntegerField()
    version = serializers.IntegerField()
    name = serializers.CharField()
    design = serializers.CharField()
    use = serializers.ChoiceField(choices=words_of(KitUse))
    media = serializers.ListField(child=serializers.CharField())
    seal_material = serializers.CharField()
    has_shelf_life = serializers.BooleanField()
    lead_weeks = serializers.IntegerField(allow_null=True)
    express_weeks = serializers.IntegerField(allow_null=True)
    price_eur = serializers.CharField(allow_null=True)
    note = serializers.CharField()
    lines = _KitLine(many=True)
    lots = LotOut(many=True)
    valves = _KitValve(many=True)
    on = serializers.DateField()


class _Offer(serializers.Serializer):
    kind = serializers.ChoiceField(choices=words_of(OfferKind))
    arrives_on = serializers.DateField(allow_null=True)
    is_in_time = serializers.BooleanField()
    words = serializers.CharField()


class NeedOut(serializers.Serializer):
    site = serializers.CharField()
    valve_id = serializers.IntegerField()
    valve = serializers.CharField()
    kind = serializers.CharField()
    order_id = serializers.IntegerField(allow_null=True)
    order = serializers.CharField()
    due_on = serializers.DateField(allow_null=True)
    wanted_on = serializers.DateField()
    window = serializers.CharField()
    kit_id = serializers.IntegerField(allow_null=True)
    kit = serializers.CharField()
    state = serializers.ChoiceField(choices=words_of(NeedState))
    words = serializers.CharField()
    offers = _Offer(many=True)


class Needs(serializers.Serializer):
    results = NeedOut(many=True)


class _Proposal(serializers.Serializer):
    stock = serializers.IntegerField(allow_null=True)
    covers = serializers.FloatField(allow_null=True)
    planned = serializers.IntegerField()
    words = serializers.CharField()
    method = serializers.CharField()
    issues = serializers.IntegerField()
    units = serializers.IntegerField()
    observed_days = serializers.FloatField()
    lead_days = serializers.FloatField()
    target = serializers.FloatField()


class ProposalOut(serializers.Serializer):
    site = serializers.CharField()
    kit_id = serializers.IntegerField()
    kit = serializers.CharField()
    on_hand = serializers.IntegerField()
    on_order = serializers.IntegerField()
    proposal = _Proposal()


class Proposals(serializers.Serializer):
    results = ProposalOut(many=True)


class PurchaseOut(serializers.Serializer):
    id = serializers.IntegerField()
    version = serializers.IntegerField()
    site = serializers.CharField()
    item = serializers.CharField()
    quantity = serializers.IntegerField()
    is_express = serializers.BooleanField()
    order_id = serializers.IntegerField(allow_null=True)
    asked_on = serializers.DateField()
    arrives_on = serializers.DateField()
    state = serializers.ChoiceField(choices=words_of(PurchaseState))
    words = serializers.CharField()


class PurchasePage(serializers.Serializer):
    results = PurchaseOut(many=True)
    next = serializers.CharField(allow_null=True)


class _CountLine(serializers.Serializer):
    id = serializers.IntegerField()
    item = serializers.CharField()
    lot = serializers.CharField()
    bin = serializers.CharField()
    counted = serializers.IntegerField(allow_null=True)
    difference = serializers.IntegerField(
        allow_null=True, help_text="Null until counted: the sheet is blind."
    )


class CountOut(serializers.Serializer):
    id = serializers.IntegerField()
    version = serializers.IntegerField()
    store = serializers.CharField()
    state = serializers.ChoiceField(choices=words_of(CountState))
    lines = _CountLine(many=True)


class LifeOut(serializers.Serializer):
    id = serializers.IntegerField()
    valve_id = serializers.IntegerField()
    part = serializers.CharField()
    name = serializers.CharField()
    place = serializers.CharField()
    serial = serializers.CharField()
    lot = serializers.CharField()
    quantity = serializers.IntegerField()
    fitted_at = serializers.DateTimeField()
    removed_at = serializers.DateTimeField(allow_null=True)
    removed_why = serializers.CharField()
    run_hours = serializers.FloatField(allow_null=True, help_text="h; null: nobody counted.")
    starts = serializers.FloatField(allow_null=True)


class Lives(serializers.Serializer):
    results = LifeOut(many=True)
