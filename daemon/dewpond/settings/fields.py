"""Building blocks of the tables: values with limits, whose refusals already carry limit and remedy.

The limits stop mixed-up units and slips of the pen, not bad designs; they are common practice, no source, unless named.
"""

from __future__ import annotations

import calendar
import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, time
from difflib import get_close_matches
from typing import Annotated, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import Field, PlainValidator
from pydantic_core import PydanticCustomError

from dewpond.model.hours import DateSpan, DayRule, Hours
from dewpond.model.site import HeadKind
from dewpond.science.plants import LANDSCAPE_FACTORS, MONTHLY_TURF
from dewpond.settings import quantities as q
from dewpond.settings import words
from dewpond.settings.quantities import shown

REFUSED = "refused"


def refusal(what: str, limit: str = "", remedy: str = "") -> PydanticCustomError:
    """The one error our own validators raise; its context becomes the parts of a Problem."""
    return PydanticCustomError(REFUSED, "{what}", {"what": what, "limit": limit, "remedy": remedy})


@dataclass(frozen=True, slots=True)
class Quantity:
    """Reads one quantity and keeps it within plausible limits, in the dimension's inner unit; ``hint`` is typical."""

    dimension: q.Dimension
    low: float
    high: float
    hint: str = ""

    def __call__(self, value: Any) -> float:
        """The value in the inner unit. Raises a refusal that names the limits."""
        try:
            number = self.dimension.read(value)
        except q.QuantityError as error:
            raise refusal(error.what, error.accepted, self.hint) from None
        if not self.low <= number <= self.high:
            unit = f" {self.dimension.unit}" if self.dimension.unit else ""
            limit = f"it must lie between {self.low:.10g} and {self.high:.10g}{unit}"
            raise refusal(f"{shown(value)} cannot be right", limit, self._remedy(value))
        return number

    def _remedy(self, value: Any) -> str:
        """The same number in the unit that was probably meant, or else what is typical."""
        number, given = q.number_and_unit(value) or (0.0, "")
        fitting = [unit for unit, worth in self.dimension.worth.items() if self.low <= number * worth <= self.high]
        meant = " or ".join(f'"{number:.10g} {unit}"' for unit in fitting if unit != given)
        return f"was {meant} meant?" if meant else self.hint


def _said(parse: Callable[[Any], Any], limit: str) -> PlainValidator:
    """A parser of words as a validator; its ValueError is what was wrong."""

    def read(value: Any) -> Any:
        try:
            return parse(value)
        except ValueError as error:
            raise refusal(str(error), limit) from None

    return PlainValidator(read)


def _choose(value: Any, choices: Sequence[str]) -> str:
    """One of a few words, without regard to case; spaces, hyphens and underscores count as the same."""
    for choice in choices:
        if isinstance(value, str) and _plain(value) == _plain(choice):
            return choice
    close = get_close_matches(str(value), choices, n=1)
    remedy = f'was "{close[0]}" meant?' if close else ""
    raise refusal(f"{shown(value)} is not known here", f"accepted are {', '.join(choices)}", remedy)


def _plain(text: str) -> str:
    return text.strip().lower().replace("_", " ").replace("-", " ")


def one_of(*choices: str) -> PlainValidator:
    """A validator for one of a few words."""
    return PlainValidator(lambda value: _choose(value, choices))


def _head_kind(value: Any) -> HeadKind:
    """A head kind in any case; spaces, hyphens and underscores count as the same."""
    return HeadKind(_choose(value, tuple(HeadKind)))


def matches(pattern: str, text: str) -> bool:
    """Whether the whole text fits."""
    return re.fullmatch(pattern, text) is not None


def suggested_id(value: Any) -> str:
    """An id made from what was given, as a remedy; empty when nothing is left of it."""
    made = slug(value) if isinstance(value, str) else ""
    return f'"{made}" would do' if made else ""


