"""Tables of readings. Instants in `*_us` are whole microseconds since 1970-01-01 UTC."""

from datetime import UTC, datetime, timedelta
from typing import ClassVar

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from valvecare.core.models import SiteScoped, Versioned
from valvecare.readings.rules import (
    COUNTER_MOST,
    MEASURED,
    MeterEventKind,
    PlantEventKind,
    Quantity,
    SeriesKind,
    SetAsideState,
    unit_kind,
)
from valvecare.register.models import Pump, Retirable, Site
from valvecare.register.rules import choices

_BIG = 1e10
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def instant(us: int) -> datetime:
    """The aware instant (UTC) of microseconds since 1970."""
    return EPOCH + timedelta(microseconds=us)


def micros(at: datetime) -> int:
    """Whole microseconds since 1970 of an aware instant."""
    return (at - EPOCH) // timedelta(microseconds=1)


def _between(name: str, least: float, most: float, *, null: bool = True) -> models.CheckConstraint:
    """Two-sided: `>= 0` alone lets NaN through on PostgreSQL."""
    inside = Q(**{f"{name}__gte": least, f"{name}__lt": most})
    condition = Q(**{f"{name}__isnull": True}) | inside if null else inside
    return models.CheckConstraint(condition=condition, name=f"%(class)s_{name}_sane"[:60])


class Source(models.Model):
    """Who sends: a historian, a gateway, a person's sheet. Made at its first push."""

    name = models.CharField(max_length=80, unique=True)

    class Meta:
        db_table = "valvecare_source"
        ordering = ("name",)

    def __str__(self) -> str:
        return self.name


class Series(Versioned, SiteScoped, Retirable):
    """One counter or gauge of one pump, known to the plant by its tag."""

    site_path: ClassVar[str] = "site"

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="series", editable=False)
    pump = models.ForeignKey(Pump, on_delete=models.PROTECT, related_name="series")
    tag = models.CharField(max_length=80, help_text="As the plant system names it.")
    quantity = models.CharField(max_length=30, choices=choices(Quantity))
    kind = models.CharField(max_length=10, choices=choices(SeriesKind), editable=False)
    unit = models.CharField(
        max_length=16, help_text="Stored unit. Pressures say gauge or absolute: bar_g, bar_a."
    )
    resolution = models.FloatField(help_text="Smallest step the meter shows, in the unit.")
    rollover_modulus = models.FloatField(
        null=True, blank=True, help_text="Value at which the counter starts again at 0."
    )
    max_starts_per_hour = models.FloatField(
        null=True, blank=True, help_text="Starts counters only: more is impossible."
    )
    plausible_min = models.FloatField(null=True, blank=True)
    plausible_max = models.FloatField(null=True, blank=True)
    expected_period_s = models.FloatField(
        null=True, blank=True, help_text="How often a reading should come."
    )
    note = models.CharField(max_length=200, blank=True)

    history = HistoricalRecords(table_name="valvecare_series_history")

    class Meta:
        db_table = "valvecare_series"
        ordering = ("tag",)
        verbose_name_plural = "series"
        constraints = [
            models.UniqueConstraint(fields=["site", "tag"], name="series_tag_once_per_site"),
            _between("resolution", 0, _BIG, null=False),
            _between("rollover_modulus", 1e-6, _BIG),
            _between("max_starts_per_hour", 1e-6, 1e6),
            _between("expected_period_s", 1e-3, _BIG),
            _between("plausible_min", -_BIG, _BIG),
            _between("plausible_max", -_BIG, _BIG),
        ]

    def __str__(self) -> str:
        return self.tag

    def clean(self) -> None:
        if self.quantity not in set(Quantity):
            return  # reported by the field itself
        quantity = Quantity(self.quantity)
        self.kind = MEASURED[quantity].kind.value
        problems = {}
        wanted = {Quantity.RUN_HOURS: "h", Quantity.STARTS: "1"}.get(quantity)
        if wanted and self.unit != wanted:
            problems["unit"] = f"{quantity.value} are kept in {wanted!r}."
        elif unit_kind(quantity, self.unit) is None:
            kinds = " or ".join(MEASURED[quantity].unit_kinds).replace("_", " ")
            problems["unit"] = f"{self.unit!r} is not one unit of {kinds}; see the table of units."
        if quantity is Quantity.STARTS and self.max_starts_per_hour is None:
            problems["max_starts_per_hour"] = "State the most starts an hour the pump can make."
        if self.rollover_modulus is not None and self.kind != SeriesKind.COUNTER.value:
            problems["rollover_modulus"] = "Only counters roll over."
        if self.pump_id and self.site_id and self.pump.group.site_id != self.site_id:
            problems["pump"] = "The pump stands at another site."
        low, high = self.plausible_min, self.plausible_max
        if low is not None and high is not None and low >= high:
            problems["plausible_max"] = "Must lie above plausible_min."
        if problems:
            raise ValidationError(problems)

    @property
    def is_counter(self) -> bool:
        return self.kind == SeriesKind.COUNTER.value


