"""What it costs to watch 1,000 zones on 50 meters, each read once a second: the share of one core.

Every second fifty messages of meters (counters) and fifty of pressure gauges are decoded, gathered and go through the
brain's whole step, with the watch in it; once with a zone open on every supply, once with all shut. Processor time is
counted, not the wall clock. The broker's client and the store are not part of it.

python benchmarks/pipe_watch.py [SECONDS]
"""

from __future__ import annotations

import resource
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from dewpond.adapters.mqtt.gather import Gatherer
from dewpond.adapters.readings import Decoder, DecoderState, parse_mapping
from dewpond.brain.brain import Brain
from dewpond.brain.pipe_watch import on_meter
from dewpond.brain.pipes import WatchState
from dewpond.brain.pipes.usual import Run, first_run, learn
from dewpond.brain.state import Opening, PipeMemory
from dewpond.model.events import Now, ReadingsArrived
from dewpond.model.site import Sensor, Site, Supply
from dewpond.model.states import ValveState
from dewpond.settings.site_file import require_site

SITE = Path(__file__).parents[1] / "tests" / "data" / "sites" / "controller-test.toml"
START = datetime(2026, 7, 1, 2, tzinfo=UTC)
METERS, ZONES_EACH, RUNS = 50, 20, 6
FLOW_L_MIN, KPA, PULSE_L = 36.0, 350.0, 0.1
LIMIT = 0.20  # of one core


def large_site() -> Site:
    """Fifty supplies with meter and pressure gauge, twenty zones on each."""
    site = require_site(SITE)
    supplies = tuple(
        Supply(
            id=f"supply-{n}",
            source="potable",
            capacity_l_min=200.0,
            meter=f"meter-{n}",
            pressure=f"gauge-{n}",
            meter_pulse_l=PULSE_L,
            meter_row_s=1.0,
        )
        for n in range(METERS)
    )
    zones = tuple(
        replace(site.zones[n % len(site.zones)], id=f"zone-{n}", output=n + 1, supply=f"supply-{n // ZONES_EACH}")
        for n in range(METERS * ZONES_EACH)
    )
    meters = tuple(
        Sensor(id=f"meter-{n}", kind="flow", topic=f"m/{n}", mapping={"accumulation": "cumulative", "unit_in": "L"})
        for n in range(METERS)
    )
    gauges = tuple(
        Sensor(id=f"gauge-{n}", kind="pressure", topic=f"g/{n}", mapping={"unit_in": "kPa"}) for n in range(METERS)
    )
    return replace(site, supplies=supplies, zones=zones, sensors=(*meters, *gauges))


def known(site: Site, supply: str) -> PipeMemory:
    """The watch over one supply, of whose zones each is known by some good runs."""
    at_s = START.timestamp() - 86_400.0
    run = Run(FLOW_L_MIN, float(np.log(KPA)), 0.002)
    usual = first_run(run, at_s, shared=False)
    for _ in range(RUNS):
        usual = learn(usual, run, at_s)
    return PipeMemory(watch=WatchState(flows={z.id: usual for z in site.zones if z.supply == supply}))


def opening(zone: str, supply: str, output: int) -> Opening:
    """A zone that has been open since the start, and goes on for hours."""
    return Opening(
        run_id=f"run/{zone}",
        zone=zone,
        supply=supply,
        output=output,
        source="refill",
        window_date=START.date(),
        start_no=1,
        start_s=START.timestamp(),
        seconds=7200.0,
        latest_end_s=START.timestamp() + 7200.0,
        flow_l_min=FLOW_L_MIN,
        gross_mm=10.0,
        state=ValveState.OPEN,
        opened_at=START,
    )


class Inbox:
    """Decodes and gathers what fifty meters and fifty gauges say."""

    def __init__(self, site: Site) -> None:
        mappings = [parse_mapping(sensor) for sensor in site.sensors]
        self._decoder, self._gatherer, self._state = Decoder(mappings), Gatherer(mappings), DecoderState()

    def take(self, now: Now, messages: Sequence[tuple[str, bytes]]) -> list[ReadingsArrived]:
        """The events of one second's messages."""
        for topic, payload in messages:
            readings, self._state = self._decoder.decode(
                topic, payload, received_at=now.wall, retained=False, state=self._state
            )
            for reading in readings:
                self._gatherer.add(reading, now.wall)
        return [event for event in self._gatherer.take(now) if isinstance(event, ReadingsArrived)]


def messages(counters_l: Sequence[float], rng: np.random.Generator) -> list[tuple[str, bytes]]:
    """One second's messages, topic and payload."""
    gauges = [(f"g/{n}", f"{KPA + rng.normal(0.0, 2.0):.1f}".encode()) for n in range(METERS)]
    return [*gauges, *((f"m/{n}", f"{litres:.1f}".encode()) for n, litres in enumerate(counters_l))]


class Counters:
    """What fifty meters show of a flow, in whole pulses."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng, self._litres = rng, rng.uniform(0.0, PULSE_L, METERS)

    def after_second(self, flow_l_min: float) -> list[float]:
        """Litres shown a second later. [L]"""
        self._litres += flow_l_min / 60.0 * self._rng.normal(1.0, 0.003, METERS)
        shown: list[float] = (np.floor(self._litres / PULSE_L) * PULSE_L).tolist()
        return shown


def cpu_s() -> float:
    """Processor time of this process so far. [s]"""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def measure(seconds: int, *, running: bool) -> None:
    """So many seconds of readings through decoder and brain, and once more through the watch alone; what each cost."""
    site, rng = large_site(), np.random.default_rng(1)
    brain, inbox, counters = Brain(site), Inbox(site), Counters(rng)
    state = replace(brain.first_state(Now(wall=START, elapsed_s=0.0)), keeper_ready=True)
    state = replace(state, pipes={supply.id: known(site, supply.id) for supply in site.supplies})
    if running:
        first = [(zone.id, zone.supply, zone.output) for zone in site.zones[::ZONES_EACH]]
        state = replace(state, openings=tuple(opening(*each) for each in first))
    alone, whole_s, watch_s, rows = state, 0.0, 0.0, 0
    for second in range(1, seconds + 1):
        now = Now(wall=START + timedelta(seconds=second), elapsed_s=float(second))
        sent = messages(counters.after_second(FLOW_L_MIN if running else 0.0), rng)
        began_s = cpu_s()
        told = inbox.take(now, sent)
        state = brain.step(state, told, now).state
        whole_s += cpu_s() - began_s
        metered = [event for event in told if event.window_s is not None]
        rows += len(metered)
        began_s = cpu_s()
        for block in metered:
            alone, _ = on_meter(brain.ground, alone, block.sensor.replace("meter", "supply"), (block, told), now)
        watch_s += cpu_s() - began_s
    share = whole_s / seconds
    print(
        f"{len(site.zones)} zones on {METERS} meters, {'a zone open on each' if running else 'all shut'}, {seconds} s "
        f"at a reading a second ({rows} meter rows): {100.0 * share:.1f} % of one core, "
        f"{'within' if share <= LIMIT else 'ABOVE'} {100.0 * LIMIT:.0f} %; the watch alone "
        f"{100.0 * watch_s / seconds:.1f} %; {len(state.alarms)} alarms"
    )
    if any(memory.last_row_s != now.wall.timestamp() for memory in state.pipes.values()):
        sys.exit("some meter's last row was not taken up, so these figures mean nothing")


if __name__ == "__main__":
    length = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    measure(length, running=True)
    measure(length, running=False)
