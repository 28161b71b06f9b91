"""A small world whose relays are the real keeper's, over a board that writes every move down in order."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np
from sites import Supply, site, zone
from small_world import SmallWorld

from dewpond.model.events import ReadingsArrived
from dewpond.model.site import Pump, Sensor, Site
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_sim.in_process_keeper import InProcessKeeper, pump_order

MASTER, PUMP = 7, 8


class WritingRelays:
    """Relays that keep (elapsed s, output, on); ``refuses`` will not come on."""

    timed_on = False

    def __init__(self, elapsed_s) -> None:
        self.moves: list[tuple[float, int, bool]] = []
        self.on = dict.fromkeys(range(1, 9), False)
        self._elapsed_s = elapsed_s

    def connect(self) -> None:
        self.all_off()

    def set_output(self, output: int, on: bool) -> None:
        if self.on[output] != on:
            self.on[output] = on
            self.moves.append((round(self._elapsed_s(), 3), output, on))

    def all_off(self) -> None:
        for output in self.on:
            self.set_output(output, False)

    def read_back(self) -> Mapping[int, bool | None]:
        return dict(self.on)

    def close(self) -> None:
        self.all_off()


class PumpWorld(SmallWorld):
    """The same world over the keeper's own rules. ``refused`` says why an output may not open."""

    def __init__(self, place: Site, **changes) -> None:
        super().__init__(place, **changes)
        self.relays = WritingRelays(lambda: self.clock.now().elapsed_s)
        self.refused: dict[int, str] = {}
        core = KeeperCore(self.relays, 8, refuse=self.refused.get, pumps=pump_order(place))
        self.keeper = InProcessKeeper(core)
        self.runner.ports = dataclasses.replace(self.runner.ports, valves=self.keeper)
        self.runner.pass_once()
        self.relays.moves.clear()

    def open_now(self) -> list[int]:
        return [output for output, on in self.relays.on.items() if on]

    def moves_of(self, output: int) -> list[tuple[float, bool]]:
        return [(at_s, on) for at_s, moved, on in self.relays.moves if moved == output]

    def starts(self) -> int:
        return sum(on for _, on in self.moves_of(PUMP))

    def float_switch(self, low: bool) -> None:
        """The low-water switch speaks."""
        at_s = np.array([self.now.wall.timestamp()])
        self.tell(ReadingsArrived(at=self.now.wall, sensor="float", time_s=at_s, value=np.array([float(low)])))

    def hours_shut_in(self) -> float:
        """How long the pump ran with every valve shut, between instants. [s]"""
        on: set[int] = set()
        shut_in_s, before_s = 0.0, 0.0
        valves = {zone.output for zone in self.site.zones}
        for at_s, output, opened in self.relays.moves:
            if PUMP in on and not on & valves:
                shut_in_s += at_s - before_s
            (on.add if opened else on.discard)(output)
            before_s = at_s
        return shut_in_s


def place(*zones, pump: Pump | None = None, master: int | None = None, supply=None, **changes) -> Site:
    """A well with a pump on output 8 and a float switch; two lawns where no zones are given."""
    zones = zones or (zone("a", output=1), zone("b", output=2))
    pump = pump or Pump(output=PUMP, low_water="float")
    values = {"id": "main", "source": "well", "capacity_l_min": 60.0, "master_output": master, "pump": pump}
    sensor = Sensor(id="float", kind="switch", topic="well/float")
    return site(*zones, supplies=(Supply(**{**values, **(supply or {})}),), sensors=(sensor,), **changes)
