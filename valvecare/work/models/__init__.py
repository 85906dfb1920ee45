"""Tables of work."""

from valvecare.work.models.joint import Tightening
from valvecare.work.models.measuring import Gauge, Measurement
from valvecare.work.models.orders import (
    ClosedRevision,
    Deferral,
    Finding,
    Gate,
    OrderTest,
    PartUsed,
    Photo,
    ProvisionalRelease,
    Signature,
    TakenAlong,
    TestedStep,
    WorkOrder,
    WorkOrderQuerySet,
    number_of,
)
from valvecare.work.models.procedures import (
    OWNERS,
    Procedure,
    ProcedureStep,
    ProcedureVersion,
    StepRecord,
)

__all__ = [
    "OWNERS",
    "Procedure",
    "ProcedureStep",
    "ProcedureVersion",
    "StepRecord",
    "ClosedRevision",
    "Deferral",
    "Finding",
    "Gate",
    "Gauge",
    "Measurement",
    "OrderTest",
    "PartUsed",
    "Photo",
    "ProvisionalRelease",
    "Signature",
    "TakenAlong",
    "TestedStep",
    "Tightening",
    "WorkOrder",
    "WorkOrderQuerySet",
    "number_of",
]
