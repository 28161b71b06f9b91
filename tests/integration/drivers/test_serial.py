"""The serial driver against a relay board at the other end of a pseudo terminal."""

from __future__ import annotations

import os
import threading
import tty
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from dewpond_drivers import conformance
from dewpond_drivers.driver import DriverRefused, DriverUnreachable
from dewpond_drivers.serial import SerialDriver, SerialSettings

pytest.importorskip("serial")

OUTPUTS = 9
FRAMES = {
    "on_frame": "55 {output} 01 {sum8}",
    "off_frame": "55 {output} 00 {sum8}",
    "ack_frame": "AA {output} .. {sum8}",
    "state_frame": "55 00 02 {sum8}",
    "state_reply": "AA {bits} {bits} {sum8}",
}


class SerialBench:
    """A board that reads four-byte frames; its device path is a link, as udev makes them."""

    outputs = OUTPUTS
    can = ("see", "cut", "jam", "break")

    def __init__(self, folder: Path) -> None:
        self.states = dict.fromkeys(range(1, OUTPUTS + 1), False)
        self.jammed: set[int] = set()
        self.broken: set[int] = set()
        self.link = folder / "board"
        self.mend()

    def make(self, **changes: str) -> SerialDriver:
        return SerialDriver(SerialSettings(port=self.link, timeout_s=0.3, **{**FRAMES, **changes}), OUTPUTS)

    def relays(self) -> Mapping[int, bool]:
        return dict(self.states)

    def force(self, output: int, on: bool) -> None:
        self.states[output] = on

    def jam(self, output: int) -> None:
        self.jammed.add(output)

    def break_relay(self, output: int) -> None:
        self.broken.add(output)

    def heal(self) -> None:
        self.jammed.clear()
        self.broken.clear()

    def cut(self) -> None:
        """Pull the plug: the device disappears, as a USB adapter does."""
        os.write(self._stop, b"!")
        self._thread.join(5.0)
        for end in (self._board_end, self._stop, self._stopped):
            os.close(end)
        self.link.unlink()

    def mend(self) -> None:
        self._board_end, host_end = os.openpty()
        tty.setraw(host_end)
        self.link.symlink_to(os.ttyname(host_end))
        self._stopped, self._stop = os.pipe()
        self._thread = threading.Thread(target=self._serve, args=(host_end,), daemon=True)
        self._thread.start()

    def _serve(self, host_end: int) -> None:
        """``host_end`` stays open here while the board lives, so that the driver may come and go."""
        import select

        heard = b""
        while True:
            readable, _, _ = select.select([self._board_end, self._stopped], [], [])
            if self._stopped in readable:
                break
            heard += os.read(self._board_end, 256)
            while len(heard) >= 4:
                os.write(self._board_end, self._obey(heard[:4]))
                heard = heard[4:]
        os.close(host_end)

    def _obey(self, frame: bytes) -> bytes:
        start, output, code, check = frame
        if start != 0x55 or check != (start + output + code) & 0xFF or output in self.broken:
            return b"\xee\xee\xee\xee"
        if code == 2:
            word = sum(on << (number - 1) for number, on in self.states.items())
            reply = bytes([0xAA]) + word.to_bytes(2, "little")
        else:
            if output not in self.jammed:
                self.states[output] = code == 1
            reply = bytes([0xAA, output, code])
        return reply + bytes([sum(reply) & 0xFF])


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[SerialBench]:
    bench = SerialBench(tmp_path)
    yield bench
    bench.cut()


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
def test_conforms(bench: SerialBench, check) -> None:
    check(bench)


def test_a_board_that_tells_nothing_is_not_made_to(bench: SerialBench) -> None:
    driver = bench.make(ack_frame="", state_frame="", state_reply="")
    driver.connect()
    driver.set_output(3, True)
    driver.set_output(9, True)
    assert set(driver.read_back().values()) == {None}
    driver.close()


def test_a_silent_board_is_out_of_reach_and_a_strange_answer_is_a_refusal(bench: SerialBench) -> None:
    driver = bench.make()
    driver.connect()
    bench.break_relay(2)
    with pytest.raises(DriverRefused, match="ee ee ee ee, which is not what it should be"):
        driver.set_output(2, True)
    bench.heal()
    driver.close()
    silent = os.openpty()
    driver = SerialDriver(SerialSettings(port=Path(os.ttyname(silent[1])), timeout_s=0.05, **FRAMES), OUTPUTS)
    with pytest.raises(DriverUnreachable, match="does not answer"):
        driver.connect()
    driver.close()
    for end in silent:
        os.close(end)


def test_a_port_has_one_user(bench: SerialBench) -> None:
    first = bench.make()
    first.connect()
    second = bench.make()
    with pytest.raises(DriverUnreachable):
        second.connect()
    first.close()
