"""Many keepers and daemons started at once for one site: exactly one of each owns it, and death frees it at once."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from live_site import PATIENCE_S, SITE, within

KEEPERS, DAEMONS = 10, 3
CROWD_S = 60.0  # many interpreters start at once on few cores


class Crowd:
    """Processes of one site file, started together; each writes to a file of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.site = folder / "site.toml"
        self.site.write_text(SITE, encoding="utf-8")
        self.all: list[tuple[subprocess.Popen[bytes], Path]] = []

    def start(self, count: int, *words: str) -> list[tuple[subprocess.Popen[bytes], Path]]:
        """So many processes of one kind, by turns in two state folders over the same relays for keepers."""
        begun = []
        for number in range(count):
            place = "state" if words[-1] == "dewpond.cli.main" or number % 2 == 0 else "other-state"
            kept = {key: value for key, value in os.environ.items() if not key.startswith("DEWPOND_")}
            env = {**kept, "DEWPOND_STATE_DIR": str(self.folder / place), "DEWPOND_BROKER": "none"}
            output = self.folder / f"{len(self.all)}.txt"
            command = [sys.executable, *words, *(["run"] if words[-1] == "dewpond.cli.main" else []), str(self.site)]
            with output.open("wb") as file:
                process = subprocess.Popen(command, env={**env, "DEWPOND_BOARD": "off"}, stdout=file, stderr=file)
            begun.append((process, output))
            self.all.append((process, output))
        return begun

    def end(self) -> None:
        for process, _ in self.all:
            if process.poll() is None:
                process.kill()
            process.wait()


@pytest.fixture
def crowd(tmp_path: Path) -> Iterator[Crowd]:
    crowd = Crowd(tmp_path)
    yield crowd
    crowd.end()


def the_one(begun: list[tuple[subprocess.Popen[bytes], Path]]) -> tuple[subprocess.Popen[bytes], Path]:
    """The only one left, once it is ready and all others have gone."""
    assert within(CROWD_S, lambda: sum(process.poll() is None for process, _ in begun) == 1)
    (alive,) = [(process, output) for process, output in begun if process.poll() is None]
    assert within(CROWD_S, lambda: "ready" in alive[1].read_text())
    for process, output in begun:
        if process is not alive[0]:
            assert process.returncode != 0 and "ready" not in output.read_text()
            assert re.search("another keeper|runs this site", output.read_text())
    return alive


def test_of_many_keepers_one_owns_the_relays_and_a_killed_one_hinders_none(crowd: Crowd) -> None:
    first, _ = the_one(crowd.start(KEEPERS, "-m", "dewpond_drivers.keeper"))
    log = crowd.folder / "relays.log"
    assert [line.split()[1:] for line in log.read_text().splitlines()] == [[str(n), "off"] for n in range(1, 5)]
    first.send_signal(signal.SIGKILL)
    first.wait()
    second, _ = the_one(crowd.start(4, "-m", "dewpond_drivers.keeper"))
    assert len(log.read_text().splitlines()) == 8
    second.terminate()
    assert second.wait(PATIENCE_S) == 0


def test_of_many_daemons_one_serves_the_site(crowd: Crowd) -> None:
    first, _ = the_one(crowd.start(DAEMONS, "-m", "dewpond.cli.main"))
    threading.Event().wait(0.2)
    assert first.poll() is None
    first.send_signal(signal.SIGKILL)
    first.wait()
    second, _ = the_one(crowd.start(1, "-m", "dewpond.cli.main"))
    second.terminate()
    assert second.wait(PATIENCE_S) == 0
