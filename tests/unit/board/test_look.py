"""Readable outdoors: contrast by WCAG 2.2 (success criteria 1.4.6, 7:1 for text, and 1.4.11, 3:1 for graphics)."""

from __future__ import annotations

import re
from itertools import product

import pytest

from dewpond.board.room import STATIC

CSS = (STATIC / "board.css").read_text(encoding="utf-8")
TEXT = [
    *product(("ink", "soft", "link"), ("paper", "leaf")),
    ("open", "open-ground"),
    ("ink", "open-ground"),
    ("link", "open-ground"),
    ("alarm", "alarm-ground"),
    ("ink", "alarm-ground"),
    ("link", "alarm-ground"),
    ("alarm", "paper"),
    ("stop-ink", "stop"),
    ("bar-ink", "bar"),
    ("bar-ink", "done"),
    ("ink", "window"),
    ("paper", "ink"),
]
GRAPHICS = [
    ("due", "paper"),
    ("bar", "window"),
    ("bar", "paper"),
    ("done", "window"),
    ("rule", "paper"),
    ("damp", "dry"),
    ("crack", "dry"),
    ("grass", "paper"),
    ("open", "paper"),
]


def palettes() -> dict[str, dict[str, str]]:
    light, dark = (
        dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6});", block)) for block in re.findall(r":root \{(.*?)\}", CSS, re.S)
    )
    return {"light": light, "dark": {**light, **dark}}


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    digits = colour[1:] if len(colour) == 7 else "".join(digit * 2 for digit in colour[1:])
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_reckoned_as_the_standard_does() -> None:
    assert contrast("#fff", "#000000") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_and_graphics_stand_out_in_both_schemes(scheme: str) -> None:
    colours = palettes()[scheme]
    weak = [(a, b) for a, b in TEXT if contrast(colours[a], colours[b]) < 7]
    weak += [(a, b) for a, b in GRAPHICS if contrast(colours[a], colours[b]) < 3]
    assert weak == []


def test_what_is_pressed_is_large_enough_for_wet_hands() -> None:
    for rule in ("button, .on, .stop", "input", "nav a", "details > summary"):
        body = re.search(re.escape(rule) + r" \{(.*?)\}", CSS, re.S)
        assert body, rule
        height = re.search(r"min-height: (\d+)px", body[1])
        assert height, rule
        assert int(height[1]) >= 48, rule


def test_files_name_no_other_host() -> None:
    for path in STATIC.iterdir():
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "http:" not in text, path.name
        assert "https:" not in text, path.name


def test_motion_keyboard_and_dark_are_thought_of() -> None:
    for words in ("prefers-reduced-motion", "prefers-color-scheme: dark", ":focus-visible", "forced-colors"):
        assert words in CSS
