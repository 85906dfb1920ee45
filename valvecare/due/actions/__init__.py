"""What happens to due dates: acts restart clocks, policies and conditions set limits, sweeps
decide."""

from valvecare.due.actions.acts import restart_clocks, withdraw_act
from valvecare.due.actions.condition_rules import change_condition_rule, set_condition_rule
from valvecare.due.actions.passing import hold_line_rule, note_whole_look, say_of_lines
from valvecare.due.actions.policies import change_policy, set_policy
from valvecare.due.actions.settle import Settled
from valvecare.due.actions.structure import renew_valves
from valvecare.due.actions.sweep import refresh_touched, sweep

__all__ = [
    "Settled",
    "change_condition_rule",
    "change_policy",
    "hold_line_rule",
    "note_whole_look",
    "refresh_touched",
    "renew_valves",
    "restart_clocks",
    "say_of_lines",
    "set_condition_rule",
    "set_policy",
    "sweep",
    "withdraw_act",
]
