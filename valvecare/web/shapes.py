"""Strict JSON shapes: types and lengths only, no meaning, and no field that was not asked for.

The framework's own fields take `true` for 1.0, "1_000" for 1000 and digits of other scripts;
a register of safety devices must not.
"""

import math
from collections.abc import Iterable, Mapping
from typing import Any

from django.db import models
from rest_framework import serializers

BIG = 1e12


class Closed(serializers.Serializer):
    """Refuses every name that is not in the shape, so that a misspelt field is not lost."""

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, Mapping):
            unknown = {
                name: ["Unknown field; known here: " + ", ".join(sorted(self.fields)) + "."]
                for name in data
                if name not in self.fields
            }
            if unknown:
                raise serializers.ValidationError(unknown)
        return super().to_internal_value(data)


class Number(serializers.FloatField):
    """A finite JSON number; no text, no boolean."""

    def to_internal_value(self, data: Any) -> float:
        if isinstance(data, bool) or not isinstance(data, (int, float)):
            raise serializers.ValidationError("Give a number, not text.")
        if not math.isfinite(data) or abs(data) > BIG:
            raise serializers.ValidationError("Give a finite number of sane size.")
        return float(data)


class Whole(serializers.IntegerField):
    """A whole JSON number; no text, no boolean, no fraction."""

    def to_internal_value(self, data: Any) -> int:
        if isinstance(data, bool) or not isinstance(data, int):
            raise serializers.ValidationError("Give a whole number, not text.")
        return data


class Flag(serializers.BooleanField):
    """JSON true or false, nothing that looks like it."""

    def to_internal_value(self, data: Any) -> bool:
        if not isinstance(data, bool):
            raise serializers.ValidationError("Give true or false.")
        return data


class Text(serializers.CharField):
    """JSON text, not a number."""

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str):
            raise serializers.ValidationError("Give text.")
        return str(super().to_internal_value(data))


class Related(serializers.Serializer):
    """Another record, by id, name and address."""

    id = serializers.IntegerField()
    name = serializers.CharField()
    url = serializers.CharField()


def field_of(column: "models.Field[Any, Any]", *, required: bool) -> serializers.Field:
    """The strict shape of a model's column: type, length, choices, nullability, help."""
    more: dict[str, Any] = {"required": required, "help_text": str(column.help_text)}
    if column.null:
        more["allow_null"] = True
    if column.choices:
        return serializers.ChoiceField(choices=list(column.flatchoices), **more)
    if isinstance(column, models.BooleanField):
        return Flag(**more)
    if isinstance(column, models.FloatField):
        return Number(**more)
    if isinstance(column, models.IntegerField):
        return Whole(min_value=0, max_value=32767, **more)
    if isinstance(column, models.DateField):
        return serializers.DateField(**more)
    return Text(max_length=column.max_length or 4000, allow_blank=column.blank, **more)


def shape_of(
    name: str,
    model: Any,
    columns: Iterable[str],
    *,
    required: Iterable[str] = (),
    further: Mapping[str, serializers.Field] | None = None,
) -> type[Closed]:
    """A closed input shape from a model's columns and further fields."""
    required = frozenset(required)
    fields: dict[str, Any] = {
        column: field_of(model._meta.get_field(column), required=column in required)
        for column in columns
    }
    return type(name, (Closed,), {**(further or {}), **fields, "__doc__": None})
