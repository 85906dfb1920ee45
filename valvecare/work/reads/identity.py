"""What a scanned or typed text must be to be the valve of an order."""

from valvecare.core.models import NOT_KNOWN
from valvecare.register.reads import live_labels
from valvecare.register.rules import LabelKind


def identity_texts(valve_id: int, *, tag: str, serial: str) -> tuple[str, ...]:
    """The code of the live label; without a label the serial and the tag, in small letters."""
    label = live_labels(LabelKind.VALVE, [valve_id]).get(valve_id)
    if label is not None:
        return (label.code,)
    return tuple(text.casefold() for text in (serial, tag) if text != NOT_KNOWN)
