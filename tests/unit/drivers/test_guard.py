"""Whatever a driver raises becomes a driver fault, and a fault stays what it is."""

from __future__ import annotations

import pytest

from dewpond_drivers.driver import DriverRefused, DriverUnreachable
from dewpond_drivers.guard import GuardedRelays
from dewpond_drivers.keeper_core import KeeperCore


class Clumsy:
    """A third-party driver with a mistake in every call."""

    timed_on = True

    def __init__(self, error: Exception) -> None:
        self._error = error

    def _fail(self, *_: object) -> None:
        raise self._error

    connect = set_output = open_for = all_off = read_back = close = _fail


def calls(relays: GuardedRelays):
    yield from (relays.connect, relays.all_off, relays.read_back, relays.close)
    yield lambda: relays.set_output(1, True)
    yield lambda: relays.open_for(1, 5.0)


def test_mistakes_become_relays_out_of_reach() -> None:
    for call in calls(GuardedRelays(Clumsy(KeyError("x")))):
        with pytest.raises(DriverUnreachable, match="KeyError: 'x'"):
            call()


def test_faults_pass_unchanged() -> None:
    for call in calls(GuardedRelays(Clumsy(DriverRefused("no")))):
        with pytest.raises(DriverRefused, match=r"^no$"):
            call()


def test_a_keeper_outlives_a_clumsy_driver() -> None:
    core = KeeperCore(GuardedRelays(Clumsy(ZeroDivisionError("by zero"))), 4)
    core.expire(0.0)
    assert not core.ready and "ZeroDivisionError" in core.alarm
    assert not core.open(1, "r1", 90.0, 600.0, 1.0).ok
