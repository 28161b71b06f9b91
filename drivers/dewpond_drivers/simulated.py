"""Relays that exist only in a log: one line ``monotonic_s output on|off`` per change, for trials and demonstrations."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, ClassVar

from dewpond_drivers.driver import DriverUnreachable


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedSettings:
    """``log`` is appended to, line by line, and never truncated; without it the relays are only remembered."""

    log: Path | None = None

    def resources(self, _outputs: int) -> list[str]:
        """What no second keeper may use at the same time."""
        return [f"simulated:{self.log.resolve()}"] if self.log else []


class SimulatedDriver:
    """Relays as lines in a file. ``elapsed_s`` gives the time that is written, in seconds; a log needs it.

    A relay here stays as it was when its keeper dies: every ``connect`` begins by writing ``off`` for each output.
    """

    Settings: ClassVar[type[SimulatedSettings]] = SimulatedSettings
    holds_when_cut_off: ClassVar[bool | None] = True
    timed_on = False
    takes_clock: ClassVar[bool] = True

    def __init__(self, settings: SimulatedSettings, outputs: int, elapsed_s: Callable[[], float] | None = None) -> None:
        self._path = settings.log
        self._elapsed_s = elapsed_s
        self._file: BinaryIO | None = None
        self._connected = False
        self._on: dict[int, bool | None] = dict.fromkeys(range(1, outputs + 1))

    def connect(self) -> None:
        self._let_go()
        if self._path is not None:
            try:
                self._path.parent.mkdir(parents=True, exist_ok=True)
                self._file = self._path.open("ab", buffering=0)
            except OSError as fault:
                raise DriverUnreachable(f"the relay log {self._path} cannot be opened: {fault}") from fault
        self._connected = True
        self._on = dict.fromkeys(self._on)
        self.all_off()

    def set_output(self, output: int, on: bool) -> None:
        if not self._connected:
            raise DriverUnreachable("the simulated relays are not connected")
        if self._on[output] is on:
            return
        self._write(output, on)
        self._on[output] = on

    def all_off(self) -> None:
        for output in self._on:
            self.set_output(output, False)

    def read_back(self) -> Mapping[int, bool | None]:
        if not self._connected:
            raise DriverUnreachable("the simulated relays are not connected")
        return self._on

    def close(self) -> None:
        if self._connected:
            try:
                self.all_off()
            except DriverUnreachable:
                self._on = dict.fromkeys(self._on)
        self._let_go()

    def _write(self, output: int, on: bool) -> None:
        if self._file is None or self._elapsed_s is None:
            return
        self._on[output] = None  # a write that fails leaves the relay unknown, so that it is written again
        try:
            self._file.write(f"{self._elapsed_s():.6f} {output} {'on' if on else 'off'}\n".encode())
        except OSError as fault:
            raise DriverUnreachable(f"the relay log {self._path} cannot be written: {fault}") from fault

    def _let_go(self) -> None:
        self._connected = False
        if self._file is not None:
            file, self._file = self._file, None
            file.close()
