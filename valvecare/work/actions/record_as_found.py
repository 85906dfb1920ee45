"""Write down how the valve was found, before anything is changed."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.core.pictures import Picture
from valvecare.work.actions.add_photos import add_photos
from valvecare.work.actions.measure import who_did_it
from valvecare.work.actions.order import fact_time, keep, refuse_if, taken_at_the_valve
from valvecare.work.actions.pass_gate import add_gate, not_before
from valvecare.work.models import WorkOrder
from valvecare.work.reads import facts_of
from valvecare.work.rules import (
    AsFound,
    GateKind,
    OrderState,
    why_not_codes,
    why_not_pass,
    why_not_words,
)


@transaction.atomic
def record_as_found(
    order_id: int,
    words: str,
    *,
    version: int,
    actor: Any,
    at: datetime,
    grade: AsFound | None = None,
    mode: str = "",
    mechanism: str = "",
    cause: str = "",
    detection: str = "",
    done_at: datetime | None = None,
    done_by: str = "",
    photos: Sequence[Picture] = (),
    photo_words: str = "",
) -> WorkOrder:
    """Record the as-found reading; the grade may follow once the parts have been seen.

    The first record passes the gate; later ones grade or correct, and the event keeps each.
    """
    order = taken_at_the_valve(
        order_id,
        version=version,
        actor=actor,
        verb="graded",
        states=(OrderState.UNDER_WAY, OrderState.PROVEN),
    )
    refuse_if(
        why_not_words(words, code="no_as_found_words", what="What was found"),
        why_not_codes(grade, mode=mode, mechanism=mechanism, cause=cause, detection=detection),
    )
    facts = facts_of(order)
    person = who_did_it(order, done_by)
    begun = at
    if GateKind.AS_FOUND not in facts.gates:
        refuse_if(why_not_pass(GateKind.AS_FOUND, facts))
        begun = fact_time(done_at, at=at, not_before=not_before(facts, GateKind.AS_FOUND))
        add_gate(
            order,
            GateKind.AS_FOUND,
            done_at=begun,
            words=words,
            actor=actor,
            at=at,
            done_by=person,
        )
    elif done_at is not None:
        begun = fact_time(done_at, at=at, not_before=facts.started_at)
    codes = {"mode": mode, "mechanism": mechanism, "cause": cause, "detection": detection}
    kept = keep(
        order,
        "as_found_recorded",
        actor=actor,
        at=at,
        words=f"{order} found {grade or 'not graded yet'}. {words}",
        data={
            "grade": grade,
            "words": words,
            **codes,
            "done_at": begun.isoformat(),
            "done_by": (person or actor).get_username(),
        },
        as_found=grade.value if grade else "",
        as_found_words=words,
        **codes,
    )
    add_photos(kept, photos, finding=None, words=photo_words, done_at=begun, actor=actor, at=at)
    return kept
