"""Policies and designs as plain facts for the rules."""

from collections.abc import Collection
from typing import Any

from django.db.models import QuerySet

from valvecare.due.rules import DesignFacts, PolicyFacts, TaskKind
from valvecare.register.models import ValveDesign


def policy_facts(policies: "QuerySet[Any, Any]") -> list[PolicyFacts]:
    """The rows as the rules take them."""
    rows = policies.order_by().values_list(
        "id",
        "kind",
        "valve_id",
        "group_id",
        "design_code",
        "variant",
        "dn",
        "months",
        "run_hours",
        "starts",
        "valid_from",
        "valid_to",
    )
    return [PolicyFacts(row[0], TaskKind(row[1]), *row[2:]) for row in rows]


def design_facts(ids: Collection[int] | None = None) -> dict[int, DesignFacts]:
    """Designs by id; all of them when no ids are given."""
    rows = ValveDesign.objects.all() if ids is None else ValveDesign.objects.filter(pk__in=ids)
    found = rows.values_list("id", "code", "variant", "dn")
    return {row[0]: DesignFacts(*row) for row in found}
