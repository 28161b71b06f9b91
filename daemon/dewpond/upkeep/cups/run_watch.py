"""What was seen while a zone ran for its cups: wind, pressure, and whether it opened and shut.

A picture is the plain form of the site's view, as the daemon's ``status`` answers it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dewpond.upkeep.cups.layout import WIND_EVERY_MIN, WIND_LIMIT_M_S

Picture = Mapping[str, Any]
LIMIT = f"at most {WIND_LIMIT_M_S:.1f} m/s, 5 mph (Irrigation Association audit guidelines)"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSeen:
    """``opened`` and ``shut`` tell whether the valve was seen so, in this order; None where no sensor speaks.

    Pressures are the supply's at the first and the last picture with the valve open. [kPa]
    """

    opened: bool
    shut: bool
    most_wind_m_s: float | None
    first_kpa: float | None
    last_kpa: float | None


def wind_of(picture: Picture) -> tuple[str, float] | None:
    """The fresh wind sensor that shows most, and its figure. [m/s]"""
    fresh = [
        (str(each["id"]), float(each["value"]))
        for each in picture.get("sensors", ())
        if each["kind"] == "wind" and each["fresh"] and each["value"] is not None
    ]
    return max(fresh, key=lambda each: each[1], default=None)


def wind_fault(picture: Picture, *, calm: bool) -> str:
    """Why cups should not be filled now, with the remedy, or ``""``. ``calm`` is what a person sees."""
    wind = wind_of(picture)
    if wind is not None and wind[1] > WIND_LIMIT_M_S:
        return f"wind: sensor {wind[0]} shows {wind[1]:.1f} m/s; {LIMIT}; wait for calm"
    if wind is None and not calm:
        return f"wind: no sensor tells it; {LIMIT}; if leaves hardly stir say --calm"
    return ""


def run_seen(pictures: Sequence[Picture], zone: str) -> RunSeen:
    """What the pictures of one run show, oldest first."""
    open_now = [picture for picture in pictures if _valve(picture, zone) == "open"]
    after = pictures[pictures.index(open_now[-1]) + 1 :] if open_now else ()
    winds = [wind[1] for picture in open_now if (wind := wind_of(picture)) is not None]
    kpa = [_pressure_kpa(picture, zone) for picture in open_now]
    return RunSeen(
        opened=bool(open_now),
        shut=any(_valve(picture, zone) == "closed" for picture in after),
        most_wind_m_s=max(winds, default=None),
        first_kpa=kpa[0] if kpa else None,
        last_kpa=kpa[-1] if kpa else None,
    )


def sentences(seen: RunSeen) -> tuple[str, ...]:
    """What to tell the person who reads the cups."""
    if not seen.opened:
        return ("The valve was not seen open: look at dewpond status before the cups are read.",)
    said = []
    if seen.most_wind_m_s is None:
        said.append(f"Wind: no sensor; note it every {WIND_EVERY_MIN} min.")
    elif seen.most_wind_m_s > WIND_LIMIT_M_S:
        said.append(f"Wind rose to {seen.most_wind_m_s:.1f} m/s; {LIMIT}; empty the cups and repeat it in calm.")
    else:
        said.append(f"Wind at most {seen.most_wind_m_s:.1f} m/s: give --wind {seen.most_wind_m_s:.1f}.")
    if seen.first_kpa is not None and seen.last_kpa is not None:
        said.append(f"Supply pressure {seen.first_kpa:.0f} kPa at the start, {seen.last_kpa:.0f} kPa at the end.")
    said.append("Note the pressure at a head for each placement; all placements are run alike.")
    return tuple(said)


def _zone(picture: Picture, zone: str) -> Mapping[str, Any]:
    found: Mapping[str, Any] = next((each for each in picture["zones"] if each["id"] == zone), {})
    return found


def _valve(picture: Picture, zone: str) -> str:
    return str(_zone(picture, zone).get("valve", ""))


def _pressure_kpa(picture: Picture, zone: str) -> float | None:
    supply = _zone(picture, zone).get("supply")
    for each in picture.get("supplies", ()):
        if each["id"] == supply and each.get("pressure_kpa") is not None:
            return float(each["pressure_kpa"])
    return None
