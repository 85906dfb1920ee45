"""The stock of a site: a lot keeps two sums, the ledger beside it every line of them."""

from typing import Any, ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from valvecare.core.models import SiteScoped, SiteScopedQuerySet, Versioned
from valvecare.parts.models.catalogue import Kit, PartNumber
from valvecare.parts.rules import MovementKind, PurchaseState, ReservationState
from valvecare.register.models import Retirable
from valvecare.register.rules import choices

_MOST = 1_000_000


def _one_item(name: str) -> models.CheckConstraint:
    """A kit or a part number, never both, never neither."""
    return models.CheckConstraint(
        condition=Q(kit__isnull=False, part__isnull=True) | Q(kit__isnull=True, part__isnull=False),
        name=name,
        violation_error_message="Name a kit or a part number, one of them.",
    )


class OnlyAddedQuerySet(SiteScopedQuerySet):
    """Rows that are facts: added, never changed, never taken away."""

    def update(self, **_: Any) -> int:
        raise TypeError(f"{self.model.__name__} is only added to; enter a line that corrects it.")

    def delete(self) -> Any:
        raise TypeError(f"{self.model.__name__} is only added to; enter a line that corrects it.")


class OnlyAdded(SiteScoped):
    objects = OnlyAddedQuerySet.as_manager()  # type: ignore[misc]

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        if not self._state.adding:
            raise TypeError(f"{type(self).__name__} is only added to.")
        super().save(*args, **{**kwargs, "force_insert": True})

    def delete(self, *args: Any, **kwargs: Any) -> Any:
        raise TypeError(f"{type(self).__name__} is only added to.")


class Store(Versioned, SiteScoped, Retirable):
    """A place at a site where spares are kept."""

    site = models.ForeignKey("valvecare.Site", on_delete=models.PROTECT, related_name="stores")
    name = models.CharField(max_length=60)

    class Meta:
        db_table = "valvecare_store"
        ordering = ("site", "name")
        constraints = [
            models.UniqueConstraint(fields=["site", "name"], name="store_name_once_per_site"),
        ]

    def __str__(self) -> str:
        return self.name


class Bin(Versioned, SiteScoped, Retirable):
    """One place in a store."""

    site_path: ClassVar[str] = "store__site"

    store = models.ForeignKey(Store, on_delete=models.PROTECT, related_name="bins")
    code = models.CharField(max_length=24)

    class Meta:
        db_table = "valvecare_bin"
        ordering = ("store", "code")
        constraints = [
            models.UniqueConstraint(fields=["store", "code"], name="bin_code_once_per_store"),
        ]

    def __str__(self) -> str:
        return f"{self.store} {self.code}"


class Lot(Versioned, SiteScoped):
    """What came in together and lies together. The sums are kept with the ledger, in one step."""

    site = models.ForeignKey("valvecare.Site", on_delete=models.PROTECT, related_name="lots")
    bin = models.ForeignKey(Bin, on_delete=models.PROTECT, related_name="lots")
    kit = models.ForeignKey(
        Kit, null=True, blank=True, on_delete=models.PROTECT, related_name="lots"
    )
    part = models.ForeignKey(
        PartNumber, null=True, blank=True, on_delete=models.PROTECT, related_name="lots"
    )
    code = models.CharField(max_length=60)
    shelf_until = models.DateField(
        null=True, blank=True, help_text="Last day on which its rubber may be built in."
    )
    certificate = models.CharField(
        max_length=300, blank=True, help_text="Number or address of the certificate."
    )
    missing = models.JSONField(
        default=list, blank=True, help_text="Part numbers a returned kit came back without."
    )
    on_hand = models.PositiveIntegerField(default=0, editable=False)
    reserved = models.PositiveIntegerField(default=0, editable=False)
    quarantined_at = models.DateTimeField(null=True, blank=True)
    quarantine_why = models.CharField(max_length=300, blank=True)
    added_at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_lot"
        ordering = ("shelf_until", "id")
        constraints = [
            _one_item("lot_of_one_item"),
            models.UniqueConstraint(
                fields=["bin", "kit", "code"],
                condition=Q(kit__isnull=False),
                name="kit_lot_once_per_bin",
            ),
            models.UniqueConstraint(
                fields=["bin", "part", "code"],
                condition=Q(part__isnull=False),
                name="part_lot_once_per_bin",
            ),
            models.CheckConstraint(
                condition=Q(on_hand__gte=0, on_hand__lte=_MOST),
                name="stock_is_never_negative",
            ),
            models.CheckConstraint(
                condition=Q(reserved__gte=0, reserved__lte=F("on_hand")),
                name="no_more_reserved_than_on_hand",
            ),
            models.CheckConstraint(
                condition=Q(quarantined_at__isnull=True) | (~Q(quarantine_why="") & Q(reserved=0)),
                name="quarantine_has_why_and_keeps_nothing",
            ),
        ]
        indexes = [
            models.Index(fields=["kit", "site"], name="lots_of_kit"),
            models.Index(fields=["part", "site"], name="lots_of_part"),
        ]

    def __str__(self) -> str:
        return f"{self.item} lot {self.code}"

    @property
    def item(self) -> Any:
        return self.kit or self.part

    @property
    def available(self) -> int:
        """On hand less reserved; nothing while in quarantine or not whole."""
        return 0 if self.quarantined_at or self.missing else self.on_hand - self.reserved


