"""What can happen to readings. `push_readings` is the one way in."""

from valvecare.readings.actions.add_series import add_series, change_series, swap_series
from valvecare.readings.actions.confirm_series import confirm_series
from valvecare.readings.actions.declare_meter_event import declare_meter_event
from valvecare.readings.actions.judge_set_aside import (
    accept_set_aside,
    call_reading_wrong,
    dismiss_set_aside,
)
from valvecare.readings.actions.push_readings import PushResult, Verdict, push_readings
from valvecare.readings.actions.record_plant_events import PlantEventRow, record_plant_events

__all__ = [
    "PlantEventRow",
    "PushResult",
    "Verdict",
    "accept_set_aside",
    "add_series",
    "call_reading_wrong",
    "change_series",
    "confirm_series",
    "declare_meter_event",
    "dismiss_set_aside",
    "push_readings",
    "record_plant_events",
    "swap_series",
]
