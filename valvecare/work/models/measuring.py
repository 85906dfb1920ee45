"""Tables of what is measured with, and what was measured."""

from typing import ClassVar

from django.db import models
from django.db.models import Q

from valvecare.core.models import SiteScoped, Versioned
from valvecare.register.models import Retirable
from valvecare.register.rules import choices
from valvecare.work.models.orders import BIG, Finding, WorkOrder, sane
from valvecare.work.rules import GaugeKind, Measured, Stage


class Gauge(Versioned, SiteScoped, Retirable):
    """A measuring tool of a site: what it reads, and until when its calibration holds."""

    site = models.ForeignKey("valvecare.Site", on_delete=models.PROTECT, related_name="gauges")
    code = models.CharField(max_length=24, help_text="The number on its label.")
    kind = models.CharField(max_length=24, choices=choices(GaugeKind))
    range_low = models.FloatField()
    range_high = models.FloatField()
    unit = models.CharField(max_length=12, help_text="Of range and step: mm, N m, bar, m³/h.")
    step = models.FloatField(help_text="The smallest step that can be read or set.")
    uncertainty = models.FloatField(
        null=True, blank=True, help_text="Expanded, k = 2, from its certificate, in its unit."
    )
    uncertainty_share = models.FloatField(
        null=True, blank=True, help_text="The same as a share of the reading; empty: not stated."
    )
    calibrated_until = models.DateField(help_text="Last day of its calibration, at the site.")
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        db_table = "valvecare_gauge"
        ordering = ("site", "code")
        constraints = [
            models.UniqueConstraint(
                fields=["site", "code"],
                name="gauge_code_once_per_site",
                violation_error_message="This site has a gauge with this code already.",
            ),
            models.CheckConstraint(
                condition=Q(
                    range_low__gt=-BIG,
                    range_low__lt=models.F("range_high"),
                    range_high__lt=BIG,
                    step__gt=0,
                    step__lt=BIG,
                ),
                name="gauge_range_is_sane",
                violation_error_message="The range goes from low to high, with a step above 0.",
            ),
            models.CheckConstraint(
                condition=sane("uncertainty") & sane("uncertainty_share"),
                name="gauge_uncertainty_is_sane",
                violation_error_message="An uncertainty is not below 0.",
            ),
        ]

    def __str__(self) -> str:
        return self.code


class Measurement(SiteScoped):
    """One value read at a part, with the gauge it was read from. Append-only."""

    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="measurements")
    revision = models.PositiveSmallIntegerField()
    finding = models.ForeignKey(Finding, on_delete=models.PROTECT, related_name="measurements")
    quantity = models.CharField(max_length=40, choices=choices(Measured))
    value = models.FloatField()
    unit = models.CharField(max_length=40)
    gauge = models.ForeignKey(
        Gauge, null=True, blank=True, on_delete=models.PROTECT, related_name="measurements"
    )
    stage = models.CharField(max_length=8, choices=choices(Stage))
    taken_at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_measurement"
        ordering = ("order", "id")
        constraints = [
            models.CheckConstraint(
                condition=Q(value__gt=-BIG, value__lt=BIG), name="measurement_is_sane"
            ),
            models.UniqueConstraint(
                fields=["finding", "quantity"], name="one_measurement_per_finding_and_quantity"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} {self.value:g} {self.unit}"
