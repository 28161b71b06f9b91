"""What probes and meter are worth, and what they cost when they lie.

python benchmarks/estimation.py SEASON_FOLDER... [--draws N] [--faults]

Without ``--faults``: sites whose plants, soils and heads differ from the file by up to 30 %; the error of the believed
depletion against the ledger's, from day 45 on, both against the simulated ground. With it: every probe fails on the
fiftieth day in one way; water of the season against the same site without probes, days past RAW, and who was named.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np

from dewpond.adapters.weather.season import Season
from dewpond.adapters.weather.season_files import read_season
from dewpond.model.commands import RaiseAlarm
from dewpond.model.site import Site
from dewpond.settings.site_file import require_site
from dewpond_sim.replay.run import Replayed, replay
from dewpond_sim.sensor_faults import SensorFault
from dewpond_sim.world.world import Truth, drawn_truth

SITE = Path(__file__).parents[1] / "tests" / "data" / "sites" / "proving-ground.toml"
SETTLED_DAYS = 45
FAULT_DAY = 50
FAULTS = (
    ("stuck", 0.0),
    ("silent", 0.0),
    ("rail", 0.0),
    ("rail", 0.9),
    ("dry gap", 0.0),
    ("drifts", 0.002),
    ("drifts", -0.002),
    ("drifts", 0.0007),
    ("drifts", -0.0007),
    ("drifts", 0.0004),
    ("drifts", -0.0004),
    ("says", 0.10),
    ("says", 0.33),
)


@dataclass(frozen=True)
class Errors:
    """Root mean square errors of depletion from day 45 on. [mm]"""

    belief_mm: float
    ledger_mm: float


def summer(season: Season) -> tuple[date, date]:
    """April to September of the season's last whole year."""
    year = season.days[-1].date.year
    return date(year, 4, 1), date(year, 9, 30)


def errors(site: Site, done: Replayed, first: date) -> Errors:
    """Belief and ledger against the simulated ground."""
    gaps = [
        (row.belief_mm - true, row.depletion_mm - true)
        for row in done.records.days
        if row.date >= first + timedelta(days=SETTLED_DAYS)
        for true in [done.true_depletion_mm[row.date][[zone.id for zone in site.zones].index(row.zone)]]
    ]
    belief, ledger = np.sqrt(np.mean(np.square(gaps), axis=0))
    return Errors(float(belief), float(ledger))


def without_probes(site: Site) -> Site:
    """The same site with nothing in its soil."""
    return replace(site, sensors=tuple(sensor for sensor in site.sensors if sensor.kind != "soil_moisture"))


def net_mm(site: Site, done: Replayed) -> np.ndarray:
    """What reached the roots, zone by zone."""
    return np.array([done.summary["zones"][zone.id]["world_net_mm"] for zone in site.zones])


def named(done: Replayed) -> set[str]:
    """Zones whose probe was doubted."""
    return {str(alarm.zone) for alarm in done.store.recorded(RaiseAlarm) if alarm.kind == "sensor_doubt"}


def faults_of(site: Site, first: date, kind: str, value: float) -> list[SensorFault]:
    """Every probe of the site fails alike."""
    since_s = datetime(first.year, first.month, first.day, tzinfo=UTC).timestamp() + FAULT_DAY * 86_400.0
    return [
        SensorFault(sensor=sensor.id, kind=kind, since_s=since_s, value=value)
        for sensor in site.sensors
        if sensor.kind == "soil_moisture"
    ]


def show_errors(site: Site, season: Season, draws: Sequence[int]) -> list[Errors]:
    """One line a drawn truth."""
    first, last = summer(season)
    found = []
    for seed in draws:
        done = replay(site, season, first=first, last=last, seed=seed, truth=drawn_truth(site, seed))
        found.append(errors(site, done, first))
        told = f"belief {found[-1].belief_mm:5.2f} mm, ledger {found[-1].ledger_mm:5.2f} mm"
        ratio = found[-1].belief_mm / found[-1].ledger_mm
        print(f"{season.station.name[:24]:24} {first:%Y} draw {seed:2d}: {told}, {ratio:.2f}", flush=True)
    return found


def show_faults(site: Site, season: Season) -> None:
    """One line a fault."""
    first, last = summer(season)
    for title, truth in (("as written", Truth(probe_noise_m3_m3=0.01)), ("drawn 1", drawn_truth(site, 1))):
        plain = replay(without_probes(site), season, first=first, last=last, seed=1, truth=truth)
        bare = net_mm(site, plain)
        print(f"{season.station.name[:24]}, ground {title}: {bare.sum():.0f} mm without probes")
        for kind, value in FAULTS:
            faults = faults_of(site, first, kind, value)
            done = replay(site, season, first=first, last=last, seed=1, truth=truth, sensor_faults=faults)
            share = net_mm(site, done).sum() / bare.sum()
            print(f"  {kind:8} {value:7.4f}: water {share:.3f}, named {len(named(done))} of {len(faults)}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("seasons", nargs="+", type=Path)
    parser.add_argument("--draws", type=int, default=5)
    parser.add_argument("--faults", action="store_true")
    asked = parser.parse_args()
    site = require_site(SITE)
    everything: list[Errors] = []
    for folder in asked.seasons:
        season = read_season(folder)
        if asked.faults:
            show_faults(site, season)
        else:
            everything += show_errors(site, season, range(asked.draws))
    if everything:
        belief = np.sqrt(np.mean([item.belief_mm**2 for item in everything]))
        ledger = np.sqrt(np.mean([item.ledger_mm**2 for item in everything]))
        print(f"all {len(everything)}: belief {belief:.2f} mm, ledger {ledger:.2f} mm, {belief / ledger:.2f}")


if __name__ == "__main__":
    main()
