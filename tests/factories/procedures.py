"""Procedures for tests: short ones written through the actions. All words are invented."""

from typing import Any

from tests.factories.due import administrator
from tests.factories.register import member
from tests.factories.work import NOW
from valvecare.core.permits import Role
from valvecare.models import ProcedureVersion
from valvecare.work.actions.use_procedure import put_in_use
from valvecare.work.actions.write_procedure import draft_procedure
from valvecare.work.rules import OrderKind
from valvecare.work.rules.procedures import WorkStep, numbered, step_from

TEST_STEPS: list[dict[str, Any]] = [
    {"phase": "identify", "kind": "check", "words": "Tag, plate and order agree."},
    {"phase": "as found", "kind": "gate", "words": "As found.", "gate": "as-found recorded"},
    {
        "phase": "function test",
        "kind": "caution",
        "words": "Read before the start.",
        "cautions": ["closed-in-running"],
    },
    {
        "phase": "function test",
        "kind": "measure",
        "words": "Temperature at the pump's outlet.",
        "quantity": "temperature at the outlet",
        "unit": "mm",
    },
    {
        "phase": "function test",
        "kind": "check",
        "words": "Return line sealed open.",
        "witness": "second person",
    },
    {
        "phase": "function test",
        "kind": "check",
        "words": "Pins of the lever locked.",
        "when": [{"fact": "has lever", "is": "yes"}],
    },
    {"phase": "function test", "kind": "test", "words": "T1.", "test_step": "T1"},
    {"phase": "learn", "kind": "check", "words": "Told the shift.", "is_mandatory": False},
]
"""A function test: 1 check, 2 gate, 3 caution, 4 measure, 5 hold point, 6 only with a lever,
7 the test, 8 not mandatory. The unit is mm because the gauge of the tests reads mm."""


def written(rows: list[dict[str, Any]]) -> tuple[WorkStep, ...]:
    return numbered([step_from(row, 1) for row in rows])


def drafted(
    rows: list[dict[str, Any]] | None = None,
    *,
    kind: OrderKind = OrderKind.FUNCTION_TEST,
    code: str = "ours",
    site: Any = None,
    **given: Any,
) -> ProcedureVersion:
    """A draft of a procedure; by an engineer of the site, or the administrator for all sites."""
    writer = member(site, Role.RELIABILITY_ENGINEER) if site else administrator()
    return draft_procedure(
        code,
        title="Invented procedure",
        kind=kind,
        owner="reliability engineer",
        source="invented",
        site=site.code if site else "",
        steps=written(TEST_STEPS if rows is None else rows),
        actor=writer,
        at=NOW,
        **given,
    )


def in_use(rows: list[dict[str, Any]] | None = None, **given: Any) -> ProcedureVersion:
    """A version in use, put there by a second person."""
    row = drafted(rows, **given)
    site = row.procedure.site
    second = member(site, Role.RELIABILITY_ENGINEER) if site else _second()
    return put_in_use(row.pk, "Read and tried.", version=row.version, actor=second, at=NOW)


def _second() -> Any:
    from django.contrib.auth import get_user_model

    found, _ = get_user_model().objects.get_or_create(
        username="second person", defaults={"is_superuser": True, "is_active": True}
    )
    return found
