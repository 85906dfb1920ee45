"""What has an open work order is not retired; an ended order is no obstacle."""

from datetime import UTC, datetime

import pytest

from tests.factories.register import SiteFactory, member, valve_at
from tests.factories.work import WorkOrderFactory
from valvecare.core.errors import Refused
from valvecare.core.permits import Role
from valvecare.models import ProtectionValve, Pump
from valvecare.register.actions import retire_record
from valvecare.work.actions.object_to_retirement import open_order

pytestmark = pytest.mark.django_db
AT = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)


@pytest.mark.parametrize(("case", "model"), [("valve", ProtectionValve), ("pump", Pump)])
def test_a_record_with_an_open_order_is_not_retired(case, model):
    site = SiteFactory()
    valve = valve_at(site, status="spare" if case == "pump" else "in service")
    order = WorkOrderFactory(valve=valve)
    record = valve if case == "valve" else valve.pump
    who = {"version": 1, "actor": member(site, Role.PLANNER), "at": AT, "reason": "scrapped"}
    with pytest.raises(Refused) as refused:
        retire_record(model, record.pk, **who)
    words = (
        f"The work order {order.number} on {record} is open (raised). Close it or drop it first."
    )
    assert words in str(refused.value)
    record.refresh_from_db()
    assert (record.version, record.retired_at) == (1, None)


def test_an_ended_order_is_no_obstacle():
    site = SiteFactory()
    valve = valve_at(site)
    WorkOrderFactory(valve=valve, state="dropped", ended_at=AT)
    assert open_order(valve) is None
    assert open_order(valve.pump.group) is None
    planner = member(site, Role.PLANNER)
    retire_record(ProtectionValve, valve.pk, version=1, actor=planner, at=AT, reason="scrapped")
    valve.refresh_from_db()
    assert valve.status == "retired"
