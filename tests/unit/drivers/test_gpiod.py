"""Lines of a GPIO chip, on a fake libgpiod that behaves as its documentation says."""

from __future__ import annotations

import inspect
import sys
from collections.abc import Iterable, Iterator, Mapping
from enum import Enum
from types import ModuleType, SimpleNamespace

import pytest

from dewpond_drivers import conformance
from dewpond_drivers.driver import DriverUnreachable
from dewpond_drivers.gpiod import GpiodDriver, GpiodSettings

LINES = (4, 9, 11, 30)


class Direction(Enum):
    OUTPUT = 2


class Value(Enum):
    INACTIVE = 0
    ACTIVE = 1


class FakeChip:
    """Electrical levels by line; a line without an owner is high, as the pull of an active-low relay board makes it."""

    def __init__(self) -> None:
        self.levels = dict.fromkeys(LINES, True)
        self.history: list[tuple[int, bool]] = []
        self.owner: FakeRequest | None = None
        self.absent = False

    def drive(self, line: int, level: bool) -> None:
        self.levels[line] = level
        self.history.append((line, level))

    def request_lines(self, path: str, config: dict, consumer: str | None = None) -> FakeRequest:
        if self.absent:
            raise FileNotFoundError(path)
        if self.owner is not None:
            raise OSError(16, "Device or resource busy")
        ((lines, settings),) = config.items()
        self.owner = FakeRequest(self, lines, settings)
        return self.owner


class FakeRequest:
    def __init__(self, chip: FakeChip, lines: tuple[int, ...], settings: SimpleNamespace) -> None:
        assert settings.direction is Direction.OUTPUT
        self._chip, self._low = chip, settings.active_low
        self.set_values(dict.fromkeys(lines, settings.output_value))

    def set_value(self, line: int, value: Value) -> None:
        if self._chip.absent:
            raise OSError(19, "No such device")
        self._chip.drive(line, (value is Value.ACTIVE) != self._low)

    def set_values(self, values: Mapping[int, Value]) -> None:
        for line, value in values.items():
            self.set_value(line, value)

    def get_values(self, lines: Iterable[int]) -> list[Value]:
        if self._chip.absent:
            raise OSError(19, "No such device")
        return [Value.ACTIVE if self._chip.levels[line] != self._low else Value.INACTIVE for line in lines]

    def release(self) -> None:
        self._chip.owner = None


class GpiodBench:
    outputs = len(LINES)
    can = ("see", "cut")

    def __init__(self, chip: FakeChip) -> None:
        self.chip = chip

    def make(self) -> GpiodDriver:
        return GpiodDriver(GpiodSettings(lines=LINES), self.outputs)

    def relays(self) -> Mapping[int, bool]:
        return {output: not self.chip.levels[line] for output, line in enumerate(LINES, start=1)}

    def force(self, output: int, on: bool) -> None:
        self.chip.levels[LINES[output - 1]] = not on

    def cut(self) -> None:
        self.chip.absent = True

    def mend(self) -> None:
        self.chip.absent, self.chip.owner = False, None


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[GpiodBench]:
    chip = FakeChip()
    gpiod, line = ModuleType("gpiod"), ModuleType("gpiod.line")
    line.Direction, line.Value = Direction, Value  # type: ignore[attr-defined]
    gpiod.LineSettings, gpiod.request_lines = SimpleNamespace, chip.request_lines  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "gpiod", gpiod)
    monkeypatch.setitem(sys.modules, "gpiod.line", line)
    yield GpiodBench(chip)


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
def test_conforms(bench: GpiodBench, check) -> None:
    check(bench)


def test_no_relay_clicks_while_lines_are_claimed(bench: GpiodBench) -> None:
    driver = bench.make()
    driver.connect()
    assert all(level for _, level in bench.chip.history), "an active-low relay would have clicked"
    driver.close()
    assert bench.chip.owner is None


def test_a_chip_in_use_by_another_program_is_out_of_reach(bench: GpiodBench) -> None:
    first = bench.make()
    first.connect()
    with pytest.raises(DriverUnreachable, match="busy"):
        bench.make().connect()
    first.close()


def test_the_fake_has_the_names_of_the_library() -> None:
    """The driver's calls, against the real library where it is installed."""
    gpiod = pytest.importorskip("gpiod")
    line = pytest.importorskip("gpiod.line")
    assert {"path", "config", "consumer"} <= set(inspect.signature(gpiod.request_lines).parameters)
    wanted = {"direction", "output_value", "active_low"}
    assert wanted <= set(inspect.signature(gpiod.LineSettings.__init__).parameters)
    assert line.Value.ACTIVE is not line.Value.INACTIVE and line.Direction.OUTPUT is not None
    for method, names in {"set_value": {"line", "value"}, "set_values": {"values"}, "get_values": {"lines"}}.items():
        assert names <= set(inspect.signature(getattr(gpiod.LineRequest, method)).parameters)
    assert callable(gpiod.LineRequest.release)
