"""Cups on a grid for tests, and the published audits."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from dewpond.upkeep.cups import Cup

# Cases, sources and tolerances: tests/data/reference/landscape_practice.json.
_DATA = Path(__file__).parents[2] / "data" / "reference" / "landscape_practice.json"
CASES: dict[str, dict[str, Any]] = {case["id"]: case for case in json.loads(_DATA.read_text(encoding="utf-8"))["cases"]}


def grid(values, *, across: int = 6, apart_m: float = 2.0, placements: int = 1, **more) -> tuple[Cup, ...]:
    """Cups row by row, ``across`` to a row."""
    return tuple(
        Cup(
            x_m=apart_m * (n % across),
            y_m=apart_m * (n // across),
            value=value,
            placement=str(n % placements + 1),
            **more,
        )
        for n, value in enumerate(values)
    )
