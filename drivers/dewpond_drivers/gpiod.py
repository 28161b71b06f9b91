"""Relays on the lines of any Linux GPIO chip, through libgpiod 2: boards and expanders that gpiozero does not know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from dewpond_drivers.driver import DriverUnreachable
from dewpond_drivers.faults import library, reaching
from dewpond_drivers.gpio import pin_problems
from dewpond_drivers.resources import gpio_lines


@dataclass(frozen=True, slots=True, kw_only=True)
class GpiodSettings:
    """``lines`` are offsets on ``chip``, output 1 first. Most relay boards switch on at a low level."""

    lines: tuple[int, ...]
    chip: str = "/dev/gpiochip0"
    active_low: bool = True

    def problems(self, outputs: int) -> list[str]:
        return pin_problems("lines", self.lines, outputs)

    def resources(self, _outputs: int) -> list[str]:
        return gpio_lines(self.chip, self.lines)


class GpiodDriver:
    """All lines in one request, which the kernel gives to one process only."""

    Settings: ClassVar[type[GpiodSettings]] = GpiodSettings
    holds_when_cut_off: ClassVar[bool | None] = None
    timed_on = False

    def __init__(self, settings: GpiodSettings, outputs: int) -> None:
        self._settings = settings
        self._outputs = outputs
        self._request: Any = None
        self._library: Any = None

    def connect(self) -> None:
        """Claim all lines at the level that means off, set together with their direction, so that no relay clicks."""
        self.close()
        with reaching(self._settings.chip):
            gpiod, line = library("gpiod", "gpiod"), library("gpiod.line", "gpiod")
            off = gpiod.LineSettings(
                direction=line.Direction.OUTPUT,
                output_value=line.Value.INACTIVE,
                active_low=self._settings.active_low,
            )
            self._library = line
            self._request = gpiod.request_lines(
                self._settings.chip, consumer="dewpond", config={self._settings.lines: off}
            )
        self.all_off()

    def set_output(self, output: int, on: bool) -> None:
        with reaching(f"{self._settings.chip}, output {output}"):
            self._reach().set_value(self._settings.lines[output - 1], self._value(on))

    def all_off(self) -> None:
        with reaching(self._settings.chip):
            self._reach().set_values(dict.fromkeys(self._settings.lines, self._value(False)))

    def read_back(self) -> Mapping[int, bool | None]:
        with reaching(self._settings.chip):
            values = self._reach().get_values(list(self._settings.lines))
            return {output: value == self._value(True) for output, value in enumerate(values, start=1)}

    def close(self) -> None:
        if self._request is None:
            return
        try:
            self.all_off()
            with reaching(self._settings.chip):
                self._request.release()
        except DriverUnreachable:
            pass  # the chip has gone, and its lines with it
        finally:
            self._request = None

    def _value(self, on: bool) -> Any:
        return self._library.Value.ACTIVE if on else self._library.Value.INACTIVE

    def _reach(self) -> Any:
        if self._request is None:
            raise DriverUnreachable("the lines are not requested")
        return self._request
