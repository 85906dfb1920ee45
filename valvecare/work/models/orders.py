"""Tables of work. An order is one row with a version; everything done at the valve is a fact.

Gates, findings, parts used, tests, deferrals, releases and closed revisions are only added.
"""

from typing import Any, ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q

from valvecare.core.models import SiteScoped, SiteScopedQuerySet, Versioned
from valvecare.register.rules import choices
from valvecare.work.rules import (
    ENDS,
    GRADE_WORDS,
    OPEN_STATES,
    AsFound,
    GateKind,
    Meaning,
    OrderKind,
    OrderState,
    PartDecision,
    PartName,
    RaisedBy,
    Signed,
    Stage,
)
from valvecare.work.rules.test_steps import STEP_IDS

BIG = 1e9
_ENDED = [state.value for state in ENDS]
_OPEN = [state.value for state in OPEN_STATES]


def sane(name: str) -> Q:
    """Null, or inside two bounds: a one-sided check lets NaN through on PostgreSQL."""
    return Q(**{f"{name}__isnull": True}) | Q(**{f"{name}__gte": 0, f"{name}__lt": BIG})


def number_of(pk: int | None) -> str:
    """The number people and plant systems use: WO-000123."""
    return f"WO-{pk:06d}" if pk is not None else "WO-new"


class WorkOrderQuerySet(SiteScopedQuerySet):
    def open(self) -> "WorkOrderQuerySet":
        """Orders that are neither closed nor dropped."""
        return self.filter(ended_at__isnull=True)


