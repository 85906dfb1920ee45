"""Work in the admin. Importing registers the classes with the default admin site."""

from valvecare.work.admin.orders import (
    AT_MOST,
    GaugeAdmin,
    GaugeForm,
    ResultLine,
    Seen,
    WorkOrderAdmin,
    one_by_one,
    results,
    seen_in,
)
from valvecare.work.admin.procedures import ProcedureAdmin, ProcedureVersionAdmin

__all__ = [
    "AT_MOST",
    "GaugeAdmin",
    "GaugeForm",
    "ProcedureAdmin",
    "ProcedureVersionAdmin",
    "ResultLine",
    "Seen",
    "WorkOrderAdmin",
    "one_by_one",
    "results",
    "seen_in",
]
