"""What may be entered on foot, the same at the terminal and on a page: each operation's fields, checked one way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dewpond.settings.quantities import (
    CURRENT_A,
    FLOW_L_MIN,
    LENGTH_M,
    POWER_VA,
    PRESSURE_KPA,
    RESISTANCE_OHM,
    SPEED_M_S,
    TIME_MIN,
    TIME_S,
    VOLTAGE_V,
    VOLUME_L,
    Dimension,
    QuantityError,
)
from dewpond.upkeep.refusal import Refused

LONGEST_TEXT = 500


@dataclass(frozen=True, slots=True)
class Entry:
    """One field of a form. ``kind`` is text, texts, number, flag, table, tables, or a quantity's dimension."""

    kind: str | Dimension
    words: str
    needed: bool = False
    longest: int = LONGEST_TEXT


Form = Mapping[str, Entry]
_JOB = Entry("text", "the job; the one that is on where none is named")
_WALK = Entry("text", "the walk; the one that is on where none is named")
_STEP = Entry("text", "the step", needed=True)
_PLACE = Entry("text", "zone, supply or site", needed=True)
_CHECK = Entry("text", "the technician's check; the one that is on where none is named")
_NOTE = Entry("text", "what is worth knowing")
_VERSION = Entry("whole", "the version this was made from, where somebody has reported before")
CARE_FORMS: Mapping[str, Form] = {
    "care-calendar": {},
    "care-climate": {
        "last_frost": Entry("text", "last frost of spring as MM-DD, or none", longest=20),
        "first_frost": Entry("text", "first frost of autumn as MM-DD, or none", longest=20),
        "lows": Entry("tables", "instead: days, each date and low_c"),
        "source": Entry("text", "who says so, or whose record it is"),
        "version": _VERSION,
    },
    "care-devices": {},
    "care-device": {
        "device": Entry("text", "its name", needed=True),
        "kind": Entry("text", "backflow, battery, filter or sensor"),
        "of": Entry("text", "which kind of these"),
        "place": Entry("text", "zone, supply or site"),
        "serial": Entry("text", "serial number", longest=80),
        "note": Entry("text", "what is worth knowing"),
        "every_days": Entry("whole", "days between two times, where the usual ones do not fit"),
        "retired": Entry("flag", "it is gone; its log stays"),
        "version": _VERSION,
    },
    "care-done": {
        "duty": Entry("text", "what was done, by its key in the calendar", needed=True),
        "on": Entry("text", "the day as YYYY-MM-DD; today when not given", longest=20),
        "result": Entry("text", "passed or failed", longest=20),
        "tester": Entry("text", "certified tester of a backflow device", longest=100),
        "certificate": Entry("text", "the tester's number", longest=80),
        "serial": Entry("text", "serial number of the device", longest=80),
        "next_due": Entry("text", "next day where the rule of the place names one", longest=20),
        "note": Entry("text", "figures, parts changed, what is worth knowing"),
        "version": _VERSION,
    },
    "care-log": {"duty": Entry("text", "one duty; all where none is named")},
    "care-begin": {"job": Entry("text", "start-up, monthly-look or shut-down", needed=True)},
    "care-show": {"job": _JOB},
    "care-tick": {"job": _JOB, "step": _STEP, "keys": Entry("texts", "cautions that were read", needed=True)},
    "care-report": {
        "job": _JOB,
        "step": _STEP,
        "place": _PLACE,
        "high_open": Entry("flag", "the highest or farthest zone is open at its own valve"),
        "cracked": Entry("flag", "the shut-off was opened a crack first, then slowly"),
        "shut": Entry("flag", "hand valve shut, pump off at its disconnect"),
        "after_backflow": Entry("flag", "the air goes in behind the backflow device"),
        "zone_open": Entry("flag", "the first zone is open before any air"),
        "next_open": Entry("flag", "the next zone was opened before this one was shut"),
        "compressor_off": Entry("flag", "the compressor is off"),
        "pipe": Entry("text", "weakest pipe: polyethylene, pvc or drip", longest=20),
        "pressure": Entry(PRESSURE_KPA, "air pressure at the regulator"),
        "minutes": Entry(TIME_MIN, "how long this turn of air took"),
        "flow": Entry(FLOW_L_MIN, "flow seen while the zone ran"),
        "counted": Entry(VOLUME_L, "litres that this flow was counted from"),
        "came_on": Entry("flag", "the zone came on"),
        "went_off": Entry("flag", "the zone went off"),
        "keeper": Entry("text", "what the keeper answered"),
        "problem": Entry("text", "what is wrong there"),
        "note": Entry("text", "what is worth knowing"),
        "version": _VERSION,
    },
    "care-leave-out": {
        "job": _JOB,
        "step": _STEP,
        "place": _PLACE,
        "why": Entry("text", "why it is left out", needed=True),
        "version": _VERSION,
    },
    "care-end": {
        "job": _JOB,
        "note": Entry("text", "what the next one should know; why it is broken off"),
        "broken_off": Entry("flag", "steps are missing, and it does not count as done"),
    },
}
FORMS: Mapping[str, Form] = {
    "walk-begin": {"zones": Entry("texts", "zones to go round; all where none is named")},
    "walk-show": {"walk": _WALK},
    "walk-tick": {"walk": _WALK, "step": _STEP, "keys": Entry("texts", "cautions that were read", needed=True)},
    "walk-look": {
        "walk": _WALK,
        "step": _STEP,
        "place": _PLACE,
        "findings": Entry("tables", "what was found: fault, spot, count, note, photo; empty for all right"),
        "flow": Entry(FLOW_L_MIN, "flow seen while it ran"),
        "counted": Entry(VOLUME_L, "litres that this flow was counted from; few of them make it doubtful"),
        "pressure": Entry(PRESSURE_KPA, "pressure seen while it ran"),
        "at_head": Entry("flag", "the pressure was taken at a head"),
        "came_on": Entry("flag", "the zone came on"),
        "went_off": Entry("flag", "the zone went off"),
        "litres": Entry(VOLUME_L, "litres that passed in the leak test"),
        "minutes": Entry(TIME_MIN, "how long the leak test took"),
        "waters": Entry("text", "what the zone waters"),
        "note": Entry("text", "what was done or is worth knowing"),
        "version": _VERSION,
    },
    "walk-leave-out": {
        "walk": _WALK,
        "step": _STEP,
        "place": _PLACE,
        "why": Entry("text", "why it is left out", needed=True),
        "version": _VERSION,
    },
    "walk-end": {"walk": _WALK, "note": Entry("text", "what the next walk should know")},
    "walks": {},
    "technician-begin": {},
    "technician-show": {"check": _CHECK},
    "technician-list": {},
    "technician-tick": {
        "check": _CHECK,
        "step": _STEP,
        "keys": Entry("texts", "cautions that were read", needed=True),
    },
    "technician-note": {
        "check": _CHECK,
        "step": _STEP,
        "place": _PLACE,
        "pressure": Entry(PRESSURE_KPA, "static pressure"),
        "clock": Entry("text", "when it was read, as 07:30; now where none is given"),
        "first": Entry(PRESSURE_KPA, "pressure at the first head"),
        "last": Entry(PRESSURE_KPA, "pressure at the last head"),
        "flow": Entry(FLOW_L_MIN, "flow of the zone"),
        "volume": Entry(VOLUME_L, "volume that passed the meter or filled the bucket"),
        "seconds": Entry(TIME_S, "how long that took"),
        "waters": Entry("text", "the zone that came on, or nothing"),
        "ohm": Entry(RESISTANCE_OHM, "what the meter reads across the zone's wire and the common"),
        "open": Entry("flag", "the meter shows no circuit"),
        "coils": Entry("whole", "how many coils hang on this output"),
        "power_off": Entry("flag", "the power of the valves is off, and seen to be off"),
        "splice": Entry("text", "the worst splice: sound, loose, wet, corroded, not found"),
        "va": Entry(POWER_VA, "what the transformer gives"),
        "volts": Entry(VOLTAGE_V, "its low-voltage side"),
        "holding": Entry(CURRENT_A, "what one coil takes while it holds"),
        "inrush": Entry(CURRENT_A, "what one coil takes while it pulls in"),
        "note": _NOTE,
        "version": _VERSION,
    },
    "technician-end": {"check": _CHECK, "note": _NOTE},
    "commission-begin": {"zones": Entry("texts", "zones to be proved", needed=True), "note": _NOTE},
    "commission-show": {"zone": Entry("text", "one zone; all where none is named")},
    "commission-tick": {
        "step": _STEP,
        "place": _PLACE,
        "keys": Entry("texts", "cautions that were read", needed=True),
    },
    "commission-note": {
        "step": _STEP,
        "place": _PLACE,
        "waters": Entry("text", "the zone whose valve clicked, or nothing"),
        "water": Entry("text", "how the last water of the flushing looked: clear or dirty"),
        "works": Entry("flag", "the part does as it should"),
        "flows": Entry("texts", "the flow of each run, with its unit, where no meter counts"),
        "note": _NOTE,
        "version": _VERSION,
    },
    "commission-leave-out": {
        "step": _STEP,
        "place": _PLACE,
        "why": Entry("text", "why it is left out", needed=True),
        "version": _VERSION,
    },
    "commission-sign": {"zone": Entry("text", "the zone", needed=True), "note": _NOTE},
    "handover-show": {},
    "handover-keep": {
        "to": Entry("text", "who takes it over", needed=True, longest=100),
        "note": _NOTE,
        "version": _VERSION,
    },
    "emergency-show": {},
    "emergency-set": {
        "shut_off": Entry("text", "where the main shut-off is and how it turns"),
        "backflow": Entry("text", "where the backflow device is"),
        "power": Entry("text", "where the power of the valves is switched off"),
        "pump_isolator": Entry("text", "where the pump is switched off"),
        "valve_boxes": Entry("text", "where the valve boxes are"),
        "calls": Entry("tables", "whom to call: who, phone, when"),
        "version": _VERSION,
    },
    "tasks": {"all": Entry("flag", "also those that are done, proved, left or withdrawn")},
    "task-move": {
        "task": Entry("text", "the task", needed=True),
        "state": Entry("text", "its next state", needed=True),
        "why": Entry("text", "what was done, or why"),
        "version": _VERSION,
    },
    "register": {"zone": Entry("text", "one zone; all where none is named")},
    "register-set": {
        "zone": Entry("text", "the zone", needed=True),
        "changes": Entry("table", "fields of the card given anew", needed=True),
        "version": _VERSION,
    },
    "register-export": {},
    "register-import": {"csv": Entry("text", "the file's text", needed=True, longest=4_000_000)},
    "audit-plan": {
        "zone": Entry("text", "the zone", needed=True),
        "corners": Entry("tables", "corners of the zone in order, each x_m and y_m"),
        "width": Entry(LENGTH_M, "width of a rectangle instead"),
        "length": Entry(LENGTH_M, "its length"),
        "owned": Entry("whole", "how many like cups there are"),
        "turn": Entry(TIME_MIN, "how long the slowest rotor takes for one turn"),
    },
    "audit-cups": {
        "zone": Entry("text", "the zone", needed=True),
        "csv": Entry("text", "the cups: x_m, y_m, value, placement", needed=True, longest=100_000),
        "unit": Entry("text", "unit of value: mL, mm, in, mm/h or in/h"),
        "minutes": Entry(TIME_MIN, "how long each placement ran"),
        "mouth": Entry("text", "across the rim of a cup, or its area"),
        "wind": Entry(SPEED_M_S, "the strongest wind noted"),
        "version": _VERSION,
    },
    "audit-drip": {
        "zone": Entry("text", "the zone", needed=True),
        "csv": Entry("text", "the emitters: line, place, ml", needed=True, longest=100_000),
        "seconds": Entry(TIME_S, "how long each was caught", needed=True),
        "start": Entry(PRESSURE_KPA, "pressure where the lines begin"),
        "end": Entry(PRESSURE_KPA, "pressure at the end of a line"),
        "rated": Entry(PRESSURE_KPA, "rated pressure of the emitters"),
        "filter_before": Entry(PRESSURE_KPA, "pressure before the filter"),
        "filter_after": Entry(PRESSURE_KPA, "pressure after the filter"),
        "flush": Entry("text", "how the first water from a line end looked: clear or dirty"),
        "version": _VERSION,
    },
    "audits": {"zone": Entry("text", "the zone", needed=True)},
    "report": {
        "month": Entry("text", "a month or a year: 2027-06, 2027; this month so far where nothing is given"),
        "first": Entry("text", "first date"),
        "last": Entry("text", "last date, included"),
        "page": Entry("flag", "with the page as HTML"),
        "csv": Entry("flag", "with the figures as CSV"),
    },
    "week": {
        "zone": Entry("text", "the zone", needed=True),
        "last": Entry("text", "the last of the seven nights; last night where it is not given"),
        "page": Entry("flag", "with the page as HTML"),
    },
    "accounts": {},
    "tariff-set": {
        "supply": Entry("text", "the supply", needed=True),
        "currency": Entry("text", "EUR, USD, ...", needed=True),
        "unit": Entry("text", "the unit of the bill: m3, ft3, CCF, kgal, gal or L", needed=True),
        "fixed": Entry("number", "the charge of each bill, however little was used"),
        "tiers": Entry("tables", "price a unit and up_to, the last without up_to", needed=True),
        "version": _VERSION,
    },
    "bill-set": {
        "supply": Entry("text", "the supply", needed=True),
        "first": Entry("text", "the date of the reading before", needed=True),
        "last": Entry("text", "the date it was read", needed=True),
        "unit": Entry("text", "the unit of the bill: m3, ft3, CCF, kgal, gal or L", needed=True),
        "units": Entry("number", "how many units were billed"),
        "before": Entry("number", "the meter's reading before, instead of units"),
        "after": Entry("number", "the meter's reading after"),
        "amount": Entry("number", "the amount billed"),
        "note": Entry("text", "what is worth knowing, such as an estimated reading"),
        "version": _VERSION,
    },
    "bill-withdraw": {
        "supply": Entry("text", "the supply", needed=True),
        "last": Entry("text", "the date it was read", needed=True),
        "version": _VERSION,
    },
    "allowance-set": {
        "factor": Entry("number", "ET adjustment factor of the place's rule", needed=True),
        "source": Entry("text", "where the factor was read", needed=True),
        "special": Entry("texts", "zones that may use all of reference ET: food, recycled water, play"),
        "version": _VERSION,
    },
    "design-review": {
        "heads": Entry("text", "drawn heads as CSV", longest=4_000_000),
        "zones": Entry("text", "drawn zones as CSV", longest=1_000_000),
    },
    **CARE_FORMS,
}


