"""A site's records on a real file, and the few rows every test needs."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from dewpond.adapters.store.sql_store import SqlStore
from dewpond.model.commands import RecordDay, RecordPlan, RecordReason, RecordRun
from dewpond.model.events import Now, ReadingsArrived
from dewpond.model.reasons import Input, ZoneReason

AT = datetime(2027, 5, 1, 20, 0, 0, 123_456, tzinfo=UTC)
NIGHT = date(2027, 5, 1)


def now_at(elapsed_s=0.0):
    return Now(wall=AT + timedelta(seconds=elapsed_s), elapsed_s=elapsed_s)


def readings(sensor="main-meter", first_s=1_000_000.0, values=(1.0, 2.5)):
    times = first_s + np.arange(len(values))
    return ReadingsArrived(at=AT, sensor=sensor, time_s=times, value=np.array(values, dtype=float))


def plan_row(zone="beds", start_no=0, state="planned", **changes):
    fields = {"source": "refill", "window_date": NIGHT, "start": AT, "seconds": 600.0, "gross_mm": 4.5}
    return RecordPlan(**{**fields, **changes, "zone": zone, "start_no": start_no, "state": state})


def run_row(run_id="run-1", zone="beds", litres=300.25, **changes):
    fields = {"start": AT, "end": AT + timedelta(minutes=10), "seconds": 600.0, "gross_mm": 4.5, "cause": "refill"}
    return RecordRun(**{**fields, **changes, "run_id": run_id, "zone": zone, "litres": litres})


def day_row(day=NIGHT, zone="beds", depletion_mm=7.125, eto_mm=4.0):
    return RecordDay(
        date=day,
        zone=zone,
        eto_mm=eto_mm,
        etc_mm=3.2,
        rain_mm=0.0,
        effective_rain_mm=0.0,
        net_irrigation_mm=0.0,
        runoff_mm=0.0,
        drainage_mm=0.0,
        depletion_mm=depletion_mm,
        taw_mm=22.4,
        raw_mm=11.2,
        reason="left dry: 7.1 mm of 11.2 mm used",
        belief_mm=7.125,
        belief_sd_mm=0.5,
        correction_mm=0.0,
        eto_method="Penman-Monteith",
    )


def reason(zone="beds", day=NIGHT, decided_at=AT, decision="water"):
    return RecordReason(
        reason=ZoneReason(
            zone=zone,
            window_date=day,
            decided_at=decided_at,
            decision=decision,
            rule="refill",
            summary="11.5 mm of 11.2 mm used: watered",
            depletion_mm=11.5,
            depletion_sd_mm=0.1 + 0.2,
            depletion_after_mm=0.0,
            raw_mm=11.2,
            taw_mm=22.4,
            net_mm=11.5,
            gross_mm=14.9,
            seconds=1450.0,
            inputs=(Input(name="rain", value=None, unit="mm", source="gauge", known_at=AT),),
            limits=("no more than 60 min at a time",),
            would_change="0.4 mm of rain",
        )
    )


@pytest.fixture
def path(tmp_path):
    return tmp_path / "dewpond.db"


@pytest.fixture
def url(path):
    return f"sqlite:///{path}"


@pytest.fixture
def open_store(url):
    """Opens stores on the test's file, and closes them at its end."""
    stores = []

    def open_it(elapsed_s=0.0, **options):
        stores.append(SqlStore(options.pop("url", url), now=now_at(elapsed_s), version="1.2.3", **options))
        return stores[-1]

    yield open_it
    for store in stores:
        store._let_go()


@pytest.fixture
def store(open_store):
    return open_store()
