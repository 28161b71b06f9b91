"""What is believed of each zone beyond its file, and what it rests on, as inputs of a decision."""

from __future__ import annotations

from dewpond.brain.belief.daily import offsets_mm, use_factors
from dewpond.brain.belief.metered import METER_CLASS, RATE_RUNS
from dewpond.brain.belief.state import BeliefState
from dewpond.brain.ground import Ground
from dewpond.brain.local_time import utc
from dewpond.model.reasons import Input


def inputs(ground: Ground, belief: BeliefState) -> dict[str, tuple[Input, ...]]:
    """By zone id: the probe's last word, what was learned from it, and what the meter says of the application."""
    found: dict[str, list[Input]] = {zone: [] for zone in ground.table.ids}
    use, offset_mm = use_factors(belief), offsets_mm(belief)
    for sensor, place in ground.probes.items():
        probe, zone = belief.probes[sensor], ground.table.ids[place.zone]
        if len(probe.time_s):
            at = utc(float(probe.time_s[-1]))
            value = round(float(probe.value[-1]), 3)
            word = f"not believed: {probe.given_up}" if probe.given_up else "soil probe"
            found[zone].append(Input(name=sensor, value=value, unit="m3/m3", source=word, known_at=at))
        days = int(belief.learned_days[place.zone])
        if days and not probe.given_up:
            capacity = place.field_capacity_m3_m3 - float(offset_mm[place.zone]) / place.root_depth_mm
            evidence = f"learned from {days} probe days"
            found[zone] += [
                Input(
                    name="water use over the tables'", value=round(float(use[place.zone]), 2), unit="", source=evidence
                ),
                Input(name="reading at field capacity", value=round(capacity, 3), unit="m3/m3", source=evidence),
            ]
    for z, zone in enumerate(ground.table.ids):
        runs, factor = int(belief.rate_runs[z]), float(belief.rate_factor[z])
        if runs >= RATE_RUNS and abs(factor - 1.0) > METER_CLASS:
            source = f"learned from {runs} metered runs"
            found[zone].append(
                Input(name="application over the file's", value=round(factor, 2), unit="", source=source)
            )
    return {zone: tuple(items) for zone, items in found.items()}
