"""Filters with a closed list of names: an unknown query parameter is a 400, never ignored."""

from collections.abc import Iterable
from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters
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
