"""A site with two supplies, a desk over a book in memory, and a person who walks round."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
import sites
from sites import DayRule, time

from dewpond.adapters.store.memory_upkeep import MemoryUpkeepBook
from dewpond.model.site import HeadKind, Heads, Program, Relays, Supply
from dewpond.upkeep.desk import UpkeepDesk

JUNE = datetime(2027, 6, 1, 14, tzinfo=UTC)
SPRAYS = Heads(
    kind=HeadKind.SPRAY, count=9, flow_l_min=4.0, radius_m=3.6, arc_deg=180.0, rated_pressure_kpa=210.0
)  # 36 L/min together


def a_site(**changes):
    zones = (
        sites.zone("lawn", heads=(SPRAYS,)),
        sites.zone("bank", output=2, slope_pct=14.0, heads=(SPRAYS,)),
        sites.zone("beds", output=3, overhead=False, method="drip", flow_l_min=9.0),
    )
    values = {
        "supplies": (Supply(id="main", source="potable", capacity_l_min=60.0, meter="meter", meter_pulse_l=1.0),),
        "relays": Relays(driver="simulated", outputs=8),
        "programs": (
            Program(name="Lawns", zone_minutes={"lawn": 10.0}, starts=(time(22), time(4)), days=DayRule()),
            Program(name="Old", zone_minutes={"lawn": 5.0}, starts=(time(23),), days=DayRule()),
        ),
    }
    return replace(sites.site(*zones, **values), **changes)


class Person:
    """Somebody with a phone: says what is seen, a minute later each time, and ticks what the step shows."""

    def __init__(self, desk: UpkeepDesk, who: str = "Ada", at: datetime = JUNE) -> None:
        self.desk, self.who, self.at = desk, who, at

    def do(self, op, **fields):
        self.at += timedelta(minutes=1)
        return self.desk.do(op, fields, who=self.who, at=self.at)

    def tick(self, shown):
        keys = [caution["key"] for caution in shown["cautions"] if not caution["ticked"]]
        if keys:
            self.do("walk-tick", step=shown["step"], keys=keys)

    def look(self, step, place, *findings, **fields):
        """Report a step, its cautions ticked."""
        whole = self.do("walk-show")
        if whole["next"] is not None:
            from dewpond.upkeep.walk import all_cautions
            from dewpond.upkeep.walk_steps import STEPS

            keys = all_cautions(self.desk.site, self.desk.current(), STEPS[step])
            if keys:
                self.do("walk-tick", step=step, keys=list(keys))
        plain = [{"fault": one} if isinstance(one, str) else one for one in findings]
        return self.do("walk-look", step=step, place=place, findings=plain, **fields)

    def go_round(self, seen=lambda step, place: {}):
        """The whole walk in the order it is guided; ``seen`` gives what there is to see at each step of each place."""
        shown = self.do("walk-begin")
        guided = []
        while shown["next"] is not None:
            self.tick(shown["next"])
            step, place = shown["next"]["step"], shown["next"]["place"]
            guided.append((step, place))
            shown = self.do("walk-look", step=step, place=place, **{"findings": [], **seen(step, place)})
        return guided, self.do("walk-end")


@pytest.fixture
def site():
    return a_site()


@pytest.fixture
def desk(site):
    return UpkeepDesk(site, MemoryUpkeepBook())


@pytest.fixture
def ada(desk):
    return Person(desk)
