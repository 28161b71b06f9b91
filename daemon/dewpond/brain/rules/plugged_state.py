"""What is remembered of rule plug-ins: the last question put to each, and its word once there is one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """One question of one rule. ``refused`` says by zone why the rule is not followed there; ``failure`` everywhere."""

    request_id: str
    answered: bool = False
    net_mm: Mapping[str, float] = field(default_factory=dict)
    notes: Mapping[str, str] = field(default_factory=dict)
    refused: Mapping[str, str] = field(default_factory=dict)
    failure: str = ""


Words = Mapping[str, Word]  # by rule name