def read_form(op: str, plain: Mapping[str, Any]) -> dict[str, Any]:
    """The fields of one operation, checked; those that were not given are left out. Raises Refused."""
    form = FORMS.get(op)
    if form is None:
        raise Refused(f"operation {op!r} is not known; it is one of {', '.join(FORMS)}")
    unknown = sorted(ascii(name).strip("'")[:60] for name in plain.keys() - form.keys())
    if unknown:
        raise Refused(f"{op}: {', '.join(unknown)} is not known; the fields are {', '.join(form) or 'none'}")
    for name, value in plain.items():
        if not legible(value):
            raise Refused(
                f"{op}, {name}: characters that no page can show, or a key that is no text ({form[name].words}); "
                "type it anew"
            )
    given = {name: _read(op, name, form[name], value) for name, value in plain.items() if value is not None}
    missing = [name for name, entry in form.items() if entry.needed and given.get(name) in (None, "", [], {})]
    if missing:
        raise Refused(f"{op}: {' and '.join(missing)} is missing ({form[missing[0]].words})")
    return given


def _read(op: str, name: str, entry: Entry, value: Any) -> Any:
    if isinstance(entry.kind, Dimension):
        try:
            return entry.kind.read(value)
        except QuantityError as error:
            raise Refused(f"{op}, {name}: {error}") from error
    if not _FITS[entry.kind](value):
        raise Refused(f"{op}, {name}: {str(value)[:40]!r} is no {_WORDS[entry.kind]} ({entry.words})")
    texts = value if entry.kind == "texts" else [value] if entry.kind == "text" else []
    for text in texts:
        if len(text) > entry.longest:
            raise Refused(f"{op}, {name}: {len(text)} letters, at most {entry.longest}; shorten it")
    return value.strip() if entry.kind == "text" and entry.longest == LONGEST_TEXT else value


def legible(value: Any) -> bool:
    """Whether every text in a value can be written down and read again: no control characters, no half characters."""
    if isinstance(value, str):
        return not any((ord(one) < 32 and one not in "\t\n\r") or "\ud800" <= one <= "\udfff" for one in value)
    if isinstance(value, Mapping):
        return all(isinstance(key, str) and legible(key) and legible(one) for key, one in value.items())
    if isinstance(value, list | tuple):
        return all(legible(one) for one in value)
    return True


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


def _are(kind: type) -> Any:
    return lambda value: isinstance(value, list | tuple) and all(isinstance(one, kind) for one in value)


_FITS = {
    "text": _is_text,
    "texts": _are(str),
    "flag": lambda value: isinstance(value, bool),
    "number": lambda value: isinstance(value, int | float) and not isinstance(value, bool),
    "whole": lambda value: isinstance(value, int) and not isinstance(value, bool) and value >= 0,
    "table": lambda value: isinstance(value, Mapping),
    "tables": _are(Mapping),
}
_WORDS = {
    "text": "text",
    "texts": "list of texts",
    "flag": "true or false",
    "number": "number",
    "whole": "whole number from 0",
    "table": "table",
    "tables": "list of tables",
}
