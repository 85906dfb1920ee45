"""Index of all models. Hosts and tests import from here."""

from valvecare.core.models import Event, IdempotentAnswer, JobRun, PlantCredential
from valvecare.due.models import Act, Clock, DueItem, Policy, SeriesUsage
from valvecare.planning.models import Crew, Slot, Window
from valvecare.protection.models import FunctionTest
from valvecare.readings.models import (
    MeterEvent,
    PlantEvent,
    Push,
    Reading,
    Series,
    SeriesDay,
    SeriesState,
    SetAside,
    Source,
)
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
    "Act",
    "CalendarRule",
    "Clock",
    "ClosedRevision",
    "Crew",
    "CurvePoint",
    "Deferral",
    "DueItem",
    "Event",
    "Finding",
    "FunctionTest",
    "Gate",
    "IdempotentAnswer",
    "JobRun",
    "Membership",
    "MeterEvent",
    "OrderTest",
    "PartUsed",
    "PlantCredential",
    "PlantEvent",
    "Policy",
    "ProtectionValve",
    "ProvisionalRelease",
    "Pump",
    "PumpGroup",
    "Push",
    "Reading",
    "Series",
    "SeriesDay",
    "SeriesState",
    "SeriesUsage",
    "SetAside",
    "Site",
    "Slot",
    "Source",
    "ValveDesign",
    "Window",
    "WorkOrder",
]
