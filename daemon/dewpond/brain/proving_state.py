"""What people have said of zones' commissioning: begun, and signed off. Plain data of the brain's state."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class BegunState:
    """A zone's commissioning was begun: by whom, when and why; the meter had counted so many ``runs`` until then."""

    who: str
    at: datetime
    reason: str
    runs: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofState:
    """A zone was signed off, as the valve that hung on this output of this supply."""

    who: str
    at: datetime
    reason: str
    supply: str
    output: int


@dataclass(frozen=True, kw_only=True)
class ProvingState:
    """By zone id. A zone that is begun is not proved, whatever was signed before."""

    begun: Mapping[str, BegunState] = field(default_factory=dict)
    proofs: Mapping[str, ProofState] = field(default_factory=dict)
