"""An MQTT broker inside this process, for demonstrations and tests on one machine. Needs the extra ``broker``.

It listens on the loopback address alone and lets anybody in: whoever can reach it is a user of this machine. It speaks
MQTT 3.1.1. A real site runs a broker of its own, with a name and rights for every device.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from types import TracebackType
from typing import Any, Self

HOST = "127.0.0.1"
START_S = 15.0
STOP_S = 10.0


class BrokerFailed(RuntimeError):
    """Raised when the broker does not start: the extra is missing, or the port is taken."""


class EmbeddedBroker:
    """A context in which a broker serves ``port`` of the loopback address; for 0 a free one, which ``port`` names."""

    def __init__(self, port: int = 0) -> None:
        self.port = port
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)
        self._broker: Any = None
        self._quieted: dict[str, int] = {}

    def __enter__(self) -> Self:
        self._quiet()
        self._thread.start()
        try:
            self.port = asyncio.run_coroutine_threadsafe(self._start(), self._loop).result(START_S)
        except BaseException:
            self._end()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            asyncio.run_coroutine_threadsafe(self._broker.shutdown(), self._loop).result(STOP_S)
        finally:
            self._end()

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_forever()

    async def _start(self) -> int:
        try:
            from amqtt.broker import Broker  # noqa: PLC0415 - an extra, and 250 ms to import
            from amqtt.errors import BrokerError  # noqa: PLC0415
        except ImportError as fault:
            raise BrokerFailed("the embedded broker is not installed; install the extra: dewpond[broker]") from fault
        config = {
            "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{self.port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
        self._broker = Broker(config, loop=self._loop)
        try:
            await self._broker.start()
        except BrokerError as fault:
            raise BrokerFailed(f"no broker on {HOST}:{self.port}: {fault}; take another port") from fault
        # The library has no other way to say which port it got for port 0.
        return int(self._broker._servers["default"].instance.sockets[0].getsockname()[1])

    def _end(self) -> None:
        """Cancel what is left, then stop the loop and its thread."""
        asyncio.run_coroutine_threadsafe(_cancel_others(), self._loop).result(STOP_S)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(STOP_S)
        self._loop.close()
        for name, level in self._quieted.items():
            logging.getLogger(name).setLevel(level)

    def _quiet(self) -> None:
        """Every connection is a line of the library's log otherwise."""
        for name in ("amqtt", "transitions"):
            logger = logging.getLogger(name)
            self._quieted[name] = logger.level
            logger.setLevel(logging.CRITICAL)


async def _cancel_others() -> None:
    others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)
