"""Tables of the store."""

from valvecare.parts.models.catalogue import Kit, KitLine, PartNumber, PartsPolicy, Supersession
from valvecare.parts.models.lives import CountLine, FittedPart, StockCount
from valvecare.parts.models.stock import (
    Bin,
    Lot,
    Movement,
    Piece,
    Purchase,
    ReceivingCheck,
    Reservation,
    Store,
)

__all__ = [
    "Bin",
    "CountLine",
    "FittedPart",
    "Kit",
    "KitLine",
    "Lot",
    "Movement",
    "PartNumber",
    "PartsPolicy",
    "Piece",
    "Purchase",
    "ReceivingCheck",
    "Reservation",
    "StockCount",
    "Store",
    "Supersession",
]
