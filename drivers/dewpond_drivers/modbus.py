"""Relay boards that speak Modbus, over TCP or a serial line (RTU): each output is a coil, written and read back.

Such boards keep their last state when the line is cut, unless they have a watchdog of their own: set it where you can.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from dewpond_drivers.driver import DriverFault, DriverRefused, DriverUnreachable
from dewpond_drivers.faults import library, reaching, switch_each_off
from dewpond_drivers.resources import hosts, serial_port

ILLEGAL_FUNCTION = 1  # Modbus Application Protocol 1.1b3, ch. 7: the board does not know this function code


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusSettings:
    """Either ``host`` (and ``port``) or ``serial`` (a device path that stays the same, as in /dev/serial/by-id).

    ``first_coil`` is the address of output 1, counted from 0 as on the wire.
    """

    host: str = ""
    port: int = 502
    serial: str = ""
    baudrate: int = 9600
    parity: str = "N"
    stopbits: int = 1
    device_id: int = 1
    first_coil: int = 0
    timeout_s: float = 1.0

    def problems(self, outputs: int) -> list[str]:
        problems = []
        if bool(self.host) == bool(self.serial):
            problems.append("needs either host or serial, not both; give the one by which the board is reached")
        if self.parity not in ("N", "E", "O"):
            problems.append(f'parity "{self.parity}" must be "N", "E" or "O"; see the board\'s manual')
        if not 1 <= self.device_id <= 247:
            problems.append(f"device_id ({self.device_id}) must be 1 to 247; see the board's switches")
        if not 0 <= self.first_coil <= 65_536 - outputs:
            problems.append(f"first_coil ({self.first_coil}) must be 0 to {65_536 - outputs}; addresses count from 0")
        if not 0.05 <= self.timeout_s <= 1.5:
            problems.append(f"timeout_s ({self.timeout_s}) must be 0.05 to 1.5, for the keeper waits 5 s in all")
        return problems

    def resources(self, outputs: int) -> list[str]:
        if self.serial:
            return [serial_port(Path(self.serial))]
        coils = range(self.first_coil, self.first_coil + outputs)
        places = hosts(self.host, self.port)
        return [f"modbus {place} device {self.device_id} coil {coil}" for place in places for coil in coils]


class ModbusDriver:
    """Coils of one Modbus device. Never toggles: a write that may have been lost is simply made again."""

    Settings: ClassVar[type[ModbusSettings]] = ModbusSettings
    holds_when_cut_off: ClassVar[bool | None] = True
    timed_on = False

    def __init__(self, settings: ModbusSettings, outputs: int) -> None:
        self._settings = settings
        self._outputs = outputs
        self._client: Any = None
        self._name = settings.serial or f"{settings.host}:{settings.port}"

    def connect(self) -> None:
        self._let_go()
        with reaching(self._name):
            client = self._make_client()
            if not client.connect():
                raise DriverUnreachable(f"{self._name} does not answer")
            self._client = client
        self.all_off()
        self.read_back()

    def set_output(self, output: int, on: bool) -> None:
        coil = self._settings.first_coil + output - 1
        self._ask(lambda client: client.write_coil(coil, on, device_id=self._settings.device_id))

    def all_off(self) -> None:
        """All coils at once; one by one on boards that only know the single write."""
        first, device_id = self._settings.first_coil, self._settings.device_id
        off = [False] * self._outputs
        answer = self._ask(lambda client: client.write_coils(first, off, device_id=device_id), ILLEGAL_FUNCTION)
        if answer.isError():
            switch_each_off(self.set_output, self._outputs)

    def read_back(self) -> Mapping[int, bool | None]:
        first, device_id = self._settings.first_coil, self._settings.device_id
        answer = self._ask(lambda client: client.read_coils(first, count=self._outputs, device_id=device_id))
        return {output: bool(answer.bits[output - 1]) for output in range(1, self._outputs + 1)}

    def close(self) -> None:
        if self._client is not None:
            try:
                self.all_off()
            except DriverFault:
                self._let_go()  # nobody is there to be told
        self._let_go()

    def _make_client(self) -> Any:
        clients = library("pymodbus.client", "modbus")
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # the keeper tells each trouble once, not each attempt
        settings = self._settings
        if settings.host:
            return clients.ModbusTcpClient(settings.host, port=settings.port, timeout=settings.timeout_s, retries=0)
        return clients.ModbusSerialClient(
            settings.serial,
            baudrate=settings.baudrate,
            parity=settings.parity,
            stopbits=settings.stopbits,
            timeout=settings.timeout_s,
            retries=0,
        )

    def _ask(self, call: Any, allowed_code: int | None = None) -> Any:
        """One request. Errors arrive as answers too: refusals of the board, except the one that is allowed for."""
        if self._client is None:
            raise DriverUnreachable(f"{self._name} is not connected")
        try:
            with reaching(self._name):
                answer = call(self._client)
        except DriverUnreachable:
            self._let_go()
            raise
        if answer.isError() and getattr(answer, "exception_code", None) != allowed_code:
            code = getattr(answer, "exception_code", "unknown")
            raise DriverRefused(f"{self._name}, device {self._settings.device_id} refuses with Modbus exception {code}")
        return answer

    def _let_go(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close()
