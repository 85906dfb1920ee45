"""The facts the rules of fitting ask for, gathered in one place."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.apps import apps
from django.db.models import Q, Sum

from valvecare.core.errors import NotFound, Reason
from valvecare.core.permits import require, sites_where
from valvecare.parts.models import (
    FittedPart,
    Kit,
    KitLine,
    Lot,
    Movement,
    PartNumber,
    PartsPolicy,
    Supersession,
)
from valvecare.parts.rules import (
    WORST_FIRST,
    FitDecision,
    KitFacts,
    LotFacts,
    MovementKind,
    SupersessionFact,
    ValveFacts,
    fits,
    shelf_life,
)
from valvecare.register.models import ProtectionValve


def orders() -> Any:
    """Work orders, which stand above: their rows, none of their code."""
    return apps.get_model("valvecare", "WorkOrder").objects


def in_view(model: Any, user: Any) -> Any:
    """Rows of the sites at which this person may look at parts."""
    rows = model.objects.for_user(user)
    return rows.filter(**{f"{model.site_path}__in": sites_where(user, "view_parts")})


def seen(model: Any, pk: int, user: Any, *, related: Sequence[str] = ()) -> Any:
    """One row this person may look at. Raises `NotFound`."""
    found = in_view(model, user).select_related(*related).filter(pk=pk).first()
    if found is None:
        raise NotFound(f"There is no such {model._meta.verbose_name} for you.")
    return found


def seen_order(order_id: int, user: Any) -> Any:
    """One order with its site and valve, at a site where this person may look at parts."""
    found = (
        orders()
        .for_user(user)
        .filter(pk=order_id)
        .select_related("site", "valve__pump__group", "valve__design")
        .first()
    )
    if found is None:
        raise NotFound("There is no such work order for you.")
    require(user, "view_parts", site_id=found.site_id)
    return found


def site_day(site: Any, at: datetime) -> date:
    """The site's own day of an instant."""
    return at.astimezone(ZoneInfo(site.time_zone)).date()


def job_day(order: Any, today: date) -> date:
    """The day of the job: of its slot, else its due day, else today; never in the past."""
    slot = getattr(order, "slot", None)
    return max(slot.starts_on if slot is not None else order.due_on, today)


def policy_on(day: date) -> PartsPolicy | None:
    """The owner's figures in force on a day; None when nobody has set any."""
    return PartsPolicy.objects.filter(valid_from__lte=day).order_by("-valid_from").first()


def margin_on(day: date) -> int | None:
    policy = policy_on(day)
    return policy.margin_days if policy else None


def valve_facts(valve: ProtectionValve, *, fitted: Iterable[str] | None = None) -> ValveFacts:
    """The identity of a valve. `fitted`: part numbers in it, when they are known already."""
    design = valve.design
    if fitted is None:
        fitted = FittedPart.objects.filter(valve=valve, removed_at__isnull=True).values_list(
            "part__code", flat=True
        )
    return ValveFacts(
        tag=valve.tag,
        serial=valve.serial,
        design_code=design.code if design else "",
        variant=design.variant if design else "",
        dn=design.dn if design else None,
        revision=design.revision if design else "",
        medium=valve.pump.medium,
        seal_material=valve.seal_material,
        fitted_part_codes=frozenset(fitted),
    )


def kit_facts(kits: Sequence[Kit]) -> dict[int, KitFacts]:
    """Facts of kits, their lines and what superseded these. Two queries for any number."""
    lines: dict[int, list[str]] = {kit.pk: [] for kit in kits}
    parts = set()
    for kit_id, part_id, code in KitLine.objects.filter(kit__in=lines).values_list(
        "kit_id", "part_id", "part__code"
    ):
        lines[kit_id].append(code)
        parts.add(part_id)
    superseded = [
        SupersessionFact(old, new, both, note)
        for old, new, both, note in Supersession.objects.filter(old__in=parts).values_list(
            "old__code", "new__code", "is_both_ways", "note"
        )
    ]
    return {
        kit.pk: KitFacts(
            name=kit.name,
            design_code=kit.design.code,
            variant=kit.design.variant,
            dn=kit.design.dn,
            revision=kit.design.revision,
            media=tuple(kit.media),
            seal_material=kit.seal_material,
            has_shelf_life=kit.has_shelf_life,
            is_retired=kit.is_retired,
            part_codes=tuple(lines[kit.pk]),
            supersessions=tuple(one for one in superseded if one.old in lines[kit.pk]),
            note=kit.note,
        )
        for kit in kits
    }


