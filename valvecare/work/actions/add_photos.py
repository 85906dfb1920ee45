"""Keep the photographs of a step, in the transaction of the step."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db.models import Count, Sum

from valvecare.core.events import record
from valvecare.core.pictures import Picture, store
from valvecare.work.actions.order import refuse_if
from valvecare.work.models import Finding, Photo, WorkOrder
from valvecare.work.rules.photos import why_not_photos


def add_photos(
    order: WorkOrder,
    pictures: Sequence[Picture],
    *,
    finding: Finding | None,
    words: str,
    done_at: datetime,
    actor: Any,
    at: datetime,
) -> list[Photo]:
    """Store the pictures and their rows; `finding` None: the valve as found.

    Call last in the step: a step that is refused later would leave a file behind.
    """
    if not pictures:
        return []
    kept = Photo.objects.filter(order=order).aggregate(count=Count("id"), size=Sum("size"))
    refuse_if(
        why_not_photos(
            kept=kept["count"],
            kept_bytes=kept["size"] or 0,
            more=len(pictures),
            more_bytes=sum(len(picture.data) for picture in pictures),
        )
    )
    rows = []
    for picture in pictures:
        row = Photo(
            order=order,
            revision=order.revision,
            finding=finding,
            file=store(picture, "photos"),
            size=len(picture.data),
            width=picture.width,
            height=picture.height,
            sha256=picture.sha256,
            words=words,
            by=actor,
            at=done_at,
            recorded_at=at,
        )
        row.clean_fields(exclude=["order", "finding", "by"])
        row.save(force_insert=True)
        rows.append(row)
    record(
        "work_order.photos_added",
        order,
        actor=actor,
        at=at,
        words=f"{order}: {len(rows)} photographs of {finding.part if finding else 'as found'}. "
        f"{words}".strip(),
        data={
            "part": finding.part if finding else None,
            "photos": [{"id": row.pk, "sha256": row.sha256} for row in rows],
        },
    )
    return rows
