"""Filters with a closed list of names: an unknown query parameter is a 400, never ignored."""

from collections.abc import Iterable
from typing import Any

from django import forms
from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiParameter
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request

PAGING = frozenset({"cursor", "page_size", "format"})


def refuse_unknown(request: Request, known: Iterable[str]) -> None:
    """Raise 400 naming every query parameter that is not in `known` or about paging."""
    known = set(known) | PAGING
    unknown = sorted(set(request.query_params) - known)
    if unknown:
        allowed = ", ".join(sorted(known - {"format"}))
        raise ValidationError(
            {name: f"Unknown query parameter; known here: {allowed}." for name in unknown}
        )


class StrictFilterBackend(filters.DjangoFilterBackend):
    """django-filter, with unknown parameters refused."""

    def filter_queryset(self, request: Request, queryset: Any, view: Any) -> "QuerySet[Any]":
        filterset = self.get_filterset_class(view, queryset)
        refuse_unknown(request, filterset.base_filters if filterset else ())
        filtered: QuerySet[Any] = super().filter_queryset(request, queryset, view)
        return filtered


class IdFilter(filters.NumberFilter):
    """A record's id: a whole number that fits the database."""

    field_class = forms.IntegerField

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, min_value=1, max_value=2**63 - 1, **kwargs)

    def get_max_validator(self) -> None:
        return None


class YesNoFilter(filters.ChoiceFilter):
    """`true` or `false` in these letters; anything else is a 400, never ignored."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, choices=[("true", "true"), ("false", "false")], **kwargs)


def filtered(request: Request, queryset: Any, filterset: type[filters.FilterSet]) -> Any:
    """Apply the query parameters; an unknown name or a bad value is a 400."""
    refuse_unknown(request, filterset.base_filters)
    bound = filterset(request.query_params, queryset=queryset, request=request)
    if not bound.is_valid():
        raise ValidationError(bound.errors)
    return bound.qs


def parameters_of(filterset: type[filters.FilterSet], *, paged: bool = True) -> list[Any]:
    """The query parameters of a list, for the schema."""
    found = []
    for name, one in filterset.base_filters.items():
        kind: Any = str
        enum = None
        if isinstance(one, IdFilter):
            kind = int
        elif isinstance(one, filters.ChoiceFilter):
            enum = [value for value, _ in one.extra["choices"]]
        elif isinstance(one, filters.IsoDateTimeFilter):
            from datetime import datetime as kind
        text = str(one.extra.get("help_text", ""))
        found.append(OpenApiParameter(name, kind, description=text, enum=enum))
    if paged:
        found += [
            OpenApiParameter("cursor", str, description="From the `next` link; opaque."),
            OpenApiParameter("page_size", int, description="1 to 200, else 100."),
        ]
    return found
