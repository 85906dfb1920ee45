"""Index of all models. Hosts and tests import from here."""

from valvecare.core.models import Event, IdempotentAnswer, JobRun, PlantCredential
from valvecare.register.models import (
    CalendarRule,
    CurvePoint,
    Membership,
    ProtectionValve,
    Pump,
    PumpGroup,
    Site,
    ValveDesign,
)

__all__ = [
    "CalendarRule",
    "CurvePoint",
    "Event",
    "IdempotentAnswer",
    "JobRun",
    "Membership",
    "PlantCredential",
    "ProtectionValve",
    "Pump",
    "PumpGroup",
    "Site",
    "ValveDesign",
]
