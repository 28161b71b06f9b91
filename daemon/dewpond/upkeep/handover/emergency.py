"""The emergency card: where the water is shut, how valves close with the program dead, and whom to call."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from dewpond.model.site import Site
from dewpond.model.upkeep import UpkeepEntry, next_entry
from dewpond.model.valve_kinds import power_loss
from dewpond.ports import UpkeepBook
from dewpond.upkeep import paper
from dewpond.upkeep.cautions import LAST_WORD, cautions
from dewpond.upkeep.refusal import Refused

KIND, SITE = "emergency", "site"
PLACES = {
    "shut_off": "Main shut-off",
    "backflow": "Backflow device",
    "power": "Power of the valves",
    "pump_isolator": "Pump isolator",
    "valve_boxes": "Valve boxes",
}
MOST_CALLS = 12
_PHONE = re.compile(r"\+?[\d /().-]{3,30}")
CARD_CAUTIONS = ("backflow-shut-off", "water-hammer", "valve-box", "valve-snug", "mains-qualified")
PUMP_CAUTIONS = ("pump-dry", "pump-wiring")
Plain = dict[str, Any]


@dataclass(frozen=True, slots=True)
class EmergencyDesk:
    """The card of one site."""

    site: Site
    book: UpkeepBook

    def show(self, _form: Plain, _who: str, _at: datetime) -> Plain:
        """The card as it is known."""
        return card_shown(self.site, self.book.newest(KIND, SITE))

    def set(self, form: Plain, who: str, at: datetime) -> Plain:
        """Fields of the card given anew; the others stay."""
        newest = self.book.newest(KIND, SITE)
        body = dict(newest.body) if newest is not None else {}
        given = {name: form[name] for name in PLACES if name in form}
        if "calls" in form:
            given["calls"] = [_call(call, number) for number, call in enumerate(form["calls"], start=1)]
            if len(given["calls"]) > MOST_CALLS:
                raise Refused(f"emergency card: {len(given['calls'])} people, at most {MOST_CALLS}; a card is short")
        if not given:
            raise Refused(f"emergency card: nothing is given; give one of {', '.join((*PLACES, 'calls'))}")
        made_from = form.get("version", newest.version if newest is not None else None)
        self.book.keep(next_entry(KIND, SITE, {**body, **given}, who=who, at=at, made_from=made_from))
        return card_shown(self.site, self.book.newest(KIND, SITE))


def card_shown(site: Site, entry: UpkeepEntry | None) -> Plain:
    """What the card says, and what is still missing on it."""
    body = entry.body if entry is not None else {}
    pumped = any(supply.pump is not None for supply in site.supplies)
    wanted = [name for name in PLACES if name != "pump_isolator" or pumped]
    missing = [PLACES[name].lower() for name in wanted if not body.get(name)]
    missing += [] if body.get("calls") else ["whom to call"]
    return {
        "site": site.name,
        "place": f"{site.latitude_deg:.5f}, {site.longitude_deg:.5f}",
        "where": {name: body.get(name, "") for name in wanted},
        "calls": list(body.get("calls", ())),
        "missing": missing,
        "steps": how_to_stop(site),
        "cautions": [one.text for one in cautions((*CARD_CAUTIONS, *(PUMP_CAUTIONS if pumped else ())))],
        "version": entry.version if entry is not None else 0,
    }


def how_to_stop(site: Site) -> list[Plain]:
    """What to do in order, from the phone down to the hand valve; what holds of this site's valves and pumps."""
    steps = [
        {
            "title": "Stop from the phone or the terminal",
            "text": "The board's stop button, or the command dewpond stop. It works with the program hung or dead, as "
            "long as the valve keeper runs.",
        },
        {
            "title": "The program is dead",
            "text": "Whatever it held open is shut by the valve keeper within two minutes. Where water does harm, do "
            "not wait for it: go on.",
        },
    ]
    pumps = [supply.id for supply in site.supplies if supply.pump is not None]
    if pumps:
        text = f"Supply {' and '.join(pumps)}: switch the pump off at its isolator before anything is shut by hand."
        steps.append({"title": "Pump off", "text": text})
    text = "Shut the main shut-off by hand, slowly. This always works; when in doubt, do it first."
    if pumps:
        text = "Shut the main shut-off by hand, slowly, once the pump is off. This always works."
    steps.append({"title": "Shut the water", "text": text})
    shut = power_loss(site) or "The valves shut by themselves without current."
    steps.append({"title": "Power off", "text": f"Switch off the power of the valves. {shut}"})
    text = "A valve that still runs is held open by dirt or its own bleed: turn its solenoid until snug, never forced, "
    steps.append({"title": "At the valve", "text": f"{text}and close the bleed screw."})
    return steps


def emergency_card(told: Plain, day: str) -> str:
    """The card to print and hang beside the controller."""
    rows = [(PLACES[name], text) for name, text in told["where"].items() if text]
    empty = [PLACES[name] for name, text in told["where"].items() if not text]
    steps = [
        paper.section(f"{number}  {step['title']}", paper.line(step["text"]), level=3)
        for number, step in enumerate(told["steps"], start=1)
    ]
    calls = [(call["who"], call["phone"], call["when"]) for call in told["calls"]]
    parts = [
        paper.section("Where", paper.facts(rows), *(paper.line(f"{name}:") + paper.blank_lines(1) for name in empty)),
        paper.section("Stop the water", *steps),
        paper.section(
            "Call", paper.table(("who", "number", "when"), calls) or paper.blank_lines(3),
            paper.line(f"Say where: {told['site']}, {told['place']} (latitude, longitude)."),
        ),
        paper.section("Mind", paper.bullets(told["cautions"]), paper.line(LAST_WORD, "quiet")),
    ]  # fmt: skip
    return paper.page(f"Emergency card: {told['site']}", f"Printed {day}. Hang it beside the controller.", parts)


def _call(call: Mapping[str, Any], number: int) -> Plain:
    unknown = sorted(call.keys() - {"who", "phone", "when"})
    texts = {name: call.get(name, "") for name in ("who", "phone", "when")}
    if unknown or not all(isinstance(text, str) and len(text) <= 100 for text in texts.values()):
        raise Refused(f"emergency card, call {number}: it has who, phone and when, each at most 100 letters")
    if not texts["who"].strip():
        raise Refused(f"emergency card, call {number}: nobody is named; give who")
    if not _PHONE.fullmatch(texts["phone"].strip()) or sum(sign.isdigit() for sign in texts["phone"]) < 3:
        raise Refused(f"emergency card, call {number}: {texts['phone']!r} is no phone number; at least 3 digits")
    return {name: text.strip() for name, text in texts.items()}


def blanks(told: Mapping[str, Any]) -> Sequence[str]:
    """What the card still lacks, for the handover sheet."""
    return [f"The emergency card lacks: {', '.join(told['missing'])}."] if told["missing"] else []
