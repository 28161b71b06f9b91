"""What a relay driver is: a few plain, synchronous calls that the keeper makes from one thread.

Outputs count from 1. A driver never opens anything by itself, never toggles, and promises nothing it cannot read back:
where the board cannot tell, the answer is None. Calls return within about two seconds; the keeper waits five at most.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Protocol


class DriverFault(Exception):
    """Raised when the relays did not do what was asked; always one of the two kinds below."""


class DriverUnreachable(DriverFault):
    """Raised when the board does not answer: the state of its relays is unknown until it does."""


class DriverRefused(DriverFault):
    """Raised when the board answers, but will not or did not do what was asked."""


class Relays(Protocol):
    """Switches the outputs of one relay board. Every output is off after ``connect`` and after ``close``.

    ``timed_on`` is True where an output can be told to switch itself off again; the relays are then ``TimedRelays``.
    """

    @property
    def timed_on(self) -> bool: ...

    def connect(self) -> None:
        """Reach the board and switch every output off. May be called again after a fault. Raises DriverFault."""
        ...

    def set_output(self, output: int, on: bool) -> None:
        """Switch one output. Idempotent. Returns once the board has taken it. Raises DriverFault."""
        ...

    def all_off(self) -> None:
        """Switch every output off, trying all of them before it raises DriverFault."""
        ...

    def read_back(self) -> Mapping[int, bool | None]:
        """What the board says now: True on, False off, None it cannot tell. Never an old value. Raises DriverFault."""
        ...

    def close(self) -> None:
        """Switch every output off if the board can be reached, and let go of it. Idempotent, never raises."""
        ...


class TimedRelays(Relays, Protocol):
    """Relays that keep time themselves: an output goes off after ``seconds`` unless told again."""

    def open_for(self, output: int, seconds: float) -> None:
        """Switch an output on for so long, or renew it. Raises DriverFault."""
        ...


class ValveDriver(Relays, Protocol):
    """What a package offers under the entry-point group ``dewpond.valve_drivers``. ``__init__`` touches no hardware.

    ``__init__(settings, outputs)`` takes an instance of ``Settings``, a dataclass whose fields are the driver's keys in
    ``[relays]``. Two methods of it are optional: ``problems(outputs)`` lists contradictions between keys, as texts;
    ``resources(outputs)`` names what no second keeper may use. A driver class with ``takes_clock = True`` also gets the
    keyword ``elapsed_s``, a function that returns the keeper's elapsed time in seconds.

    A driver for decoders on a two-wire path says so by ``two_wire = True`` and must also have ``close_guarantee``, a
    sentence on how its decoders close by themselves when they hear nothing; then ``holds_when_cut_off`` is False or
    ``timed_on`` True. Without it the driver is refused.

    ``holds_when_cut_off`` says what the relays do when this computer dies or the cable is cut: False they fall off by
    themselves, True they stay as they are, None it depends on the board.
    """

    Settings: ClassVar[type[Any]]
    holds_when_cut_off: ClassVar[bool | None]

    def __init__(self, settings: Any, outputs: int) -> None: ...