def slug(text: str) -> str:
    """Lower-case letters, digits and hyphens of a text, accents dropped; safe in topics and file names."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:64]


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > 200 or not value.isprintable():
        raise refusal(f"{shown(value)} is not a line of text", "it must be 1 to 200 printable characters in quotes")
    return value.strip()


def _words(value: Any) -> frozenset[str]:
    items = [value] if isinstance(value, str) else value
    if not isinstance(items, list) or not items or not all(isinstance(item, str) for item in items):
        raise refusal(f"{shown(value)} names nothing", "accepted are one name in quotes or a list of names")
    return frozenset(item.strip() for item in items)


def _restricted_methods(value: Any) -> frozenset[str]:
    """Ways of watering that a restriction is narrowed to."""
    return frozenset(_choose(word, ("overhead", "drip", "spray", "rotor", "bubbler")) for word in _words(value))


def read_output(value: Any) -> int | None:
    """An output number, written 3 or "relays:3"; None when it is neither."""
    if isinstance(value, str) and matches(r"(relays:)?\d{1,6}", value.strip()):
        value = int(value.strip().removeprefix("relays:"))
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 100_000:
        return None
    return value


def _output(value: Any) -> int:
    number = read_output(value)
    if number is None:
        raise refusal(f"{shown(value)} is no output", 'outputs are counted from 1, as in 3 or "relays:3"')
    return number


def _time_zone(value: Any) -> str:
    """A name of the IANA time zone database. A few zones are looked at only when the name is wrong."""
    try:
        return ZoneInfo(_text(value)).key
    except (ZoneInfoNotFoundError, ValueError, OSError):
        close = get_close_matches(str(value), sorted(available_timezones()), n=1, cutoff=0.5)
        remedy = f'was "{close[0]}" meant?' if close else ""
        limit = 'it must be a name of the IANA time zone database, such as "Europe/Berlin" or "Etc/GMT+8"'
        raise refusal(f"{shown(value)} is not a time zone", limit, remedy) from None


def _twelve(value: Any) -> tuple[float, ...]:
    """Twelve monthly values, January first."""
    if not isinstance(value, list) or len(value) != 12:
        given = f"{len(value)} values" if isinstance(value, list) else shown(value)
        raise refusal(f"{given} given", "it takes twelve values, January first", "for one value use plant_factor")
    return tuple(_COEFFICIENT(item) for item in value)


def _months_or_table(value: Any) -> tuple[float, ...] | str:
    """Twelve monthly values, or the name of a published monthly table."""
    return _choose(value, tuple(MONTHLY_TURF)) if isinstance(value, str) else _twelve(value)


def _factor_or_class(factor: str) -> PlainValidator:
    """A factor of the landscape coefficient: a number, or one of its published classes."""
    number = Quantity(q.FRACTION, 0.05, 1.5, "0.5 to 1 is usual")

    def read(value: Any) -> float | str:
        worded = isinstance(value, str) and q.number_and_unit(value) is None
        return _choose(value, tuple(LANDSCAPE_FACTORS[factor])) if worded else number(value)

    return PlainValidator(read)


def _percent_or_et(value: Any) -> float | str:
    """A percentage, or the words that have it follow the weather."""
    if isinstance(value, str) and _plain(value) == _plain(FROM_ET):
        return FROM_ET
    if isinstance(value, str) and q.number_and_unit(value) is None:
        raise refusal(f"{shown(value)} is not a percentage", f'accepted are a number and "{FROM_ET}"')
    return Quantity(q.PERCENT, 0, 300)(value)


def _month(value: Any) -> int:
    """The number of a calendar month, from its name, its first letters or its number."""
    if isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 12:
        return value
    wanted = value.strip().lower() if isinstance(value, str) else ""
    for number, name in enumerate(calendar.month_name[1:], start=1):
        if len(wanted) >= 3 and name.lower().startswith(wanted):
            return number
    raise refusal(f"{shown(value)} is no month", 'a month is written as in "jul", "July" or 7')


def _celsius(value: Any, low_c: float, high_c: float, remedy: str) -> float:
    """A temperature of the air in degrees Celsius; a bare number is one already."""
    found = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*(?:deg|°)?\s*([CF]?)\s*", str(value))
    if found is None or isinstance(value, bool):
        raise refusal(f"{shown(value)} is no temperature", 'accepted are texts such as "2 degC" or "36 degF"')
    number = float(found[1])
    celsius = (number - 32.0) / 1.8 if found[2] == "F" else number
    if not low_c <= celsius <= high_c:
        limit = f"it must lie between {low_c:g} and {high_c:g} degC"
        raise refusal(f"{shown(value)} cannot be right", limit, remedy)
    return celsius


def _air_temperature(value: Any) -> float:
    """A limit of frost. [degC]"""
    return _celsius(value, -60.0, 15.0, "ice forms below 0 degC")


def _heat(value: Any) -> float:
    """A limit of heat. [degC]"""
    return _celsius(value, 20.0, 50.0, "heat that plants are cooled in begins near 30 degC")


def _month_day(value: Any) -> tuple[int, int]:
    """A day of every year as month and day."""
    text = value.strip() if isinstance(value, str) else ""
    try:
        found = date.fromisoformat(f"2028-{text}")  # a leap year knows every day
    except ValueError:
        raise refusal(f"{shown(value)} is no day of the year", 'it is written month-day, as in "11-01"') from None
    return found.month, found.day


_COEFFICIENT = Quantity(q.FRACTION, 0, 2, "turf lies between 0.5 and 1.05")
# Spray heads about 30 mm/h, rotors and impacts below 25 mm/h: Waller and Yitayew, Irrigation and Drainage Engineering,
# 2016, ch. 13.
_RATE_HINT = "a spray head gives about 30 mm/h, a rotor less than 25 mm/h, and 1.6 in/h is 41 mm/h"

Text = Annotated[str, PlainValidator(_text)]
Words = Annotated[frozenset[str], PlainValidator(_words)]
Output = Annotated[int, PlainValidator(_output)]
TimeZone = Annotated[str, PlainValidator(_time_zone)]
Flag = Annotated[bool, Field(strict=True)]
Whole = Annotated[int, Field(strict=True, ge=1, le=100_000)]
Days = Annotated[DayRule, _said(words.parse_days, f"accepted are {words.DAY_FORMS}")]
ClockHours = Annotated[Hours, _said(words.parse_hours, 'hours are two clock times, such as ["21:00", "06:00"]')]
ClockTime = Annotated[time, _said(words.parse_time, 'a clock time is written as in "05:30"')]
DateOrDay = Annotated[
    date | tuple[int, int], _said(words.parse_date_or_day, 'it is written "2027-05-01", or "05-01" for every year')
]
ClosedDates = Annotated[
    tuple[DateSpan, ...],
    _said(words.parse_closed_dates, 'accepted are dates such as "2027-07-04" and "12-25", and {from = .., until = ..}'),
]
RestrictedMethods = Annotated[frozenset[str], PlainValidator(_restricted_methods)]
CalendarDate = Annotated[date, _said(words.parse_date, 'a date is written as in "2027-05-01"')]

SensorKind = Annotated[
    str,
    one_of(
        "rain", "soil_moisture", "flow", "pressure", "temperature", "humidity", "wind", "solar", "switch", "other"
    ),
]  # fmt: skip
FeedKind = Annotated[str, one_of("open-meteo", "met-norway", "csv", "station")]
Climate = Annotated[str, one_of("humid", "arid")]
Units = Annotated[str, one_of("metric", "us")]
Source = Annotated[str, one_of("potable", "reclaimed", "well", "pond")]
Kind = Annotated[HeadKind, PlainValidator(_head_kind)]
Method = Annotated[str, one_of("spray", "rotor", "drip", "bubbler")]

Latitude = Annotated[float, PlainValidator(Quantity(q.ANGLE_DEG, -90, 90, "is it exchanged with the longitude?"))]
Longitude = Annotated[float, PlainValidator(Quantity(q.ANGLE_DEG, -180, 180))]
Elevation = Annotated[float, PlainValidator(Quantity(q.LENGTH_M, -430, 5500, "height above the sea"))]
Area = Annotated[float, PlainValidator(Quantity(q.AREA_M2, 0.1, 1_000_000))]
Rate = Annotated[float, PlainValidator(Quantity(q.RATE_MM_H, 0.1, 400, _RATE_HINT))]
Intake = Annotated[float, PlainValidator(Quantity(q.RATE_MM_H, 0.1, 1000, "a loam takes in about 9 mm/h"))]
Surface = Annotated[float, PlainValidator(Quantity(q.LENGTH_MM, 0, 100, "most ground holds 3 to 10 mm before it runs"))]
RootDepth = Annotated[float, PlainValidator(Quantity(q.LENGTH_MM, 20, 3000, "a lawn roots about 150 mm deep"))]
Storage = Annotated[float, PlainValidator(Quantity(q.LENGTH_MM, 1, 500, "a lawn on loam holds about 11 mm"))]
AvailableWater = Annotated[float, PlainValidator(Quantity(q.WATER_MM_M, 10, 500, "a loam holds about 150 mm/m"))]
Flow = Annotated[float, PlainValidator(Quantity(q.FLOW_L_MIN, 0.001, 1000, "a drip emitter is given in L/h"))]
Capacity = Annotated[float, PlainValidator(Quantity(q.FLOW_L_MIN, 0.5, 50_000))]
Pulse = Annotated[float, PlainValidator(Quantity(q.VOLUME_L, 0.001, 10_000, "usual pulses are 0.1, 1 or 10 L"))]
MeterFlow = Annotated[float, PlainValidator(Quantity(q.FLOW_L_MIN, 0.001, 100_000, "the meter names Q1 and Q3"))]
OverUsual = Annotated[
    float,
    PlainValidator(Quantity(q.PERCENT, 20, 300, "50 % over its usual flow is usual; a break doubles it")),
]
OnSuspicion = Annotated[str, one_of("tell", "stop")]
Grace = Annotated[float, PlainValidator(Quantity(q.TIME_S, 0, 300, "the watch already waits until a zone has filled"))]
IdleVolume = Annotated[float, PlainValidator(Quantity(q.VOLUME_L, 1, 100_000, "a few hundred litres is usual"))]
ValveKind = Annotated[str, one_of("normally closed", "latching")]
BoardValves = Annotated[str, one_of("normally closed", "latching", "two-wire")]
PulseTime = Annotated[float, PlainValidator(Quantity(q.TIME_MS, 20, 500, "latching coils take 20 to 150 ms"))]
MeterTime = Annotated[float, PlainValidator(Quantity(q.TIME_S, 1, 300, "most meters report every 10 s in use"))]
Pressure = Annotated[float, PlainValidator(Quantity(q.PRESSURE_KPA, 10, 2500, "most systems run at 150 to 600 kPa"))]
Radius = Annotated[float, PlainValidator(Quantity(q.LENGTH_M, 0.05, 100))]
Arc = Annotated[float, PlainValidator(Quantity(q.ANGLE_DEG, 1, 360, "a full circle is 360"))]
Slope = Annotated[float, PlainValidator(Quantity(q.PERCENT, 0, 200, "metres of rise in 100 m"))]
Efficiency = Annotated[float, PlainValidator(Quantity(q.FRACTION, 0.1, 1, "the share of the water that roots can use"))]
Uniformity = Annotated[
    float, PlainValidator(Quantity(q.FRACTION, 0.01, 1, "the low-quarter uniformity of a catch-can audit"))
]
Depletion = Annotated[float, PlainValidator(Quantity(q.FRACTION, 0.05, 0.95, "0.5 is usual"))]
Exposure = Annotated[float, PlainValidator(Quantity(q.FRACTION, 0.05, 2, "1 in the open, less in shade"))]
PlantFactor = Annotated[
    float, PlainValidator(Quantity(q.FRACTION, 0.05, 1.5, "turf is near 0.8, desert plants near 0.3"))
]
TwelveCoefficients = Annotated[tuple[float, ...] | str, PlainValidator(_months_or_table)]
Species = Annotated[float | str, _factor_or_class("species")]
Density = Annotated[float | str, _factor_or_class("density")]
Microclimate = Annotated[float | str, _factor_or_class("microclimate")]
WettedShare = Annotated[
    float, PlainValidator(Quantity(q.FRACTION, 0.05, 1, "drip wets 0.3 to 0.4 of the ground (FAO-56 Table 20)"))
]
BareSoil = Annotated[float, PlainValidator(Quantity(q.FRACTION, 0.01, 1, "the share of the ground that lies open"))]
Interval = Annotated[float, PlainValidator(Quantity(q.TIME_D, 1, 120, "the key is in days"))]
StartDepth = Annotated[float, PlainValidator(Quantity(q.LENGTH_MM, 5, 1000, "seed 10 to 25 mm, sod about 50 mm"))]
Volume = Annotated[float, PlainValidator(Quantity(q.VOLUME_L, 0.5, 2000, "a root ball takes 20 to 80 L"))]
NewPlants = Annotated[str, one_of("seed", "overseeding", "plugs", "sod", "root ball")]
Minutes = Annotated[float, PlainValidator(Quantity(q.TIME_MIN, 0.1, 24 * 60))]
PollTime = Annotated[
    float, PlainValidator(Quantity(q.TIME_S, 600, 86_400, "weather services ask for no more than a few polls a day"))
]
WindHeight = Annotated[float, PlainValidator(Quantity(q.LENGTH_M, 0.5, 50, "the standard heights are 2 m and 10 m"))]
WindLimit = Annotated[float, PlainValidator(Quantity(q.SPEED_M_S, 0.5, 40, "spray drifts from about 5 m/s"))]
FreezeLimit = Annotated[float, PlainValidator(_air_temperature)]
HeatLimit = Annotated[float, PlainValidator(_heat)]
CoolingMinutes = Annotated[
    float, PlainValidator(Quantity(q.TIME_MIN, 1, 10, "a cooling run wets leaves, it does not water"))
]
RainDepth = Annotated[float, PlainValidator(Quantity(q.LENGTH_MM, 0.5, 500, "heavy rain brings 10 mm a day or more"))]
Cap = Annotated[float, PlainValidator(Quantity(q.TIME_MIN, 1, 7 * 24 * 60, "the key is in minutes"))]
MinimumRun = Annotated[float, PlainValidator(Quantity(q.TIME_MIN, 0.5, 60, "the key is in minutes; 3 to 5 is usual"))]
MasterTime = Annotated[
    float, PlainValidator(Quantity(q.TIME_S, 0, 10, "no main is kept under pressure for longer with its zones shut"))
]
PipeDiameter = Annotated[float, PlainValidator(Quantity(q.LENGTH_MM, 8, 1000, "the inside, not the nominal size"))]
PipeVelocity = Annotated[float, PlainValidator(Quantity(q.SPEED_M_S, 0.3, 3, "1.5 m/s (5 ft/s) is usual in mains"))]
PipeLength = Annotated[float, PlainValidator(Quantity(q.LENGTH_M, 0.1, 20_000, "along the pipe, in m or ft"))]
Rise = Annotated[float, PlainValidator(Quantity(q.LENGTH_M, -300, 300, "negative where the heads lie lower"))]
Backflow = Annotated[
    str,
    one_of(
        "air gap",
        "reduced pressure",
        "pressure vacuum breaker",
        "spill-resistant vacuum breaker",
        "double check",
        "atmospheric vacuum breaker",
        "none",
    ),
]
PumpRest = Annotated[float, PlainValidator(Quantity(q.TIME_S, 0, 7200, "the maker states it; minutes are usual"))]
PumpStop = Annotated[float, PlainValidator(Quantity(q.TIME_S, 1, 60, "a few seconds are enough to run down"))]
PumpVolume = Annotated[float, PlainValidator(Quantity(q.VOLUME_L, 50, 100_000_000, "litres a day, as the well gives"))]
PumpStarts = Annotated[int, Field(strict=True, ge=1, le=60)]
MonthDay = Annotated[tuple[int, int], PlainValidator(_month_day)]
Percent = Annotated[float, PlainValidator(Quantity(q.PERCENT, 0, 300))]
FROM_ET = "from ET"
PercentOrEt = Annotated[float | str, PlainValidator(_percent_or_et)]
DailyEto = Annotated[
    float, PlainValidator(Quantity(q.DEPTH_MM_D, 0.5, 15, "reference ET of a summer day is 4 to 9 mm"))
]
Month = Annotated[int, PlainValidator(_month)]
