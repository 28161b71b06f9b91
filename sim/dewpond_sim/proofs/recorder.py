"""``python -m dewpond_sim.proofs.recorder CLOCK LOG RECORD``: writes down, by its own look at the time, what relays do.

A process of its own with a seat of its own at the shared time: it is given a turn at the very moment a relay has moved.
It takes from the relays' log which output moved and how, never when; keeper and daemon know nothing of it.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

from dewpond.adapters.paced_clock import ClockLost, PacedClock
from dewpond_sim.relay_log import RelayLog

NAME = "recorder"


def main(clock_address: str, log: str, record: str) -> None:
    """Record until the shared time ends."""
    clock = PacedClock(clock_address, NAME, watches=True)
    relays = RelayLog(Path(log))
    with Path(record).open("a", encoding="ascii", buffering=1) as file:
        while True:
            for moved in relays.news():
                file.write(f"{clock.now().elapsed_s!r} {moved.output} {'on' if moved.on else 'off'}\n")
            try:
                clock.wait(math.inf)
            except ClockLost:
                return


if __name__ == "__main__":
    main(*sys.argv[1:])
