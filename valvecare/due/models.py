"""Tables of due dates. Policies and acts are facts; clocks and due items are derived from them."""

from datetime import date
from typing import Any, ClassVar, Self

from django.apps import apps
from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from valvecare.core.models import CONTRACTOR, SiteScoped, SiteScopedQuerySet, Versioned
from valvecare.due.rules import ConditionBasis, DueState, TaskKind, Trigger
from valvecare.due.rules.condition import why_not_condition_rule
from valvecare.engineering.trend import LimitSide
from valvecare.readings.rules import PlantEventKind, Quantity
from valvecare.register.rules import choices

_BIG = 1e9
FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(9999, 12, 31)


class PolicyQuerySet(SiteScopedQuerySet):
    def for_user(self, user: Any) -> Self:
        """Policies of a person's sites, and those for a design, which are shared by all sites."""
        if user is None or not getattr(user, "is_active", False):
            return self.none()
        if user.is_superuser:
            return self.all()
        membership = apps.get_model("valvecare", "Membership")
        held = membership.objects.filter(user=user)
        if not held.exists():
            return self.none()
        sites = held.exclude(role=CONTRACTOR).values("site_id")
        return self.filter(
            Q(valve__pump__group__site__in=sites) | Q(group__site__in=sites) | ~Q(design_code="")
        )

    def live(self) -> Self:
        """Policies without an end."""
        return self.filter(valid_to__isnull=True)


