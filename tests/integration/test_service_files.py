"""The service units and the broker example in deploy/: correct by the tools that read them, and their commands work."""

from __future__ import annotations

import os
import shlex
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from tests.integration.live_site import SITE

DEPLOY = Path(__file__).parents[2] / "deploy"
PROGRAM = Path(sys.executable).with_name("dewpond")
WAIT_S = 20.0
UNITS = ("dewpond-keeper@", "dewpond@")


def lines_of(unit: str, key: str) -> list[str]:
    rows = (DEPLOY / "systemd" / f"{unit}.service").read_text(encoding="utf-8").splitlines()
    return [row.partition("=")[2] for row in rows if row.startswith(f"{key}=")]


def command_of(unit: str, key: str, site: Path) -> list[str]:
    (line,) = lines_of(unit, key)
    return shlex.split(
        line.replace("/opt/dewpond/.venv/bin/dewpond", str(PROGRAM)).replace("/etc/dewpond/%i.toml", str(site))
    )


@pytest.fixture
def garden(tmp_path: Path) -> Path:
    site = tmp_path / "garden.toml"
    site.write_text(SITE, encoding="utf-8")
    return site


class Manager:
    """The service manager's end of the notification socket."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "notify"
        self._inbox = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._inbox.bind(str(self.path))
        self._inbox.settimeout(WAIT_S)

    def hears(self, word: str) -> bool:
        while True:
            if word in self._inbox.recv(4096).decode().splitlines():
                return True

    def start(self, command: list[str], folder: Path, watchdog_s: float) -> subprocess.Popen[str]:
        environment = {
            **os.environ,
            "DEWPOND_STATE_DIR": str(folder / "state"),
            "DEWPOND_BROKER": "none",
            "DEWPOND_BOARD": "off",
            "NOTIFY_SOCKET": str(self.path),
            "WATCHDOG_USEC": str(int(watchdog_s * 1e6)),
        }
        return subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)

    def close(self) -> None:
        self._inbox.close()


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    manager = Manager(tmp_path)
    yield manager
    manager.close()


def test_the_units_are_correct_by_systemds_own_check(tmp_path: Path):
    for unit in UNITS:
        text = (DEPLOY / "systemd" / f"{unit}.service").read_text(encoding="utf-8")
        text = text.replace("/opt/dewpond/.venv/bin/dewpond", str(PROGRAM)).replace("/opt/dewpond", str(DEPLOY.parent))
        (tmp_path / f"{unit}garden.service").write_text(text, encoding="utf-8")
    units = [str(tmp_path / f"{unit}garden.service") for unit in UNITS]
    said = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *units], check=False, capture_output=True, text=True
    )
    assert (said.returncode, said.stderr) == (0, "")
    for unit in units:
        rated = subprocess.run(
            ["systemd-analyze", "security", "--offline=true", "--threshold=30", unit],
            check=False,
            capture_output=True,
            text=True,
        )
        assert rated.returncode == 0, f"more exposed than 3.0 of 10: {rated.stdout[-300:]}"


@pytest.mark.parametrize("unit", UNITS)
def test_a_service_is_never_given_up_and_all_is_shut_after_it(unit: str):
    assert lines_of(unit, "Type") == ["notify"]
    assert lines_of(unit, "StartLimitIntervalSec") == ["0"]
    assert lines_of(unit, "Restart") == ["always"]
    assert lines_of(unit, "WatchdogSec") != []
    assert "--off" in lines_of(unit, "ExecStopPost")[0]


def test_the_keepers_commands_start_feed_the_watchdog_and_shut_all_after_a_kill(
    garden: Path, manager: Manager, tmp_path: Path
):
    keeper = manager.start(command_of("dewpond-keeper@", "ExecStart", garden), tmp_path, watchdog_s=0.4)
    try:
        assert manager.hears("READY=1") and manager.hears("WATCHDOG=1") and manager.hears("WATCHDOG=1")
    finally:
        keeper.send_signal(signal.SIGKILL)
        keeper.communicate()
    log = garden.parent / "relays.log"
    before = len(log.read_text().splitlines())
    after = manager.start(command_of("dewpond-keeper@", "ExecStopPost", garden), tmp_path, watchdog_s=0.0)
    said, _ = after.communicate(timeout=WAIT_S)
    assert after.returncode == 0, said
    fresh = [line.split()[1:] for line in log.read_text().splitlines()[before:]]
    assert fresh == [[str(output), "off"] for output in range(1, 5)]


def test_the_daemons_command_tells_that_it_is_ready_and_alive(garden: Path, manager: Manager, tmp_path: Path):
    daemon = manager.start(command_of("dewpond@", "ExecStart", garden), tmp_path, watchdog_s=60.0)
    try:
        assert manager.hears("READY=1") and manager.hears("WATCHDOG=1")
    finally:
        daemon.terminate()
        said, _ = daemon.communicate(timeout=WAIT_S)
    assert daemon.returncode == 0, said
    assert command_of("dewpond@", "ExecStopPost", garden) == command_of("dewpond-keeper@", "ExecStopPost", garden)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def example_broker(folder: Path) -> tuple[Path, int]:
    """The example with its places moved into ``folder``, a certificate of our own, and two users."""
    port, tls_port = free_port(), free_port()
    text = (DEPLOY / "mosquitto" / "dewpond.conf").read_text(encoding="utf-8")
    text = text.replace("/etc/mosquitto/certs", str(folder)).replace("/etc/mosquitto", str(folder))
    text = text.replace("/var/lib/mosquitto", str(folder))
    text = text.replace("listener 1883", f"listener {port}").replace("listener 8883", f"listener {tls_port}")
    # Started by root it would change to a user who may not enter the tests' folders.
    (folder / "broker.conf").write_text(f"user root\n{text}", encoding="utf-8")
    shutil.copy(DEPLOY / "mosquitto" / "dewpond.acl", folder)
    subject = ["-subj", "/CN=localhost", "-days", "1", "-nodes", "-newkey", "rsa:2048"]
    places = ["-keyout", str(folder / "broker.key"), "-out", str(folder / "broker.crt")]
    subprocess.run(["openssl", "req", "-x509", *subject, *places], check=True, capture_output=True)
    shutil.copy(folder / "broker.crt", folder / "ca.crt")
    for user in ("dewpond", "probe-1"):
        new = ["-c"] if user == "dewpond" else []
        words = ["mosquitto_passwd", "-b", *new, str(folder / "dewpond.passwords"), user, "for-tests"]
        subprocess.run(words, check=True, capture_output=True)
    return folder / "broker.conf", port


class Listener:
    """One user of the broker; ``seen`` are the topics that reached it."""

    def __init__(self, port: int, user: str | None) -> None:
        self.seen: list[str] = []
        self.refused: list[bool] = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        if user is not None:
            self.client.username_pw_set(user, "for-tests")
        self.client.on_connect = lambda _c, _u, _f, code, _p: self.refused.append(code.is_failure)
        self.client.on_message = lambda _c, _u, message: self.seen.append(message.topic)
        self.client.connect("127.0.0.1", port)

    def until(self, holds) -> None:
        for _ in range(400):
            self.client.loop(0.02)
            if holds():
                return
        raise AssertionError(f"it did not come about: {self.refused} {self.seen}")


@pytest.fixture
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    folder = Path(tmp_path_factory.mktemp("broker"))
    config, port = example_broker(folder)
    process = subprocess.Popen(["mosquitto", "-c", str(config)], stderr=subprocess.PIPE)
    for _ in range(500):
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1.0).close()
            break
        except OSError:
            assert process.poll() is None, process.stderr
            signal.sigtimedwait([], 0.02)
    yield port
    process.kill()
    process.communicate()


def test_the_broker_example_lets_a_device_speak_for_itself_alone(broker: int):
    nobody = Listener(broker, None)
    nobody.until(lambda: nobody.refused == [True])
    daemon, probe = Listener(broker, "dewpond"), Listener(broker, "probe-1")
    daemon.until(lambda: daemon.refused == [False])
    probe.until(lambda: probe.refused == [False])
    daemon.client.subscribe("yard/#")
    probe.client.subscribe("dewpond/#")
    daemon.client.loop(0.1)
    probe.client.loop(0.1)
    for topic in ("yard/probe-2/soil", "dewpond/garden/command", "yard/probe-1/soil"):
        probe.client.publish(topic, "23.1")
    probe.client.loop(0.1)
    daemon.until(lambda: daemon.seen)
    daemon.client.publish("dewpond/garden/status", "online")
    daemon.client.loop(0.1)
    probe.client.loop(0.2)
    assert daemon.seen == ["yard/probe-1/soil"] and probe.seen == []
