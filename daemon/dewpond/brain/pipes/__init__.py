"""The pipe watch: notices broken pipe, stuck valves, clogged heads, a failing meter or supply from meter rows.

>>> state = first(settings)
>>> state, verdicts = step(settings, state, rows)
"""

from dewpond.brain.pipes.columns import columns_of_block
from dewpond.brain.pipes.of_site import watch_settings
from dewpond.brain.pipes.rows import MeterRow, rows_of_block, rows_of_log
from dewpond.brain.pipes.settings import MeterSettings, WatchSettings
from dewpond.brain.pipes.state import WatchState
from dewpond.brain.pipes.verdict import Verdict
from dewpond.brain.pipes.watch import accepted, first, knows, step, step_block

__all__ = [
    "MeterRow",
    "MeterSettings",
    "Verdict",
    "WatchSettings",
    "WatchState",
    "accepted",
    "columns_of_block",
    "first",
    "knows",
    "rows_of_block",
    "rows_of_log",
    "step",
    "step_block",
    "watch_settings",
]
