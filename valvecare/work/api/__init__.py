"""REST of work orders: the list plant systems poll, one order, one endpoint per verb."""

from django.urls import path

from valvecare.work.api.gauges import GaugeBringBack, GaugeOne, GaugeRetire, Gauges
from valvecare.work.api.orders import DueJobs, WorkOrderDetail, WorkOrders
from valvecare.work.api.photos import Photos
from valvecare.work.api.procedures import (
    ProcedureVersionDetail,
    ProcedureVersionDraft,
    ProcedureVersionPreview,
    ProcedureVersions,
    ProcedureVersionUse,
    ProcedureVersionWithdraw,
)
from valvecare.work.api.reviews import FindingsForEngineer
from valvecare.work.api.verbs import VERB_ENDPOINTS

_ORDERS = "api/v1/work-orders"
_PROCEDURES = "api/v1/procedure-versions"

urls = [
    path("api/v1/due-jobs", DueJobs.as_view(), name="api-due-jobs"),
    path("api/v1/gauges", Gauges.as_view(), name="api-gauges"),
    path("api/v1/gauges/<int:gauge_id>", GaugeOne.as_view(), name="api-gauge"),
    path("api/v1/gauges/<int:gauge_id>/retire", GaugeRetire.as_view(), name="api-gauge-retire"),
    path(
        "api/v1/gauges/<int:gauge_id>/bring-back",
        GaugeBringBack.as_view(),
        name="api-gauge-bring-back",
    ),
    path(
        "api/v1/findings-for-engineer",
        FindingsForEngineer.as_view(),
        name="api-findings-for-engineer",
    ),
    path(_PROCEDURES, ProcedureVersions.as_view(), name="api-procedure-versions"),
    path(
        f"{_PROCEDURES}/<int:version_id>",
        ProcedureVersionDetail.as_view(),
        name="api-procedure-version",
    ),
    *(
        path(
            f"{_PROCEDURES}/<int:version_id>/{name}",
            endpoint.as_view(),
            name=f"api-procedure-version-{name}",
        )
        for name, endpoint in (
            ("preview", ProcedureVersionPreview),
            ("draft", ProcedureVersionDraft),
            ("use", ProcedureVersionUse),
            ("withdraw", ProcedureVersionWithdraw),
        )
    ),
    path(_ORDERS, WorkOrders.as_view(), name="api-work-orders"),
    path(f"{_ORDERS}/<int:order_id>/photos", Photos.as_view(), name="api-work-order-photos"),
    path(f"{_ORDERS}/<int:order_id>", WorkOrderDetail.as_view(), name="api-work-order"),
    *(
        path(f"{_ORDERS}/<int:order_id>/{name}", endpoint.as_view(), name=f"api-work-order-{name}")
        for name, endpoint in VERB_ENDPOINTS.items()
    ),
]
