"""Values read at the valve: each names its gauge, and the gauge must be fit for it."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.contrib.auth import get_user_model

from valvecare.core.errors import Reason, Refused
from valvecare.core.permits import may
from valvecare.work.actions.order import refuse_if, site_day
from valvecare.work.models import Finding, Measurement, WorkOrder
from valvecare.work.reads import gauge_at
from valvecare.work.rules import READ_FROM_A_GAUGE, UNITS, GaugeKind, Measured, why_not_gauge


def usable_gauge(
    order: WorkOrder,
    code: str,
    *,
    used_at: datetime,
    value: float | None,
    unit: str,
    kind: GaugeKind | None = None,
    is_difference: bool = False,
) -> Any:
    """The gauge of this label at the order's site; refused unless it is fit for the value."""
    gauge, facts = gauge_at(order.site_id, code)
    refuse_if(
        why_not_gauge(
            facts,
            code=code,
            used_on=site_day(order, used_at),
            value=value,
            unit=unit,
            kind=kind,
            is_difference=is_difference,
        )
    )
    return gauge


def read_values(
    order: WorkOrder, given: Sequence[dict[str, Any]], *, taken_at: datetime
) -> list[Measurement]:
    """Unsaved measurements of `{"quantity", "value", "gauge"}`; each quantity once."""
    rows: list[Measurement] = []
    for one in given:
        quantity, value = Measured(one["quantity"]), float(one["value"])
        unit, code = UNITS[quantity], str(one.get("gauge", ""))
        gauge = None
        if quantity in READ_FROM_A_GAUGE or code.strip():
            gauge = usable_gauge(order, code, used_at=taken_at, value=value, unit=unit)
        if quantity in [row.quantity for row in rows]:
            raise Refused(
                Reason(
                    "measured_twice",
                    f"'{quantity}' is given twice.",
                    "Give the worst value you read.",
                )
            )
        rows.append(
            Measurement(
                order=order,
                revision=order.revision,
                quantity=quantity.value,
                value=value,
                unit=unit,
                gauge=gauge,
                taken_at=taken_at,
            )
        )
    return rows


def save_values(rows: Sequence[Measurement], finding: Finding) -> None:
    """Store the values with the finding they belong to."""
    for row in rows:
        row.finding, row.stage = finding, finding.stage
    Measurement.objects.bulk_create(rows)


def who_did_it(order: WorkOrder, username: str) -> Any:
    """The person who did it where somebody else types it in; None where none is named."""
    if not username.strip():
        return None
    users = get_user_model()._default_manager
    person = users.filter(**{get_user_model().USERNAME_FIELD: username.strip()}).first()
    if person is None or not may(person, "do_work", order.site_id):
        raise Refused(
            Reason(
                "not_a_worker",
                f"Nobody named {username} works at this site.",
                "Give the user name of the technician who did it.",
            )
        )
    return person
