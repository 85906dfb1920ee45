"""Index of all models. Hosts and tests import from here."""

from valvecare.core.models import Event, IdempotentAnswer, JobRun, PlantCredential
from valvecare.planning.models import Crew, Slot, Window
from valvecare.protection.models import FunctionTest
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
from valvecare.work.models import (
    ClosedRevision,
    Deferral,
    Finding,
    Gate,
    OrderTest,
    PartUsed,
    ProvisionalRelease,
    WorkOrder,
)

__all__ = [
    "CalendarRule",
    "ClosedRevision",
    "Crew",
    "CurvePoint",
    "Deferral",
    "Event",
    "Finding",
    "FunctionTest",
    "Gate",
    "IdempotentAnswer",
    "JobRun",
    "Membership",
    "OrderTest",
    "PartUsed",
    "PlantCredential",
    "ProtectionValve",
    "ProvisionalRelease",
    "Pump",
    "PumpGroup",
    "Site",
    "Slot",
    "ValveDesign",
    "Window",
    "WorkOrder",
]