class Movement(OnlyAdded):
    """One line of the ledger. What a lot has on hand is the sum of its lines."""

    site_path: ClassVar[str] = "lot__site"

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="movements")
    kind = models.CharField(max_length=12, choices=choices(MovementKind))
    quantity = models.IntegerField(help_text="Signed: what it adds to the lot.")
    order = models.ForeignKey(
        "valvecare.WorkOrder",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="movements",
    )
    why = models.CharField(max_length=300, blank=True)
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    at = models.DateTimeField()
    key = models.CharField(
        max_length=80, null=True, blank=True, unique=True, help_text="Once, whoever sends it again."
    )

    class Meta:
        db_table = "valvecare_movement"
        ordering = ("id",)
        constraints = [
            models.CheckConstraint(
                condition=Q(quantity__gte=-_MOST, quantity__lte=_MOST),
                name="movement_quantity_is_sane",
            ),
            models.CheckConstraint(
                condition=~Q(quantity=0) | Q(kind=MovementKind.QUARANTINED.value),
                name="movement_moves_something",
            ),
        ]
        indexes = [
            models.Index(fields=["lot", "id"], name="movements_of_lot"),
            models.Index(fields=["order", "lot"], name="movements_of_order"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.quantity:+d}"


class Reservation(SiteScoped):
    """Pieces of one lot kept for one order."""

    site_path: ClassVar[str] = "lot__site"

    order = models.ForeignKey(
        "valvecare.WorkOrder", on_delete=models.PROTECT, related_name="reservations"
    )
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="reservations")
    quantity = models.PositiveSmallIntegerField(default=1)
    state = models.CharField(
        max_length=10, choices=choices(ReservationState), default=ReservationState.OPEN.value
    )
    job_on = models.DateField(help_text="The day for which it was found to fit.")
    fit = models.CharField(max_length=500, help_text="What the check said.")
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_why = models.CharField(max_length=300, blank=True)

    class Meta:
        db_table = "valvecare_reservation"
        ordering = ("id",)
        constraints = [
            models.UniqueConstraint(
                fields=["order", "lot"],
                condition=Q(state=ReservationState.OPEN.value),
                name="one_open_reservation_per_order_and_lot",
            ),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, quantity__lte=10_000),
                name="reservation_keeps_something",
            ),
            models.CheckConstraint(
                condition=Q(state=ReservationState.OPEN.value, ended_at__isnull=True)
                | (~Q(state=ReservationState.OPEN.value) & Q(ended_at__isnull=False)),
                name="ended_reservation_has_time",
            ),
        ]
        indexes = [models.Index(fields=["lot", "state"], name="reservations_of_lot")]

    def __str__(self) -> str:
        return f"{self.quantity} of lot {self.lot.code} for order {self.order_id}"


class Piece(SiteScoped):
    """A spare with a serial number, as it was received."""

    site_path: ClassVar[str] = "lot__site"

    part = models.ForeignKey(PartNumber, on_delete=models.PROTECT, related_name="pieces")
    serial = models.CharField(max_length=60)
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="pieces")

    class Meta:
        db_table = "valvecare_piece"
        ordering = ("serial",)
        constraints = [
            models.UniqueConstraint(fields=["part", "serial"], name="one_piece_per_serial"),
            models.CheckConstraint(condition=~Q(serial=""), name="piece_has_serial"),
        ]
        indexes = [models.Index(fields=["serial"], name="pieces_by_serial")]

    def __str__(self) -> str:
        return f"{self.part} {self.serial}"


class ReceivingCheck(OnlyAdded):
    """What was measured when a lot came in, and whether it was let onto the shelf."""

    site_path: ClassVar[str] = "lot__site"

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="checks")
    movement = models.OneToOneField(Movement, on_delete=models.PROTECT, related_name="check_of")
    quantity = models.PositiveIntegerField()
    checks = models.JSONField(
        default=dict, help_text="What was looked at: what was seen (dimension, free fall, marking)."
    )
    is_accepted = models.BooleanField()
    words = models.CharField(max_length=500, blank=True)
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    at = models.DateTimeField()

    class Meta:
        db_table = "valvecare_receiving_check"
        ordering = ("id",)

    def __str__(self) -> str:
        return f"{self.lot_id}: {'accepted' if self.is_accepted else 'not accepted'}"


class Purchase(Versioned, SiteScoped):
    """A kit or part that was asked for from outside and is on its way."""

    site = models.ForeignKey("valvecare.Site", on_delete=models.PROTECT, related_name="purchases")
    kit = models.ForeignKey(
        Kit, null=True, blank=True, on_delete=models.PROTECT, related_name="purchases"
    )
    part = models.ForeignKey(
        PartNumber, null=True, blank=True, on_delete=models.PROTECT, related_name="purchases"
    )
    quantity = models.PositiveSmallIntegerField(default=1)
    is_express = models.BooleanField(default=False)
    order = models.ForeignKey(
        "valvecare.WorkOrder",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="purchases",
    )
    asked_on = models.DateField(help_text="Site-local day.")
    arrives_on = models.DateField()
    state = models.CharField(
        max_length=10, choices=choices(PurchaseState), default=PurchaseState.ASKED.value
    )
    lot = models.ForeignKey(
        Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="purchases"
    )
    words = models.CharField(max_length=300, blank=True)
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        db_table = "valvecare_purchase"
        ordering = ("arrives_on", "id")
        constraints = [
            _one_item("purchase_of_one_item"),
            models.CheckConstraint(
                condition=Q(arrives_on__gte=F("asked_on")), name="purchase_arrives_after_asking"
            ),
        ]
        indexes = [models.Index(fields=["site", "state", "arrives_on"], name="purchases_open")]

    def __str__(self) -> str:
        return f"{self.quantity} {self.item}"

    @property
    def item(self) -> Any:
        return self.kit or self.part
