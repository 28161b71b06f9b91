"""The pipe watch: notices broken pipe, stuck valves, clogged heads, a failing meter or supply from meter rows.

>>> state = first(settings)
>>> state, verdicts = step(settings, state, rows)
"""

from dewpond.brain.pipes.rows import MeterRow, rows_of_block, rows_of_log
from dewpond.brain.pipes.settings import MeterSettings, WatchSettings
from dewpond.brain.pipes.state import WatchState
from dewpond.brain.pipes.verdict import Verdict
from dewpond.brain.pipes.watch import accepted, first, knows, step

__all__ = [
    "MeterRow",
    "MeterSettings",
    "Verdict",
    "WatchSettings",
    "WatchState",
    "accepted",
    "first",
    "knows",
    "rows_of_block",
    "rows_of_log",
    "step",
]