class WorkOrder(Versioned, SiteScoped):
    """One task at one valve, from 'raised' to 'closed' or 'dropped'.

    `site` repeats the valve's site, so that a plant's list is cut and ordered by one index.
    """

    site_path: ClassVar[str] = "site"
    job_path: ClassVar[tuple[str, str] | None] = ("pk", "pk")

    site = models.ForeignKey("valvecare.Site", on_delete=models.PROTECT, related_name="work_orders")
    valve = models.ForeignKey(
        "valvecare.ProtectionValve", on_delete=models.PROTECT, related_name="work_orders"
    )
    kind = models.CharField(max_length=30, choices=choices(OrderKind))
    state = models.CharField(
        max_length=12, choices=choices(OrderState), default=OrderState.RAISED.value
    )
    state_before = models.CharField(
        max_length=12, blank=True, help_text="Where an order on hold or put off returns to."
    )
    revision = models.PositiveSmallIntegerField(default=1)
    why = models.CharField(max_length=500, help_text="One sentence: why this work is wanted.")
    raised_by = models.CharField(max_length=10, choices=choices(RaisedBy))
    raised_by_user = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    raised_at = models.DateTimeField()
    raised_in = models.UUIDField(
        null=True,
        blank=True,
        editable=False,
        help_text="The run of the generator that made this row.",
    )
    due_on = models.DateField(help_text="Site-local day.")
    share_used = models.FloatField(null=True, blank=True)
    governed_by = models.CharField(max_length=20, blank=True)
    assigned_to = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="assigned_work_orders",
    )
    readiness = models.JSONField(
        blank=True, default=dict, help_text="Item of the go/no-go list: its proof."
    )
    procedure = models.ForeignKey(
        "valvecare.ProcedureVersion",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="orders",
        help_text="The version this order goes by: fixed when it is readied or started.",
    )
    pause_why = models.CharField(max_length=300, blank=True)
    pause_until = models.DateField(null=True, blank=True)
    started_at = models.DateTimeField(null=True, blank=True)
    as_found = models.CharField(max_length=24, blank=True, choices=choices(AsFound))
    as_found_words = models.CharField(max_length=500, blank=True)
    mode = models.CharField(max_length=4, blank=True)
    mechanism = models.CharField(max_length=4, blank=True)
    cause = models.CharField(max_length=4, blank=True)
    detection = models.CharField(max_length=4, blank=True)
    run_hours_since = models.FloatField(
        null=True, blank=True, help_text="Run-hours since the strip-down clock last restarted."
    )
    starts_since = models.FloatField(null=True, blank=True)
    remarks = models.TextField(blank=True)
    done_at = models.DateTimeField(
        null=True, blank=True, help_text="When the work was done: the instant that restarts clocks."
    )
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    ended_at = models.DateTimeField(
        null=True, blank=True, help_text="When it was closed or dropped."
    )
    is_imported = models.BooleanField(default=False, help_text="Typed in from older records.")
    told_verdict = models.ForeignKey(
        "valvecare.Verdict",
        null=True,
        editable=False,
        on_delete=models.PROTECT,
        related_name="+",
        help_text="The verdict the owner was told of last.",
    )
    verdict_before = models.CharField(
        max_length=20, blank=True, editable=False, help_text="Its word before it changed last."
    )
    verdict_changed_at = models.DateTimeField(null=True, editable=False)
    updated_at = models.DateTimeField()

    objects = WorkOrderQuerySet.as_manager()  # type: ignore[misc]

    class Meta:
        db_table = "valvecare_work_order"
        ordering = ("due_on", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["valve", "kind"],
                condition=Q(ended_at__isnull=True),
                name="one_open_order_per_valve_and_kind",
                violation_error_message="An order of this kind is open for this valve already.",
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True, state__in=_OPEN)
                | Q(ended_at__isnull=False, state__in=_ENDED),
                name="ended_order_has_time",
            ),
            models.UniqueConstraint(
                fields=["valve", "kind", "done_at"],
                condition=Q(is_imported=True),
                name="one_past_job_per_valve_kind_and_time",
            ),
            models.CheckConstraint(condition=sane("share_used"), name="order_share_is_sane"),
            models.CheckConstraint(
                condition=sane("run_hours_since") & sane("starts_since"),
                name="order_ages_are_sane",
            ),
        ]
        indexes = [
            models.Index(
                fields=["site", "due_on", "id"],
                condition=Q(ended_at__isnull=True),
                name="open_orders_of_site_by_due",
            ),
            models.Index(
                fields=["due_on", "id"],
                condition=Q(ended_at__isnull=True),
                name="open_orders_by_due",
            ),
            models.Index(fields=["valve", "-ended_at"], name="orders_of_valve"),
            models.Index(fields=["updated_at", "id"], name="orders_by_change"),
            models.Index(fields=["raised_in"], name="orders_of_run"),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.valve}"

    @property
    def number(self) -> str:
        return number_of(self.pk)

    @property
    def is_open(self) -> bool:
        return self.ended_at is None


class Gate(SiteScoped):
    """One gate passed: when, by whom, and what was seen. Once per order and revision."""

    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="gates")
    revision = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=20, choices=choices(GateKind))
    at = models.DateTimeField(help_text="When it was done.")
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    done_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text="Who did it, where somebody else typed it in.",
    )
    words = models.CharField(max_length=500, blank=True)
    data = models.JSONField(blank=True, default=dict)
    recorded_at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_gate"
        ordering = ("order", "revision", "at", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["order", "revision", "kind"], name="gate_once_per_revision"
            )
        ]

    def __str__(self) -> str:
        return f"{self.order_id}: {self.kind}"