def lot_facts(lot: Lot) -> LotFacts:
    return LotFacts(
        lot.code,
        lot.shelf_until,
        is_quarantined=lot.quarantined_at is not None,
        quarantine_why=lot.quarantine_why,
        missing=tuple(lot.missing),
    )


def fit_of(valve: ProtectionValve, lot: Lot, *, job_on: date) -> tuple[str, tuple[Reason, ...]]:
    """What the check says of a lot for a valve on a day: a sentence, and what blocks."""
    margin = margin_on(job_on)
    if lot.kit is not None:
        facts = kit_facts([lot.kit])[lot.kit.pk]
        decision = fits(
            valve_facts(valve), facts, lot_facts(lot), job_on=job_on, margin_days=margin
        )
        return decision.sentence, decision.refusals()
    return _part_fit(valve, lot, lot.item, job_on=job_on, margin=margin)


def _part_fit(
    valve: ProtectionValve, lot: Lot, part: PartNumber, *, job_on: date, margin: int | None
) -> tuple[str, tuple[Reason, ...]]:
    """A loose part fits where a kit that lists it fits, by the kit's own rule; or a consumable.

    So a seal of the kit for water does not go into the same valve in sea water.
    """
    found: list[Reason] = []
    told: list[str] = []
    if not part.is_consumable:
        decision = _as_in_kits(valve, part, job_on=job_on)
        if decision is None:
            found.append(
                Reason(
                    "part_not_listed",
                    f"{part} is in no kit of the design of {valve.tag}, so nobody knows that it "
                    "fits.",
                    "Let the engineer enter it in a kit of this design and revision.",
                )
            )
        elif decision.is_open:
            told = [reason.words for reason in decision.reasons]
        else:
            found += decision.refusals()
    if part.is_retired:
        found.append(Reason("part_retired", f"{part} is retired.", "Take what replaced it."))
    if lot.quarantined_at is not None:
        found.append(
            Reason(
                "lot_quarantined",
                f"Lot {lot.code} is in quarantine: {lot.quarantine_why}.",
                "Take another lot, or have it judged.",
            )
        )
    if part.shelf_life_months is not None:
        found += [
            Reason(code, words, remedy)
            for _, code, words, remedy in shelf_life(
                lot.code, lot.shelf_until, job_on=job_on, margin_days=margin
            )
        ]
    told += [reason.words for reason in found]
    return " ".join(["Fits." if not found else "Blocked.", *told]), tuple(found)


def _as_in_kits(valve: ProtectionValve, part: PartNumber, *, job_on: date) -> FitDecision | None:
    """The best that the kits of the valve's design which list this part say; None: none does."""
    kits = [] if valve.design_id is None else kits_of(valve)
    mine = valve_facts(valve)
    said = [
        fits(
            mine,
            replace(
                facts,
                note="",
                part_codes=(part.code,),
                supersessions=tuple(one for one in facts.supersessions if one.old == part.code),
            ),
            None,
            job_on=job_on,
            margin_days=None,
        )
        for facts in kit_facts(kits).values()
        if part.code in facts.part_codes
    ]
    return max(said, key=lambda one: WORST_FIRST.index(one.word), default=None)


def issued_to(order_id: int, lot_id: int) -> int:
    """Pieces of a lot that are out for an order: issued less returned."""
    moved = Movement.objects.filter(
        order_id=order_id,
        lot_id=lot_id,
        kind__in=(MovementKind.ISSUED.value, MovementKind.RETURNED.value),
    ).aggregate(total=Sum("quantity"))["total"]
    return -(moved or 0)


