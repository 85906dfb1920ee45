"""Does a kit fit a valve on the day of the job? Field by field; unknown is not 'fits'."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from valvecare.core.errors import Reason
from valvecare.parts.rules.words import ANY_MEDIUM, FitWord

NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True)
class ValveFacts:
    """The identity of a valve as the register knows it; `revision` is a field, not the year."""

    tag: str
    serial: str
    design_code: str
    variant: str
    dn: int | None
    revision: str
    medium: str
    seal_material: str
    fitted_part_codes: Collection[str] = ()


@dataclass(frozen=True, slots=True)
class SupersessionFact:
    """`old` was replaced by `new`; both ways: either may stand in for the other."""

    old: str
    new: str
    is_both_ways: bool
    note: str = ""


@dataclass(frozen=True, slots=True)
class KitFacts:
    name: str
    design_code: str
    variant: str
    dn: int
    revision: str
    media: Sequence[str]
    seal_material: str
    has_shelf_life: bool
    is_retired: bool = False
    part_codes: Sequence[str] = ()
    supersessions: Sequence[SupersessionFact] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class LotFacts:
    code: str
    shelf_until: date | None
    is_quarantined: bool = False
    quarantine_why: str = ""
    missing: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class FitReason:
    """One field compared: what it says about the fit, and what would settle it."""

    field: str
    word: FitWord
    code: str
    words: str
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class FitDecision:
    """The worst word of all fields, with every reason that is more than 'fits'."""

    word: FitWord
    reasons: tuple[FitReason, ...]
    numbers: Mapping[str, str] = field(default_factory=dict)

    @property
    def is_open(self) -> bool:
        """True when the kit may be kept and issued."""
        return self.word in (FitWord.FITS, FitWord.WITH_NOTE)

    @property
    def sentence(self) -> str:
        told = " ".join(reason.words for reason in self.reasons)
        return f"{self.word.value.capitalize()}. {told}".strip()

    def refusals(self) -> tuple[Reason, ...]:
        """The reasons that block, for a refusal."""
        return tuple(
            Reason(reason.code, reason.words, reason.remedy, {"field": reason.field})
            for reason in self.reasons
            if reason.word in (FitWord.DOES_NOT_FIT, FitWord.UNKNOWN)
        )


WORST_FIRST = (FitWord.DOES_NOT_FIT, FitWord.UNKNOWN, FitWord.WITH_NOTE, FitWord.FITS)
_FIND_OUT = "Find it out at the valve and enter it in the register; never read it from the year."


def fits(
    valve: ValveFacts,
    kit: KitFacts,
    lot: LotFacts | None,
    *,
    job_on: date | None,
    margin_days: int | None,
) -> FitDecision:
    """Compare serial, design, revision, medium, supersession and shelf life at `job_on`.

    `lot` None: no lot chosen yet, its shelf life is not judged. `margin_days` is the owner's
    service margin; None, when nobody has set it, is 'unknown' for what has a shelf life.
    """
    reasons = [
        *_identity(valve, kit),
        *_medium(valve, kit),
        *_superseded(valve, kit),
        *(_lot(lot) if lot else ()),
        *(_shelf(kit, lot, job_on, margin_days) if lot else ()),
    ]
    if kit.is_retired:
        reasons.append(
            FitReason("kit", FitWord.DOES_NOT_FIT, "kit_retired", f"{kit.name} is retired.")
        )
    if kit.note:
        reasons.append(FitReason("kit", FitWord.WITH_NOTE, "kit_note", kit.note))
    words = {reason.word for reason in reasons}
    word = next((word for word in WORST_FIRST if word in words), FitWord.FITS)
    numbers = {"job_on": job_on.isoformat() if job_on else NOT_KNOWN}
    return FitDecision(word, tuple(reasons), numbers)


def _identity(valve: ValveFacts, kit: KitFacts) -> list[FitReason]:
    found = []
    if not valve.serial or valve.serial == NOT_KNOWN:
        found.append(
            FitReason(
                "serial",
                FitWord.UNKNOWN,
                "serial_not_known",
                f"The serial number of {valve.tag} is not known.",
                "Read the plate or what is stamped, and enter it in the register.",
            )
        )
    if not valve.design_code:
        found.append(
            FitReason(
                "design",
                FitWord.UNKNOWN,
                "design_not_known",
                f"The design of {valve.tag} is not known.",
                "Identify the valve first.",
            )
        )
        return found
    mine = (valve.design_code, valve.variant, valve.dn)
    theirs = (kit.design_code, kit.variant, kit.dn)
    if mine != theirs:
        found.append(
            FitReason(
                "design",
                FitWord.DOES_NOT_FIT,
                "design_differs",
                f"{kit.name} is for {_design(theirs)}, {valve.tag} is {_design(mine)}.",
                "Take a kit of the valve's own design; equal size alone is not a fit.",
            )
        )
        return found
    if NOT_KNOWN in (valve.revision, kit.revision) or not (valve.revision and kit.revision):
        what = valve.tag if valve.revision in ("", NOT_KNOWN) else kit.name
        found.append(
            FitReason(
                "revision",
                FitWord.UNKNOWN,
                "revision_not_known",
                f"The revision of {what} is not known.",
                _FIND_OUT,
            )
        )
    elif valve.revision != kit.revision:
        found.append(
            FitReason(
                "revision",
                FitWord.DOES_NOT_FIT,
                "revision_differs",
                f"{kit.name} is for revision {kit.revision}, {valve.tag} is revision "
                f"{valve.revision}.",
                f"A kit for revision {valve.revision} is needed.",
            )
        )
    return found


def _design(design: tuple[str, str, int | None]) -> str:
    code, variant, dn = design
    return " ".join(part for part in (code, variant, f"DN{dn}") if part)


def _medium(valve: ValveFacts, kit: KitFacts) -> list[FitReason]:
    found = []
    if not kit.media:
        found.append(
            FitReason(
                "medium",
                FitWord.UNKNOWN,
                "kit_media_not_known",
                f"Nobody has said which media {kit.name} may meet.",
                "Enter the media of the kit, from its maker.",
            )
        )
    elif ANY_MEDIUM not in kit.media:
        if not valve.medium or valve.medium == NOT_KNOWN:
            found.append(
                FitReason(
                    "medium",
                    FitWord.UNKNOWN,
                    "medium_not_known",
                    f"The medium at {valve.tag} is not known.",
                    "Enter it at the pump.",
                )
            )
        elif valve.medium not in kit.media:
            found.append(
                FitReason(
                    "medium",
                    FitWord.DOES_NOT_FIT,
                    "medium_differs",
                    f"{kit.name} is for {', '.join(kit.media)}; {valve.tag} carries "
                    f"{valve.medium}.",
                    "Take a kit for this medium.",
                )
            )
    ours, theirs = valve.seal_material, kit.seal_material
    if theirs and NOT_KNOWN not in (ours, theirs) and ours and ours != theirs:
        found.append(
            FitReason(
                "seal material",
                FitWord.WITH_NOTE,
                "seal_material_differs",
                f"The seals of {kit.name} are {theirs}, the register says {ours} for {valve.tag}.",
                "Let the engineer confirm the rubber and correct the register.",
            )
        )
    return found


def _superseded(valve: ValveFacts, kit: KitFacts) -> list[FitReason]:
    found = []
    for one in kit.supersessions:
        if one.old not in kit.part_codes:
            continue
        if one.new in valve.fitted_part_codes and not one.is_both_ways:
            found.append(
                FitReason(
                    "supersession",
                    FitWord.DOES_NOT_FIT,
                    "superseded",
                    f"{kit.name} holds {one.old}; {valve.tag} has its successor {one.new}, "
                    "which the old one does not replace.",
                    f"Take a kit with {one.new}.",
                )
            )
        else:
            ways = "either may be used" if one.is_both_ways else "the new one comes next"
            found.append(
                FitReason(
                    "supersession",
                    FitWord.WITH_NOTE,
                    "superseded_note",
                    f"{one.old} is superseded by {one.new}: {ways}. {one.note}".strip(),
                )
            )
    return found


def _lot(lot: LotFacts) -> list[FitReason]:
    found = []
    if lot.missing:
        found.append(
            FitReason(
                "lot",
                FitWord.DOES_NOT_FIT,
                "kit_not_whole",
                f"Lot {lot.code} is not whole: {', '.join(lot.missing)} missing.",
                "Take a whole kit; use what is left as loose parts.",
            )
        )
    if lot.is_quarantined:
        found.append(
            FitReason(
                "lot",
                FitWord.DOES_NOT_FIT,
                "lot_quarantined",
                f"Lot {lot.code} is in quarantine: {lot.quarantine_why}.",
                "Take another lot, or have it judged.",
            )
        )
    return found


def _shelf(
    kit: KitFacts, lot: LotFacts, job_on: date | None, margin_days: int | None
) -> list[FitReason]:
    if not kit.has_shelf_life:
        return []
    return [
        FitReason("shelf life", word, code, words, remedy)
        for word, code, words, remedy in shelf_life(
            lot.code, lot.shelf_until, job_on=job_on, margin_days=margin_days
        )
    ]


def shelf_life(
    code: str, shelf_until: date | None, *, job_on: date | None, margin_days: int | None
) -> list[tuple[FitWord, str, str, str]]:
    """What the shelf life of a lot says for a job: word, code, sentence, remedy; empty is 'fits'.

    The last usable day counts as usable. Groups of rubber and their years (ISO 2230, from memory)
    are data of the part number; here only days are compared.
    """
    if shelf_until is None:
        return [
            (
                FitWord.UNKNOWN,
                "shelf_life_not_known",
                f"Lot {code} has rubber, but nobody knows until when it may be used.",
                "Read cure date or packing, and enter the day.",
            )
        ]
    if job_on is None:
        return [
            (
                FitWord.UNKNOWN,
                "job_day_not_known",
                "The day of the job is not known, so the shelf life cannot be judged.",
                "Place the order in a window, or give the day.",
            )
        ]
    if shelf_until < job_on:
        return [
            (
                FitWord.DOES_NOT_FIT,
                "expired_before_job",
                f"Lot {code} may be used until {shelf_until.isoformat()}, the job is on "
                f"{job_on.isoformat()}.",
                "Take a lot that lasts until the job.",
            )
        ]
    if margin_days is None:
        return [
            (
                FitWord.UNKNOWN,
                "no_margin_policy",
                "Nobody has set the service margin for shelf lives.",
                "Let the engineer enter the parts policy.",
            )
        ]
    if shelf_until < job_on + timedelta(days=margin_days):
        return [
            (
                FitWord.DOES_NOT_FIT,
                "inside_service_margin",
                f"Lot {code} may be used until {shelf_until.isoformat()}; with the service margin "
                f"of {margin_days} days it must last until "
                f"{(job_on + timedelta(days=margin_days)).isoformat()}.",
                "Take a lot that lasts longer, or let the owner change the margin.",
            )
        ]
    return []
