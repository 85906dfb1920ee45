"""Tables of procedures: what is done, in which order, written as data and kept in versions."""

from typing import Any, ClassVar, Self

from django.apps import apps
from django.conf import settings
from django.db import models
from django.db.models import F, Q

from valvecare.core.models import SiteScoped, SiteScopedQuerySet, Versioned
from valvecare.core.permits import Role
from valvecare.register.models import Retirable
from valvecare.register.rules import choices
from valvecare.work.models.measuring import Gauge
from valvecare.work.models.orders import WorkOrder
from valvecare.work.rules.procedures import VersionState
from valvecare.work.rules.step_answers import StepOutcome
from valvecare.work.rules.words import OrderKind

OWNERS = (Role.RELIABILITY_ENGINEER, Role.APPROVER)
"""Roles that may answer for a procedure and put its versions in use."""

_BIG = 1e9
_USED = [state.value for state in (VersionState.IN_USE, VersionState.SUPERSEDED)]


class _OfSiteOrShared(SiteScopedQuerySet):
    """Rows of a person's sites and those for all sites; strangers see nothing, nor does a
    contractor, who has the steps of the orders given to them on these orders."""

    own: ClassVar[str] = "site"

    def for_user(self, user: Any) -> Self:
        if user is None or not getattr(user, "is_active", False):
            return self.none()
        if user.is_superuser:
            return self.all()
        members = apps.get_model("valvecare", "Membership").objects.filter(user=user)
        held = members.exclude(role=Role.CONTRACTOR.value)
        if not held.exists():
            return self.none()
        return self.filter(
            Q(**{f"{self.own}__isnull": True}) | Q(**{f"{self.own}__in": held.values("site_id")})
        )


class ProcedureQuerySet(_OfSiteOrShared):
    pass


class VersionQuerySet(_OfSiteOrShared):
    own = "procedure__site"


class Procedure(Versioned, Retirable):
    """How one kind of order is done: for a site, a design, both, or everywhere."""

    code = models.SlugField(max_length=40, unique=True)
    title = models.CharField(max_length=120)
    kind = models.CharField(max_length=30, choices=choices(OrderKind))
    site = models.ForeignKey(
        "valvecare.Site",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="procedures",
        help_text="Empty: for every site.",
    )
    design_code = models.CharField(max_length=24, blank=True, help_text="Empty: every design.")
    owner = models.CharField(
        max_length=30,
        choices=[(role.value, role.value) for role in OWNERS],
        help_text="The role that answers for it and puts its versions in use.",
    )
    source = models.CharField(max_length=200, help_text="Where the steps come from.")
    is_shipped = models.BooleanField(default=False, editable=False)

    objects = ProcedureQuerySet.as_manager()

    class Meta:
        db_table = "valvecare_procedure"
        ordering = ("kind", "code")

    def __str__(self) -> str:
        return self.code

    def site_of(self) -> Any:
        """Its site; None for what is shared by all."""
        return self.site

    @property
    def scope_key(self) -> str:
        return f"{self.kind}|{self.site_id or ''}|{self.design_code}"

    @property
    def serves(self) -> str:
        """What it is for, in words."""
        where = f"at {self.site}" if self.site_id else "at every site"
        return f"{self.kind}, {self.design_code or 'every design'}, {where}"


