"""Placing orders, and the windows and crews they are placed in."""

from valvecare.planning.actions.place import check_place, place, unplace
from valvecare.planning.actions.windows import add_crew, add_window

__all__ = ["add_crew", "add_window", "check_place", "place", "unplace"]
