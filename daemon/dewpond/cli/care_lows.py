"""Daily lows for the frost dates: of a recorded season, or of the site's own thermometer."""

from __future__ import annotations

from pathlib import Path

from dewpond.cli.answers import fail
from dewpond.cli.upkeep_desk import AtDesk, Plain

_YEARS, _MONTH_S = 5, 30.5 * 86_400.0


def of_season(folder: Path) -> tuple[list[Plain], str]:
    """Daily lows of a season folder, and its station's name."""
    from dewpond.adapters.weather.season_files import SeasonFileError, read_season  # noqa: PLC0415

    try:
        season = read_season(folder)
    except (SeasonFileError, OSError) as fault:
        fail(str(fault))
    rows = [{"date": one.date.isoformat(), "low_c": one.t_min_c} for one in season.days if one.t_min_c is not None]
    return rows, season.station.name


def of_own_record(at: AtDesk) -> tuple[list[Plain], str]:
    """Daily lows by the site's own thermometer, month by month, for as long as the store has them."""
    from zoneinfo import ZoneInfo  # noqa: PLC0415

    from dewpond.adapters.store.reader import StoreReader  # noqa: PLC0415
    from dewpond.adapters.store.tables import StoreUnusable  # noqa: PLC0415
    from dewpond.adapters.system_clock import SystemClock  # noqa: PLC0415
    from dewpond.upkeep.care.climate import daily_lows  # noqa: PLC0415

    sensor = next((one.id for one in at.site.sensors if one.kind == "temperature" and one.zone is None), None)
    if sensor is None:
        fail("no sensor measures the air's temperature here; give --last and --first, or --season")
    reader, zone = StoreReader(at.service.database), ZoneInfo(at.site.timezone)
    now_s = SystemClock().now().wall.timestamp()
    rows: list[Plain] = []
    try:
        for back in range(_YEARS * 12, 0, -1):
            times, values = reader.readings(sensor, now_s - back * _MONTH_S, now_s - (back - 1) * _MONTH_S, 500_000)
            found = daily_lows(times.tolist(), values.tolist(), zone)
            rows += [{"date": day.isoformat(), "low_c": low_c} for day, low_c in found]
    except StoreUnusable as fault:
        fail(str(fault), 1)
    return rows, f"this site's own sensor {sensor}"
