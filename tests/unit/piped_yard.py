"""Three zones on simulated pipes behind the daemon's own loop, with a pulse meter and a pressure gauge."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from sites import site, zone
from small_world import IdealKeeper, Silent, SmallWorld

from dewpond.brain.ground import ground_of
from dewpond.model.commands import RaiseAlarm
from dewpond.model.events import Now, ReadingsArrived
from dewpond.model.site import Sensor, Supply
from dewpond_sim.world.pipes import MeterParameters, RowTimes, SupplyPipes

MASTER = 8


class PipedKeeper(IdealKeeper):
    """Relays that move the valves of real (simulated) pipes. ``stuck`` outputs stay open when told to close."""

    def __init__(self, yard: Yard) -> None:
        super().__init__()
        self.yard = yard
        self.stuck: set[int] = set()

    def open(self, run_id: str, output: int, planned_s: float, now: Now):
        events = super().open(run_id, output, planned_s, now)
        self.yard.turn(now)
        return events

    def close(self, run_id: str, output: int, now: Now, cause: str):
        events = super().close(run_id, output, now, cause)
        self.yard.turn(now)
        return events


class PipedBus(Silent):
    """Meter and pressure rows up to each pass."""

    def __init__(self, yard: Yard) -> None:
        super().__init__()
        self.yard = yard

    def drain(self, now: Now):
        rows, _ = self.yard.pipes.advance(self.yard.at_s, now.wall.timestamp())
        self.yard.at_s = now.wall.timestamp()
        told = super().drain(now)
        if len(rows.time_s):
            pressure = ReadingsArrived(at=now.wall, sensor="gauge", time_s=rows.time_s, value=rows.pressure_kpa)
            litres = np.zeros(len(rows.litres)) if self.yard.meter_dead else rows.litres
            meter = ReadingsArrived(
                at=now.wall, sensor="meter", time_s=rows.time_s, value=litres, window_s=rows.window_s
            )
            told += [pressure, meter]
        return told


class Yard(SmallWorld):
    """Three zones, a pulse meter and a pressure gauge; every zone has run five times."""

    def __init__(self, master: int | None = None, known: bool = True) -> None:
        supply = Supply(
            id="main",
            source="potable",
            capacity_l_min=60.0,
            static_pressure_kpa=380.0,
            meter="meter",
            pressure="gauge",
            master_output=master,
            meter_pulse_l=1.0,
        )
        mapping = {"accumulation": "increment"}
        sensors = (
            Sensor(id="meter", kind="flow", topic="yard/meter", mapping=mapping),
            Sensor(id="gauge", kind="pressure", topic="yard/gauge"),
        )
        zones = tuple(zone(name, output=n + 1) for n, name in enumerate(("lawn", "bank", "hedge")))
        self.meter_dead = False
        super().__init__(site(*zones, supplies=(supply,), sensors=sensors), depletion_share=0.2)
        self.at_s = self.now.wall.timestamp()
        self.pipes = SupplyPipes(
            supply,
            zones,
            start_s=self.at_s,
            meter=MeterParameters(pulse_l=1.0),
            rows=RowTimes(idle_s=10.0),  # a pulse is told at once
            rng=np.random.default_rng(1),
        )
        self.keeper = PipedKeeper(self)
        self.runner.ports = type(self.runner.ports)(
            clock=self.clock,
            valves=self.keeper,
            bus=PipedBus(self),
            store=self.store,
            calendar=Silent(),
            weather=Silent(),
            desk=self.desk,
        )
        self.runner.longest_sleep_s = 10.0
        self.hours = 0.0
        for _ in range(5 if known else 0):
            for item in zones:
                self.water(item.id)

    def turn(self, now: Now) -> None:
        """The valves as they stand, of which a master that is off lets nothing through."""
        open_now = {output - 1 for output in set(self.keeper.open_now) | self.keeper.stuck}
        if self.site.supplies[0].master_output is not None and MASTER - 1 not in open_now:
            open_now = set()
        rows, _ = self.pipes.advance(self.at_s, now.wall.timestamp())
        assert not len(rows.time_s) or rows.time_s[-1] <= now.wall.timestamp()
        self.at_s = max(self.at_s, now.wall.timestamp())
        self.pipes.switch(self.at_s, tuple(sorted(open_now & set(range(len(self.site.zones))))))

    def later(self, minutes: float) -> None:
        self.hours += minutes / 60.0
        self.until(self.hours)

    def water(self, zone_id: str, minutes: float = 6.0) -> None:
        """One run by hand, and some quiet after it."""
        taken, why = self.ask("water", zone=zone_id, seconds=minutes * 60.0)
        assert taken, why
        self.later(minutes + 4.0)

    def alarms(self) -> list[RaiseAlarm]:
        return list(self.store.recorded(RaiseAlarm))

    def with_supply(self, **fields: object) -> Yard:
        """The same yard with other words of its file about the supply."""
        (supply,) = self.brain.ground.site.supplies
        self.brain.ground = ground_of(replace(self.brain.ground.site, supplies=(replace(supply, **fields),)))
        return self

    def conduct(self, zone: int, share: float) -> None:
        """A zone's pipes and heads let through this share of what they did."""
        self.pipes.conductance[zone] *= share
        self.pipes.changed()
