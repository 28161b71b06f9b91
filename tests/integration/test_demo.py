"""``dewpond demo`` as a person starts it: real processes, and none of them left when it ends."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from dewpond.settings.site_file import require_site
from dewpond_sim import demo_place

DEMO = [sys.executable, "-m", "dewpond.cli.main", "demo"]
PATIENCE_S = 60.0


def children_of(pid: int) -> set[int]:
    """Processes whose parent is ``pid``, by the kernel's own list."""
    found = set()
    for entry in Path("/proc").iterdir():
        try:
            parent = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
        except (OSError, IndexError, ValueError):
            continue
        if parent == pid:
            found.add(int(entry.name))
    return found


def are_gone(pids: set[int], patience_s: float = 10.0) -> bool:
    pause = threading.Event()
    for _ in range(int(patience_s / 0.1)):
        if not any(is_alive(pid) for pid in pids):
            return True
        pause.wait(0.1)
    return False


def is_alive(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return False
    return state != "Z"


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def first_page(url: str) -> str:
    pause = threading.Event()
    for _ in range(int(PATIENCE_S / 0.2)):
        try:
            with urllib.request.urlopen(url, timeout=5.0) as answer:  # noqa: S310 - our own loopback address
                return str(answer.read().decode())
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            pause.wait(0.2)
    raise AssertionError(f"no page at {url}")


@pytest.fixture
def short_folder() -> Iterator[Path]:
    """A temporary folder whose name leaves room for socket names, which are short by law (Linux: 107 bytes)."""
    with tempfile.TemporaryDirectory(prefix="dp-") as name:
        yield Path(name)


@pytest.fixture
def watched(short_folder: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A demonstration with a board, started and served."""
    port = free_port()
    command = [*DEMO, "--port", str(port), "--speed", "600"]
    environment = {"PATH": "/usr/bin:/bin", "TMPDIR": str(short_folder)}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment)
    try:
        yield process, f"http://127.0.0.1:{port}/"
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def test_a_headless_day_says_what_each_zone_got_and_why(short_folder: Path):
    done = subprocess.run(
        [*DEMO, "--days", "1", "--headless"],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
        env={"PATH": "/usr/bin:/bin", "TMPDIR": str(short_folder)},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    last = done.stdout.splitlines()[-40:]
    site = require_site(demo_place.site_file())
    for zone in site.zones:
        assert any(re.search(rf"{zone.name} .*\d L ", line) for line in last), zone.name
        assert any(f"{zone.name}: " in line for line in last), f"no reason for {zone.name}"
    lawn = next(line for line in last if re.search(r"Front lawn .*\d L ", line))
    litres = float(re.search(r"([\d,]+) L", lawn).group(1).replace(",", ""))  # type: ignore[union-attr]
    assert 500.0 < litres < 3000.0, "half of what roots take easily, and a hot day ahead"
    assert list(short_folder.iterdir()) == [], "nothing is left in the temporary folder"


def test_a_watched_demonstration_serves_its_board_and_sigterm_leaves_nothing(
    watched: tuple[subprocess.Popen[str], str],
):
    process, url = watched
    assert "Withy Hollow" in first_page(url)
    children = children_of(process.pid)
    assert len(children) >= 2
    process.send_signal(signal.SIGTERM)
    output, _ = process.communicate(timeout=30.0)
    assert process.returncode == 0, output
    assert url in output
    assert are_gone(children)


def test_processes_end_by_themselves_when_the_demonstration_is_killed(watched: tuple[subprocess.Popen[str], str]):
    process, url = watched
    first_page(url)
    children = children_of(process.pid)
    assert len(children) >= 2
    process.kill()
    process.wait(10.0)
    assert are_gone(children)
