"""The account as CSV: one row a zone and month in litres, and one a fault; for a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import Any

Plain = Mapping[str, Any]
HEAD = (
    "row", "first", "last", "name", "supply", "area_m2", "litres", "metered_l", "computed_l", "doubt_l", "need_l",
    "counted_l", "cost", "currency", "detail",
)  # fmt: skip


def account_csv(body: Plain) -> str:
    """Rows of kind zone, month (of a supply), day, and fault. Litres; empty is not known."""
    out = io.StringIO()
    writer = csv.DictWriter(out, HEAD, restval="", extrasaction="ignore", lineterminator="\r\n")
    writer.writeheader()
    span = {"first": body["first"], "last": body["last"]}
    for zone in body["zones"]:
        writer.writerow({"row": "zone", **span, **_safe(zone), "name": _text(zone["zone"])})
    for supply in body["supplies"]:
        for month in supply["months"]:
            named = {"name": month["month"], "supply": _text(supply["supply"]), "currency": supply["currency"]}
            writer.writerow({"row": "month", **span, **_safe(month), **_safe(named)})
    for day in body["series"]:
        writer.writerow({"row": "day", "first": day["date"], "last": day["date"], **_safe(day)})
    for fault in body["faults"]:
        row = {"first": fault["at"], "last": fault["cleared"] or "", "name": _text(fault["zone"])}
        writer.writerow({"row": "fault", **row, "litres": fault["lost_l"], "detail": _text(fault["detail"])})
    return out.getvalue()


def _safe(row: Plain) -> dict[str, Any]:
    return {key: _text(value) if isinstance(value, str) else value for key, value in row.items() if value is not None}


def _text(value: str) -> str:
    """Text that a spreadsheet will not take for a formula."""
    return f"'{value}" if value[:1] in ("=", "+", "-", "@", "\t") else value
