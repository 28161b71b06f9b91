"""Relays on header pins, through gpiozero (and lgpio): the first choice on boards that gpiozero knows.

The pin level can be read back, the relay behind it cannot. What the pins do when the keeper dies hangs on kernel and
board: try it, and choose a relay board that is off while its inputs float.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from dewpond_drivers.driver import DriverUnreachable
from dewpond_drivers.faults import library, reaching, switch_each_off
from dewpond_drivers.resources import gpio_lines


@dataclass(frozen=True, slots=True, kw_only=True)
class GpioSettings:
    """``pins`` in the board's GPIO numbers, output 1 first. Most relay boards switch on at a low level."""

    pins: tuple[int, ...]
    active_low: bool = True
    chip: int | None = None

    def problems(self, outputs: int) -> list[str]:
        return pin_problems("pins", self.pins, outputs)

    def resources(self, _outputs: int) -> list[str]:
        return gpio_lines(self.chip, self.pins)


def pin_problems(key: str, pins: tuple[int, ...], outputs: int) -> list[str]:
    """What is wrong with a list of pins, one for each output."""
    problems = []
    if len(pins) != outputs:
        problems.append(f"{key} has {len(pins)} entries for {outputs} outputs; list one for each output")
    if len(set(pins)) != len(pins) or any(pin < 0 for pin in pins):
        problems.append(f"{key} {list(pins)} must be different numbers from 0 up; correct the one that is wrong")
    return problems


class GpioDriver:
    """One gpiozero output for each relay. ``pin_factory`` replaces gpiozero's own choice of pins (for trials)."""

    Settings: ClassVar[type[GpioSettings]] = GpioSettings
    holds_when_cut_off: ClassVar[bool | None] = None
    timed_on = False

    def __init__(self, settings: GpioSettings, outputs: int, pin_factory: Any = None) -> None:
        self._settings = settings
        self._outputs = outputs
        self._factory = pin_factory
        self._pins: dict[int, Any] = {}

    def connect(self) -> None:
        """Claim each pin at the level that means off, set together with its direction, so that no relay clicks."""
        self._let_go()
        with reaching("the GPIO pins"):
            gpiozero = library("gpiozero", "gpio")
            factory = self._factory or _lgpio_factory(self._settings.chip)
            self._factory = factory
            for output, pin in enumerate(self._settings.pins, start=1):
                self._pins[output] = gpiozero.OutputDevice(
                    pin, active_high=not self._settings.active_low, initial_value=False, pin_factory=factory
                )
        self.all_off()

    def set_output(self, output: int, on: bool) -> None:
        with reaching(f"GPIO pin of output {output}"):
            if output not in self._pins:
                raise DriverUnreachable("the GPIO pins are not connected")
            pin = self._pins[output]
            pin.on() if on else pin.off()

    def all_off(self) -> None:
        switch_each_off(self.set_output, self._outputs)

    def read_back(self) -> Mapping[int, bool | None]:
        with reaching("the GPIO pins"):
            if not self._pins:
                raise DriverUnreachable("the GPIO pins are not connected")
            return {output: bool(pin.value) for output, pin in self._pins.items()}

    def close(self) -> None:
        self._let_go()

    def _let_go(self) -> None:
        """Off, then free: gpiozero makes a freed pin an input, and the relay board's own pull decides from there."""
        pins, self._pins = self._pins, {}
        for pin in pins.values():
            try:
                with reaching("a GPIO pin"):
                    pin.off()
                    pin.close()
            except DriverUnreachable:
                continue  # the other pins must be switched off all the same


def _lgpio_factory(chip: int | None) -> Any:
    return library("gpiozero.pins.lgpio", "gpio").LGPIOFactory(chip=chip)