class Policy(Versioned):
    """Limits for one kind of task, for a valve, a pump group, or a design.

    The most specific policy wins as a whole: valve, group, design with variant and size, design
    with variant, design. A limit that is null does not apply.
    """

    valve = models.ForeignKey(
        "valvecare.ProtectionValve",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="policies",
    )
    group = models.ForeignKey(
        "valvecare.PumpGroup",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="policies",
    )
    design_code = models.CharField(max_length=24, blank=True)
    variant = models.CharField(
        max_length=24,
        null=True,
        blank=True,
        help_text="Empty text: the plain design only. Not set: every variant.",
    )
    dn = models.PositiveSmallIntegerField(null=True, blank=True, help_text="Needs the variant.")
    kind = models.CharField(max_length=30, choices=choices(TaskKind))
    months = models.PositiveSmallIntegerField(null=True, blank=True)
    run_hours = models.FloatField(null=True, blank=True, help_text="h")
    starts = models.PositiveIntegerField(null=True, blank=True)
    valid_from = models.DateField(help_text="First day at the site on which it applies.")
    valid_to = models.DateField(
        null=True, blank=True, help_text="First day on which it no longer applies; empty: open."
    )
    source = models.CharField(max_length=200, help_text="Where the numbers come from.")
    owner = models.CharField(max_length=100, help_text="Role that answers for them.")
    note = models.CharField(max_length=500, blank=True)
    scope_key = models.CharField(max_length=80, editable=False)

    history = HistoricalRecords(table_name="valvecare_policy_history")
    objects = PolicyQuerySet.as_manager()

    class Meta:
        db_table = "valvecare_policy"
        verbose_name_plural = "policies"
        ordering = ("kind", "scope_key", "valid_from")
        constraints = [
            models.CheckConstraint(
                condition=Q(valve__isnull=False, group__isnull=True, design_code="")
                | Q(valve__isnull=True, group__isnull=False, design_code="")
                | (Q(valve__isnull=True, group__isnull=True) & ~Q(design_code="")),
                name="policy_is_for_one_valve_group_or_design",
            ),
            models.CheckConstraint(
                condition=Q(variant__isnull=True) | ~Q(design_code=""),
                name="policy_variant_needs_a_design",
            ),
            models.CheckConstraint(
                condition=Q(dn__isnull=True) | Q(variant__isnull=False),
                name="policy_size_needs_a_variant",
            ),
            models.CheckConstraint(
                condition=Q(months__isnull=False)
                | Q(run_hours__isnull=False)
                | Q(starts__isnull=False),
                name="policy_sets_a_limit",
            ),
            models.CheckConstraint(
                condition=Q(months__isnull=True) | Q(months__gte=1, months__lte=1200),
                name="policy_months_sane",
            ),
            models.CheckConstraint(
                condition=Q(run_hours__isnull=True) | Q(run_hours__gt=0, run_hours__lt=_BIG),
                name="policy_run_hours_sane",
            ),
            models.CheckConstraint(
                condition=Q(starts__isnull=True) | Q(starts__gte=1, starts__lt=_BIG),
                name="policy_starts_sane",
            ),
            models.CheckConstraint(
                condition=Q(valid_to__isnull=True) | Q(valid_to__gt=F("valid_from")),
                name="policy_ends_after_it_begins",
            ),
            models.UniqueConstraint(
                fields=["scope_key", "kind"],
                condition=Q(valid_to__isnull=True),
                name="one_open_policy_per_scope_and_kind",
            ),
            models.UniqueConstraint(
                fields=["scope_key", "kind", "valid_from"],
                name="one_policy_per_scope_kind_and_day",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} of {self.who}"

    @property
    def who(self) -> str:
        """What the policy is for, in words."""
        if self.valve_id is not None:
            return f"valve {self.valve}"
        if self.group_id is not None:
            return f"group {self.group}"
        parts = [self.design_code]
        if self.variant is not None:
            parts.append(f"variant {self.variant}" if self.variant else "plain")
        if self.dn is not None:
            parts.append(f"DN{self.dn}")
        return " ".join(["design", *parts])

    def site_of(self) -> Any:
        """The site of a policy for a valve or a group; None for a design, which all sites share."""
        if self.valve is not None:
            return self.valve.pump.group.site
        return self.group.site if self.group is not None else None

    def clean(self) -> None:
        named = [self.valve_id is not None, self.group_id is not None, bool(self.design_code)]
        if sum(named) != 1:
            raise ValidationError("Name exactly one of valve, group and design.")
        if self.variant is not None and not self.design_code:
            raise ValidationError({"variant": "A variant needs its design."})
        if self.dn is not None and self.variant is None:
            raise ValidationError({"dn": "A size needs its variant; plain is an empty text."})
        if self.months is None and self.run_hours is None and self.starts is None:
            raise ValidationError("Set at least one limit: months, run hours or starts.")
        if self.run_hours is not None and not 0 < self.run_hours < _BIG:
            raise ValidationError({"run_hours": f"Give hours above 0 and below {_BIG:,.0f}."})

    def clean_fields(self, exclude: Any = None) -> None:
        self.scope_key = self._scope_key()
        super().clean_fields(exclude)

    def save(self, *args: Any, **kwargs: Any) -> None:
        self.scope_key = self._scope_key()
        super().save(*args, **kwargs)

    def _scope_key(self) -> str:
        if self.valve_id is not None:
            return f"valve:{self.valve_id}"
        if self.group_id is not None:
            return f"group:{self.group_id}"
        parts = ["design", self.design_code]
        if self.variant is not None:
            parts.append(self.variant)
        if self.dn is not None:
            parts.append(str(self.dn))
        return ":".join(parts)


class Act(SiteScoped):
    """Finished work that restarts clocks, or the withdrawal of an earlier act. Append-only."""

    site_path: ClassVar[str] = "valve__pump__group__site"

    valve = models.ForeignKey(
        "valvecare.ProtectionValve", on_delete=models.PROTECT, related_name="acts"
    )
    kind = models.CharField(max_length=30, choices=choices(TaskKind))
    done_at = models.DateTimeField(help_text="When the work was finished (UTC).")
    done_on = models.DateField(help_text="The date at the site.")
    resets = models.JSONField(default=list, help_text="Kinds of task whose clocks it restarts.")
    origin = models.CharField(
        max_length=100, help_text="What it rests on, for example a work order's number."
    )
    note = models.CharField(max_length=500, blank=True)
    withdraws = models.OneToOneField(
        "self",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="withdrawal",
        help_text="The act this record declares void.",
    )
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        db_table = "valvecare_act"
        ordering = ("-done_at", "-id")
        constraints = [
            models.UniqueConstraint(
                fields=["valve", "kind", "done_at", "origin"],
                condition=Q(withdraws__isnull=True),
                name="one_act_per_valve_kind_time_and_origin",
            ),
        ]
        indexes = [models.Index(fields=["valve", "-done_at"], name="act_of_valve")]

    def __str__(self) -> str:
        return f"{self.kind} of {self.valve}, {self.done_on}"


class DueItem(SiteScoped):
    """The decision for one valve and one kind of task: derived, dated, recomputable.

    `share_used` is the shown share (two decimals; 1.00 only when reached). `listed_on` orders
    lists: the due date, the first day of the calendar without a record, the last without a date.
    `changed_at` moves when the decision changes, not when a counter moves below what is shown.
    """

    site_path: ClassVar[str] = "site"

    valve = models.ForeignKey(
        "valvecare.ProtectionValve",
        on_delete=models.CASCADE,
        related_name="due_items",
        db_index=False,  # the unique pair with the kind serves
    )
    kind = models.CharField(max_length=30, choices=choices(TaskKind))
    site = models.ForeignKey("valvecare.Site", on_delete=models.PROTECT, related_name="+")
    group = models.ForeignKey("valvecare.PumpGroup", on_delete=models.PROTECT, related_name="+")
    pump = models.ForeignKey("valvecare.Pump", on_delete=models.PROTECT, related_name="+")
    design = models.ForeignKey(
        "valvecare.ValveDesign", null=True, on_delete=models.PROTECT, related_name="+"
    )
    policy = models.ForeignKey(Policy, null=True, on_delete=models.PROTECT, related_name="+")
    act = models.ForeignKey(
        Act, null=True, on_delete=models.PROTECT, related_name="+", help_text="Started the clocks."
    )
    state = models.CharField(
        max_length=10, choices=choices(DueState), default=DueState.NO_RECORD.value
    )
    share_used = models.FloatField(null=True)
    governed_by = models.CharField(max_length=10, choices=choices(Trigger), blank=True)
    runner_up = models.CharField(max_length=10, choices=choices(Trigger), blank=True)
    runner_up_share = models.FloatField(null=True)
    earliest_on = models.DateField(null=True)
    likely_on = models.DateField(null=True)
    latest_on = models.DateField(null=True)
    due_on = models.DateField(null=True)
    listed_on = models.DateField(default=FIRST_DAY)
    reason = models.CharField(max_length=500, blank=True, help_text="One plain sentence.")
    details = models.JSONField(default=dict)
    as_of = models.DateTimeField(help_text="The instant the stored words were judged at.")
    changed_at = models.DateTimeField(help_text="When the decision last changed.")
    decision_print = models.BigIntegerField(default=0, editable=False)
    words_print = models.BigIntegerField(default=0, editable=False)

    class Meta:
        db_table = "valvecare_due_item"
        ordering = ("listed_on", "id")
        constraints = [
            models.UniqueConstraint(fields=["valve", "kind"], name="one_due_item_per_valve_kind"),
            models.CheckConstraint(
                condition=Q(state=DueState.NO_RECORD.value, share_used__isnull=True)
                | (
                    ~Q(state=DueState.NO_RECORD.value)
                    & Q(share_used__isnull=False, share_used__gte=0, share_used__lt=_BIG)
                ),
                name="due_share_unless_no_record",
            ),
        ]
        indexes = [
            models.Index(fields=["site", "listed_on", "id"], name="due_item_of_site"),
            models.Index(fields=["listed_on", "id"], name="due_item_in_order"),
            models.Index(fields=["changed_at", "id"], name="due_item_changed"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} of {self.valve}: {self.state}"


class ConditionRuleQuerySet(SiteScopedQuerySet):
    def for_user(self, user: Any) -> Self:
        """Rules of a person's sites, and those for a design or for every valve."""
        if user is None or not getattr(user, "is_active", False):
            return self.none()
        if user.is_superuser:
            return self.all()
        held = apps.get_model("valvecare", "Membership").objects.filter(user=user)
        if not held.exists():
            return self.none()
        sites = held.exclude(role=CONTRACTOR).values("site_id")
        shared = Q(valve__isnull=True, group__isnull=True)
        return self.filter(
            Q(valve__pump__group__site__in=sites) | Q(group__site__in=sites) | shared
        )

    def live(self) -> Self:
        """Rules that have not ended."""
        return self.filter(ended_at__isnull=True)


class ConditionRule(Versioned):
    """When a condition of the pump or its bypass line makes a task due.

    For one valve, one pump group, one design code, or every valve. All rules that match apply.
    """

    name = models.CharField(max_length=80, help_text="Short, as people say it.")
    valve = models.ForeignKey(
        "valvecare.ProtectionValve",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="condition_rules",
    )
    group = models.ForeignKey(
        "valvecare.PumpGroup",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="condition_rules",
    )
    design_code = models.CharField(max_length=24, blank=True)
    basis = models.CharField(max_length=20, choices=choices(ConditionBasis))
    quantity = models.CharField(max_length=30, choices=choices(Quantity), blank=True)
    bad_side = models.CharField(max_length=10, choices=choices(LimitSide), blank=True)
    limit = models.FloatField(null=True, blank=True)
    unit = models.CharField(max_length=16, blank=True, help_text="Of limit and release value.")
    release = models.FloatField(
        null=True, blank=True, help_text="Limit: back at this value it is over (hysteresis)."
    )
    confirm_count = models.PositiveSmallIntegerField(
        null=True,
        blank=True,
        help_text="Limit, passing: so many last readings, at least 2.",
    )
    confirm_minutes = models.PositiveIntegerField(
        null=True, blank=True, help_text="Limit, passing: for so long without a break."
    )
    least_points = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Trend: days with a reading since the last overhaul."
    )
    horizon_days = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Trend: the limit must be likely within so many days."
    )
    confidence = models.FloatField(
        null=True, blank=True, help_text="Trend: two-sided, of earliest and latest date."
    )
    event_kind = models.CharField(max_length=20, choices=choices(PlantEventKind), blank=True)
    within_days = models.PositiveSmallIntegerField(null=True, blank=True)
    least_count = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Event: so many within the days."
    )
    least_hours = models.FloatField(
        null=True, blank=True, help_text="Event: or so many hours of it within the days."
    )
    task_kind = models.CharField(max_length=30, choices=choices(TaskKind))
    lead_days = models.PositiveSmallIntegerField(
        help_text="Trend: due so many days before the limit is likely reached. "
        "Limit and event: due so many days after it was found."
    )
    source = models.CharField(max_length=200, help_text="Where the numbers come from.")
    owner = models.CharField(max_length=100, help_text="Role that answers for them.")
    note = models.CharField(max_length=500, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True, editable=False)
    judged_on = models.DateField(null=True, editable=False, help_text="Last whole look (UTC).")
    judged_counts = models.JSONField(
        default=dict, editable=False, help_text="Valves by what that look said."
    )

    history = HistoricalRecords(
        table_name="valvecare_condition_rule_history",
        excluded_fields=["judged_on", "judged_counts"],
    )
    objects = ConditionRuleQuerySet.as_manager()

    class Meta:
        db_table = "valvecare_condition_rule"
        ordering = ("name", "id")
        constraints = [
            models.CheckConstraint(
                condition=Q(valve__isnull=True, group__isnull=True)
                | Q(valve__isnull=True, design_code="")
                | Q(group__isnull=True, design_code=""),
                name="condition_rule_has_one_scope",
            ),
            models.CheckConstraint(
                condition=Q(
                    basis__in=[ConditionBasis.EVENT.value, ConditionBasis.PASSING.value],
                    limit__isnull=True,
                )
                | Q(limit__gt=-_BIG, limit__lt=_BIG),
                name="condition_rule_limit_where_needed",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def who(self) -> str:
        """What the rule is for, in words."""
        if self.valve_id is not None:
            return f"valve {self.valve}"
        if self.group_id is not None:
            return f"group {self.group}"
        return f"design {self.design_code}" if self.design_code else "every valve"

    def site_of(self) -> Any:
        """The site of a rule for a valve or a group; None for one that all sites share."""
        if self.valve is not None:
            return self.valve.pump.group.site
        return self.group.site if self.group is not None else None

    def clean(self) -> None:
        problems = why_not_condition_rule(self)
        if problems:
            raise ValidationError(problems)


class ConditionFinding(SiteScoped):
    """A condition that was confirmed at a valve, and until when. Dates are when the task is due."""

    site_path: ClassVar[str] = "site"

    rule = models.ForeignKey(ConditionRule, on_delete=models.PROTECT, related_name="findings")
    valve = models.ForeignKey(
        "valvecare.ProtectionValve", on_delete=models.PROTECT, related_name="condition_findings"
    )
    site = models.ForeignKey("valvecare.Site", on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=30, choices=choices(TaskKind))
    opened_at = models.DateTimeField()
    judged_at = models.DateTimeField(help_text="When words and dates were last stored.")
    began_on = models.DateField(help_text="The first day of the evidence.")
    evidence_us = models.BigIntegerField(help_text="The last reading or event it rests on.")
    earliest_on = models.DateField(null=True)
    likely_on = models.DateField()
    latest_on = models.DateField(null=True)
    words = models.CharField(max_length=300)
    evidence = models.JSONField(default=dict)
    closed_at = models.DateTimeField(null=True)
    closed_words = models.CharField(max_length=300, blank=True)

    class Meta:
        db_table = "valvecare_condition_finding"
        ordering = ("-opened_at", "-id")
        constraints = [
            models.UniqueConstraint(
                fields=["rule", "valve"],
                condition=Q(closed_at__isnull=True),
                name="one_open_condition_finding",
            ),
        ]
        indexes = [
            models.Index(
                fields=["valve", "kind"],
                condition=Q(closed_at__isnull=True),
                name="condition_finding_open",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.rule} at {self.valve}"


class Clock(models.Model):
    """What has been used of one limit since the act; narrow, renewed when its inputs change.

    Calendar: `limit` in months, the dates follow from `anchor_on`. Counters: `used` is the gain
    of the series from the act to its last reading; `base` is the series' total at the act, which
    readings up to `base_next_us` (the first one after the act) can still correct.
    """

    item = models.ForeignKey(
        DueItem,
        on_delete=models.CASCADE,
        related_name="clocks",
        db_index=False,  # the unique pair with the trigger serves
    )
    trigger = models.CharField(max_length=10, choices=choices(Trigger))
    limit = models.FloatField(help_text="Months, h or starts.")
    anchor_us = models.BigIntegerField(null=True, help_text="Microseconds since 1970 (UTC).")
    anchor_on = models.DateField(null=True, help_text="The date at the site.")
    series = models.ForeignKey(
        "valvecare.Series", null=True, on_delete=models.PROTECT, related_name="clocks"
    )
    base = models.FloatField(null=True)
    base_next_us = models.BigIntegerField(null=True)
    base_lost = models.IntegerField(default=0, help_text="Lost segments before the act.")
    used = models.FloatField(null=True)
    used_at_us = models.BigIntegerField(null=True, help_text="The reading `used` rests on.")
    stale_at_us = models.BigIntegerField(null=True, help_text="From here on the reading is old.")
    is_lower_bound = models.BooleanField(default=False)
    per_day = models.FloatField(null=True, help_text="Rate of use in the year before.")
    earliest_on = models.DateField(null=True)
    likely_on = models.DateField(null=True)
    latest_on = models.DateField(null=True)

    class Meta:
        db_table = "valvecare_clock"
        constraints = [
            models.UniqueConstraint(fields=["item", "trigger"], name="one_clock_per_item_trigger"),
            models.CheckConstraint(
                condition=Q(limit__gt=0, limit__lt=_BIG), name="clock_limit_sane"
            ),
            models.CheckConstraint(
                condition=Q(used__isnull=True) | Q(used__gte=0, used__lt=1e12),
                name="clock_used_sane",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.trigger} of {self.item_id}"


class SeriesUsage(models.Model):
    """How fast a counter gains: sums over its complete weeks in the year before its last reading.

    Renewed when a week is complete or a late reading changes one; see `engineering.usage`.
    """

    series = models.OneToOneField(
        "valvecare.Series", primary_key=True, on_delete=models.CASCADE, related_name="usage"
    )
    week_on = models.DateField(help_text="Monday (UTC) of the week that is not complete yet.")
    weeks = models.PositiveIntegerField()
    days = models.FloatField()
    gain = models.FloatField()
    gain_squared_per_day = models.FloatField()

    class Meta:
        db_table = "valvecare_series_usage"

    def __str__(self) -> str:
        return f"usage of {self.series_id}"


class FleetMark(models.Model):
    """Where register, counters and policies stood when all due items were last held against them.

    One row. While the mark is the same the sweep need not ask again; see `reads.misfits`.
    """

    mark = models.CharField(max_length=500)
    checked_at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_fleet_mark"

    def __str__(self) -> str:
        return f"checked at {self.checked_at.isoformat()}"
