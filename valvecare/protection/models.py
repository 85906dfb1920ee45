"""Tables of evidence. Append-only: a correction is a new row."""

from typing import Any, ClassVar

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from valvecare.core.models import SiteScoped, Versioned
from valvecare.engineering.errors import Refusal
from valvecare.protection.rules import (
    METHODS_WITH_PUMP,
    Grade,
    LiquidTable,
    ProofMethod,
    ProofResult,
    Word,
)
from valvecare.protection.rules.capacity import liquid_of_table
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
    rule_version = models.CharField(
        max_length=20, blank=True, help_text="Of the rule that judged the steps; empty: no steps."
    )
    evidence: Any = models.JSONField(
        blank=True,
        default=dict,
        help_text="Of a guided test: steps, raw readings, limits and working as judged.",
    )
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
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


class Inspection(SiteScoped):
    """The valve was opened and looked into: evidence 'seen inside'. Append-only."""

    site_path: ClassVar[str] = "valve__pump__group__site"

    valve = models.ForeignKey(
        "valvecare.ProtectionValve", on_delete=models.PROTECT, related_name="inspections"
    )
    done_at = models.DateTimeField()
    kind = models.CharField(max_length=30, help_text="The kind of task.")
    as_found = models.CharField(max_length=24)
    mode = models.CharField(max_length=4, blank=True, help_text="Failure mode code.")
    words = models.CharField(max_length=500, blank=True)
    crew = models.CharField(max_length=80, blank=True, help_text="Empty: not recorded.")
    seal_lot = models.CharField(max_length=60, blank=True, help_text="Empty: not recorded.")
    origin = models.CharField(max_length=100, help_text="For example a work order's number.")
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    recorded_at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_inspection"
        ordering = ("-done_at", "-id")
        indexes = [models.Index(fields=["valve", "-done_at"], name="inspection_of_valve")]
        constraints = [
            models.UniqueConstraint(
                fields=["valve", "done_at", "origin"], name="one_inspection_per_origin_and_time"
            )
        ]

    def __str__(self) -> str:
        return f"{self.kind} of {self.valve}: {self.as_found}"


class OperatingRelease(SiteScoped):
    """A second person lets the valve run unproven, with a restriction, until a day. Append-only.

    Ends at its day, or by the next function test.
    """

    site_path: ClassVar[str] = "valve__pump__group__site"

    valve = models.ForeignKey(
        "valvecare.ProtectionValve", on_delete=models.PROTECT, related_name="operating_releases"
    )
    until = models.DateField(help_text="Last day, at the site.")
    restriction = models.CharField(max_length=300, help_text="What operations must keep to.")
    words = models.CharField(max_length=300)
    origin = models.CharField(max_length=100, help_text="For example a work order's number.")
    signed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    signed_at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_operating_release"
        ordering = ("-signed_at", "-id")
        indexes = [models.Index(fields=["valve", "-signed_at"], name="operating_release_of_valve")]

    def __str__(self) -> str:
        return f"{self.valve} until {self.until}"


class LiquidProperties(Versioned):
    """A liquid other than water: columns over temperature, with where the numbers come from."""

    name = models.CharField(max_length=40, unique=True)
    source = models.CharField(max_length=300)
    temperatures_degc = models.JSONField()
    densities_kg_per_m3 = models.JSONField()
    specific_heats_j_per_kg_k = models.JSONField()
    vapour_pressures_pa_abs = models.JSONField()
    critical_pressure_pa_abs = models.FloatField(null=True, blank=True)

    history = HistoricalRecords(table_name="valvecare_liquid_properties_history")

    class Meta:
        db_table = "valvecare_liquid_properties"
        ordering = ("name",)
        verbose_name_plural = "liquid properties"

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        """The columns must be of one length, ascending in temperature and sane as a liquid."""
        try:
            liquid_of_table(self.table())
        except (Refusal, TypeError, ValueError) as error:
            raise ValidationError(f"Not a usable table: {error}") from error

    def table(self) -> LiquidTable:
        """The columns as the rules take them."""
        return LiquidTable(
            name=self.name,
            source=self.source,
            temperatures_degc=tuple(self.temperatures_degc),
            densities_kg_per_m3=tuple(self.densities_kg_per_m3),
            specific_heats_j_per_kg_k=tuple(self.specific_heats_j_per_kg_k),
            vapour_pressures_pa_abs=tuple(self.vapour_pressures_pa_abs),
            critical_pressure_pa_abs=self.critical_pressure_pa_abs,
        )


