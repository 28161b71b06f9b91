"""Relay boards on a serial port or USB that obey short byte frames; the site file describes the frames."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from dewpond_drivers.driver import DriverFault, DriverRefused, DriverUnreachable
from dewpond_drivers.faults import library, reaching, switch_each_off
from dewpond_drivers.frames import build, frame_problem, length, read_bits
from dewpond_drivers.resources import serial_port


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialSettings:
    """``port`` is a device path that stays the same, as in /dev/serial/by-id. Frames are described in ``frames.py``.

    ``ack_frame`` is what the board sends back after a command, ``state_frame`` asks for the state and ``state_reply``
    is what comes back, with ``{bits}``. Without either the board cannot tell what its relays do.
    """

    port: Path
    on_frame: str
    off_frame: str
    ack_frame: str = ""
    state_frame: str = ""
    state_reply: str = ""
    baudrate: int = 9600
    parity: str = "N"
    stopbits: int = 1
    timeout_s: float = 0.5

    def problems(self, outputs: int) -> list[str]:
        problems = [
            frame_problem(key, getattr(self, key), reply=key in ("ack_frame", "state_reply"))
            for key in ("on_frame", "off_frame", "ack_frame", "state_frame", "state_reply")
        ]
        problems += [
            f"{key} must hold {{output}} or {{index}}; else all outputs are the same"
            for key in ("on_frame", "off_frame")
            if "{output}" not in getattr(self, key) and "{index}" not in getattr(self, key)
        ]
        if bool(self.state_frame) != bool(self.state_reply):
            problems.append("state_frame and state_reply belong together; give both or neither")
        if self.state_reply and 8 * self.state_reply.count("{bits}") < outputs:
            problems.append(f"state_reply has too few {{bits}} for {outputs} outputs; one stands for eight")
        if outputs > 255:
            problems.append(f"outputs ({outputs}) must be at most 255, for a frame has one byte for it")
        if self.parity not in ("N", "E", "O"):
            problems.append(f'parity "{self.parity}" must be "N", "E" or "O"; see the board\'s manual')
        if not 0.02 <= self.timeout_s <= 1.5:
            problems.append(f"timeout_s ({self.timeout_s}) must be 0.02 to 1.5, for the keeper waits 5 s in all")
        return [problem for problem in problems if problem]

    def resources(self, _outputs: int) -> list[str]:
        return [serial_port(self.port)]


class SerialDriver:
    """One port, which no other program may open meanwhile."""

    Settings: ClassVar[type[SerialSettings]] = SerialSettings
    holds_when_cut_off: ClassVar[bool | None] = None
    timed_on = False

    def __init__(self, settings: SerialSettings, outputs: int) -> None:
        self._settings = settings
        self._outputs = outputs
        self._port: Any = None

    def connect(self) -> None:
        self._let_go()
        settings = self._settings
        with reaching(str(settings.port)):
            self._port = library("serial", "serial").Serial(
                str(settings.port),
                baudrate=settings.baudrate,
                parity=settings.parity,
                stopbits=settings.stopbits,
                timeout=settings.timeout_s,
                write_timeout=settings.timeout_s,
                exclusive=True,
            )
        self.all_off()

    def set_output(self, output: int, on: bool) -> None:
        settings = self._settings
        frame = build(settings.on_frame if on else settings.off_frame, output)
        self._understand(settings.ack_frame, output, self._ask(frame, length(settings.ack_frame)))

    def all_off(self) -> None:
        switch_each_off(self.set_output, self._outputs)

    def read_back(self) -> Mapping[int, bool | None]:
        settings = self._settings
        outputs = range(1, self._outputs + 1)
        if not settings.state_frame:
            if self._port is None:
                raise DriverUnreachable(f"{settings.port} is not connected")
            return dict.fromkeys(outputs)
        answer = self._ask(build(settings.state_frame, 1), length(settings.state_reply))
        bits = self._understand(settings.state_reply, 1, answer)
        return {output: bits[output - 1] for output in outputs}

    def close(self) -> None:
        if self._port is not None:
            try:
                self.all_off()
            except DriverFault:
                self._let_go()  # nobody is there to be told
        self._let_go()

    def _ask(self, frame: bytes, answer_bytes: int) -> bytes:
        if self._port is None:
            raise DriverUnreachable(f"{self._settings.port} is not connected")
        try:
            with reaching(str(self._settings.port)):
                self._port.reset_input_buffer()
                self._port.write(frame)
                self._port.flush()
                return bytes(self._port.read(answer_bytes)) if answer_bytes else b""
        except DriverUnreachable:
            self._let_go()
            raise

    def _understand(self, template: str, output: int, answer: bytes) -> list[bool]:
        """Silence, or an answer cut short, is a board out of reach; a strange answer is a board that did not obey."""
        if len(answer) < length(template):
            self._let_go()
            raise DriverUnreachable(f"{self._settings.port}: the board does not answer")
        bits = read_bits(template, output, answer)
        if bits is None:
            heard = answer.hex(" ")
            raise DriverRefused(f"{self._settings.port}: the board answers {heard}, which is not what it should be")
        return bits

    def _let_go(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            port.close()
