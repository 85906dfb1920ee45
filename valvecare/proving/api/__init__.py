"""REST of the guided function test."""

from django.urls import path

from valvecare.proving.api.runs import (
    TestRunDetail,
    TestRunFinish,
    TestRunNotDone,
    TestRunReadings,
    TestRunsOfOrder,
)

_RUN = "api/v1/test-runs/<int:run_id>"

urls = [
    path(
        "api/v1/work-orders/<int:order_id>/test-runs",
        TestRunsOfOrder.as_view(),
        name="api-test-runs-of-order",
    ),
    path(_RUN, TestRunDetail.as_view(), name="api-test-run"),
    path(f"{_RUN}/readings", TestRunReadings.as_view(), name="api-test-run-readings"),
    path(f"{_RUN}/not-done", TestRunNotDone.as_view(), name="api-test-run-not-done"),
    path(f"{_RUN}/finish", TestRunFinish.as_view(), name="api-test-run-finish"),
]
