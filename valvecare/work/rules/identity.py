"""Whether what was read at the valve is the valve of the order."""

from dataclasses import dataclass

from valvecare.core.errors import Reason


@dataclass(frozen=True, slots=True)
class Reading:
    """What a code or text turned out to be: a label's thing, or the valve whose text it is.

    `name` and `valve_id` are empty when nothing this person may see answers to it.
    """

    text: str
    is_code: bool
    name: str = ""
    valve_id: int | None = None
    is_retired: bool = False


def why_not_identity(read: Reading, *, valve_id: int, valve: str, label: str) -> Reason | None:
    """A live label must be read; without one the serial or tag is typed. `label` empty: none."""
    if read.is_retired:
        return Reason(
            "label_retired",
            f"The label {read.text} is retired; it confirms nothing.",
            "Read the name plate, and have a new label made.",
        )
    if read.valve_id is not None and read.valve_id != valve_id:
        return Reason(
            "wrong_valve",
            f"This is {read.name}, the order is for {valve}.",
            f"Stop. Go to {valve}, or raise an order for {read.name}.",
            {"read": read.name, "order": valve},
        )
    if read.valve_id is None:
        what = read.name or read.text
        return Reason(
            "not_this_valve",
            f"'{what}' is not {valve}.",
            "Read the label or the name plate again; stop if they do not agree with the order.",
        )
    if label and not read.is_code:
        return Reason(
            "label_needed",
            f"{valve} has a label.",
            "Scan it or type its code. If the plate is lost, retire the label first.",
        )
    return None
