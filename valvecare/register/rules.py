"""Closed word lists of the register and decisions on one row's identity."""

from enum import StrEnum


class PumpRole(StrEnum):
    DUTY = "duty"
    STANDBY = "standby"


class ValveStatus(StrEnum):
    IN_SERVICE = "in service"
    SPARE = "spare"
    RETIRED = "retired"


class Attitude(StrEnum):
    """How the valve sits in the pipe; a wrong attitude alone can make a disc hang open."""

    HORIZONTAL = "horizontal"
    VERTICAL_UP = "vertical, flow upwards"
    VERTICAL_DOWN = "vertical, flow downwards"
    NOT_KNOWN = "not known"


class ReturnsTo(StrEnum):
    VESSEL = "vessel"
    SUCTION = "suction pipe"
    NOT_KNOWN = "not known"


def choices(words: type[StrEnum]) -> list[tuple[str, str]]:
    """The enumeration as Django choices; the word is stored and shown."""
    return [(word.value, word.value) for word in words]
