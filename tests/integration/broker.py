"""A real broker for tests: mosquitto on a free port of this machine, which forgets everything when it stops."""

from __future__ import annotations

import shutil
import signal
import socket
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

START_S = 10.0


class Mosquitto:
    """One broker. ``stop`` and ``start`` on the same port make a restart."""

    def __init__(self, folder: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port: int = probe.getsockname()[1]
        self._config = folder / "mosquitto.conf"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\nset_tcp_nodelay true\n"
            "max_queued_messages 0\nlog_type error\n",
            encoding="ascii",
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Return when it accepts connections."""
        self._process = subprocess.Popen(["mosquitto", "-c", str(self._config)], stderr=subprocess.DEVNULL)
        for _ in range(int(START_S / 0.02)):
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1.0).close()
            except OSError:
                threading.Event().wait(0.02)
            else:
                return
        raise RuntimeError(f"mosquitto does not answer on port {self.port} within {START_S:.0f} s")

    def stop(self) -> None:
        """Kill it: no farewell to anybody, as when the power goes."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def freeze(self) -> None:
        """Stop it from doing anything while its connections stay open, as a cable that is pulled does."""
        if self._process is not None:
            self._process.send_signal(signal.SIGSTOP)

    def client(self) -> mqtt.Client:
        """A plain connected client with its network thread running; the caller ends it with ``loop_stop``."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        connected = threading.Event()
        client.on_connect = lambda *_: connected.set()
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        if not connected.wait(START_S):
            raise RuntimeError(f"no connection to the broker on port {self.port} within {START_S:.0f} s")
        return client


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running broker. Skipped where mosquitto is not installed."""
    if shutil.which("mosquitto") is None:
        pytest.skip("mosquitto is not on the path; install the package of that name")
    broker = Mosquitto(tmp_path)
    broker.start()
    yield broker
    broker.stop()
