"""What can be done with the register. Hosts import from here."""

from valvecare.register.actions.credentials import (
    issue_plant_credential,
    revoke_plant_credential,
    rotate_plant_credential,
)
from valvecare.register.actions.labels import make_label, retire_label
from valvecare.register.actions.people import add_member, end_membership
from valvecare.register.actions.pumps import change_pump, set_curve
from valvecare.register.actions.records import (
    add_record,
    bring_back_record,
    change_record,
    refuse_retirement_when,
    retire_record,
)

__all__ = [
    "add_member",
    "add_record",
    "bring_back_record",
    "change_pump",
    "change_record",
    "end_membership",
    "issue_plant_credential",
    "make_label",
    "refuse_retirement_when",
    "retire_label",
    "retire_record",
    "revoke_plant_credential",
    "rotate_plant_credential",
    "set_curve",
]
