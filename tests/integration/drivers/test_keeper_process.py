"""The keeper as a process: start, stop, death and rivals, judged by its relay log and its socket."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import resource
import signal
import socket
import stat
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

OUTPUTS = 4
RSS_LIMIT_KB = 30_000_000 // 1024


class Site:
    """A site file with simulated relays, and the keepers started for it."""

    def __init__(self, folder: Path, log: str = "relays.log") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.file = folder / "site.toml"
        self.log = folder / log
        self.state = folder / "site.state"
        self.processes: list[subprocess.Popen[str]] = []
        self.write(f'driver = "simulated"\noutputs = {OUTPUTS}\nlog = "{log}"')

    def write(self, relays: str) -> None:
        self.file.write_text(f'[site]\nname = "Withy Hollow"\n\n[relays]\n{relays}\n')

    def spawn(self, *options: str, **environment: str) -> subprocess.Popen[str]:
        kept = {key: value for key, value in os.environ.items() if not key.startswith("DEWPOND_")}
        process = subprocess.Popen(
            [sys.executable, "-m", "dewpond_drivers.keeper", *options, str(self.file)],
            env={**kept, **environment},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self.processes.append(process)
        return process

    def start(self, **environment: str) -> subprocess.Popen[str]:
        process = self.spawn(**environment)
        assert "ready" in read_line(process)
        return process

    def refused(self, *options: str, **environment: str) -> tuple[int, str]:
        process = self.spawn(*options, **environment)
        said, _ = process.communicate(timeout=20)
        return process.returncode, said

    def ask(self, **body: Any) -> dict[str, Any]:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
            link.settimeout(10.0)
            link.connect(str(self.state / "keeper.sock"))
            link.sendall(json.dumps(body).encode() + b"\n")
            with link.makefile("rb") as lines:
                return json.loads(lines.readline())

    def open(self, output: int, lease_s: float = 60.0) -> None:
        assert self.ask(op="open", output=output, run=f"r{output}", lease_s=lease_s, planned_s=600)["ok"]

    def lines(self) -> list[str]:
        """The log without its times."""
        return [line.split(" ", 1)[1] for line in self.log.read_text().splitlines()]


def read_line(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline()


def until(holds) -> None:
    pause = threading.Event()
    for _ in range(2000):
        if holds():
            return
        pause.wait(0.005)
    raise AssertionError("it did not come about within 10 s")


ALL_OFF = [f"{output} off" for output in range(1, OUTPUTS + 1)]


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    site = Site(tmp_path / "withy")
    yield site
    end(site)


def end(site: Site) -> None:
    for process in site.processes:
        if process.poll() is None:
            process.kill()
        process.communicate()


def test_starts_with_everything_off_and_its_first_line_says_ready(site: Site) -> None:
    site.log.write_text("1.000000 2 on\n")
    process = site.start()
    assert site.lines() == ["2 on", *ALL_OFF]
    times_s = [float(line.split()[0]) for line in site.log.read_text().splitlines()]
    assert times_s[1:] == sorted(times_s[1:]) and times_s[1] > 1.0
    assert stat.S_IMODE((site.state / "keeper.sock").stat().st_mode) == 0o660
    rss_kb = int(Path(f"/proc/{process.pid}/status").read_text().split("VmRSS:")[1].split()[0])
    assert rss_kb <= RSS_LIMIT_KB
    assert site.ask(op="status")["ready"]


def test_a_stop_by_signal_switches_off_and_leaves_nothing_behind(site: Site) -> None:
    for number in (signal.SIGTERM, signal.SIGINT):
        process = site.start()
        site.open(3)
        process.send_signal(number)
        assert process.wait(15) == 0
        assert site.lines()[-2:] == ["3 on", "3 off"]
        assert not (site.state / "keeper.sock").exists()


def test_a_lease_ends_when_its_client_has_vanished(site: Site) -> None:
    site.start()
    site.open(2, lease_s=0.3)
    until(lambda: site.lines()[-1] == "2 off")
    on_s, off_s = (float(line.split()[0]) for line in site.log.read_text().splitlines()[-2:])
    assert 0.3 <= off_s - on_s < 5.0
    assert site.ask(op="hello")["closings"]["r2"]["why"] == "its lease ended without renewal"


def test_after_kill_9_the_next_start_switches_off_and_nothing_stale_hinders_it(site: Site) -> None:
    first = site.start()
    site.open(2)
    session = site.ask(op="hello")["session"]
    first.kill()
    site.start()
    assert site.lines() == [*ALL_OFF, "2 on", *ALL_OFF]
    assert site.ask(op="hello")["session"] != session


def test_a_second_keeper_is_refused_for_the_same_site(site: Site) -> None:
    site.start()
    site.open(1)
    code, said = site.refused()
    assert code == 2 and "another keeper runs for this site" in said and "ready" not in said
    assert site.lines() == [*ALL_OFF, "1 on"], "the rival has touched nothing"


def test_a_second_keeper_is_refused_for_the_same_relays_from_another_folder(site: Site, tmp_path: Path) -> None:
    site.start()
    site.open(1)
    other = Site(tmp_path / "elsewhere", log="../withy/relays.log")
    code, said = other.refused()
    assert code == 2 and "another keeper drives them" in said
    assert site.lines() == [*ALL_OFF, "1 on"]
    independent = Site(tmp_path / "third")
    independent.start(DEWPOND_STATE_DIR=str(tmp_path / ("long-" * 30) / "state"))
    end(other)
    end(independent)


def test_relays_out_of_reach_at_start_are_tried_for_ever_and_nothing_opens(site: Site) -> None:
    site.log.mkdir()
    process = site.spawn()
    first = read_line(process)
    assert "cannot be opened" in first and "ready" not in first
    answer = site.ask(op="open", output=1, run="r1", lease_s=60, planned_s=600)
    assert not answer["ok"] and not answer["ready"]
    site.log.rmdir()
    assert "ready" in read_line(process)
    site.open(1)
    assert site.lines() == [*ALL_OFF, "1 on"]


@pytest.mark.parametrize(
    ("relays", "environment", "says"),
    [
        ('driver = "simulated"\noutputs = 4\nlogs = "x"', {}, "logs is not a key of driver"),
        ('driver = "magic"\noutputs = 4', {}, "is not installed"),
        (
            'driver = "gpio"\noutputs = 1\npins = [4]',
            {"DEWPOND_CLOCK": "unix:/nowhere"},
            "a paced clock may only drive",
        ),
        ('driver = "simulated"\noutputs = 4', {"DEWPOND_CLOCK": "unix:/nowhere"}, "no conductor"),
    ],
)
def test_bad_settings_end_it_at_once(site: Site, relays: str, environment: dict[str, str], says: str) -> None:
    site.write(relays)
    code, said = site.refused(**environment)
    assert code == 2 and says in said and "ready" not in said


def test_off_goes_through_the_running_keeper(site: Site) -> None:
    site.start()
    site.open(2)
    assert site.refused("--off") == (0, "")
    assert site.lines() == [*ALL_OFF, "2 on", "2 off"]
    assert "from the command line" in site.ask(op="hello")["closings"]["r2"]["why"]


def test_off_works_without_a_keeper(site: Site) -> None:
    process = site.start()
    site.open(2)
    process.kill()
    process.wait()
    assert site.refused("--off") == (0, "")
    assert site.lines() == [*ALL_OFF, "2 on", *ALL_OFF]
    site.log.unlink()
    site.log.mkdir()
    code, said = site.refused("--off")
    assert code == 1 and "cannot be opened" in said


def test_a_log_that_nobody_reads_holds_no_valve_open(site: Site) -> None:
    process = site.start()
    assert process.stdout is not None
    fcntl.fcntl(process.stdout, fcntl.F_SETPIPE_SZ, 4096)
    for _ in range(80):
        site.open(2, lease_s=0.001)
        until(lambda: site.lines()[-1] == "2 off")
    process.terminate()
    assert process.wait(15) == 0


def test_systemd_is_told_of_start_and_life(site: Site, tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(tmp_path / "notify"))
        systemd.settimeout(10.0)
        site.start(NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="200000")
        heard = [systemd.recv(100) for _ in range(4)]
    assert heard.count(b"READY=1") == 1 and heard.count(b"WATCHDOG=1") == 3


def test_with_damaged_locks_it_starts_refuses_every_opening_and_says_why(site: Site) -> None:
    site.state.mkdir()
    (site.state / "locks.json").write_text('{"version": 1, "crc32"')
    process = site.spawn()
    lines = [read_line(process), read_line(process)]
    said = next(line for line in lines if "locks.json is damaged" in line)
    assert "everything is locked" in said and sum("ready" in line for line in lines) == 1
    answer = site.ask(op="open", output=2, run="r2", lease_s=60, planned_s=600)
    assert not answer["ok"] and "everything is locked" in answer["why"]
    assert site.ask(op="locks")["locks"][0]["kind"] == "damaged" and "2 on" not in site.lines()
    assert site.ask(op="unlock", target="site", who="Olga", reason="walked it", owner=True)["ok"]
    site.open(2)


# A keeper with a mistake in its program, which shows at the first renewal.
MISTAKEN = """
import sys
from dewpond_drivers import keeper, keeper_core
keeper_core.KeeperCore.renew = None
sys.exit(keeper.main(sys.argv[1:]))
"""


def read_until(process: subprocess.Popen[str], word: str) -> None:
    """Read its words up to this one; the traceback of the mistake is among them."""
    line = read_line(process)
    while word not in line:
        assert line, f"it ended without saying {word!r}"
        line = read_line(process)


def mistaken(site: Site) -> subprocess.Popen[str]:
    """A keeper that has failed with output 1 on, and is about to start anew."""
    process = subprocess.Popen(
        [sys.executable, "-c", MISTAKEN, str(site.file)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    site.processes.append(process)
    assert "ready" in read_line(process)
    site.open(1)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
        link.connect(str(site.state / "keeper.sock"))
        link.sendall(b'{"op":"renew","output":1,"run":"r1","lease_s":60}\n')
        read_until(process, "starts anew")
    assert site.lines()[-1] == "1 on"
    return process


def test_a_keeper_that_has_failed_becomes_a_new_one_that_switches_everything_off(site: Site) -> None:
    process = mistaken(site)
    read_until(process, "ready")
    assert site.lines()[-OUTPUTS:] == ALL_OFF
    assert site.ask(op="status")["outputs"] == {}
    process.send_signal(signal.SIGTERM)
    assert process.wait(15.0) == 0, "it obeys signals again"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_keeper_that_is_stopped_before_it_can_start_anew_still_switches_everything_off(
    site: Site, number: signal.Signals
) -> None:
    process = mistaken(site)
    process.send_signal(number)
    assert process.wait(15.0) == 0
    assert site.lines()[-OUTPUTS:] == ALL_OFF


@pytest.mark.parametrize(
    ("limit", "most", "line"),
    [
        (resource.RLIMIT_NOFILE, 24, b'{"op":"status"}\n'),
        (resource.RLIMIT_AS, 1_000_000, b'{"op":"status"}\n'),
        (resource.RLIMIT_AS, 1_000_000, b"{" + b" " * 4000),  # half a line, which the keeper has to hold
    ],
    ids=["descriptors", "memory", "memory, half lines"],
)
def test_a_keeper_without_descriptors_or_memory_left_still_ends_a_lease(
    site: Site, limit: int, most: int, line: bytes
) -> None:
    process = site.start()
    site.open(1, lease_s=2.0)
    resource.prlimit(process.pid, limit, (most, most))
    callers = []
    for _ in range(190):
        callers.append(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM))
        callers[-1].connect(str(site.state / "keeper.sock"))
        with contextlib.suppress(OSError):  # it may be shown the door
            callers[-1].sendall(line)
    until(lambda: site.lines()[-1] == "1 off")
    for caller in callers:
        caller.close()
    process.send_signal(signal.SIGTERM)
    code = process.wait(15.0)
    assert site.lines()[-1] == "1 off"
    assert code == 0 or limit == resource.RLIMIT_AS, "only want of memory may end a keeper, and then with all off"
