"""The simulated driver and its log."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from dewpond_drivers import conformance
from dewpond_drivers.driver import DriverUnreachable
from dewpond_drivers.simulated import SimulatedDriver, SimulatedSettings


class SimulatedBench:
    """The relays are what the log says, line by line."""

    outputs = 4
    can = ("see",)

    def __init__(self, log: Path) -> None:
        self._log = log
        self._driver: SimulatedDriver | None = None

    def make(self) -> SimulatedDriver:
        self._driver = SimulatedDriver(SimulatedSettings(log=self._log), self.outputs, lambda: 12.5)
        return self._driver

    def relays(self) -> Mapping[int, bool]:
        states = dict.fromkeys(range(1, self.outputs + 1), False)
        for line in self._log.read_text().splitlines():
            _, output, word = line.split()
            states[int(output)] = {"on": True, "off": False}[word]
        return states

    def force(self, output: int, on: bool) -> None:
        if self._driver is not None:
            self._driver.set_output(output, on)
        else:
            with self._log.open("a") as log:
                log.write(f"0.0 {output} {'on' if on else 'off'}\n")


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
def test_conforms(tmp_path: Path, check) -> None:
    check(SimulatedBench(tmp_path / "relays.log"))


def test_each_start_writes_off_for_each_output_and_never_truncates(tmp_path: Path) -> None:
    log = tmp_path / "sub" / "relays.log"
    for _ in range(2):
        driver = SimulatedDriver(SimulatedSettings(log=log), 2, lambda: 7.25)
        driver.connect()
        driver.set_output(2, True)
        driver.set_output(2, True)
        driver.close()
    one_life = ["7.250000 1 off", "7.250000 2 off", "7.250000 2 on", "7.250000 2 off"]
    assert log.read_text().splitlines() == one_life * 2


def test_a_line_is_on_disk_as_soon_as_the_relay_has_moved(tmp_path: Path) -> None:
    log = tmp_path / "relays.log"
    driver = SimulatedDriver(SimulatedSettings(log=log), 1, lambda: 3.0)
    driver.connect()
    driver.set_output(1, True)
    assert log.read_text().endswith("3.000000 1 on\n")
    driver.close()


def test_a_log_that_cannot_be_opened_is_out_of_reach(tmp_path: Path) -> None:
    driver = SimulatedDriver(SimulatedSettings(log=tmp_path), 1, lambda: 0.0)
    with pytest.raises(DriverUnreachable, match="cannot be opened"):
        driver.connect()


def test_a_full_disk_leaves_the_relay_unknown_and_the_line_is_written_later(tmp_path: Path) -> None:
    log = tmp_path / "relays.log"
    driver = SimulatedDriver(SimulatedSettings(log=log), 1, lambda: 1.0)
    driver.connect()
    with Path("/dev/full").open("ab", buffering=0) as full:
        whole, driver._file = driver._file, full
        with pytest.raises(DriverUnreachable, match="cannot be written"):
            driver.set_output(1, True)
        assert driver.read_back() == {1: None}
        driver._file = whole
    driver.set_output(1, False)
    assert log.read_text().splitlines() == ["1.000000 1 off", "1.000000 1 off"]
    driver.close()
