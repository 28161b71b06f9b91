"""What the watch remembers of one supply: plain frozen data, fit for a snapshot.

Sets of zones are keyed by their names joined with ``+``: what two zones draw together is learned, never added up.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from dewpond.model.copying import replace

# Weight of what is believed about a scatter before it was seen, in observations.
FLOOR_COUNT = 4.0


def key_of(zones: tuple[str, ...]) -> str:
    """The key of a set of zones."""
    return "+".join(zones)


@dataclass(frozen=True, slots=True)
class Spread:
    """Count, mean and sum of squared deviations of values seen (Welford 1962)."""

    count: int = 0
    mean: float = 0.0
    squares: float = 0.0

    def with_value(self, value: float) -> Spread:
        """The spread after one more value."""
        count = self.count + 1
        mean = self.mean + (value - self.mean) / count
        return Spread(count, mean, self.squares + (value - self.mean) * (value - mean))

    def sd(self, floor: float) -> float:
        """Standard deviation, with a floor that counts like ``FLOOR_COUNT`` observations."""
        return math.sqrt((self.squares + FLOOR_COUNT * floor * floor) / (max(self.count, 1) - 1.0 + FLOOR_COUNT))

    def upper(self, width: float, floor: float) -> float:
        """A value that the next one exceeds with the chance of ``width`` standard deviations."""
        return self.mean + width * self.sd(floor) * math.sqrt(1.0 + 1.0 / max(self.count, 1))


@dataclass(frozen=True, kw_only=True)
class UsualFlow:
    """The usual steady flow of one set of zones: ln q = level + exponent (ln p - ref) with its uncertainty.

    ``c00``, ``c01``, ``c11`` are the covariance of level and exponent, ``scatter_sq`` the variance of one run about
    the line [both of ln q], with ``degrees`` of freedom. ``anchor`` is the level the drift limit counts from.
    """

    runs: int
    level: float
    exponent: float
    ref_ln_kpa: float
    c00: float
    c01: float
    c11: float
    scatter_sq: float
    degrees: float
    anchor: float
    anchor_s: float
    above: float = 0.0
    below: float = 0.0
    drop_kpa: Spread = field(default_factory=Spread)


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualStart:
    """How an opening begins: litres above steady flow (refill), litres missing, and seconds until it is steady."""

    extra_l: Spread = field(default_factory=Spread)
    short_l: Spread = field(default_factory=Spread)
    settle_s: Spread = field(default_factory=Spread)


@dataclass(frozen=True, slots=True)
class Mark:
    """Totals of an opening up to a moment: litres, seconds, and seconds times ln kPa."""

    time_s: float
    litres: float
    seconds: float
    ln_kpa_s: float


@dataclass(frozen=True, slots=True)
class Sum:
    """A one-sided cumulative sum in litres, and since when it has been above zero."""

    litres: float = 0.0
    since_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Lead:
    """What the zones that were open already passed last, before others came to them: L/min."""

    zones: tuple[str, ...]
    l_min: float


@dataclass(frozen=True, kw_only=True)
class Opening:
    """The set of zones open now, since when, and what was counted.

    ``fresh`` are the zones that came with the last change; ``carry_l`` bounds what the zones before may still pass,
    ``unclosed`` are those of them that passed their full flow up to this opening. ``silent_l`` is what should have
    passed since the last pulse; ``least`` is the lowest flow of any whole window so far, for meters that others draw
    from. ``off`` is how far off it was when that was proved, for a run that is stopped before it has a steady part.
    """

    zones: tuple[str, ...]
    fresh: tuple[str, ...]
    first_end_s: float
    total: Mark
    carry_l: float = 0.0
    unclosed: tuple[str, ...] = ()
    expected_l: float = 0.0
    short_peak_l: float = 0.0
    marks: tuple[Mark, ...] = ()
    high: Sum = field(default_factory=Sum)
    low: Sum = field(default_factory=Sum)
    silent_l: float = 0.0
    window_from: Mark | None = None
    least: Mark | None = None
    odd: bool = False
    off: LastRun | None = None
    lead: Lead | None = None


@dataclass(frozen=True, kw_only=True)
class Closing:
    """The minute after the last valve closed: whose, since when, litres counted, and whether flow never fell off."""

    zones: tuple[str, ...]
    since_s: float
    litres: float = 0.0
    seconds: float = 0.0
    full: bool = False


@dataclass(frozen=True, slots=True)
class Spell:
    """A stretch of pulses with every valve closed: first and last pulse, litres with and without the first row's."""

    first_s: float
    last_s: float
    litres: float
    first_l: float


@dataclass(frozen=True, slots=True)
class Others:
    """What other users behind a shared meter do: their largest draw, how long they draw without a quiet stretch."""

    watched_s: float = 0.0
    draw_l_min: float = 0.0
    longest_busy_s: float = 0.0
    busy_s: float = 0.0
    busy_l: float = 0.0
    silent_s: float = 0.0
    minute: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class LastRun:
    """How a zone's last judged run came out: ln(seen/expected), the difference, its uncertainty, whether it is odd.

    ``unclosed`` as in the opening: zones before it that were not seen to close.
    """

    time_s: float
    ratio: float
    excess_l_min: float
    sd: float
    odd: bool
    unclosed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Incident:
    """A fault that was told and is not yet over; ``calm`` seconds without a sign of it, ``lost_l`` litres so far.

    ``ratio`` is ln(seen/expected) when it was told, 0 where that says nothing; ``back`` is what runs since say for its
    end [log-likelihood ratio].
    """

    kind: str
    zone: str | None
    since_s: float
    seen_l_min: float = 0.0
    calm: float = 0.0
    lost_l: float = 0.0
    ratio: float = 0.0
    back: float = 0.0


@dataclass(frozen=True, kw_only=True)
class WatchState:
    """All memory of the watch over one supply."""

    flows: Mapping[str, UsualFlow] = field(default_factory=dict)
    starts: Mapping[str, UsualStart] = field(default_factory=dict)
    leads: Mapping[str, Spread] = field(default_factory=dict)
    closings: Mapping[str, Spread] = field(default_factory=dict)
    idle_kpa: tuple[Spread, ...] = ()
    idle_kpa_s: float = 0.0
    quiet_kpa: float | None = None
    low_s: float | None = None
    others: Others = field(default_factory=Others)
    last_runs: Mapping[str, LastRun] = field(default_factory=dict)
    opening: Opening | None = None
    closing: Closing | None = None
    spell: Spell | None = None
    incidents: tuple[Incident, ...] = ()

    def incident(self, kinds: frozenset[str], zone: str | None = None) -> Incident | None:
        """The first open incident of these kinds, of this zone where one is given."""
        for item in self.incidents:
            if item.kind in kinds and (zone is None or item.zone == zone):
                return item
        return None

    def without(self, gone: Incident) -> WatchState:
        """The state with one incident over."""
        return replace(self, incidents=tuple(item for item in self.incidents if item is not gone))
