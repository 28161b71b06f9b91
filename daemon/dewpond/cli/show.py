"""Plan and status as a person reads them, at the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.padding import Padding
from rich.table import Table

from dewpond.model.us_units import MM_PER_IN, shown

Plain = Mapping[str, Any]


def show_plan(body: Plain) -> None:
    """The timetable of the night, then every zone's reason."""
    console, zone, units = Console(), ZoneInfo(body["timezone"]), body.get("units", "metric")
    opens, closes = (_clock(body[key], zone) for key in ("window_opens", "window_closes"))
    console.print(f"Night of {body['window_date']}, window {opens} to {closes}", style="bold")
    if body["openings"]:
        console.print(_timetable(body["openings"], zone, units))
    else:
        console.print("No opening is planned.")
    for line in _place(body, zone):
        console.print(line, markup=False, highlight=False)
    _show_programs(console, body)
    for supply, watching in body.get("watching", {}).items():
        if watching != "watching":
            console.print(f"supply {supply}: {shown(watching, units)}", markup=False, highlight=False)
    for reason in body.get("reasons", ()):
        console.print(f"{reason['zone']}: {shown(reason['sentences'][0], units)}")
        for sentence in reason["sentences"][1:]:
            console.print(Padding(shown(sentence, units), (0, 0, 0, 4)), style="dim")


def show_status(body: Plain) -> None:
    """What is open, held, missing and heard."""
    console, zone, units = Console(), ZoneInfo(body["timezone"]), body.get("units", "metric")
    console.print(f"{body['name']}, {_clock(body['at'], zone, seconds=True)}", style="bold")
    console.print(f"keeper {body['keeper']}, broker {body['broker']}{_holding(body, zone)}")
    for line in _place(body, zone):
        console.print(line, markup=False, highlight=False)
    for lock in body.get("locks", ()):
        console.print(f"{lock['target']}: {lock['sentence']}", style="bold", markup=False, highlight=False)
    table = Table(box=None, pad_edge=False)
    for title, justify in (
        ("zone", "left"),
        ("valve", "left"),
        (f"missing {_depth_unit(units)}", "right"),
        (f"easy {_depth_unit(units)}", "right"),
        ("why", "left"),
    ):
        table.add_column(title, justify=justify)  # type: ignore[arg-type]
    for item in body["zones"]:
        missing, easy = _depth(item["depletion_mm"], units), _depth(item["raw_mm"], units)
        table.add_row(item["id"], _valve(item, zone), missing, easy, shown(_why(item), units))
    console.print(table)
    for supply in body["supplies"]:
        pump = f"; {supply['pump']}" if supply.get("pump") else ""
        console.print(f"supply {supply['id']}: {shown(_flow(supply), units)}; {shown(supply['watching'], units)}{pump}")
        if supply.get("guided"):
            console.print(Padding(shown(supply["guided"], units), (0, 0, 0, 4)))
    _show_programs(console, body)
    for sensor in body["sensors"]:
        if not sensor["fresh"]:
            told = "nothing heard yet" if sensor["at"] is None else f"last heard {_clock(sensor['at'], zone)}"
            console.print(f"sensor {sensor['id']}: {told}")
    for alarm in body["alarms"]:
        console.print(f"! {shown(alarm['sentence'], units)} (since {_clock(alarm['since'], zone)})", style="bold")


def _place(body: Plain, zone: ZoneInfo) -> list[str]:
    """What is declared about the rules of the place, and a clock that is not trusted."""
    lines = [f"stage of restriction in force: {body['stage']}"] if body.get("stage") else []
    for item in body.get("exemptions", ()):
        rule = item["rule"] or "restrictions"
        until = _clock(item["until"], zone)
        lines.append(f"{item['target']}: exempt from {rule} until {until} by {item['who']}: {item['reason']}")
    if not body.get("clock_trusted", True):
        lines.append(body.get("clock_doubt") or "The clock is not trusted, so nothing starts by schedule.")
    return lines


def _show_programs(console: Console, body: Plain) -> None:
    for program in body.get("programs", ()):
        console.print(program["why"], markup=False, highlight=False)


def _depth_unit(units: str) -> str:
    return "in" if units == "us" else "mm"


def _depth(depth_mm: float, units: str) -> str:
    return f"{depth_mm / MM_PER_IN:.2f}" if units == "us" else f"{depth_mm:.1f}"


def _timetable(openings: Sequence[Plain], zone: ZoneInfo, units: str) -> Table:
    table = Table(box=None, pad_edge=False)
    for title in ("start", "min", "zone", _depth_unit(units), "by", "state"):
        table.add_column(title, justify="right" if title in ("min", "mm", "in") else "left")
    for item in openings:
        start, minutes = _clock(item["start"], zone), f"{item['seconds'] / 60:.1f}"
        table.add_row(start, minutes, item["zone"], _depth(item["gross_mm"], units), item["source"], item["state"])
    return table


def _clock(text: str, zone: ZoneInfo, *, seconds: bool = False) -> str:
    return datetime.fromisoformat(text).astimezone(zone).strftime("%a %d %H:%M:%S" if seconds else "%a %d %H:%M")


def _holding(body: Plain, zone: ZoneInfo) -> str:
    if body["hold_until"] is None:
        return ""
    reason = f" ({body['hold_reason']})" if body["hold_reason"] else ""
    return f", held until {_clock(body['hold_until'], zone)}{reason}"


def _valve(item: Plain, zone: ZoneInfo) -> str:
    return (
        item["valve"] if item["until"] is None else f"{item['valve']} until {_clock(item['until'], zone, seconds=True)}"
    )


def _why(item: Plain) -> str:
    if item["held"]:
        return str(item["held"])
    if item["asked_by"]:
        return str(item["asked_by"])
    return str(item["reason"]["summary"]) if item["reason"] else "no decision yet"


def _flow(supply: Plain) -> str:
    if supply["flow_l_min"] is None:
        return "no flow reading"
    return f"{supply['flow_l_min']:.1f} L/min, {supply['expected_l_min']:.1f} expected"
