"""Withy Hollow, the invented place of the demonstration: its site file, its weather, and what its owner does not
know.
"""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from dewpond.model.site import Site
from dewpond_sim.world.pipes import RowTimes
from dewpond_sim.world.sky import Sky, invented_summer
from dewpond_sim.world.world import Pace, Truth, World

SITE_FILE = "withy-hollow.toml"
SEED = 19
FIRST_EVENING = datetime(2027, 7, 8, 20, 0)  # noqa: DTZ001 - local time of a place whose zone the site file names
SUMMER_DAYS = 400  # long enough for a board left running for a night at the demonstration's speed
PACE = Pace(rows=RowTimes(open_s=30.0, idle_s=300.0, after_close_s=60.0), sample_s=900.0)


class PlaceMissing(FileNotFoundError):
    """Raised when the invented place's site file is not where it should be."""


def site_file() -> Path:
    """The site file as it came with the program: beside this module when installed, else in the checkout's deploy
    folder.
    """
    here = Path(__file__).resolve()
    for candidate in (here.parent / SITE_FILE, here.parents[2] / "deploy" / "sites" / SITE_FILE):
        if candidate.is_file():
            return candidate
    raise PlaceMissing(f"{SITE_FILE} is missing from the installation; install dewpond again or run it from a checkout")


def copy_site(folder: Path) -> Path:
    """A copy of the site file in ``folder``, so that its relay log and state stay there."""
    return Path(shutil.copy(site_file(), folder / SITE_FILE))


def start_of(site: Site) -> datetime:
    """The first evening at the place, in UTC: an hour before its window opens, so that there is soon much to see."""
    return FIRST_EVENING.replace(tzinfo=ZoneInfo(site.timezone)).astimezone(UTC)


def world_of(site: Site, start: datetime, seed: int = SEED) -> World:
    """The true place at ``start``. The second zone gives 8 % less than its file says, laterals drain, sensors have
    noise.
    """
    first_day = (start - timedelta(days=1)).date()
    sky = Sky(invented_summer(first_day, SUMMER_DAYS, seed), site.timezone, seed)
    truth = Truth(
        rate_factor={zone.id: 0.92 for zone in site.zones[1:2]},
        depletion_share=0.5,
        drained_l=3.0,
        start_flow_l_min=0.3,
        pressure_noise_kpa=1.5,
        probe_noise_m3_m3=0.003,
    )
    return World(site, sky, start_s=start.timestamp(), seed=seed, truth=truth, pace=PACE)