class Reading(models.Model):
    """One value of one series at one instant. Append-only; the first stays.

    On PostgreSQL the table is partitioned by month of `at_us` (see `readings/sql.py`). The key
    is (series, instant); no surrogate id. The references are not enforced row by row: series and
    sources are never deleted, and every push holds the enforced `SeriesState` row of its series.
    """

    pk = models.CompositePrimaryKey("series_id", "at_us")
    series = models.ForeignKey(
        Series,
        on_delete=models.PROTECT,
        related_name="readings",
        db_constraint=False,
        db_index=False,
    )
    at_us = models.BigIntegerField()
    value = models.FloatField(help_text="In the series' unit.")
    quality = models.SmallIntegerField(default=0, help_text="0 good, 1 uncertain, 2 bad.")
    source = models.ForeignKey(
        Source, on_delete=models.PROTECT, related_name="+", db_constraint=False, db_index=False
    )
    source_key = models.CharField(max_length=80, null=True)
    received_us = models.BigIntegerField()

    class Meta:
        db_table = "valvecare_reading"
        constraints = [
            models.CheckConstraint(
                condition=Q(value__gt=-COUNTER_MOST, value__lt=COUNTER_MOST),
                name="reading_value_is_finite",
            ),
            models.CheckConstraint(
                condition=Q(quality__gte=0, quality__lte=2), name="reading_quality_is_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.series_id} {self.at}: {self.value}"

    @property
    def at(self) -> datetime:
        return instant(self.at_us)


class SeriesState(models.Model):
    """What is kept per series at every push. Narrow: the due sweep reads these rows only.

    A pure function of the usable (not bad) readings and meter events, except `newest_us`
    (bad readings too), `touched_us`, `updated_us`, the flags (they only spare a push a look) and
    the doubt. `accumulated` is a whole number of millionths of the unit.
    """

    series = models.OneToOneField(
        Series, on_delete=models.PROTECT, primary_key=True, related_name="state"
    )
    points = models.BigIntegerField(default=0, help_text="Usable readings.")
    first_us = models.BigIntegerField(null=True)
    last_us = models.BigIntegerField(null=True)
    last_value = models.FloatField(null=True)
    newest_us = models.BigIntegerField(null=True, help_text="Latest reading, bad ones included.")
    accumulated = models.FloatField(default=0, help_text="Sum of valid increments (counters).")
    lost_segments = models.IntegerField(default=0, help_text="Above 0: a lower bound.")
    touched_us = models.BigIntegerField(
        null=True, help_text="Earliest instant touched since the last evaluation; null is clean."
    )
    updated_us = models.BigIntegerField(null=True, help_text="Last push that added a reading.")
    has_meter_events = models.BooleanField(default=False, help_text="Some are declared.")
    has_waiting_jumps = models.BooleanField(default=False, help_text="Some may wait set aside.")
    doubtful_code = models.CharField(max_length=20, blank=True, default="")
    doubtful_words = models.CharField(max_length=300, blank=True, default="")
    doubtful_since_us = models.BigIntegerField(null=True)
    confirmed_until_us = models.BigIntegerField(
        null=True, help_text="A person answered a doubt; it is not raised before this instant."
    )
    confirmed_code = models.CharField(
        max_length=20, blank=True, db_default="", help_text="The doubt that was answered."
    )

    class Meta:
        db_table = "valvecare_series_state"
        indexes = [
            # a refresh finds the few touched series of a large fleet, in key order
            models.Index(
                fields=["series"],
                name="series_state_touched",
                condition=Q(touched_us__isnull=False),
            )
        ]

    def __str__(self) -> str:
        return f"state of series {self.series_id}"

    @property
    def is_lower_bound(self) -> bool:
        return self.lost_segments > 0

    @property
    def is_doubtful(self) -> bool:
        return bool(self.doubtful_code)

    @property
    def last_at(self) -> datetime | None:
        return None if self.last_us is None else instant(self.last_us)


class SeriesDay(models.Model):
    """Daily roll-up by UTC day. A segment belongs to the day of its later reading.

    A pure function of the usable readings and meter events. `increment` and `valid_s` are whole
    numbers of millionths; `v_sum_micro` is the sum of the values in millionths (gauges).
    """

    pk = models.CompositePrimaryKey("series_id", "day")
    series = models.ForeignKey(
        Series, on_delete=models.PROTECT, related_name="days", db_constraint=False, db_index=False
    )
    day = models.IntegerField(help_text="Days since 1970-01-01, UTC.")
    increment = models.FloatField(default=0, help_text="Valid gain of counters, in the unit.")
    valid_s = models.FloatField(default=0, help_text="Seconds covered by valid segments.")
    lost = models.IntegerField(default=0, help_text="Segments that count for nothing.")
    n = models.IntegerField(default=0, help_text="Usable readings.")
    v_min = models.FloatField()
    v_max = models.FloatField()
    v_sum_micro = models.BigIntegerField(default=0)
    v_last = models.FloatField()
    last_us = models.BigIntegerField()

    class Meta:
        db_table = "valvecare_series_day"

    def __str__(self) -> str:
        return f"series {self.series_id}, day {self.day}"

    @property
    def v_mean(self) -> float:
        return self.v_sum_micro / 1e6 / self.n


class MeterEvent(SiteScoped):
    """A declared change of meter or roll-over between two readings. Append-only."""

    site_path: ClassVar[str] = "series__site"

    series = models.ForeignKey(Series, on_delete=models.PROTECT, related_name="meter_events")
    kind = models.CharField(max_length=10, choices=choices(MeterEventKind))
    at_us = models.BigIntegerField()
    closing_value = models.FloatField(help_text="Last value of the old meter.")
    opening_value = models.FloatField(help_text="First value of the new meter.")
    source = models.ForeignKey(
        Source, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    words = models.CharField(max_length=200, blank=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    recorded_at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_meter_event"
        ordering = ("series", "at_us")
        constraints = [
            models.UniqueConstraint(fields=["series", "at_us"], name="one_meter_event_an_instant"),
            _between("closing_value", 0, COUNTER_MOST, null=False),
            _between("opening_value", 0, COUNTER_MOST, null=False),
        ]

    def __str__(self) -> str:
        return f"{self.series}: {self.kind} at {self.at}"

    @property
    def at(self) -> datetime:
        return instant(self.at_us)


class SetAside(Versioned, SiteScoped):
    """A pushed row that is kept for a person and not counted until accepted."""

    site_path: ClassVar[str] = "site"

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="set_aside")
    series = models.ForeignKey(
        Series, null=True, blank=True, on_delete=models.PROTECT, related_name="set_aside"
    )
    tag = models.CharField(max_length=80)
    at_us = models.BigIntegerField()
    value = models.FloatField(help_text="In the series' unit.")
    quality = models.SmallIntegerField(default=0)
    source = models.ForeignKey(Source, on_delete=models.PROTECT, related_name="+")
    raw = models.JSONField(help_text="The row as it was pushed.")
    code = models.CharField(max_length=40)
    words = models.CharField(max_length=300)
    received_us = models.BigIntegerField()
    state = models.CharField(
        max_length=10, choices=choices(SetAsideState), default=SetAsideState.WAITING.value
    )
    judged_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    judged_at = models.DateTimeField(null=True, blank=True)
    judged_why = models.CharField(max_length=300, blank=True)

    class Meta:
        db_table = "valvecare_set_aside"
        ordering = ("-id",)
        verbose_name = "reading set aside"
        verbose_name_plural = "readings set aside"
        constraints = [
            models.UniqueConstraint(
                fields=["series", "at_us", "value"], name="set_aside_once_per_reading"
            ),
            models.CheckConstraint(
                condition=Q(value__gt=-COUNTER_MOST, value__lt=COUNTER_MOST),
                name="set_aside_value_is_finite",
            ),
        ]
        indexes = [models.Index(fields=["state", "site", "id"], name="set_aside_by_state")]

    def __str__(self) -> str:
        return f"{self.tag} at {self.at}"

    @property
    def at(self) -> datetime:
        return instant(self.at_us)


class Push(models.Model):
    """Log of one push: what came, from whom, and what became of it."""

    source = models.ForeignKey(Source, on_delete=models.PROTECT, related_name="pushes")
    actor = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    sites = models.ManyToManyField(
        Site, related_name="+", db_table="valvecare_push_site", help_text="Whose series it named."
    )
    at = models.DateTimeField()
    rows = models.IntegerField()
    created = models.IntegerField(default=0)
    duplicates = models.IntegerField(default=0)
    conflicts = models.IntegerField(default=0)
    rejected = models.IntegerField(default=0)
    set_aside = models.IntegerField(default=0)
    codes = models.JSONField(default=dict, help_text="Count per code of rows not stored.")
    examples = models.JSONField(default=dict, help_text="A few tags per code.")
    duration_ms = models.IntegerField(default=0)

    class Meta:
        db_table = "valvecare_push"
        ordering = ("-id",)
        verbose_name_plural = "pushes"
        indexes = [models.Index(fields=["source", "-id"], name="push_of_source")]

    def __str__(self) -> str:
        return f"{self.source} at {self.at}: {self.rows} rows"


class PlantEvent(SiteScoped):
    """Something the plant reports that wears or endangers the valve. Append-only."""

    site_path: ClassVar[str] = "pump__group__site"

    pump = models.ForeignKey(Pump, on_delete=models.PROTECT, related_name="plant_events")
    kind = models.CharField(max_length=20, choices=choices(PlantEventKind))
    at = models.DateTimeField()
    duration_s = models.FloatField(null=True, blank=True)
    speed_rpm = models.FloatField(null=True, blank=True, help_text="Reverse rotation: how fast.")
    words = models.CharField(max_length=300, blank=True)
    source = models.ForeignKey(Source, on_delete=models.PROTECT, related_name="+")
    source_key = models.CharField(max_length=80, blank=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    recorded_at = models.DateTimeField()
    is_new = models.BooleanField(
        default=True, editable=False, help_text="No run has counted it by the condition rules yet."
    )

    class Meta:
        db_table = "valvecare_plant_event"
        ordering = ("-at", "-id")
        indexes = [models.Index(fields=["id"], condition=Q(is_new=True), name="plant_event_new")]
        constraints = [
            models.UniqueConstraint(
                fields=["pump", "kind", "at"], name="plant_event_once_per_instant"
            ),
            _between("duration_s", 0, _BIG),
            _between("speed_rpm", 0, 1e6),
        ]

    def __str__(self) -> str:
        return f"{self.pump}: {self.kind} at {self.at}"