class Finding(SiteScoped):
    """What was found at one part, its grade and the decision. The latest row of a part counts."""

    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="findings")
    revision = models.PositiveSmallIntegerField()
    part = models.CharField(max_length=30, choices=choices(PartName))
    found = models.CharField(max_length=500, blank=True)
    value = models.FloatField(null=True, blank=True)
    unit = models.CharField(max_length=40, blank=True)
    grade = models.CharField(
        max_length=1,
        blank=True,
        choices=[(grade.value, f"{grade.value} {words}") for grade, words in GRADE_WORDS.items()],
    )
    decision = models.CharField(max_length=14, blank=True, choices=choices(PartDecision))
    not_checked_because = models.CharField(max_length=300, blank=True)
    gauge = models.ForeignKey(
        "valvecare.Gauge", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    stage = models.CharField(max_length=8, choices=choices(Stage), default=Stage.AS_FOUND.value)
    kinds = models.JSONField(blank=True, default=list, help_text="Kinds of damage seen.")
    rule_says = models.CharField(max_length=14, blank=True, choices=choices(PartDecision))
    rule_words = models.CharField(max_length=1000, blank=True)
    rule_version = models.CharField(max_length=20, blank=True)
    disagree_because = models.CharField(max_length=300, blank=True)
    for_engineer = models.BooleanField(
        default=False, help_text="Waits for the engineer: not decided, or not as the rule says."
    )
    is_engineers = models.BooleanField(default=False, help_text="The engineer's decision.")
    done_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text="Who found it, where somebody else typed it in.",
    )
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    at = models.DateTimeField(help_text="When it was found.")
    recorded_at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_finding"
        ordering = ("order", "id")
        indexes = [
            models.Index(fields=["part", "at"], name="findings_of_part"),
            models.Index(
                fields=["order", "part"],
                condition=Q(for_engineer=True),
                name="findings_for_the_engineer",
            ),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(value__isnull=True) | Q(value__gt=-BIG, value__lt=BIG),
                name="finding_value_is_sane",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.order_id}: {self.part}"


class Photo(SiteScoped):
    """A photograph of a finding or of the valve as found; written anew by us, never the upload."""

    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="photos")
    revision = models.PositiveSmallIntegerField()
    finding = models.ForeignKey(
        Finding,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="photos",
        help_text="Empty: the valve as found.",
    )
    file = models.CharField(
        max_length=100, unique=True, help_text="Random name below the media root."
    )
    size = models.PositiveIntegerField(help_text="Bytes.")
    width = models.PositiveIntegerField(help_text="Pixels.")
    height = models.PositiveIntegerField(help_text="Pixels.")
    sha256 = models.CharField(max_length=64)
    words = models.CharField(max_length=300, blank=True, help_text="What it shows.")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(help_text="When the fact it shows was found.")
    recorded_at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_photo"
        ordering = ("order", "id")

    def __str__(self) -> str:
        return f"{self.order_id}: photograph {self.pk}"


class TakenAlong(SiteScoped):
    """An order out on a person's phone: entries may come in late until it is back."""

    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="taken_along")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    heard_at = models.DateTimeField(help_text="When this phone last had a connection.")
    back_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        db_table = "valvecare_taken_along"
        ordering = ("order", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["order", "by"],
                condition=Q(back_at__isnull=True),
                name="taken_along_once_per_person",
            )
        ]

    def __str__(self) -> str:
        return f"{self.order_id} with {self.by_id}"


class PartUsed(SiteScoped):
    """A part or kit built in during the order."""

    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="parts_used")
    revision = models.PositiveSmallIntegerField()
    name = models.CharField(max_length=120)
    quantity = models.PositiveSmallIntegerField(default=1)
    lot = models.CharField(max_length=60, blank=True)
    serial = models.CharField(max_length=60, blank=True)
    part = models.CharField(
        max_length=30,
        blank=True,
        choices=choices(PartName),
        help_text="The part it replaced; the latest line of a part counts.",
    )
    words = models.CharField(max_length=300, blank=True)
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    done_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text="Who built it in, where somebody else typed it in.",
    )
    at = models.DateTimeField(help_text="When it was built in.")
    recorded_at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_part_used"
        ordering = ("order", "id")

    def __str__(self) -> str:
        return f"{self.order_id}: {self.quantity} {self.name}"


class OrderTest(SiteScoped):
    """Joins a function test to the order and revision in which it was done."""

    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="tests")
    revision = models.PositiveSmallIntegerField()
    test = models.OneToOneField(
        "valvecare.FunctionTest", on_delete=models.PROTECT, related_name="of_order"
    )
    done_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text="Who tested, where somebody else typed it in.",
    )

    class Meta:
        db_table = "valvecare_order_test"
        ordering = ("order", "id")

    def __str__(self) -> str:
        return f"{self.order_id}: {self.test}"