class ProcedureVersion(Versioned):
    """One version. Steps may change only while it is a draft; what was in use stays readable."""

    procedure = models.ForeignKey(Procedure, on_delete=models.PROTECT, related_name="versions")
    number = models.PositiveIntegerField()
    state = models.CharField(
        max_length=12, choices=choices(VersionState), default=VersionState.DRAFT.value
    )
    words = models.CharField(max_length=300, help_text="What is new in it, and why.")
    drafted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    drafted_at = models.DateTimeField()
    changed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    valid_from = models.DateTimeField(null=True, blank=True, help_text="When it was put in use.")
    signed_off_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    signed_words = models.CharField(max_length=300, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_why = models.CharField(max_length=300, blank=True)
    content_hash = models.CharField(
        max_length=64, blank=True, help_text="SHA-256 of its steps when it was put in use."
    )
    is_shipped = models.BooleanField(default=False, editable=False)
    scope_key = models.CharField(max_length=80, editable=False)

    objects = VersionQuerySet.as_manager()

    class Meta:
        db_table = "valvecare_procedure_version"
        ordering = ("procedure", "-number")
        constraints = [
            models.UniqueConstraint(
                fields=["procedure", "number"], name="one_version_per_procedure_and_number"
            ),
            models.UniqueConstraint(
                fields=["procedure"],
                condition=Q(state=VersionState.DRAFT.value),
                name="one_draft_per_procedure",
                violation_error_message="This procedure has a draft already.",
            ),
            models.UniqueConstraint(
                fields=["scope_key"],
                condition=Q(state=VersionState.IN_USE.value),
                name="one_version_in_use_per_scope",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=_USED) | Q(valid_from__isnull=False, content_hash__gt=""),
                name="version_in_use_has_time_and_hash",
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True)
                | Q(valid_from__isnull=True)
                | Q(ended_at__gte=F("valid_from")),
                name="version_ends_after_it_begins",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.procedure} version {self.number}"


class ProcedureStep(models.Model):
    """One step of a version, in its order. The words are checked before it is put in use."""

    version = models.ForeignKey(ProcedureVersion, on_delete=models.PROTECT, related_name="steps")
    number = models.PositiveSmallIntegerField()
    phase = models.CharField(max_length=24)
    kind = models.CharField(max_length=16)
    words = models.CharField(max_length=500, blank=True)
    cautions = models.JSONField(default=list, blank=True, help_text="Ids of the list of cautions.")
    own_signal = models.CharField(max_length=8, blank=True)
    own_caution = models.CharField(max_length=500, blank=True)
    part = models.CharField(max_length=30, blank=True)
    gate = models.CharField(max_length=20, blank=True)
    quantity = models.CharField(max_length=60, blank=True)
    unit = models.CharField(max_length=12, blank=True)
    test_step = models.CharField(max_length=2, blank=True)
    witness = models.CharField(max_length=24, blank=True, help_text="Who must look: a hold point.")
    is_mandatory = models.BooleanField(default=True)
    when = models.JSONField(default=list, blank=True, help_text="List of {fact, is}; all hold.")

    class Meta:
        db_table = "valvecare_procedure_step"
        ordering = ("version", "number")
        constraints = [
            models.UniqueConstraint(
                fields=["version", "number"], name="one_step_per_version_and_number"
            )
        ]

    def __str__(self) -> str:
        return f"{self.number}. {self.words}"


class StepRecord(SiteScoped):
    """An answer to a step of an order's procedure, or the word of its witness. Append-only.

    The latest answer of a step counts. Gates, findings, joints and tests are not repeated here.
    """

    site_path: ClassVar[str] = "order__site"

    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="step_records")
    revision = models.PositiveSmallIntegerField()
    step = models.ForeignKey(ProcedureStep, on_delete=models.PROTECT, related_name="records")
    outcome = models.CharField(max_length=16, choices=choices(StepOutcome))
    because = models.CharField(max_length=300, blank=True)
    value = models.FloatField(null=True, blank=True)
    unit = models.CharField(max_length=12, blank=True)
    gauge = models.ForeignKey(
        Gauge, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    done_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text="Who did it, where somebody else typed it in.",
    )
    at = models.DateTimeField(help_text="When it was done.")
    recorded_at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_step_record"
        ordering = ("order", "id")
        indexes = [models.Index(fields=["order", "revision"], name="step_records_of_order")]
        constraints = [
            models.CheckConstraint(
                condition=Q(value__isnull=True) | Q(value__gt=-_BIG, value__lt=_BIG),
                name="step_value_is_sane",
            ),
            models.CheckConstraint(
                condition=Q(value__isnull=True) | ~Q(unit=""), name="step_value_has_a_unit"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.order_id}: step {self.step_id}, {self.outcome}"
