"""The cover joint that was tightened otherwise than planned."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q

from valvecare.core.models import SiteScoped


class Tightening(SiteScoped):
    """A cover joint tightened otherwise than planned: it stays open until the engineer decides.

    The technician's record is only added; the engineer's words are written once beside it. What
    was tightened as planned is in the gate 'joint closed' itself.
    """

    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(
        "valvecare.WorkOrder", on_delete=models.PROTECT, related_name="tightenings"
    )
    revision = models.PositiveSmallIntegerField()
    at = models.DateTimeField(help_text="When it was tightened.")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    done_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    words = models.CharField(max_length=500, blank=True)
    record = models.JSONField(help_text="The joint's record, its plan and what differs.")
    disagree_because = models.CharField(max_length=300)
    recorded_at = models.DateTimeField()
    is_accepted = models.BooleanField(
        null=True, blank=True, help_text="Empty: waits for the engineer."
    )
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    decided_at = models.DateTimeField(null=True, blank=True)
    decided_because = models.CharField(max_length=300, blank=True)

    class Meta:
        db_table = "valvecare_tightening"
        ordering = ("order", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["order", "revision"],
                condition=Q(decided_at__isnull=True),
                name="one_tightening_waits_per_order",
            ),
            models.CheckConstraint(
                condition=Q(decided_at__isnull=True, is_accepted__isnull=True)
                | (Q(decided_at__isnull=False, is_accepted__isnull=False) & ~Q(decided_because="")),
                name="decided_tightening_has_words",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.order_id}: cover joint"
