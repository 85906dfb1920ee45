"""Tables of work."""

from valvecare.work.models.joint import Tightening
from valvecare.work.models.orders import (
    ClosedRevision,
    Deferral,
    Finding,
    Gate,
    Gauge,
    Measurement,
    OrderTest,
    PartUsed,
    Photo,
    ProvisionalRelease,
    Signature,
    TakenAlong,
    WorkOrder,
    WorkOrderQuerySet,
    number_of,
)

__all__ = [
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
    "Tightening",
    "WorkOrder",
    "WorkOrderQuerySet",
    "number_of",
]
