"""Commits step after step until it is killed; prints the number of each step once it is durable."""

import sys
from datetime import UTC, datetime

from dewpond.adapters.store.sql_store import SqlStore
from dewpond.model.commands import RecordRun
from dewpond.model.events import ClockStepped, Now

AT = datetime(2027, 1, 1, tzinfo=UTC)
url, events = sys.argv[1], int(sys.argv[2])
store = SqlStore(url, now=Now(wall=AT, elapsed_s=0.0), version="1")
number = 0
while True:
    number += 1
    now = Now(wall=AT, elapsed_s=float(number))
    store.append(number, now, [ClockStepped(at=AT, step_s=float(n)) for n in range(events)], [])
    run = {"start": AT, "end": AT, "seconds": 0.0, "gross_mm": 0.0, "litres": 0.0, "cause": "test"}
    store.record(RecordRun(run_id=str(number), zone="beds", **run))
    if store.commit():
        print(number, flush=True)
