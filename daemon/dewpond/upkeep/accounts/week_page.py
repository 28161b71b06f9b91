"""One page for one zone and week: why it was watered, why it was left dry, and the numbers it rested on."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from dewpond.upkeep.accounts import look
from dewpond.upkeep.accounts.plots import BAR, DUE, RULE
from dewpond.upkeep.accounts.show import Figures, day_text

Plain = Mapping[str, Any]
SIGNS = {"water": "watered", "left dry": "left dry", "held": "held", "not allowed": "not allowed"}
FULL = 1.3  # the bar of missing water reaches so far beyond what roots take easily


def week_page(body: Plain) -> str:
    """The page of ``week.week_told``'s plain data."""
    figures = Figures(body["units"])
    nights = "".join(_night(night, figures) for night in body["nights"])
    key = (
        "The bar is the water missing from the root zone when the decision was made; at the red mark plants have used "
        f"what they take easily ({figures.depth(body['raw_mm'])})."
    )
    return look.page(
        body["site"],
        f"{body['name']}: why it was watered or left dry",
        f"Nights of {day_text(body['first'])} to {day_text(body['last'])}, times of {body['timezone']}",
        (
            look.line(_lead(body, figures), "lead"),
            look.section("Night by night", nights),
            look.section("To read it", look.line(key, "small")),
        ),
    )


def _lead(body: Plain, figures: Figures) -> str:
    parts = [
        f"{word} {body[key]} {'night' if body[key] == 1 else 'nights'}"
        for key, word in (("watered", "watered"), ("left_dry", "left dry"), ("held", "held"))
        if body[key]
    ]
    if not parts:
        return "No decision is on record for these nights."
    text = ", ".join(parts)
    return f"{text[0].upper()}{text[1:]}; {figures.volume(body['litres'])} in all."


def _night(night: Plain, figures: Figures) -> str:
    sign = SIGNS.get(night["decision"], night["decision"]) or "no decision on record"
    if night["litres"]:
        sign += f", {figures.volume(night['litres'])}"
    said = "".join(look.line(figures.sentence(text)) for text in night["sentences"])
    return (
        f'<div class="night"><h3>{escape(day_text(night["date"]))} <em>{escape(sign)}</em></h3>'
        f"{_weigh(night)}{said}{look.line(_numbers(night, figures), 'small')}</div>"
    )


def _weigh(night: Plain) -> str:
    missing, raw = night["depletion_mm"], night["raw_mm"]
    if missing is None or not raw:
        return ""
    full = max(raw * FULL, missing)
    share, due = 700.0 * max(0.0, missing) / full, 700.0 * raw / full
    return (
        '<svg class="weigh" viewBox="0 0 700 12" preserveAspectRatio="none" role="img" '
        f'aria-label="{missing:.1f} of {raw:.1f} mm missing">'
        f'<rect x="0.5" y="2" width="699" height="8" class="track" fill="none" stroke="{RULE}"/>'
        f'<rect x="0.5" y="2" width="{share:.1f}" height="8" class="bar" fill="{BAR}"/>'
        f'<line x1="{due:.1f}" y1="0" x2="{due:.1f}" y2="12" class="tick" stroke="{DUE}" stroke-width="3"/></svg>'
    )


def _numbers(night: Plain, figures: Figures) -> str:
    parts = []
    if night["etc_mm"] is not None:
        parts.append(f"Plants used {figures.depth(night['etc_mm'])} that day")
    if night["rain_mm"]:
        kept = (
            f", {figures.depth(night['effective_rain_mm'])} of it kept"
            if night["effective_rain_mm"] is not None
            else ""
        )
        parts.append(f"rain {figures.depth(night['rain_mm'])}{kept}")
    for run in night["runs"]:
        note = f" ({run['note']})" if run["note"] else ""
        parts.append(f"ran {run['minutes']:.0f} min from {run['start'][11:16]}{note}")
    return f"{'; '.join(parts)}." if parts else ""
