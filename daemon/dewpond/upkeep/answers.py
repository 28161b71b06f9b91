"""The work on foot for operator socket and pages: one answer of plain JSON, refusals and conflicts in words."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from dewpond.model.codec import to_plain
from dewpond.model.upkeep import Overtaken
from dewpond.upkeep.desk import UpkeepDesk
from dewpond.upkeep.refusal import Refused

Plain = dict[str, Any]


def answer(desk: UpkeepDesk, op: str, plain: Mapping[str, Any], *, who: str, at: datetime) -> Plain:
    """``ok``, ``text`` and ``body`` of one operation. ``by`` in ``plain`` is the person, else ``who``.

    Where somebody else was first, the body has their ``newest`` entry, so that a page can show both.
    """
    form = dict(plain)
    person = form.pop("by", None) or who
    if not isinstance(person, str):
        return {"ok": False, "text": f"{op}: by is no name", "body": {}}
    try:
        return {"ok": True, "text": "", "body": desk.do(op, form, who=person, at=at)}
    except Refused as refused:
        return {"ok": False, "text": str(refused), "body": {}}
    except Overtaken as overtaken:
        return {"ok": False, "text": str(overtaken), "body": {"newest": to_plain(overtaken.newest)}}
