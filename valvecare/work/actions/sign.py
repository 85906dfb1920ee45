"""Put a person's name under a record. Called by actions, inside their transaction, at their end."""

from datetime import datetime
from typing import Any

from valvecare.core.events import record
from valvecare.core.signing import FreshCredential
from valvecare.work.models import Signature, WorkOrder
from valvecare.work.reads import content_of
from valvecare.work.rules import Signed, hash_of


def printed_name(person: Any) -> str:
    """The name as it stands under a signature: full name and user name."""
    full, user = person.get_full_name().strip(), person.get_username()
    return f"{full} ({user})" if full else str(user)


def sign(
    order: WorkOrder,
    signed: Signed,
    record_id: int,
    *,
    credential: FreshCredential,
    meaning: str,
    actor: Any,
    at: datetime,
) -> Signature:
    """Store the signature with the hash of what the tables now hold. The rules have been asked."""
    row = Signature(
        order=order,
        revision=order.revision,
        signed=signed.value,
        record_id=record_id,
        by=actor,
        name=printed_name(actor),
        at=at,
        meaning=meaning,
        method=credential.method,
    )
    row.content_hash = hash_of(content_of(row))
    row.save(force_insert=True)
    record(
        "work_order.signed",
        order,
        actor=actor,
        at=at,
        words=f"{order}: {signed} signed by {row.name}, {meaning}.",
        data={
            "signature": row.pk,
            "signed": signed.value,
            "meaning": meaning,
            "content_hash": row.content_hash,
        },
    )
    return row
