"""What people are told of a supply's pump: what it does, and why it lets a watering by hand wait or be refused."""

from __future__ import annotations

from dewpond.brain import pumps
from dewpond.brain.ground import Ground
from dewpond.brain.state import Opening, State
from dewpond.model.events import Now
from dewpond.model.site import Supply, Zone

WORTH_SAYING_L = 1.0


def words(ground: Ground, state: State, supply: Supply, now: Now) -> str:
    """What a supply's pump does now, as a sentence; "" without one."""
    memory = state.pumps.get(supply.id, pumps.OFF)
    if supply.pump is None:
        return ""
    low = pumps.low_water(ground, state, supply)
    if low:
        return f"The pump is kept off: {low[:1].lower()}{low[1:]}."
    if memory.run_id:
        return "The pump is being stopped." if memory.closing else "The pump runs."
    rests = pumps.resting(ground, state, supply, now)
    return f"{rests}." if rests else "The pump is off."


def against_hand(ground: Ground, state: State, zone: Zone, seconds: float, now: Now) -> str:
    """Why a person may not water a zone now for the sake of its pump, with the remedy, or ""."""
    supply = ground.site.supply(zone.supply)
    low = pumps.low_water(ground, state, supply)
    if low:
        return f"{zone.name} may not run: {low}; nothing runs there before the water is back"
    left_l, wanted_l = pumps.day_left_l(ground, state, supply, now), zone.flow_l_min * seconds / 60.0
    if wanted_l > left_l + WORTH_SAYING_L and supply.pump is not None:
        limit = f"the pump of {supply.id} has {left_l:.0f} L left of its {supply.pump.daily_l:.0f} L a day"
        return f"{limit}, and {zone.id} would take {wanted_l:.0f} L; ask for less, or wait until the next day"
    return ""


def waiting(ground: Ground, state: State, item: Opening, now: Now) -> str:
    """What a person is told whose watering waits for the pump to rest, or for a second zone; "" when it does not."""
    supply = ground.site.supply(item.supply)
    told = pumps.wait(ground, state, item, pumps.due_beside(state, item, now), now)
    if told is None or supply.pump is None:
        return ""
    if told.until_s > now.elapsed_s:
        rests = pumps.resting(ground, state, supply, now) or "The pump is being stopped"
        return f" {rests}; it begins after that."
    minutes, least = pumps.LATEST_COMPANY_S / 60.0, supply.pump.least_flow_l_min
    needs = f"it takes {item.flow_l_min:.3g} L/min and the pump needs {least:.3g}"
    return f" It waits {minutes:.0f} min for a second zone to be watered beside it: {needs}."
