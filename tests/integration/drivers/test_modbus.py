"""The Modbus driver against a Modbus server in this process, over TCP and over a serial line (a pseudo terminal)."""

from __future__ import annotations

import asyncio
import os
import socket
import threading
import tty
from collections.abc import Iterator, Mapping

import pytest

from dewpond_drivers import conformance
from dewpond_drivers.driver import DriverRefused, DriverUnreachable
from dewpond_drivers.modbus import ModbusDriver, ModbusSettings

pytest.importorskip("pymodbus")
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

OUTPUTS, FIRST_COIL, DEVICE = 4, 16, 7


class Board:
    """Coils of a simulated relay board. ``single_only`` boards know no multiple write."""

    def __init__(self) -> None:
        self.coils = dict.fromkeys(range(FIRST_COIL, FIRST_COIL + OUTPUTS), False)
        self.jammed: set[int] = set()
        self.broken: set[int] = set()
        self.single_only = False

    async def act(self, code, _start, address, _count, registers, values):
        """The server's hook before each access: writes go to ``coils``, reads are answered from them."""
        if values is None:
            return self._show(registers)
        if code == 15 and self.single_only:
            return ExcCodes.ILLEGAL_FUNCTION
        written = dict(enumerate(values, start=address))
        if code == 5 and self.broken & set(written):
            return ExcCodes.DEVICE_FAILURE
        for coil, on in written.items():
            if coil not in self.jammed | self.broken:
                self.coils[coil] = bool(on)
        if self.broken & set(written):
            return ExcCodes.DEVICE_FAILURE
        values[:] = [self.coils[coil] for coil in written]
        return None

    def _show(self, registers):
        word = sum(on << (coil - FIRST_COIL) for coil, on in self.coils.items())
        registers[1] = word

    def device(self) -> SimDevice:
        block = [SimData(0, count=64, values=False, datatype=DataType.BITS)]
        spare = [SimData(0, values=0, datatype=DataType.REGISTERS)]
        return SimDevice(DEVICE, simdata=(block, block, spare, spare), action=self.act)


class Server:
    """The board's server in a thread with its own loop."""

    def __init__(self, make) -> None:
        self._make = make
        self._up = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_until_complete, args=(self._serve(),), daemon=True)
        self._thread.start()
        assert self._up.wait(5.0)

    async def _serve(self) -> None:
        self._server = self._make()
        await self._server.serve_forever(background=True)
        self._up.set()
        await self._server.serving

    def stop(self) -> None:
        asyncio.run_coroutine_threadsafe(self._server.shutdown(), self._loop).result(5.0)
        self._thread.join(5.0)
        self._loop.close()


class TcpBench:
    outputs = OUTPUTS
    can = ("see", "cut", "jam", "break")

    def __init__(self) -> None:
        self.board = Board()
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.mend()

    def make(self, **changes) -> ModbusDriver:
        keys = {"host": "127.0.0.1", "port": self.port, "device_id": DEVICE, "first_coil": FIRST_COIL, "timeout_s": 0.3}
        return ModbusDriver(ModbusSettings(**{**keys, **changes}), OUTPUTS)

    def relays(self) -> Mapping[int, bool]:
        return {coil - FIRST_COIL + 1: on for coil, on in self.board.coils.items()}

    def force(self, output: int, on: bool) -> None:
        self.board.coils[FIRST_COIL + output - 1] = on

    def jam(self, output: int) -> None:
        self.board.jammed.add(FIRST_COIL + output - 1)

    def break_relay(self, output: int) -> None:
        self.board.broken.add(FIRST_COIL + output - 1)

    def heal(self) -> None:
        self.board.jammed.clear()
        self.board.broken.clear()

    def cut(self) -> None:
        self.server.stop()

    def mend(self) -> None:
        self.server = Server(lambda: ModbusTcpServer(self.board.device(), address=("127.0.0.1", self.port)))


@pytest.fixture
def bench() -> Iterator[TcpBench]:
    bench = TcpBench()
    yield bench
    bench.server.stop()


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
def test_conforms_over_tcp(bench: TcpBench, check) -> None:
    check(bench)


def test_a_board_that_only_knows_single_writes_is_switched_off_one_by_one(bench: TcpBench) -> None:
    bench.board.single_only = True
    bench.force(2, True)
    driver = bench.make()
    driver.connect()
    assert not any(bench.relays().values())
    driver.close()


def test_a_wrong_device_id_is_not_taken_for_a_board(bench: TcpBench) -> None:
    driver = bench.make(device_id=3)
    with pytest.raises((DriverRefused, DriverUnreachable)):
        driver.connect()
    driver.close()


def test_speaks_rtu_over_a_serial_line() -> None:
    """Two pseudo terminals, joined by a thread that copies bytes, stand for the cable."""
    board = Board()
    ends = [os.openpty() for _ in range(2)]
    for master, slave in ends:
        tty.setraw(slave)
        tty.setraw(master)
    for source, sink in ((ends[0][0], ends[1][0]), (ends[1][0], ends[0][0])):
        threading.Thread(target=_copy, args=(source, sink), daemon=True).start()
    server = Server(lambda: ModbusSerialServer(board.device(), port=os.ttyname(ends[0][1]), baudrate=9600))
    settings = ModbusSettings(serial=os.ttyname(ends[1][1]), device_id=DEVICE, first_coil=FIRST_COIL)
    driver = ModbusDriver(settings, OUTPUTS)
    board.coils[FIRST_COIL + 3] = True
    driver.connect()
    driver.set_output(2, True)
    assert driver.read_back() == {1: False, 2: True, 3: False, 4: False}
    assert board.coils[FIRST_COIL + 1] and not board.coils[FIRST_COIL + 3]
    driver.close()
    assert not any(board.coils.values())
    server.stop()
    for end in ends:
        os.close(end[1])


def _copy(source: int, sink: int) -> None:
    while True:
        try:
            os.write(sink, os.read(source, 256))
        except OSError:
            return
