"""Shapes of keeping the catalogue and the places: types and lengths only."""

from rest_framework import serializers

from valvecare.parts.api.shapes import record_id, short_line, words_of
from valvecare.parts.rules import KitUse
from valvecare.web.shapes import Closed, Flag, Number, Text, Whole


class PartChange(Closed):
    name = Text(max_length=120, required=False)
    place = Text(max_length=30, required=False, allow_blank=True)
    unit = Text(max_length=12, required=False)
    material = Text(max_length=80, required=False)
    is_consumable = Flag(required=False)
    has_serial = Flag(required=False)
    shelf_life_months = Whole(required=False, allow_null=True, min_value=1, max_value=600)
    lead_weeks = Whole(required=False, allow_null=True, min_value=0, max_value=520)
    reason = short_line()


class KitChange(Closed):
    lines = serializers.DictField(
        child=Whole(min_value=1, max_value=1000),
        required=False,
        help_text="Part number: how many. All of them; what is left out is no longer in the kit.",
    )
    use = serializers.ChoiceField(choices=words_of(KitUse), required=False)
    media = serializers.ListField(child=Text(max_length=40), max_length=20, required=False)
    seal_material = Text(max_length=40, required=False, allow_blank=True)
    has_shelf_life = Flag(required=False)
    lead_weeks = Whole(required=False, allow_null=True, min_value=0, max_value=520)
    express_weeks = Whole(required=False, allow_null=True, min_value=0, max_value=520)
    note = Text(max_length=200, required=False, allow_blank=True)
    reason = short_line()


class RetireIn(Closed):
    reason = Text(max_length=300, allow_blank=True)


class StoreIn(Closed):
    site = record_id(help_text="Id of the site.")
    name = Text(max_length=60)
    bins = serializers.ListField(
        child=Text(max_length=24), required=False, default=list, max_length=1000
    )


class StoreName(Closed):
    name = Text(max_length=60)


class BinIn(Closed):
    store = record_id(help_text="Id of the store.")
    code = Text(max_length=24)


class BinCode(Closed):
    code = Text(max_length=24)


class SupersessionIn(Closed):
    old = Text(max_length=40, help_text="Part number that is no longer made.")
    new = Text(max_length=40, help_text="Part number that came after it.")
    is_both_ways = Flag(
        required=False, default=False, help_text="Either may stand in for the other."
    )
    note = short_line(200)


class PartsPolicyIn(Closed):
    margin_days = Whole(min_value=0, max_value=3650)
    stock_target = Number(min_value=0.01, max_value=0.9999)
    horizon_weeks = Whole(required=False, default=8, min_value=1, max_value=104)
    source = Text(max_length=200)  # type: ignore[assignment]
    owner = Text(max_length=120)
    valid_from = serializers.DateField()


class StoreOut(serializers.Serializer):
    id = serializers.IntegerField()
    version = serializers.IntegerField()
    site = serializers.CharField()
    name = serializers.CharField()
    retired_at = serializers.DateTimeField(allow_null=True)


class StorePage(serializers.Serializer):
    results = StoreOut(many=True)
    next = serializers.CharField(allow_null=True)


class BinOut(serializers.Serializer):
    id = serializers.IntegerField()
    version = serializers.IntegerField()
    store_id = serializers.IntegerField()
    store = serializers.CharField()
    site = serializers.CharField()
    code = serializers.CharField()
    retired_at = serializers.DateTimeField(allow_null=True)


class BinPage(serializers.Serializer):
    results = BinOut(many=True)
    next = serializers.CharField(allow_null=True)


class SupersessionOut(serializers.Serializer):
    id = serializers.IntegerField()
    old = serializers.CharField()
    new = serializers.CharField()
    is_both_ways = serializers.BooleanField()
    note = serializers.CharField()


class SupersessionPage(serializers.Serializer):
    results = SupersessionOut(many=True)
    next = serializers.CharField(allow_null=True)


class PartsPolicyOut(PartsPolicyIn):
    id = serializers.IntegerField()


class PartsPolicyPage(serializers.Serializer):
    results = PartsPolicyOut(many=True)
    next = serializers.CharField(allow_null=True)
