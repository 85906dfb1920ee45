"""Tables of the plan: windows, crews, and the slot of an order."""

from typing import Any, ClassVar

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Q

from valvecare.core.models import SiteScoped, Versioned


class Window(Versioned, SiteScoped):
    """A time in which work may be done at a site."""

    site = models.ForeignKey("valvecare.Site", on_delete=models.PROTECT, related_name="windows")
    name = models.CharField(max_length=120)
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    words = models.CharField(max_length=300, blank=True, help_text="What it allows.")
    is_total_stop = models.BooleanField(
        default=False, help_text="The plant stands: groups need not carry, save those named below."
    )
    still_needed = models.ManyToManyField(
        "valvecare.PumpGroup",
        blank=True,
        related_name="+",
        help_text="Groups that must carry even in a total stop.",
    )
    works_weekends = models.BooleanField(default=False)

    class Meta:
        db_table = "valvecare_window"
        ordering = ("starts_at", "id")
        constraints = [
            models.UniqueConstraint(fields=["site", "name"], name="window_name_once_per_site"),
            models.CheckConstraint(
                condition=Q(ends_at__gt=F("starts_at")), name="window_ends_after_it_starts"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Crew(Versioned, SiteScoped):
    """People who work together; elapsed hours a day are what is planned with."""

    site = models.ForeignKey("valvecare.Site", on_delete=models.PROTECT, related_name="crews")
    name = models.CharField(max_length=120)
    people = models.PositiveSmallIntegerField()
    hours_per_day = models.FloatField(help_text="Elapsed hours, 0 to 24.")

    class Meta:
        db_table = "valvecare_crew"
        ordering = ("site", "name")
        constraints = [
            models.UniqueConstraint(fields=["site", "name"], name="crew_name_once_per_site"),
            models.CheckConstraint(
                condition=Q(hours_per_day__gt=0, hours_per_day__lte=24, people__gte=1),
                name="crew_has_people_and_hours",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Slot(SiteScoped):
    """One order in a window with a crew and its hours of each day."""

    site_path: ClassVar[str] = "order__site"

    order = models.OneToOneField(
        "valvecare.WorkOrder", on_delete=models.PROTECT, related_name="slot"
    )
    window = models.ForeignKey(Window, on_delete=models.PROTECT, related_name="slots")
    crew = models.ForeignKey(Crew, on_delete=models.PROTECT, related_name="slots")
    starts_on = models.DateField()
    ends_on = models.DateField()
    hours = models.FloatField()
    days = models.JSONField(help_text="Site-local day: hours of the crew.")
    because = models.CharField(
        max_length=300, blank=True, help_text="Why a warning does not stand in the way."
    )

    class Meta:
        db_table = "valvecare_slot"
        ordering = ("starts_on", "id")
        constraints = [
            models.CheckConstraint(
                condition=Q(hours__gt=0, hours__lt=10_000), name="slot_hours_are_sane"
            ),
            models.CheckConstraint(
                condition=Q(ends_on__gte=F("starts_on")), name="slot_ends_after_it_starts"
            ),
        ]
        indexes = [models.Index(fields=["crew", "starts_on"], name="slots_of_crew")]

    def __str__(self) -> str:
        return f"{self.order} in {self.window}"

    def clean(self) -> None:
        sites: set[Any] = {self.window.site_id, self.crew.site_id, self.order.site_id}
        if len(sites) != 1:
            raise ValidationError("Order, window and crew must belong to the same site.")