def kits_of(valve: ProtectionValve) -> list[Kit]:
    """Kits of the valve's own design at its revision; none while the revision is not known."""
    if valve.design is None:
        return []
    rows = Kit.objects.filter(design=valve.design_id, retired_at__isnull=True)
    return list(rows.select_related("design").order_by("name"))


def kits_near(valve: ProtectionValve) -> list[Kit]:
    """Kits of the valve's design, variant and size at any revision: what a hand could reach for."""
    design = valve.design
    if design is None:
        return []
    rows = Kit.objects.filter(
        design__code=design.code,
        design__variant=design.variant,
        design__dn=design.dn,
        retired_at__isnull=True,
    )
    return list(rows.select_related("design").order_by("name"))


@dataclass(frozen=True, slots=True)
class LotCheck:
    """One lot of the kit at the valve's site, and what the check says of it."""

    id: int
    code: str
    place: str
    shelf_until: date | None
    on_hand: int
    available: int
    decision: FitDecision


@dataclass(frozen=True, slots=True)
class KitCheck:
    """Does this kit fit this valve on that day, and is there one?"""

    valve_id: int
    valve: str
    kit_id: int
    kit: str
    on: date
    decision: FitDecision
    lots: tuple[LotCheck, ...]

    @property
    def on_hand(self) -> int:
        return sum(lot.on_hand for lot in self.lots)

    @property
    def usable(self) -> int:
        """Pieces that fit and are available."""
        return sum(lot.available for lot in self.lots if lot.decision.is_open)


def kit_check(valve: ProtectionValve, kits: Sequence[Kit], on: date) -> list[KitCheck]:
    """Check kits for one valve on a day, with every lot of them at its site."""
    facts = kit_facts(kits)
    mine = valve_facts(valve)
    margin = margin_on(on)
    lots: dict[int, list[Lot]] = {}
    rows = Lot.objects.filter(kit__in=[kit.pk for kit in kits], site=valve.site_of(), on_hand__gt=0)
    for lot in rows.select_related("bin__store"):
        lots.setdefault(lot.kit_id, []).append(lot)
    found = []
    for kit in kits:
        ask = facts[kit.pk]
        checked = tuple(
            LotCheck(
                lot.pk,
                lot.code,
                str(lot.bin),
                lot.shelf_until,
                lot.on_hand,
                lot.available,
                fits(mine, ask, lot_facts(lot), job_on=on, margin_days=margin),
            )
            for lot in lots.get(kit.pk, ())
        )
        decision = fits(mine, ask, None, job_on=on, margin_days=margin)
        found.append(KitCheck(valve.pk, valve.tag, kit.pk, kit.name, on, decision, checked))
    return found


def find_lot(scanned: str, user: Any) -> Lot:
    """The lot behind a scanned label or typed code: an address ending in lots/ID, or ITEM LOT.

    Raises `NotFound` when nothing, or more than one lot, answers to it.
    """
    text = scanned.strip()
    rows = in_view(Lot, user).select_related("kit__design", "part", "site", "bin__store")
    tail = text.rstrip("/").rsplit("/", 2)
    if len(tail) >= 2 and tail[-2] == "lots" and tail[-1].isascii() and tail[-1].isdigit():
        found = list(rows.filter(pk=int(tail[-1][:18])))
    else:
        item, _, code = text.rpartition(" ")
        named = Q(kit__name=item) | Q(part__code=item)
        found = list(rows.filter(named if item else Q(), code=code).order_by("id")[:2])
    if len(found) != 1:
        how = "More than one lot answers" if found else "No lot answers"
        raise NotFound(f"{how} to '{text[:80]}'. Give kit or part number, a space, and the lot.")
    return found[0]


def part_or_kit(name: str) -> tuple[PartNumber | None, Kit | None]:
    """What a name stands for in the catalogue: a part number, else a kit, else nothing."""
    part = PartNumber.objects.filter(code=name).first()
    return part, None if part else Kit.objects.filter(name=name).first()