class TestedStep(SiteScoped):
    """What the guided test of an order says of one of its steps, as it stands.

    Follows from the readings and answers of the test, which are the evidence; written anew with
    each of them, so that a step of the procedure is settled by its own step of the test.
    """

    __test__ = False
    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="tested_steps")
    revision = models.PositiveSmallIntegerField()
    step = models.CharField(max_length=2, choices=[(step, step) for step in STEP_IDS])
    outcome = models.CharField(max_length=20)
    because = models.CharField(max_length=300, blank=True)
    is_settled = models.BooleanField()
    people: Any = models.JSONField(help_text="Ids of who read, answered or led: no witnesses.")
    recorded_at = models.DateTimeField(help_text="When the last of it was recorded.")

    class Meta:
        db_table = "valvecare_tested_step"
        ordering = ("order", "revision", "step")
        constraints = [
            models.UniqueConstraint(
                fields=["order", "revision", "step"], name="tested_step_once_per_revision"
            )
        ]

    def __str__(self) -> str:
        return f"{self.order_id}: {self.step} {self.outcome}"


class Deferral(SiteScoped):
    """Asked by one person with the risk, signed by another with an end."""

    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="deferrals")
    why = models.CharField(max_length=300)
    risk = models.CharField(max_length=300)
    until = models.DateField()
    asked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    asked_at = models.DateTimeField()
    signature = models.CharField(max_length=300, blank=True)
    signed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    signed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        db_table = "valvecare_deferral"
        ordering = ("order", "id")

    def __str__(self) -> str:
        return f"{self.order_id} until {self.until}"


class ProvisionalRelease(SiteScoped):
    """A second person lets the valve run without proof, with a restriction, until a day."""

    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="releases")
    revision = models.PositiveSmallIntegerField()
    until = models.DateField()
    restriction = models.CharField(max_length=300)
    words = models.CharField(max_length=300)
    signed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    signed_at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_provisional_release"
        ordering = ("order", "id")

    def __str__(self) -> str:
        return f"{self.order_id} until {self.until}"


class ClosedRevision(SiteScoped):
    """A revision as it was closed, kept readable when the order is reopened."""

    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="closed_revisions")
    revision = models.PositiveSmallIntegerField()
    record = models.JSONField(help_text="The closing facts of that revision.")
    reopened_at = models.DateTimeField()
    reopened_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    why = models.CharField(max_length=300)

    class Meta:
        db_table = "valvecare_closed_revision"
        ordering = ("order", "revision")
        constraints = [
            models.UniqueConstraint(fields=["order", "revision"], name="one_record_per_revision")
        ]

    def __str__(self) -> str:
        return f"{self.order_id} revision {self.revision}"


class Signature(SiteScoped):
    """A person's name under what they signed: when, with what meaning, and the content's hash.

    The content is the record of the order, release or deferral as it then stood, this
    signature's own name, time, meaning and method included. `reads.verify` computes it again.
    """

    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="signatures")
    revision = models.PositiveSmallIntegerField()
    signed = models.CharField(max_length=24, choices=choices(Signed))
    record_id = models.BigIntegerField(help_text="Id of the order, release or deferral.")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=300, help_text="As printed at the time.")
    at = models.DateTimeField()
    meaning = models.CharField(max_length=12, choices=choices(Meaning))
    method = models.CharField(max_length=20)
    content_hash = models.CharField(max_length=64, help_text="SHA-256 of the canonical JSON.")

    class Meta:
        db_table = "valvecare_signature"
        ordering = ("order", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["order", "revision", "signed", "record_id"], name="signed_once"
            ),
            models.CheckConstraint(condition=~Q(name=""), name="signature_has_a_name"),
        ]

    def __str__(self) -> str:
        return f"{self.name}, {self.meaning}"
