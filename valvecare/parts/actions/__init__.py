"""Everything that happens to parts."""

from valvecare.parts.actions.catalogue import (
    add_kit,
    add_part,
    change_kit,
    change_part,
    retire_kit,
    retire_part,
    set_parts_policy,
    supersede,
    withdraw_supersession,
)
from valvecare.parts.actions.count import approve_count, begin_count, enter_count, reject_count
from valvecare.parts.actions.fit_part import fit_part, fit_spares, place_part, remove_part
from valvecare.parts.actions.import_parts import import_parts
from valvecare.parts.actions.issue import break_up, issue, return_unused, scrap
from valvecare.parts.actions.purchase import ask_for, drop_purchase
from valvecare.parts.actions.quarantine import free, quarantine
from valvecare.parts.actions.receive import receive
from valvecare.parts.actions.reserve import (
    release,
    release_of_order,
    reserve,
    settle_reservations,
)
from valvecare.parts.actions.stores import (
    add_bin,
    add_store,
    rename_bin,
    rename_store,
    retire_bin,
    retire_store,
)

__all__ = [
    "add_bin",
    "rename_bin",
    "rename_store",
    "retire_bin",
    "retire_kit",
    "retire_part",
    "retire_store",
    "withdraw_supersession",
    "add_kit",
    "add_part",
    "add_store",
    "approve_count",
    "ask_for",
    "begin_count",
    "break_up",
    "change_kit",
    "change_part",
    "drop_purchase",
    "enter_count",
    "fit_part",
    "fit_spares",
    "import_parts",
    "free",
    "issue",
    "place_part",
    "quarantine",
    "receive",
    "reject_count",
    "release",
    "release_of_order",
    "remove_part",
    "reserve",
    "return_unused",
    "scrap",
    "set_parts_policy",
    "settle_reservations",
    "supersede",
]
