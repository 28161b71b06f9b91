"""What one seed draws: an invented site, its weather, what goes wrong and what people do. Nothing else decides."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time, timedelta

import numpy as np

from dewpond.model.hours import DayRule, Hours, Restriction, Watering
from dewpond.model.site import Pump, Relays, Sensor, Site, Supply, Zone
from dewpond.ports import DayWeather
from dewpond_sim.ordeal.faults import KINDS, Deed, Fault
from dewpond_sim.world.sky import invented_summer
from dewpond_sim.world.world import Truth, drawn_truth

# Zones of the time base: one that never changes its clocks, two that do on either side of the equator, one 45 min off.
TIMEZONES = ("UTC", "America/New_York", "Australia/Sydney", "Asia/Kathmandu")
# Days of a season begin here or, in every third ordeal, shortly before clocks are changed.
USUAL_FIRST = date(2026, 6, 1)
CHANGES = (date(2026, 3, 29), date(2026, 10, 25), date(2026, 3, 8), date(2026, 11, 1), date(2026, 4, 5))
HEALED_DAYS = 3
HOUR_S, DAY_S = 3600.0, 86_400.0
# Application rate, intake, and flow by method: least and greatest. [mm/h, mm/h, L/min] Common practice, no source.
METHODS = {
    "spray": ((25.0, 45.0), (6.0, 15.0), (15.0, 40.0)),
    "rotor": ((8.0, 16.0), (8.0, 20.0), (15.0, 40.0)),
    "drip": ((4.0, 12.0), (12.0, 30.0), (3.0, 15.0)),
    "bubbler": ((15.0, 40.0), (15.0, 40.0), (10.0, 30.0)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Ordeal:
    """Everything one seed stands for. ``storm_days`` with faults, then HEALED_DAYS without."""

    seed: int
    site: Site
    first: date
    storm_days: int
    weather: tuple[DayWeather, ...]
    truth: Truth
    faults: tuple[Fault, ...]
    deeds: tuple[Deed, ...]

    @property
    def days(self) -> int:
        return self.storm_days + HEALED_DAYS


def draw(seed: int, days: int | None = None) -> Ordeal:
    """The ordeal of a seed; ``days`` replaces how long its storm is."""
    rng = np.random.default_rng([seed, 6])
    site = _site(rng)
    storm_days = int(rng.integers(6, 16))
    storm_days = storm_days if days is None else days
    first = USUAL_FIRST
    if rng.random() < 1 / 3:
        first = CHANGES[rng.integers(len(CHANGES))] - timedelta(days=int(rng.integers(1, 4)))
    weather = invented_summer(first, storm_days + HEALED_DAYS, seed)
    truth = drawn_truth(site, seed, float(rng.uniform(0.0, 0.3)), 0.01)
    return Ordeal(
        seed=seed,
        site=site,
        first=first,
        storm_days=storm_days,
        weather=weather,
        truth=truth,
        faults=_faults(rng, site, storm_days * DAY_S),
        deeds=_deeds(rng, site, storm_days * DAY_S),
    )


def _site(rng: np.random.Generator) -> Site:
    master, pumped, metered = rng.random() < 0.6, rng.random() < 0.25, rng.random() < 0.7
    count = int(rng.integers(2, 7))
    zones = tuple(_zone(rng, number) for number in range(1, count + 1))
    start, length_h = int(rng.integers(18, 24)), int(rng.integers(6, 12))
    window = Hours(start=time(start), end=time((start + length_h) % 24))
    days = DayRule(kind=("any", "any", "odd", "even")[rng.integers(4)])
    outputs = count + 2
    supply = Supply(
        id="main",
        source="well" if pumped else "potable",
        capacity_l_min=float(rng.uniform(45.0, 90.0)),
        meter="meter" if metered else None,
        master_output=count + 1 if master else None,
        pump=Pump(output=count + 2) if pumped else None,
    )
    sensors = [Sensor(id="meter", kind="flow", topic="quill/meter", mapping=_counted("L"))] if metered else []
    if rng.random() < 0.5:
        sensors.append(Sensor(id="gauge", kind="rain", topic="quill/rain", mapping=_counted("mm")))
    sensors += [
        Sensor(id=f"probe-{zone.id}", kind="soil_moisture", topic=f"quill/{zone.id}", zone=zone.id)
        for zone in zones
        if rng.random() < 0.3
    ]
    return Site(
        name="Quillbrook Yard",
        slug="quillbrook-yard",
        latitude_deg=40.0,
        longitude_deg=-100.0,
        elevation_m=300.0,
        timezone=TIMEZONES[rng.integers(len(TIMEZONES))],
        units="metric",
        watering=Watering(window=window, days=days, max_open=int(rng.integers(1, 4))),
        restrictions=_restrictions(rng),
        supplies=(supply,),
        relays=Relays(driver="simulated", outputs=outputs),
        zones=zones,
        programs=(),
        sensors=tuple(sensors),
        feeds=(),
        digest="drawn",
    )


def _counted(unit: str) -> dict[str, str]:
    return {"accumulation": "cumulative", "unit_in": unit}


def _zone(rng: np.random.Generator, number: int) -> Zone:
    method = tuple(METHODS)[rng.integers(len(METHODS))]
    rate, intake, flow = (float(rng.uniform(*span)) for span in METHODS[method])
    taw_mm, share = float(rng.uniform(15.0, 60.0)), float(rng.uniform(0.35, 0.6))
    return Zone(
        id=f"z{number}",
        name=f"Zone {number}",
        supply="main",
        output=number,
        area_m2=flow * 60.0 / rate,
        overhead=method in ("spray", "rotor"),
        method=method,
        crop_coefficient=(float(rng.uniform(0.5, 1.0)),) * 12,
        exposure=1.0,
        taw_mm=taw_mm,
        raw_mm=taw_mm * share,
        raw_is_given=True,
        allowed_depletion=share,
        application_rate_mm_h=rate,
        efficiency=float(rng.uniform(0.6, 0.9)),
        intake_mm_h=intake,
        surface_storage_mm=float(rng.uniform(2.0, 8.0)),
        flow_l_min=flow,
        rule="lookahead" if rng.random() < 0.5 else "refill",
        soil="loam",
        root_depth_mm=taw_mm / 0.15,
    )


def _restrictions(rng: np.random.Generator) -> tuple[Restriction, ...]:
    if rng.random() < 0.6:
        return ()
    return (
        Restriction(
            applies_to=frozenset({"overhead"}),
            days=DayRule(),
            hours=Hours(start=time(22), end=time(int(rng.integers(5, 9)))),
            from_date=None,
            until_date=None,
            name="Night hours",
        ),
    )


def _faults(rng: np.random.Generator, site: Site, storm_s: float) -> tuple[Fault, ...]:
    """Up to two dozen, of a few kinds that this seed favours, most of them at night when water runs."""
    fitting = [kind for kind in KINDS if KINDS[kind].fits(site)]
    kinds = rng.choice(fitting, size=int(rng.integers(2, 7)), replace=False).tolist()
    found = [_fault(rng, kinds[rng.integers(len(kinds))], site, storm_s) for _ in range(int(rng.integers(4, 25)))]
    return tuple(sorted(found, key=lambda fault: (fault.at_s, fault.kind)))


def _fault(rng: np.random.Generator, kind: str, site: Site, storm_s: float) -> Fault:
    known = KINDS[kind]
    at_s = _night_s(rng, site, storm_s) if rng.random() < 0.7 else float(rng.uniform(0.0, storm_s))
    least_s, most_s = known.lasts_s
    lasts_s = float(np.exp(rng.uniform(np.log(least_s), np.log(most_s)))) if most_s else 0.0
    return Fault(
        kind=kind,
        at_s=round(at_s, 3),
        until_s=round(min(at_s + lasts_s, storm_s), 3),
        value=round(float(rng.uniform(*known.value)), 3) * (1.0 if not known.signed or rng.random() < 0.5 else -1.0),
        target=known.target(site, rng),
    )


def _night_s(rng: np.random.Generator, site: Site, storm_s: float) -> float:
    """An instant within the hours of a watering window, from the first local midnight (roughly, near DST). [s]"""
    start_h = site.watering.window.start.hour
    length_h = (site.watering.window.end.hour - start_h) % 24 or 24
    night = int(rng.integers(0, max(1, int(storm_s // DAY_S))))
    late = float(rng.beta(2.0, 1.0))  # lawns are watered towards the end of the window
    at_s = night * DAY_S + (start_h + late * length_h) * HOUR_S
    return min(at_s, storm_s)


def _deeds(rng: np.random.Generator, site: Site, storm_s: float) -> tuple[Deed, ...]:
    """What people do: water, stop, hold and release, lock and unlock, close for winter and open again."""
    deeds: list[Deed] = []
    for number in range(int(rng.integers(0, 12))):
        action = ("water", "water", "water", "stop", "hold", "lock", "winter")[rng.integers(7)]
        zone = site.zones[rng.integers(len(site.zones))].id
        at_s = _night_s(rng, site, storm_s) if rng.random() < 0.5 else float(rng.uniform(0.0, storm_s))
        seconds = float(rng.integers(30, 2400)) if rng.random() < 0.95 else 36_000.0
        lasts_s = float(rng.uniform(600.0, 2 * DAY_S))
        name = f"{action}-{number}"
        deeds.append(Deed(at_s=at_s, action=action, zone=zone, seconds=seconds, name=name))
        if action in ("hold", "lock", "winter"):
            undo = {"hold": "release", "lock": "unlock", "winter": "summer"}[action]
            deeds.append(Deed(at_s=min(at_s + lasts_s, storm_s), action=undo, zone=zone, name=name))
    return tuple(sorted(deeds, key=lambda deed: (deed.at_s, deed.name, deed.action)))
