"""The picture people see, built from the brain's state after a pass."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from dewpond.brain import (
    attended,
    clock_doubt,
    guided_desk,
    hints,
    locks,
    pipe_watch,
    proving_words,
    pump_words,
    pumps,
    rain_common,
    weather_holds,
)
from dewpond.brain.belief import daily
from dewpond.brain.brain import Brain
from dewpond.brain.ground import Ground
from dewpond.brain.local_time import utc
from dewpond.brain.openings import active
from dewpond.brain.rules import percent
from dewpond.brain.state import HoldState, Opening, SoilState, State
from dewpond.model import valve_kinds
from dewpond.model.events import Now
from dewpond.model.site import Sensor, Supply, Zone
from dewpond.model.states import ValveState
from dewpond.model.view import (
    AlarmView,
    ExemptionView,
    LockView,
    OpeningView,
    ProgramView,
    SensorView,
    SiteView,
    SupplyView,
    ZoneView,
)

UNITS = {
    "rain": "mm",
    "soil_moisture": "m3/m3",
    "flow": "L",
    "pressure": "kPa",
    "temperature": "degC",
    "humidity": "%",
    "wind": "m/s",
    "solar": "W/m2",
    "switch": "",
    "other": "",
}
FRESH_S = 1800.0  # where the mapping states no max_age_s


class Look:
    """Builds views of one site; the soil is worked out anew at most once a minute."""

    def __init__(self, brain: Brain) -> None:
        self._brain = brain
        self._missing = (np.zeros(0), np.zeros(0))
        self._worked_out: tuple[SoilState | None, int] = (None, 0)

    def __call__(self, state: State, now: Now) -> SiteView:
        ground = self._brain.ground
        site, night = ground.site, state.night
        window = ground.rules.window_at(now.wall.timestamp())
        whole = state.hold_on("")
        return SiteView(
            at=now.wall,
            name=site.name,
            slug=site.slug,
            timezone=site.timezone,
            units=site.units,
            broker={None: "none", True: "connected", False: "lost"}[state.broker_connected],
            keeper="ready" if state.keeper_ready else "lost" if "keeper" in state.alarms else "not ready",
            clock_trusted=now.trusted,
            hold_until=whole.until if whole else None,
            hold_reason=whole.reason if whole else "",
            window_date=night.window_date if night else window.date,
            window_opens=utc(night.opens_s if night else window.opens_s),
            window_closes=utc(night.closes_s if night else window.closes_s),
            next_planning=None,
            zones=tuple(self._zone(state, zone, now) for zone in site.zones),
            supplies=tuple(self._supply(state, supply, now) for supply in site.supplies),
            sensors=tuple(_sensor(state, sensor, now) for sensor in site.sensors),
            openings=tuple(_opening(item) for item in (*state.finished, *state.openings)),
            alarms=tuple(
                AlarmView(
                    key=a.key,
                    since=a.since,
                    kind=a.kind,
                    zone=a.zone,
                    sentence=pipe_watch.lost_so_far(state, a.key, a.sentence),
                )
                for a in state.alarms.values()
            ),
            simulated=site.relays.driver == "simulated",
            programs=_programs(ground, state, night.window_date if night else window.date),
            stage=ground.rules.under(state.place).stage,
            exemptions=tuple(
                ExemptionView(
                    number=key,
                    target=item.target,
                    rule=item.rule,
                    who=item.who,
                    reason=item.reason,
                    until=item.until,
                )
                for key, item in sorted(state.place.exemptions.items())
            ),
            clock_doubt=state.alarms[clock_doubt.ALARM].sentence if clock_doubt.ALARM in state.alarms else "",
            locks=tuple(
                LockView(target=lock.target, kind=lock.kind, who=lock.who, sentence=locks.words(ground, lock))
                for lock in state.locks
            ),
            power_loss=valve_kinds.power_loss(site),
        )

    def _zone(self, state: State, zone: Zone, now: Now) -> ZoneView:
        ground = self._brain.ground
        z, today = ground.table.index[zone.id], ground.days.date_at(now.wall.timestamp())
        running = next((item for item in active(state) if item.zone == zone.id), None)
        last = state.last_runs.get(zone.id)
        return ZoneView(
            id=zone.id,
            name=zone.name,
            supply=zone.supply,
            output=zone.output,
            valve=running.state.value if running else "closed" if state.keeper_ready else "unknown",
            opened_at=running.opened_at if running else None,
            until=_until(running),
            asked_by=running.cause if running else "",
            depletion_mm=float(self._now_missing(state, now)[0][z]),
            depletion_sd_mm=float(self._now_missing(state, now)[1][z]),
            raw_mm=float(ground.table.raw_on(today)[z]),
            taw_mm=float(ground.table.taw_on(today)[z]),
            flow_l_min=zone.flow_l_min,
            held=_held(ground, state, zone, now),
            last_run_end=utc(last[0]) if last else None,
            last_run_mm=last[1] if last else None,
            week_litres=0.0,
            reason=state.reasons.get(zone.id),
        )

    def _now_missing(self, state: State, now: Now) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Depletion now and its standard deviation; remembered for a minute as long as the ledger is the same."""
        ground, at_s = self._brain.ground, now.wall.timestamp()
        if self._worked_out[0] is not state.soil or self._worked_out[1] != int(at_s // 60):
            expected_mm = ground.assumed_eto(state.soil, ground.days.date_at(at_s)).eto_mm
            belief = daily.fitting(ground, state.soil, state.belief)
            self._missing = daily.depletion(ground, belief, state.soil, at_s, expected_mm)
            self._worked_out = (state.soil, int(at_s // 60))
        return self._missing

    def _supply(self, state: State, supply: Supply, now: Now) -> SupplyView:
        meter = state.sensors.get(supply.meter or "")
        pressure = state.sensors.get(supply.pressure or "")
        attends = attended.words(self._brain.ground, state, supply.id, now)
        if attends:
            watching = attends
        elif supply.meter is None:
            watching = hints.not_watching(self._brain.ground, self._brain.hint_places, supply.id)
        elif meter is None or now.wall.timestamp() - meter.at_s > FRESH_S:
            watching = "not watching: no fresh word from the flow meter"
        else:
            watching = pipe_watch.watching(self._brain.ground, state, supply.id)
        return SupplyView(
            id=supply.id,
            capacity_l_min=supply.capacity_l_min,
            expected_l_min=sum(pipe_watch.usual_l_min(state, item) for item in active(state, supply.id)),
            flow_l_min=state.supply_flow_l_min.get(supply.id),
            flow_at=utc(meter.at_s) if meter else None,
            pressure_kpa=pressure.value if pressure else None,
            pressure_at=utc(pressure.at_s) if pressure else None,
            watching=watching,
            guided=guided_desk.words(self._brain.ground, state, supply.id, now),
            pump=attended.pump_words(state, supply.id) or pump_words.words(self._brain.ground, state, supply, now),
        )


def _until(running: Opening | None) -> datetime | None:
    if running is None or running.opened_at is None:
        return None
    return running.opened_at + timedelta(seconds=running.seconds)


def _held(ground: Ground, state: State, zone: Zone, now: Now) -> str:
    weather = weather_holds.held(ground, state, zone, now.wall.timestamp())
    locked = locks.held(ground, state, zone)
    words = [f"{locked[:1].lower()}{locked[1:]}"] if locked else []
    unproved = proving_words.held(ground, state, zone)
    words += [f"{unproved[:1].lower()}{unproved[1:]}"] if unproved else []
    words += [_hold_words(hold) for hold in state.holds_on(zone.id)]
    low = pumps.low_water(ground, state, ground.site.supply(zone.supply))
    words += [text[:1].lower() + text[1:] for text in (weather, low) if text]
    if rain_common.holding(ground, state, zone, now.wall.timestamp()):
        words.append("rain switch holding")
    if words:
        return "; ".join(dict.fromkeys(words))
    if state.night is not None and zone.id in state.night.stopped_zones:
        return "stopped by a person for this window"
    return ""


def _hold_words(hold: HoldState) -> str:
    kind = "" if hold.kind in ("other", "rain") else f" ({hold.kind})"
    return f"held by {hold.who}{kind}{': ' + hold.reason if hold.reason else ''}"


def _programs(ground: Ground, state: State, day: date) -> tuple[ProgramView, ...]:
    found = []
    for name, told in percent.today(ground, state.soil, state.percents, day).items():
        changed = state.percents.get(name)
        who, at = (changed.who, changed.since) if changed else ("", None)
        found.append(ProgramView(name=name, percent=told.percent, why=told.why, changed_by=who, changed_at=at))
    return tuple(found)


def _opening(item: Opening) -> OpeningView:
    words = {ValveState.WAITING: "planned", ValveState.CLOSED: "done", ValveState.REFUSED: "dropped"}
    return OpeningView(
        zone=item.zone,
        supply=item.supply,
        start=item.opened_at or utc(item.start_s),
        seconds=item.seconds,
        gross_mm=item.gross_mm,
        flow_l_min=item.flow_l_min,
        source=item.source,
        state=words.get(item.state, "running"),
        note=item.cause,
    )


def _sensor(state: State, sensor: Sensor, now: Now) -> SensorView:
    last = state.sensors.get(sensor.id)
    max_age_s = float(sensor.mapping.get("max_age_s") or FRESH_S)
    known = last is not None and last.at_s > 0.0
    return SensorView(
        id=sensor.id,
        kind=sensor.kind,
        value=last.value if last and known else None,
        unit=UNITS[sensor.kind],
        at=utc(last.at_s) if last and known else None,
        fresh=bool(last and known and now.wall.timestamp() - last.at_s <= max_age_s),
        rejected=last.rejected if last else 0,
    )
