"""Any driver, made safe for the keeper: whatever it raises becomes a driver fault."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeVar, cast

from dewpond_drivers.driver import DriverFault, DriverUnreachable, Relays, TimedRelays

Result = TypeVar("Result")


class GuardedRelays:
    """The same relays; errors that are no DriverFault are turned into DriverUnreachable with the driver's own words."""

    def __init__(self, driver: Relays) -> None:
        self._driver = driver
        self.timed_on = driver.timed_on

    def connect(self) -> None:
        _call(self._driver.connect)

    def set_output(self, output: int, on: bool) -> None:
        _call(lambda: self._driver.set_output(output, on))

    def open_for(self, output: int, seconds: float) -> None:
        _call(lambda: cast(TimedRelays, self._driver).open_for(output, seconds))

    def all_off(self) -> None:
        _call(self._driver.all_off)

    def read_back(self) -> Mapping[int, bool | None]:
        return _call(self._driver.read_back)

    def close(self) -> None:
        _call(self._driver.close)


def _call(action: Callable[[], Result]) -> Result:
    try:
        return action()
    except DriverFault:
        raise
    except Exception as error:
        raise DriverUnreachable(f"the driver failed with {type(error).__name__}: {error}") from error
