"""Tables of evidence. Append-only: a correction is a new row."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q

from valvecare.core.models import SiteScoped
from valvecare.protection.rules import METHODS_WITH_PUMP, ProofMethod, ProofResult
from valvecare.register.rules import choices

_BIG = 1e9


class FunctionTest(SiteScoped):
    """One proof of the protective function: with the pump, or on the bench."""

    site_path: ClassVar[str] = "valve__pump__group__site"

    valve = models.ForeignKey(
        "valvecare.ProtectionValve", on_delete=models.PROTECT, related_name="function_tests"
    )
    done_at = models.DateTimeField()
    method = models.CharField(max_length=40, choices=choices(ProofMethod))
    bypass_flow_m3_per_h = models.FloatField(null=True, blank=True)
    uncertainty_share = models.FloatField(
        null=True, blank=True, help_text="Expanded uncertainty as a share of the flow, 0 to 1."
    )
    required_m3_per_h = models.FloatField(null=True, blank=True)
    result = models.CharField(max_length=12, choices=choices(ProofResult))
    restriction = models.CharField(
        max_length=300, blank=True, help_text="What operations must keep to."
    )
    words = models.CharField(max_length=500, blank=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    recorded_at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_function_test"
        ordering = ("-done_at", "-id")
        indexes = [models.Index(fields=["valve", "-done_at"], name="function_test_of_valve")]
        constraints = [
            models.CheckConstraint(
                condition=Q(bypass_flow_m3_per_h__isnull=True)
                | Q(bypass_flow_m3_per_h__gte=0, bypass_flow_m3_per_h__lt=_BIG),
                name="function_test_flow_is_sane",
            ),
            models.CheckConstraint(
                condition=Q(uncertainty_share__isnull=True)
                | Q(uncertainty_share__gte=0, uncertainty_share__lt=1),
                name="function_test_uncertainty_is_a_share",
            ),
            models.CheckConstraint(
                condition=Q(required_m3_per_h__isnull=True)
                | Q(required_m3_per_h__gt=0, required_m3_per_h__lt=_BIG),
                name="function_test_requirement_is_sane",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.valve} {self.done_at:%Y-%m-%d} {self.result}"

    @property
    def with_pump(self) -> bool:
        return ProofMethod(self.method) in METHODS_WITH_PUMP
