"""Which lubricant and which medium a seal may meet: only exactly listed pairs are allowed."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from valvecare.engineering.cautions import Caution, cautions_for
from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.plausible_mechanics import require_plausible
from valvecare.engineering.tables import table
from valvecare.engineering.working import Quantity, Reason

WHO_MAY_DECIDE: Final = (
    "The seal's maker, in writing; the reliability engineer then adds the pair to the site's list."
)
THREAD_PASTES: Final = frozenset({"moly paste", "copper paste", "nickel paste", "thread paste"})


class SealAnswer(StrEnum):
    """The verdict."""

    ALLOW = "allow"
    REFUSE = "refuse"


@dataclass(frozen=True, slots=True)
class SealDecision:
    """The verdict on a pair, why, who may decide otherwise, and where it comes from.

    `is_listed` is False when the pair is simply not in the table: nothing near it is used instead.
    """

    answer: SealAnswer
    is_listed: bool
    who_may_decide: str
    source: str
    inputs: tuple[Quantity, ...]
    reasons: tuple[Reason, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[Caution, ...]


def listed_seals() -> tuple[str, ...]:
    """Seal materials that have at least one listed pair, in table order.

    Returns
    -------
    tuple of str

    Assumptions
    -----------
    None.

    Source
    ------
    Tables `data/seal_media.csv` and `data/seal_lubricants.csv`.

    Examples
    --------
    >>> listed_seals()[:3]
    ('EPDM', 'NBR', 'FKM')
    """
    rows = (*table("seal_media"), *table("seal_lubricants"))
    return tuple(dict.fromkeys(row["seal"] for row in rows))


def listed_agents() -> tuple[str, ...]:
    """Assembly agents that have at least one listed pair, in table order.

    Returns
    -------
    tuple of str

    Assumptions
    -----------
    None.

    Source
    ------
    Table `data/seal_lubricants.csv`.

    Examples
    --------
    >>> "silicone grease" in listed_agents()
    True
    """
    return tuple(dict.fromkeys(row["agent"] for row in table("seal_lubricants")))


def listed_media() -> tuple[str, ...]:
    """Media that have at least one listed pair, in table order.

    Returns
    -------
    tuple of str

    Assumptions
    -----------
    None.

    Source
    ------
    Table `data/seal_media.csv`.

    Examples
    --------
    >>> listed_media()[:3]
    ('dry air', 'water', 'steam')
    """
    return tuple(dict.fromkeys(row["medium"] for row in table("seal_media")))


def _text(name: str, value: object) -> str:
    """Return text as it is; unknown is a valid question here and gets a refusing answer."""
    if value is not None and not isinstance(value, str):
        raise OutOfRange(name, str(value), "a name", "pairs are listed by name")
    return value or ""


def seal_lubricant_decision(seal: str | None, *, agent: str | None) -> SealDecision:
    """Say whether an assembly agent may touch a seal.

    Parameters
    ----------
    seal : seal material, a name of `listed_seals`, exactly; None or another name is refused
    agent : assembly agent, a name of `listed_agents`, exactly; None or another name is refused

    Returns
    -------
    SealDecision : allow only for an exactly listed pair; otherwise refuse, with who may decide

    Raises
    ------
    OutOfRange : not a name at all

    Assumptions
    -----------
    Material identified by marking or packing, not by colour.

    Source
    ------
    Table `data/seal_lubricants.csv`, a source beside each row.

    Examples
    --------
    >>> seal_lubricant_decision("EPDM", agent="mineral grease").answer.value
    'refuse'
    >>> seal_lubricant_decision("EPDM", agent="silicone grease").answer.value
    'allow'
    """
    material, name = _text("seal", seal), _text("agent", agent)
    inputs = (
        Quantity("seal", material or None, "", "part record"),
        Quantity("agent", name or None, "", "container"),
    )
    computation = "seal_lubricant_decision"
    if refusal := _unknown(material, "seal", listed_seals()):
        return _decision(SealAnswer.REFUSE, refusal, inputs, "rule", computation, listed=False)
    if name in THREAD_PASTES:
        reason = Reason("thread_paste", f"{name} is a thread paste, not a seal lubricant.")
        return _decision(
            SealAnswer.REFUSE, reason, inputs, "common practice", computation, listed=False
        )
    if refusal := _unknown(name, "agent", listed_agents()):
        return _decision(SealAnswer.REFUSE, refusal, inputs, "rule", computation, listed=False)
    for row in table("seal_lubricants"):
        if row["seal"] == material and row["agent"] == name:
            return _listed(row, f"{material} with {name}", inputs, computation)
    reason = Reason("pair_not_listed", f"{material} with {name} is not a listed pair.")
    return _decision(SealAnswer.REFUSE, reason, inputs, "rule", computation, listed=False)


def seal_medium_decision(
    seal: str | None, *, medium: str | None, temperature_degc: float | None
) -> SealDecision:
    """Say whether a seal may meet a medium at a temperature.

    Parameters
    ----------
    seal : seal material, a name of `listed_seals`, exactly
    medium : a name of `listed_media`, exactly
    temperature_degc : highest (or lowest) temperature at the seal, degC, -200 to 700; None if
        unknown

    Returns
    -------
    SealDecision : allow only for an exactly listed pair inside its limits, ends included

    Raises
    ------
    OutOfRange : temperature not finite or outside its range; a name that is no text

    Assumptions
    -----------
    Material identified by marking or packing; no amines or additives in the medium.

    Source
    ------
    Table `data/seal_media.csv`, a source beside each row.

    Examples
    --------
    >>> seal_medium_decision("EPDM", medium="steam", temperature_degc=140.0).answer.value
    'allow'
    >>> seal_medium_decision("NBR", medium="steam", temperature_degc=140.0).reasons[0].code
    'outside_temperature'
    """
    material, fluid = _text("seal", seal), _text("medium", medium)
    temperature = None
    if temperature_degc is not None:
        temperature = require_plausible("temperature_degc", temperature_degc)
    inputs = (
        Quantity("seal", material or None, "", "part record"),
        Quantity("medium", fluid or None, "", "register"),
        Quantity("temperature", temperature, "degC", "register"),
    )
    computation = "seal_medium_decision"
    refusal = _unknown(material, "seal", listed_seals()) or _unknown(
        fluid, "medium", listed_media()
    )
    if refusal:
        return _decision(SealAnswer.REFUSE, refusal, inputs, "rule", computation, listed=False)
    if temperature is None:
        reason = Reason("temperature_not_known", "The temperature at the seal is not known.")
        return _decision(SealAnswer.REFUSE, reason, inputs, "rule", computation, listed=False)
    for row in table("seal_media"):
        if row["seal"] != material or row["medium"] != fluid:
            continue
        if row["decision"] == "ALLOW":
            low, high = float(row["low_degc"]), float(row["high_degc"])
            if not low <= temperature <= high:
                reason = Reason(
                    "outside_temperature",
                    f"{material} in {fluid}: {temperature:g} degC is outside {low:g} to {high:g}.",
                )
                return _decision(
                    SealAnswer.REFUSE, reason, inputs, row["source"], computation, listed=True
                )
        return _listed(row, f"{material} in {fluid}", inputs, computation)
    reason = Reason("pair_not_listed", f"{material} in {fluid} is not a listed pair.")
    return _decision(SealAnswer.REFUSE, reason, inputs, "rule", computation, listed=False)


def _unknown(name: str, what: str, known: tuple[str, ...]) -> Reason | None:
    if name in known:
        return None
    if not name or name.lower() == "unknown":
        return Reason(f"{what}_not_known", f"The {what} is not known: find out, never guess.")
    return Reason(f"{what}_not_listed", f"'{name}' is not a listed {what}; no near name is used.")


def _listed(
    row: Mapping[str, str], pair: str, inputs: tuple[Quantity, ...], computation: str
) -> SealDecision:
    answer = SealAnswer(row["decision"].lower())
    tail = f": {row['reason']}." if row["reason"] else "."
    verb = "is allowed" if answer == SealAnswer.ALLOW else "is refused"
    reason = Reason(f"pair_{answer.value}", f"{pair} {verb}{tail}")
    return _decision(answer, reason, inputs, row["source"], computation, listed=True)


def _decision(
    answer: SealAnswer,
    reason: Reason,
    inputs: tuple[Quantity, ...],
    source: str,
    computation: str,
    *,
    listed: bool,
) -> SealDecision:
    return SealDecision(
        answer=answer,
        is_listed=listed,
        who_may_decide="" if answer == SealAnswer.ALLOW else WHO_MAY_DECIDE,
        source=source,
        inputs=inputs,
        reasons=(reason,),
        assumptions=("Material identified by marking or packing, not by colour or feel.",),
        cautions=cautions_for(computation),
    )
