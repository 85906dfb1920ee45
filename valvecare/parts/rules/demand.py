"""What will be asked, whether it comes in time, and how many to keep."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from valvecare.engineering.stock import (
    stock_covers,
    uncertain_stock_covers,
    uncertain_stock_for,
)
from valvecare.parts.rules.words import OfferKind

HOURS_PER_DAY = 24.0


@dataclass(frozen=True, slots=True)
class Offer:
    """One way out: when it arrives, whether that is in time, and a sentence."""

    kind: OfferKind
    arrives_on: date | None
    is_in_time: bool
    words: str


def needed_on(
    *, starts_on: date | None, due_on: date, today: date, windows: Sequence[date]
) -> tuple[date, bool]:
    """The day for which a kit is wanted, and whether it is a window's day.

    A placed order: its own day. Else the last window that begins by the due date; when none does,
    the next one ahead; when none is known, the due date, or today for what is overdue.
    """
    if starts_on is not None:
        return starts_on, True
    ahead = sorted(day for day in windows if day >= today)
    in_time = [day for day in ahead if day <= due_on]
    if in_time:
        return in_time[-1], True
    if ahead:
        return ahead[0], True
    return max(due_on, today), False


def offers(
    kit: str,
    *,
    wanted_on: date,
    today: date,
    lead_weeks: int | None,
    express_weeks: int | None,
    next_window: date | None,
) -> tuple[Offer, ...]:
    """The ways out of a shortage, each with its day. Ordered today, it arrives in full weeks."""
    found = []
    for kind, weeks in ((OfferKind.ORDER, lead_weeks), (OfferKind.EXPRESS, express_weeks)):
        if weeks is None:
            continue
        arrives = today + timedelta(weeks=weeks)
        in_time = arrives <= wanted_on
        when = "in time for" if in_time else "after"
        how = "Ordered today" if kind is OfferKind.ORDER else "Ordered express today"
        found.append(
            Offer(
                kind,
                arrives,
                in_time,
                f"{how}, {kit} arrives on {arrives.isoformat()}, {when} {wanted_on.isoformat()}.",
            )
        )
    if not (found and found[0].is_in_time):
        until = f" on {next_window.isoformat()}" if next_window else ", which is not planned yet"
        found.append(
            Offer(
                OfferKind.NEXT_WINDOW,
                next_window,
                False,
                f"Keep the restriction until the next window{until}; this needs a signature.",
            )
        )
    return tuple(found)


@dataclass(frozen=True, slots=True)
class StockProposal:
    """How many to keep, with everything it was worked out from; `stock` None: cannot say."""

    stock: int | None
    covers: float | None
    planned: int
    words: str
    method: str
    issues: int
    units: int
    observed_days: float
    lead_days: float
    target: float


JEFFREYS_SHAPE = 0.5
"""Prior of a Poisson rate that says least: Gamma(1/2, 0), Jeffreys (textbook, from memory)."""

METHOD = (
    "Issues counted over the time the lot ledger covers; rate uncertain, Gamma(issues + 1/2) "
    "(Jeffreys prior, from memory); smallest stock whose chance to cover the demand of one lead "
    "time reaches the target; never less than what is planned in the lead time."
)


def stock_proposal(
    *,
    issues: int,
    units: int,
    observed_days: float,
    lead_weeks: int,
    target: float,
    planned: int,
) -> StockProposal:
    """Base stock of a slow mover from its own ledger and the plan.

    Refuses (`stock` None, with the reason in words) when no valve uses it, or when the ledger is
    shorter than one lead time: then nothing can be learned from it.
    """
    lead_days = lead_weeks * 7.0
    facts = (METHOD, issues, units, observed_days, lead_days, target)
    if units < 1:
        return StockProposal(None, None, planned, "No valve in service uses it.", *facts)
    if lead_days <= 0 or observed_days < lead_days:
        return StockProposal(
            None,
            None,
            planned,
            f"Too few data: the ledger covers {observed_days:.0f} days, one lead time is "
            f"{lead_days:.0f}. Keep at least the {planned} planned in the lead time.",
            *facts,
        )
    shape = issues + JEFFREYS_SHAPE
    hours = units * observed_days * HOURS_PER_DAY
    exposure = units * lead_days * HOURS_PER_DAY
    base = uncertain_stock_for(shape, hours=hours, exposure_h=exposure, target=target)
    stock = max(base, planned)
    covers = uncertain_stock_covers(shape, hours=hours, exposure_h=exposure, stock=stock)
    known = stock_covers(exposure * issues / hours, stock=stock)
    words = (
        f"Keep {stock}: it covers the demand of {lead_weeks} weeks with a chance of {covers:.0%} "
        f"({known:.0%} if the rate were exactly as seen); {planned} planned in that time."
    )
    return StockProposal(stock, covers, planned, words, *facts)
