"""Blind counts of a store, and parts that live in a valve."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from valvecare.core.models import SiteScoped, Versioned
from valvecare.parts.models.catalogue import PartNumber
from valvecare.parts.models.stock import Lot, Store
from valvecare.parts.rules import CountState
from valvecare.register.rules import choices


class FittedPart(SiteScoped):
    """A part with a life of its own in one valve: from when, at which hours and starts."""

    site_path: ClassVar[str] = "valve__pump__group__site"

    valve = models.ForeignKey(
        "valvecare.ProtectionValve", on_delete=models.PROTECT, related_name="fitted_parts"
    )
    part = models.ForeignKey(PartNumber, on_delete=models.PROTECT, related_name="fitted")
    place = models.CharField(max_length=30, blank=True)
    serial = models.CharField(max_length=60, blank=True)
    lot = models.ForeignKey(
        Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="fitted"
    )
    quantity = models.PositiveSmallIntegerField(default=1)
    order = models.ForeignKey(
        "valvecare.WorkOrder",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="fitted_parts",
    )
    fitted_at = models.DateTimeField()
    run_hours_base = models.FloatField(
        null=True, blank=True, help_text="What the pump's counter had gained when it was fitted, h."
    )
    starts_base = models.FloatField(null=True, blank=True)
    removed_at = models.DateTimeField(null=True, blank=True)
    removed_why = models.CharField(max_length=300, blank=True)
    run_hours_life = models.FloatField(null=True, blank=True, help_text="At removal, h.")
    starts_life = models.FloatField(null=True, blank=True)

    class Meta:
        db_table = "valvecare_fitted_part"
        ordering = ("valve", "-fitted_at", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["part", "serial"],
                condition=Q(removed_at__isnull=True) & ~Q(serial=""),
                name="serial_fitted_once",
                violation_error_message="This serial is fitted in a valve already.",
            ),
            models.CheckConstraint(
                condition=Q(removed_at__isnull=True) | Q(removed_at__gte=F("fitted_at")),
                name="part_is_removed_after_it_was_fitted",
            ),
            *(
                models.CheckConstraint(
                    condition=Q(**{f"{name}__isnull": True})
                    | Q(**{f"{name}__gte": 0, f"{name}__lt": 1e12}),
                    name=f"fitted_part_{name}_is_sane",
                )
                for name in ("run_hours_base", "starts_base", "run_hours_life", "starts_life")
            ),
        ]
        indexes = [models.Index(fields=["valve", "removed_at"], name="fitted_in_valve")]

    def __str__(self) -> str:
        return f"{self.part} {self.serial}".strip()


class StockCount(Versioned, SiteScoped):
    """A blind count of one store: the sheet shows no quantity, a second person approves."""

    site_path: ClassVar[str] = "store__site"

    store = models.ForeignKey(Store, on_delete=models.PROTECT, related_name="counts")
    state = models.CharField(
        max_length=10, choices=choices(CountState), default=CountState.COUNTING.value
    )
    begun_at = models.DateTimeField()
    begun_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    counted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    counted_at = models.DateTimeField(null=True, blank=True)
    judged_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    judged_at = models.DateTimeField(null=True, blank=True)
    judged_why = models.CharField(max_length=300, blank=True)

    class Meta:
        db_table = "valvecare_stock_count"
        ordering = ("-id",)
        constraints = [
            models.UniqueConstraint(
                fields=["store"],
                condition=Q(state__in=[CountState.COUNTING.value, CountState.COUNTED.value]),
                name="one_count_at_a_time",
            ),
        ]

    def __str__(self) -> str:
        return f"count of {self.store}"


class CountLine(SiteScoped):
    """What was counted of one lot, and what the ledger said at that moment."""

    site_path: ClassVar[str] = "count__store__site"

    count = models.ForeignKey(StockCount, on_delete=models.PROTECT, related_name="lines")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="count_lines")
    counted = models.PositiveIntegerField(null=True, blank=True)
    on_hand_then = models.PositiveIntegerField(null=True, blank=True)

    class Meta:
        db_table = "valvecare_count_line"
        ordering = ("count", "id")
        constraints = [
            models.UniqueConstraint(fields=["count", "lot"], name="lot_once_per_count"),
        ]

    def __str__(self) -> str:
        return f"{self.lot_id}: {self.counted}"

    @property
    def difference(self) -> int | None:
        """Counted less what the ledger said when it was counted."""
        if self.counted is None or self.on_hand_then is None:
            return None
        return self.counted - self.on_hand_then
