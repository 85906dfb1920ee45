"""Tables of the guided function test: the owner's limits, runs, raw readings, answers.

Readings and answers are only added; a correction is a new reading instead of an old one.
"""

from typing import Any, ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from valvecare.core.models import SiteScoped, Versioned
from valvecare.protection.rules import ProofResult
from valvecare.proving.rules import TestQuantity
from valvecare.register.rules import choices
from valvecare.work.rules.test_steps import STEP_IDS

_BIG = 1e9
_STEPS = [(step, step) for step in STEP_IDS]


def _share(name: str) -> Q:
    return Q(**{f"{name}__gt": 0, f"{name}__lt": 1})


class TestPolicy(Versioned):
    """The owner's limits of the function test. The latest row in force counts."""

    __test__ = False

    switching_band_share = models.FloatField(
        help_text="Band to both sides of the design switching flow, 0.15 is 15 %."
    )
    head_band_share = models.FloatField(help_text="Band to both sides of the pump's curve.")
    leak_limit_share = models.FloatField(
        help_text="What a shut bypass may pass, as a share of its design flow."
    )
    reverse_swing_limit_s = models.FloatField(help_text="Longest swing backwards after a stop.")
    header_decay_limit_bar = models.FloatField(help_text="Largest fall of the header after a stop.")
    closed_in_share = models.FloatField(
        help_text="Without bypass flow the pump is stopped after this share of the time in which "
        "the water in it would boil, 0.5 is half."
    )
    probability = models.FloatField(
        help_text="Conformance probability of every decision, for example 0.975."
    )
    steady_k_per_min = models.FloatField(help_text="Slower than this counts as steady, K a minute.")
    steady_after_min = models.FloatField(help_text="Or after so many minutes.")
    source = models.CharField(max_length=200)
    owner = models.CharField(max_length=120)
    valid_from = models.DateField(unique=True)

    history = HistoricalRecords(table_name="valvecare_test_policy_history")

    class Meta:
        db_table = "valvecare_test_policy"
        ordering = ("-valid_from",)
        verbose_name_plural = "test policies"
        constraints = [
            models.CheckConstraint(
                condition=_share("switching_band_share")
                & Q(head_band_share__gt=0, head_band_share__lte=0.5)
                & _share("leak_limit_share")
                & _share("closed_in_share"),
                name="test_policy_bands_are_shares",
                violation_error_message="A band is a share above 0 and below 1.",
            ),
            models.CheckConstraint(
                condition=Q(reverse_swing_limit_s__gt=0, reverse_swing_limit_s__lte=600)
                & Q(header_decay_limit_bar__gt=0, header_decay_limit_bar__lt=1000)
                & Q(probability__gte=0.5, probability__lt=1)
                & Q(steady_k_per_min__gt=0, steady_k_per_min__lt=10)
                & Q(steady_after_min__gt=0, steady_after_min__lt=600),
                name="test_policy_limits_are_sane",
                violation_error_message="A limit of this policy is outside what can be meant.",
            ),
        ]

    def __str__(self) -> str:
        return f"function test from {self.valid_from}"


class TestRun(Versioned, SiteScoped):
    """One guided function test of one order, from its start to its result."""

    __test__ = False
    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(
        "valvecare.WorkOrder", on_delete=models.PROTECT, related_name="test_runs"
    )
    revision = models.PositiveSmallIntegerField()
    method = models.CharField(max_length=40)
    method_words = models.CharField(
        max_length=300, blank=True, help_text="Why another method than the best."
    )
    methods: Any = models.JSONField(help_text="Every method as judged at the start.")
    limits: Any = models.JSONField(help_text="What the run is judged against, as at the start.")
    abort_limits: Any = models.JSONField(help_text="Watched quantity: its limit, or why none.")
    line_up: Any = models.JSONField(help_text="What was looked at before the start.")
    instruments: Any = models.JSONField(help_text="Labels of the gauges taken along.")
    vessel: Any = models.JSONField(null=True, blank=True)
    not_applicable: Any = models.JSONField(default=dict, blank=True)
    begun_at = models.DateTimeField()
    begun_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    done_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text="Who leads the test, where somebody else typed it in.",
    )
    recorded_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)
    result = models.CharField(max_length=12, blank=True, choices=choices(ProofResult))
    words = models.CharField(max_length=500, blank=True)
    rule_version = models.CharField(max_length=20, blank=True)
    test = models.OneToOneField(
        "valvecare.FunctionTest",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="test_run",
    )

    class Meta:
        db_table = "valvecare_test_run"
        ordering = ("order", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["order", "revision"],
                condition=Q(finished_at__isnull=True),
                name="one_open_test_run_per_revision",
                violation_error_message="A test of this order is open already.",
            ),
            models.CheckConstraint(
                condition=Q(finished_at__isnull=True, test__isnull=True)
                | Q(finished_at__isnull=False, test__isnull=False),
                name="finished_test_run_has_its_test",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.order_id}: test {self.pk}"

    @property
    def is_open(self) -> bool:
        return self.finished_at is None

    @property
    def is_of_this_revision(self) -> bool:
        """Its order was not opened again since: a run of an earlier revision is over."""
        return bool(self.revision == self.order.revision)


class TestReading(SiteScoped):
    """One raw value of one step. Append-only; `instead_of` takes the place of a wrong one."""

    __test__ = False
    site_path: ClassVar[str] = "run__order__site"

    run = models.ForeignKey(TestRun, on_delete=models.PROTECT, related_name="readings")
    key = models.CharField(max_length=100, help_text="Given by who sends it; once per run.")
    step = models.CharField(max_length=2, choices=_STEPS)
    quantity = models.CharField(max_length=40, choices=choices(TestQuantity))
    stop = models.PositiveSmallIntegerField(null=True, blank=True)
    value = models.FloatField()
    unit = models.CharField(max_length=12, blank=True)
    spread = models.FloatField(
        null=True, blank=True, help_text="Standard uncertainty, k = 1, in the unit."
    )
    gauge = models.ForeignKey(
        "valvecare.Gauge",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="test_readings",
    )
    read_at = models.DateTimeField()
    done_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text="Who read it, where somebody else typed it in.",
    )
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    recorded_at = models.DateTimeField()
    crossed = models.CharField(
        max_length=200, blank=True, help_text="The abort limit it crossed, in words."
    )
    instead_of = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="replaced_by"
    )
    because = models.CharField(max_length=200, blank=True, help_text="Why it replaces the other.")

    class Meta:
        db_table = "valvecare_test_reading"
        ordering = ("run", "id")
        constraints = [
            models.UniqueConstraint(fields=["run", "key"], name="test_reading_once_per_key"),
            models.CheckConstraint(
                condition=Q(value__gt=-_BIG, value__lt=_BIG), name="test_reading_is_sane"
            ),
            models.CheckConstraint(
                condition=Q(spread__isnull=True) | Q(spread__gt=0, spread__lt=_BIG),
                name="test_reading_spread_is_sane",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.step} {self.quantity} {self.value:g} {self.unit}".strip()


class StepAnswer(SiteScoped):
    """'Not done, because …' of one step. Append-only; the latest counts."""

    site_path: ClassVar[str] = "run__order__site"

    run = models.ForeignKey(TestRun, on_delete=models.PROTECT, related_name="answers")
    step = models.CharField(max_length=2, choices=_STEPS)
    because = models.CharField(max_length=300)
    answered_at = models.DateTimeField()
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    recorded_at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_test_step_answer"
        ordering = ("run", "id")

    def __str__(self) -> str:
        return f"{self.step} not done: {self.because}"
