"""The direct way to close, past the daemon. It loads next to nothing, for a stop must not wait for libraries."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from dewpond.adapters.keeper_link import ANSWER_S, KeeperLink, KeeperSilent


class NotClosed(KeeperSilent):
    """Raised when the keeper answers, but does not close: its text says why."""


def close_all_now(socket_path: Path, who: str) -> str:
    """Have everything closed, past the daemon. Returns a sentence on what was done; raises KeeperSilent, an OSError."""
    _close_now(socket_path, {"op": "close_all", "who": f"stopped by {plain(who)}", "wish": True})
    return "All valves are shut."


def close_after_test(socket_path: Path, who: str) -> None:
    """Have everything closed at the end of a test, which is no wish to leave plants dry. Raises KeeperSilent."""
    _close_now(socket_path, {"op": "close_all", "who": f"{plain(who)} has ended a test of the valves"})


def close_output_now(socket_path: Path, output: int, who: str) -> str:
    """Have one output closed, past the daemon. Returns a sentence on what was done; raises KeeperSilent, an OSError."""
    _close_now(socket_path, {"op": "close", "output": output, "who": f"stopped by {plain(who)}", "wish": True})
    return f"The valve at output {output} is shut."


def close_zone_now(socket_path: Path, zone: str, who: str) -> str:
    """Have one zone closed, and a master that is left without a running zone; the keeper knows their outputs.

    Returns a sentence on what was done; raises KeeperSilent, an OSError, for a zone the keeper does not know as well.
    """
    _close_now(socket_path, {"op": "close", "target": plain(zone), "who": f"stopped by {plain(who)}", "wish": True})
    return f"The valve of {zone} is shut."


def plain(text: str) -> str:
    """A cause as the keeper takes it: one line, printable, not too long."""
    return "".join(letter if letter.isprintable() else " " for letter in text)[:500]


def _close_now(socket_path: Path, request: dict[str, Any]) -> None:
    link = KeeperLink(socket_path)
    try:
        answer = link.ask(request, ANSWER_S)
    finally:
        link.close()
    if answer.get("ok") is not True:
        raise NotClosed(f"the keeper could not close: {answer.get('why')}")
