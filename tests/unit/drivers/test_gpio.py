"""Header pins, on gpiozero's own mock pins."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pytest

from dewpond_drivers import conformance
from dewpond_drivers.gpio import GpioDriver, GpioSettings

mock = pytest.importorskip("gpiozero.pins.mock")

PINS = (17, 27, 22, 5)


class GpioBench:
    """An active-low relay board: a low pin is a relay that is on."""

    outputs = len(PINS)
    can = ("see",)

    def __init__(self) -> None:
        self.factory = mock.MockFactory()

    def make(self) -> GpioDriver:
        return GpioDriver(GpioSettings(pins=PINS), self.outputs, pin_factory=self.factory)

    def relays(self) -> Mapping[int, bool]:
        """A pin that is an input floats, and the board's pull keeps its relay off."""
        pins = {output: self.factory.pin(pin) for output, pin in enumerate(PINS, start=1)}
        return {output: pin.function == "output" and not pin.state for output, pin in pins.items()}

    def force(self, output: int, on: bool) -> None:
        pin = self.factory.pin(PINS[output - 1])
        if pin.function == "output":
            pin.state = not on


@pytest.fixture
def bench() -> Iterator[GpioBench]:
    bench = GpioBench()
    yield bench
    bench.factory.reset()


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
def test_conforms(bench: GpioBench, check) -> None:
    check(bench)


def test_no_relay_clicks_while_pins_are_claimed(bench: GpioBench) -> None:
    """A pin goes from input straight to the level that means off: on an active-low board, high."""
    driver = bench.make()
    driver.connect()
    for pin in PINS:
        levels = [state.state for state in bench.factory.pin(pin).states if state is not None]
        assert levels[-1] is True or levels[-1] == 1
    driver.close()
    assert all(bench.factory.pin(pin).function == "input" for pin in PINS)


def test_active_high_boards_are_driven_the_other_way_round(bench: GpioBench) -> None:
    settings = GpioSettings(pins=PINS, active_low=False)
    driver = GpioDriver(settings, len(PINS), pin_factory=bench.factory)
    driver.connect()
    assert [bool(bench.factory.pin(pin).state) for pin in PINS] == [False] * 4
    driver.set_output(1, True)
    assert [bool(bench.factory.pin(pin).state) for pin in PINS] == [True, False, False, False]
    assert driver.read_back() == {1: True, 2: False, 3: False, 4: False}
    driver.close()
