"""What can happen to readings. `push_readings` is the one way in."""

from valvecare.readings.actions.push_readings import PushResult, Verdict, push_readings

__all__ = ["PushResult", "Verdict", "push_readings"]
