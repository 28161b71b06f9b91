"""Step (g), the program's own part: starts, percents, holds, window and clock, as site file and daemon tell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from dewpond.model.site import Site
from dewpond.upkeep.tasks import Finding


def program_findings(
    site: Site, status: Mapping[str, Any] | None, overruns: Sequence[str] = ()
) -> tuple[list[Finding], list[str]]:
    """What is odd in timer and program, and what could not be looked at, as sentences.

    ``status`` is the daemon's picture (None without a daemon); ``overruns`` are the needs that do not fit the window.
    """
    found = list(_programs(site))
    if overruns:
        found.append(Finding(fault="window-overrun", note="; ".join(overruns)[:500]))
    if status is None:
        return found, ["No daemon answers: its clock, holds, locks and percents were not looked at."]
    found += _status(status)
    return found, [f"The daemon's clock says {status['at']}, time zone {status['timezone']}: compare it with yours."]


def _programs(site: Site) -> Iterator[Finding]:
    homes: dict[str, list[str]] = {}
    for program in site.programs:
        if len(program.starts) > 1:
            times = ", ".join(f"{start:%H:%M}" for start in program.starts)
            yield Finding(fault="extra-start", spot=program.name[:60], note=f"starts at {times}")
        for zone in program.zone_minutes:
            homes.setdefault(zone, []).append(program.name)
    for zone, names in homes.items():
        if len(names) > 1:
            yield Finding(fault="in-two-programs", spot=zone[:60], note=f"in {' and '.join(names)}"[:500])


def _status(status: Mapping[str, Any]) -> Iterator[Finding]:
    for program in status.get("programs", ()):
        if abs(program["percent"] - 100.0) > 0.5 and program.get("changed_by"):
            note = f"{program['percent']:.0f} %, set by {program['changed_by']}"
            yield Finding(fault="percent-left", spot=program["name"][:60], note=note)
    if status.get("hold_until"):
        yield Finding(fault="hold-forgotten", spot="site", note=f"held until {status['hold_until']}")
    for zone in status.get("zones", ()):
        if str(zone.get("held", "")).startswith("held by"):
            yield Finding(fault="hold-forgotten", spot=zone["id"][:60], note=zone["held"][:500])
    for lock in status.get("locks", ()):
        yield Finding(fault="hold-forgotten", spot=f"lock {lock['target']}"[:60], note=lock["sentence"][:500])
    if not status.get("clock_trusted", True):
        yield Finding(fault="clock-wrong", note=status.get("clock_doubt") or "the daemon does not trust its clock")
