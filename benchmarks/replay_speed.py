"""How long a season takes: 8 zones, 214 days, every meter row through the brain (10 s open, 300 s otherwise).

python benchmarks/replay_speed.py SEASON_FOLDER [REPEATS]
"""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

from dewpond.adapters.weather.season_files import read_season
from dewpond.settings.site_file import require_site
from dewpond_sim.replay.run import replay

SITE = Path(__file__).parents[1] / "deploy" / "sites" / "withy-hollow.toml"
DAYS = 214


def main(folder: Path, repeats: int) -> None:
    site = require_site(SITE)
    eighth = replace(site.zones[0], id="verge", name="Verge", output=9, area_m2=60.0, flow_l_min=38.0)
    relays = replace(site.relays, outputs=9)
    site = replace(site, zones=(*site.zones, eighth), relays=relays)
    season = read_season(folder)
    first = date(season.days[-1].date.year, 4, 1)
    for _ in range(repeats):
        done = replay(site, season, first=first, last=first + timedelta(days=DAYS - 1))
        summary = done.summary
        print(
            f"{len(site.zones)} zones, {DAYS} days: {summary['elapsed_s']:.2f} s, "
            f"{summary['flow_readings']} flow readings, {summary['steps']} steps, {len(done.records.runs)} openings"
        )


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 3)