class VerdictPolicy(Versioned):
    """The owner's limits of the verdict. The latest row in force counts."""

    margin_share = models.FloatField(help_text="Margin asked over the required flow, 0.05 is 5 %.")
    line_sensor_k = models.FloatField(
        help_text="Standard uncertainty of a contact sensor on the return line, K."
    )
    time_constant_share = models.FloatField(
        help_text="Relative uncertainty of the cooling time constant of a line, 0 to 1."
    )
    power_share = models.FloatField(
        help_text="Relative standard uncertainty of power and pump curve together, 0 to 1."
    )
    source = models.CharField(max_length=200)
    owner = models.CharField(max_length=120)
    valid_from = models.DateField(unique=True)

    history = HistoricalRecords(table_name="valvecare_verdict_policy_history")

    class Meta:
        db_table = "valvecare_verdict_policy"
        ordering = ("-valid_from",)
        verbose_name_plural = "verdict policies"
        constraints = [
            models.CheckConstraint(
                condition=Q(line_sensor_k__gt=0, line_sensor_k__lt=50)
                & Q(time_constant_share__gt=0, time_constant_share__lt=1)
                & Q(power_share__gt=0, power_share__lt=1),
                name="verdict_uncertainties_are_sane",
            ),
            models.CheckConstraint(
                condition=Q(margin_share__gte=0, margin_share__lt=1),
                name="verdict_margin_is_a_share",
            ),
        ]

    def __str__(self) -> str:
        return f"margin {self.margin_share:.0%} from {self.valid_from}"


class ValveCapacity(models.Model):
    """The computed capacity of one valve, kept until one of its inputs changes."""

    valve = models.OneToOneField(
        "valvecare.ProtectionValve",
        on_delete=models.CASCADE,
        primary_key=True,
        related_name="capacity",
    )
    inputs_hash = models.CharField(max_length=64)
    computed_at = models.DateTimeField()
    result = models.JSONField(help_text="The fields of rules.Capacity without its working.")
    working = models.JSONField(help_text="Inputs and intermediate values, for the page 'Why'.")

    class Meta:
        db_table = "valvecare_valve_capacity"

    def __str__(self) -> str:
        return f"capacity of valve {self.valve_id}"


class Verdict(SiteScoped):
    """One dated answer: can this valve still protect its pump, and until when?

    A row is one answer and holds from `judged_at`; a new row is written when the answer changes
    (`rules.same_answer`). Judged again with the same answer, `confirmed_at` moves and the
    working (dates, shares, numbers) is brought up to date. Older rows are never touched.
    """

    site_path: ClassVar[str] = "valve__pump__group__site"

    valve = models.ForeignKey(
        "valvecare.ProtectionValve", on_delete=models.PROTECT, related_name="verdicts"
    )
    judged_at = models.DateTimeField(help_text="When this answer was first given.")
    confirmed_at = models.DateTimeField(help_text="When it was last judged the same.")
    updated_at = models.DateTimeField(help_text="When anything of the row last changed.")
    seen_event = models.BigIntegerField(
        default=0, help_text="The newest event that had happened when it was last judged."
    )
    is_current = models.BooleanField(default=True)
    word = models.CharField(max_length=20, choices=choices(Word))
    code = models.CharField(max_length=40)
    since = models.DateField(null=True)
    until = models.DateField(null=True)
    until_earliest = models.DateField(null=True)
    until_latest = models.DateField(null=True)
    reason = models.TextField()
    next_action = models.TextField(blank=True)
    restriction = models.TextField(blank=True)
    evidence = models.TextField()
    grade = models.CharField(max_length=30, choices=choices(Grade))
    margin_share = models.FloatField(null=True)
    required_m3_per_h = models.FloatField(null=True)
    grounds = models.JSONField(default=list)
    notes = models.JSONField(default=list)
    facts: Any = models.JSONField(default=dict, help_text="What it was judged from.")
    rule_version = models.CharField(max_length=20)

    class Meta:
        db_table = "valvecare_verdict"
        ordering = ("-judged_at", "-id")
        constraints = [
            models.UniqueConstraint(
                fields=["valve"], condition=Q(is_current=True), name="one_current_verdict_per_valve"
            )
        ]
        indexes = [
            models.Index(fields=["valve", "-judged_at"], name="verdicts_of_valve"),
            models.Index(
                fields=["updated_at", "valve"],
                condition=Q(is_current=True),
                name="current_verdicts_by_update",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.valve}: {self.word}"


class EventCursor(models.Model):
    """Up to which event all valves touched by it have been judged again. One row per follower."""

    name = models.CharField(max_length=40, primary_key=True)
    event_id = models.BigIntegerField(default=0)

    class Meta:
        db_table = "valvecare_event_cursor"

    def __str__(self) -> str:
        return f"{self.name}: {self.event_id}"
