"""What stands at the head of every page: the site's name, how old the picture is, and what is not as it should be."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from dewpond.board.words import Words, span
from dewpond.model.view import SiteView


@dataclass(frozen=True, slots=True)
class Masthead:
    """``notices`` are sentences about the service itself; ``stale`` marks a picture that is older than it should be."""

    title: str
    as_of: str
    stale: bool
    notices: tuple[str, ...]


def masthead(view: SiteView | None, now: datetime, stale_after_s: float) -> Masthead:
    """The head of a page seen at ``now`` (the clock of the data)."""
    if view is None:
        return Masthead("dewpond", "", False, ())
    words = Words.of(view)
    age_s = (now - view.at).total_seconds()
    stale = age_s > stale_after_s
    notices = [f"The daemon has said nothing for {span(age_s)}; what you see may be out of date."] if stale else []
    notices += service_notices(view)
    if view.hold_until is not None and view.hold_until > view.at:
        why = f" ({view.hold_reason})" if view.hold_reason else ""
        notices.append(f"All watering is on hold until {words.when(view.hold_until, view.at)}{why}.")
    notices += lock_notices(view) + place_notices(view)
    return Masthead(view.name, words.full(view.at), stale, tuple(notices))


def lock_notices(view: SiteView) -> list[str]:
    """Every lock at the keeper, one sentence each."""
    names = {zone.id: zone.name for zone in view.zones}
    places = {"site": "The whole site"}
    return [f"{places.get(lock.target, names.get(lock.target, lock.target))}: {lock.sentence}." for lock in view.locks]


def place_notices(view: SiteView) -> list[str]:
    """The stage of restriction in force, and every exemption."""
    names, words = {zone.id: zone.name for zone in view.zones}, Words.of(view)
    notices = [f"Stage of restriction in force: {view.stage}."] if view.stage else []
    for leave in view.exemptions:
        whom, rule = names.get(leave.target, leave.target), leave.rule or "restrictions"
        until = words.when(leave.until, view.at)
        notices.append(f"{whom}: exempt from {rule} until {until} by {leave.who}: {leave.reason}.")
    return notices


def service_notices(view: SiteView) -> list[str]:
    """What keeps the service from doing its work, one sentence each."""
    notices = []
    if view.simulated:
        notices.append("This site is simulated: no real water flows.")
    if view.keeper == "lost":
        if view.power_loss:
            leases = "Normally-closed valves shut by themselves; a latching valve may stay open, so look at the valves."
        else:
            leases = "Its leases run out by themselves and close every valve."
        notices.append(f"The valve keeper does not answer. {leases}")
    elif view.keeper != "ready":
        notices.append("The valve keeper cannot reach the relays and refuses to open anything.")
    if view.broker == "lost":
        notices.append("The link to the message broker is down; sensors are not heard.")
    if not view.clock_trusted:
        notices.append("The clock cannot be trusted yet, so nothing starts by schedule.")
    if view.power_loss:
        notices.append(view.power_loss)
    return notices
