"""What all sites share: part numbers, kits, what superseded what, the owner's figures."""

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from valvecare.core.models import NOT_KNOWN, Versioned
from valvecare.parts.rules import KitUse
from valvecare.register.models import Retirable
from valvecare.register.rules import choices


class PartsPolicy(Versioned):
    """The owner's figures for the store. The latest row in force counts."""

    margin_days = models.PositiveSmallIntegerField(
        help_text="A shelf life must last this many days beyond the day of the job."
    )
    stock_target = models.FloatField(
        help_text="Wanted chance that the stock covers one lead time, 0.95 is 95 %."
    )
    horizon_weeks = models.PositiveSmallIntegerField(
        default=8, help_text="How far 'What will be asked' looks ahead."
    )
    source = models.CharField(max_length=200)
    owner = models.CharField(max_length=120)
    valid_from = models.DateField(unique=True)

    history = HistoricalRecords(table_name="valvecare_parts_policy_history")

    class Meta:
        db_table = "valvecare_parts_policy"
        ordering = ("-valid_from",)
        verbose_name_plural = "parts policies"
        constraints = [
            models.CheckConstraint(
                condition=Q(stock_target__gt=0, stock_target__lt=1),
                name="stock_target_is_a_share",
            ),
            models.CheckConstraint(
                condition=Q(horizon_weeks__gte=1, horizon_weeks__lte=104),
                name="horizon_is_sane",
            ),
        ]

    def __str__(self) -> str:
        return f"parts policy from {self.valid_from}"


class PartNumber(Versioned, Retirable):
    """One kind of spare. Shared by all sites."""

    code = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=120)
    place = models.CharField(
        max_length=30,
        blank=True,
        help_text="The part of the valve it replaces, in the words of the part list: lever pin, "
        "closing spring, … Empty: a consumable.",
    )
    unit = models.CharField(max_length=12, default="piece")
    material = models.CharField(max_length=80, default=NOT_KNOWN)
    is_consumable = models.BooleanField(default=False)
    has_serial = models.BooleanField(
        default=False, help_text="Every piece carries a serial number of its own."
    )
    shelf_life_months = models.PositiveSmallIntegerField(
        null=True,
        blank=True,
        help_text="Of rubber and lubricant, from its maker or the store's standard; empty: none.",
    )
    lead_weeks = models.PositiveSmallIntegerField(null=True, blank=True)
    price_eur = models.DecimalField(max_digits=10, decimal_places=2, null=True, blank=True)

    history = HistoricalRecords(table_name="valvecare_part_number_history")

    class Meta:
        db_table = "valvecare_part_number"
        ordering = ("code",)

    def __str__(self) -> str:
        return self.code


class Supersession(models.Model):
    """An old number and the one that came after it."""

    old = models.ForeignKey(PartNumber, on_delete=models.PROTECT, related_name="superseded_by")
    new = models.ForeignKey(PartNumber, on_delete=models.PROTECT, related_name="supersedes")
    is_both_ways = models.BooleanField(
        default=False, help_text="Either may stand in for the other; else only new for old."
    )
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        db_table = "valvecare_supersession"
        ordering = ("old", "new")
        constraints = [
            models.UniqueConstraint(fields=["old", "new"], name="one_supersession_per_pair"),
            models.CheckConstraint(condition=~Q(old=F("new")), name="nothing_supersedes_itself"),
        ]

    def __str__(self) -> str:
        return f"{self.old} → {self.new}"


class Kit(Versioned, Retirable):
    """A set of parts for one design at one variant, size and revision. Shared by all sites."""

    name = models.CharField(max_length=60, unique=True)
    design = models.ForeignKey(
        "valvecare.ValveDesign", on_delete=models.PROTECT, related_name="kits"
    )
    use = models.CharField(
        max_length=20, choices=choices(KitUse), default=KitUse.EVERY_STRIP_DOWN.value
    )
    media = models.JSONField(
        default=list, blank=True, help_text='Media it may meet, or ["any"]; empty: not known.'
    )
    seal_material = models.CharField(max_length=40, blank=True)
    has_shelf_life = models.BooleanField(default=True, help_text="It holds rubber.")
    lead_weeks = models.PositiveSmallIntegerField(null=True, blank=True)
    express_weeks = models.PositiveSmallIntegerField(null=True, blank=True)
    price_eur = models.DecimalField(max_digits=10, decimal_places=2, null=True, blank=True)
    note = models.CharField(
        max_length=200, blank=True, help_text="Shown as 'fits with note' wherever it is checked."
    )

    history = HistoricalRecords(table_name="valvecare_kit_history")

    class Meta:
        db_table = "valvecare_kit"
        ordering = ("name",)
        constraints = [
            models.CheckConstraint(
                condition=Q(express_weeks__isnull=True)
                | Q(lead_weeks__isnull=True)
                | Q(express_weeks__lte=F("lead_weeks")),
                name="express_is_not_slower",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class KitLine(models.Model):
    """So many of one part number in a kit."""

    kit = models.ForeignKey(Kit, on_delete=models.CASCADE, related_name="lines")
    part = models.ForeignKey(PartNumber, on_delete=models.PROTECT, related_name="kit_lines")
    quantity = models.PositiveSmallIntegerField(default=1)

    class Meta:
        db_table = "valvecare_kit_line"
        ordering = ("kit", "id")
        constraints = [
            models.UniqueConstraint(fields=["kit", "part"], name="part_once_per_kit"),
            models.CheckConstraint(condition=Q(quantity__gte=1), name="kit_line_has_pieces"),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} {self.part_id}"
