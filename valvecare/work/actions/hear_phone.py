"""A phone that took orders along has a connection again."""

from collections.abc import Collection
from datetime import datetime
from typing import Any

from django.db import transaction

from valvecare.work.models import TakenAlong


@transaction.atomic
def hear_phone(order_ids: Collection[int], *, actor: Any, at: datetime) -> int:
    """Note when the phone of this person was last heard; the number of orders out with it.

    Orders that are not out with this person are left alone. No event: nothing happened to them.
    """
    out = TakenAlong.objects.filter(order_id__in=order_ids, by=actor, back_at=None)
    return out.update(heard_at=at)
