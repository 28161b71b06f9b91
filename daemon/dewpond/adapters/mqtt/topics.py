"""The names of the service's own topics, and how a state is written on them."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from dewpond.model.codec import to_plain

ROOT = "dewpond"
ONLINE = b"online"
OFFLINE = b"offline"


class Topics:
    """Full topic names of one site: ``dewpond/SITE/...``. Raises ValueError for a name that is no single level."""

    def __init__(self, site: str) -> None:
        self._base = f"{ROOT}/{_level(site)}"
        self.status = self.below("status")  # plain words, online or offline: birth and will
        self.alarm = self.below("alarm")
        self.command = self.below("command")

    def below(self, name: str) -> str:
        """A topic of the site's own tree."""
        return f"{self._base}/{'/'.join(_level(level) for level in name.split('/'))}"


def state_payload(body: Mapping[str, Any], at: datetime) -> bytes:
    """A state as JSON (RFC 8259) with its time ``at``; a number that is none becomes null."""
    plain = {"at": at.isoformat(), **to_plain(body)}
    return json.dumps(_finite(plain), allow_nan=False, ensure_ascii=False, separators=(",", ":")).encode()


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_finite(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _level(name: str) -> str:
    """One level of a topic. MQTT 3.1.1 section 4.7: no separator, no wildcard, not empty."""
    if not name or any(sign in name for sign in "/+#\0"):
        raise ValueError(f"{name!r} is no single level of a topic; it is not empty and has no /, + or #")
    return name
