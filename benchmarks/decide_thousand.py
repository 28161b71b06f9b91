"""How long one night's decision of 1,000 zones takes, all of them due, each by the ``lookahead`` rule.

python benchmarks/decide_thousand.py [ZONES]
"""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from dewpond.adapters.system_clock import SystemClock
from dewpond.brain import beliefs
from dewpond.brain.ground import ground_of
from dewpond.brain.local_time import EPOCH
from dewpond.brain.rules import book, outlook
from dewpond.settings.site_file import require_site

SITE = Path(__file__).parents[1] / "tests" / "data" / "sites" / "controller-test.toml"
NIGHT = date(2026, 7, 1)


def main(zones: int) -> None:
    site = require_site(SITE)
    many = tuple(
        replace(site.zones[n % len(site.zones)], id=f"zone-{n}", output=n + 1, rule="lookahead") for n in range(zones)
    )
    ground = ground_of(replace(site, zones=many))
    rng = np.random.default_rng(1)
    soil = replace(
        beliefs.first_soil(ground.table, NIGHT, 0.97),
        record_day=np.arange(365.0) + (NIGHT - EPOCH).days - 365,
        record_eto_mm=rng.uniform(3.0, 7.0, 365),
        record_rain_mm=np.where(rng.random(365) < 0.3, rng.gamma(0.7, 10.0, 365), 0.0),
        rain_days=365,
    )
    closes_s = ground.days.clock_s(NIGHT + timedelta(days=1), site.watering.window.end)
    clock = SystemClock()
    for _ in range(3):
        started_s = clock.now().elapsed_s
        question = outlook.ask(ground, soil, NIGHT, closes_s, soil.depletion_mm)
        depths = book.depths(ground, question)
        due = sum(depth.net_mm > 0.0 for depth in depths.values())
        print(f"{zones} zones, {due} due: {clock.now().elapsed_s - started_s:.2f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
