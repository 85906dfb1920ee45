"""What a signature binds, and whether it still is as it was signed."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID

from django.db import models

from valvecare.protection.models import FunctionTest
from valvecare.work.models import (
    ClosedRevision,
    Deferral,
    Finding,
    Gate,
    Measurement,
    OrderTest,
    PartUsed,
    ProvisionalRelease,
    Signature,
    StepRecord,
    WorkOrder,
)
from valvecare.work.rules import Signed, hash_of

_NOT_SIGNED = (
    "version",
    "updated_at",
    "told_verdict_id",
    "verdict_before",
    "verdict_changed_at",
)
"""Columns of an order that tell of its handling, not of the work."""


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, date):
        return value.isoformat()
    return str(value) if isinstance(value, UUID) else value


def _row(row: models.Model, leave: Iterable[str] = ()) -> dict[str, Any]:
    return {
        field.attname: _plain(getattr(row, field.attname))
        for field in row._meta.concrete_fields
        if field.attname not in leave
    }


def order_content(order_id: int) -> dict[str, Any]:
    """The order's own row as it is signed and as a closed revision keeps it."""
    return _row(WorkOrder._default_manager.get(pk=order_id), _NOT_SIGNED)


def tests_of(order_id: int, revision: int) -> list[int]:
    """Ids of the function tests of a revision."""
    rows = OrderTest._default_manager.filter(order_id=order_id, revision=revision)
    return sorted(rows.values_list("test_id", flat=True))


def _closing(order_id: int, revision: int) -> dict[str, Any]:
    kept = ClosedRevision._default_manager.filter(order_id=order_id, revision=revision).first()
    mine = {"order_id": order_id, "revision": revision}
    tests = kept.record.get("tests", []) if kept else tests_of(order_id, revision)
    found: dict[str, Any] = {
        "order": kept.record.get("order") if kept else order_content(order_id),
        "tests": [_row(row) for row in FunctionTest.objects.filter(pk__in=tests).order_by("pk")],
        "test_ids": tests,
        "tested_by": dict(
            OrderTest._default_manager.filter(test_id__in=tests)
            .order_by("test_id")
            .values_list("test_id", "done_by_id")
        ),
    }
    for model in (Gate, Finding, Measurement, PartUsed, ProvisionalRelease, StepRecord):
        rows = model._default_manager.filter(**mine).order_by("pk")
        found[str(model._meta.model_name)] = [_row(row) for row in rows]
    return found


def content_of(signature: Signature) -> Mapping[str, Any]:
    """Everything the signature binds, read from the tables as they are now."""
    signed = Signed(signature.signed)
    if signed is Signed.CLOSING:
        record: Any = _closing(signature.order_id, signature.revision)
    else:
        model: Any = ProvisionalRelease if signed is Signed.RELEASE else Deferral
        row = model._default_manager.filter(
            pk=signature.record_id, order_id=signature.order_id
        ).first()
        record = _row(row) if row else None
    return {"signature": _row(signature, ("id", "content_hash")), "record": record}


@dataclass(frozen=True, slots=True)
class SignatureCheck:
    """One signature tested: is it intact, and does it count for the order as it now is."""

    id: int | None
    order: str
    revision: int
    signed: str
    name: str
    at: datetime | None
    meaning: str
    is_intact: bool
    is_current: bool
    words: str


def verify_signature(signature: Signature) -> SignatureCheck:
    """Compute the hash again from the tables and compare. Reads only."""
    is_intact = _hash_now(signature) == signature.content_hash
    order = signature.order
    is_current = signature.revision == order.revision
    words = "as it was signed" if is_intact else "changed after it was signed"
    if is_intact and not is_current:
        words += f", for revision {signature.revision}; it is void for revision {order.revision}"
    return SignatureCheck(
        signature.pk,
        order.number,
        signature.revision,
        signature.signed,
        signature.name,
        signature.at,
        signature.meaning,
        is_intact,
        is_current,
        words,
    )


def _hash_now(signature: Signature) -> str | None:
    try:
        return hash_of(content_of(signature))
    except (TypeError, ValueError):
        # a value the tables could not have held when it was signed
        return None


def verify_signatures() -> Iterable[SignatureCheck]:
    """Every signature, and every closed order that lacks one. Orders from older records do."""
    for signature in Signature._default_manager.select_related("order").order_by("pk").iterator():
        yield verify_signature(signature)
    signed = Signature._default_manager.filter(
        order=models.OuterRef("pk"),
        revision=models.OuterRef("revision"),
        signed=Signed.CLOSING.value,
    )
    unsigned = WorkOrder._default_manager.filter(state="closed", is_imported=False).filter(
        ~models.Exists(signed)
    )
    for order in unsigned.order_by("pk").iterator():
        yield SignatureCheck(
            None,
            order.number,
            order.revision,
            Signed.CLOSING.value,
            "",
            None,
            "",
            False,
            True,
            "closed without a signature",
        )
