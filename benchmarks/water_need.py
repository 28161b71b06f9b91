"""Water need by figures: the six zones of the published controller test over recorded seasons, rule by rule.

python benchmarks/water_need.py SEASON_FOLDER... [--site SITE_FILE] [--rules lookahead,refill,calendar] [--zones]
    [--forecast none|season|synthetic]

Each year's growing season is replayed by every rule and set beside the least water that perfect foresight would have
taken, and beside sips at the brim (``brim``); see dewpond_sim.controller_test.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from dewpond.adapters.weather.season_files import read_season
from dewpond.settings.site_file import require_site
from dewpond_sim.controller_test import Result, growing_seasons, judge
from dewpond_sim.replay.run import FORECASTS

SITE = Path(__file__).parents[1] / "tests" / "data" / "sites" / "controller-test.toml"
RULES = ("lookahead", "refill", "calendar")


def show(result: Result) -> str:
    """One line of the table: the worst zone where a mark is a limit, else the mean."""
    marks = list(result.zones.values())
    excess = [mark.excess for mark in marks if not np.isnan(mark.excess)]
    waterings = sum(mark.waterings for mark in marks)
    depth = sum(m.mean_depth_of_raw * m.waterings for m in marks if m.waterings) / max(1, waterings)
    return (
        f"{result.season[:24]:24} {result.first:%Y} {result.rule:9} {sum(m.net_mm for m in marks):7.0f} "
        f"{result.of_bound:8.3f} {result.brim_of_bound:6.3f} {min(m.adequacy for m in marks):9.1%} "
        f"{max(excess, default=0.0):7.2%} {float(np.mean(excess)) if excess else 0.0:7.2%} "
        f"{max(m.stress_days for m in marks):7d} {max(m.runoff_share for m in marks):7.2%} {waterings:9d} {depth:6.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("seasons", nargs="+", type=Path)
    parser.add_argument("--site", type=Path, default=SITE)
    parser.add_argument("--rules", default=",".join(RULES))
    parser.add_argument("--zones", action="store_true", help="One more line for each zone.")
    parser.add_argument("--forecast", default="none", choices=FORECASTS)
    asked = parser.parse_args()
    site, rules = require_site(asked.site), asked.rules.split(",")
    print(
        f"{'season':24} year {'rule':9} {'net mm':>7} {'of bound':>8} {'brim':>6} {'adequacy':>9} "
        f"{'excess':>7} {'mean':>7} {'stressd':>7} {'runoff':>7} {'waterings':>9} {'depth':>6}"
    )
    shares: dict[str, list[float]] = {rule: [] for rule in rules}
    for folder in asked.seasons:
        season = read_season(folder)
        for first, last in growing_seasons(season):
            for result in judge(site, season, first, last, rules, asked.forecast):
                shares[result.rule].append(result.of_bound)
                print(show(result), flush=True)
                for name, mark in result.zones.items() if asked.zones else ():
                    ratio = mark.net_mm / max(result.bound_mm[name], 0.1)
                    print(
                        f"    {name:28} {mark.net_mm:6.0f} mm {ratio:6.3f} of bound, adequacy {mark.adequacy:.1%}, "
                        f"excess {mark.excess:.2%}, {mark.stress_days} stress days, depth {mark.mean_depth_of_raw:.2f}"
                    )
    for rule, of_bound in shares.items():
        print(f"{rule}: mean of {len(of_bound)} seasons {np.mean(of_bound):.3f} of the bound")


if __name__ == "__main__":
    main()
