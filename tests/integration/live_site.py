"""A whole site in real processes on this machine; the relay log is the only truth about valves."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

SITE = """
[site]
name = "Quillbrook Yard"
latitude = 40.7
longitude = -74.2
elevation = "8 m"
timezone = "America/New_York"

[watering]
window = ["00:00", "00:00"]
max_open = 1

[[supply]]
id = "main"
source = "potable"
capacity = "60 L/min"
meter = "main-meter"

[relays]
driver = "simulated"
outputs = 4
log = "relays.log"

[[zone]]
id = "north-lawn"
supply = "main"
output = 1
area = "72 m2"
application_rate = "37 mm/h"
intake_rate = "8.9 mm/h"
surface_storage = "6 mm"
root_zone_storage = "11.2 mm"
efficiency = 0.77
plant_factor = 0.8

[[zone]]
id = "south-lawn"
supply = "main"
output = 2
area = "72 m2"
application_rate = "37 mm/h"
intake_rate = "8.9 mm/h"
surface_storage = "6 mm"
root_zone_storage = "11.2 mm"
efficiency = 0.77
plant_factor = 0.8

[[sensor]]
id = "main-meter"
kind = "flow"
topic = "yard/meter"
decode = "json"
pointer = "/litres"
unit_in = "L"
accumulation = "cumulative"

[[sensor]]
id = "bed-probe"
kind = "soil_moisture"
topic = "yard/probe"
decode = "text"
unit_in = "%vol"
"""
PATIENCE_S = 25.0


def within(seconds: float, holds) -> bool:
    """Whether something becomes true within so many real seconds."""
    for _ in range(int(seconds / 0.05)):
        if holds():
            return True
        threading.Event().wait(0.05)
    return bool(holds())


class LiveSite:
    """Processes of one site in a folder. ``close`` leaves none behind."""

    def __init__(self, folder: Path, broker: str = "none", board: str = "off", site: str = SITE) -> None:
        self.folder = folder
        self.site = folder / "site.toml"
        self.site.write_text(site, encoding="utf-8")
        self.state = folder / "state"
        self.env = {
            **os.environ,
            "DEWPOND_STATE_DIR": str(self.state),
            "DEWPOND_BROKER": broker,
            "DEWPOND_BOARD": board,
            "DEWPOND_SITE": str(self.site),
        }
        self.database = f"sqlite:///{self.state / 'dewpond.db'}"
        self._running: dict[str, subprocess.Popen[bytes]] = {}
        self._starts = 0

    def start(self, what: str, *, ready: bool = True) -> Path:
        """Start ``run`` or ``keeper``; its output goes to the file that is returned."""
        self._starts += 1
        output = self.folder / f"{what}-{self._starts}.txt"
        with output.open("wb") as file:
            self._running[what] = subprocess.Popen(
                [sys.executable, "-m", "dewpond.cli.main", what, str(self.site)], env=self.env, stdout=file, stderr=file
            )
        if ready:
            assert within(PATIENCE_S, lambda: "ready" in output.read_text()), output.read_text()
        return output

    def stop(self, what: str, number: int = signal.SIGTERM) -> int:
        """Signal a process and wait for its end; its exit code."""
        process = self._running.pop(what)
        process.send_signal(number)
        return process.wait(timeout=PATIENCE_S)

    def pid(self, what: str) -> int:
        return self._running[what].pid

    def call(self, *words: str, stdin: str = "") -> subprocess.CompletedProcess[str]:
        """One command of a person."""
        return subprocess.run(
            [sys.executable, "-m", "dewpond.cli.main", *words],
            env=self.env,
            input=stdin,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )

    def status(self) -> dict:
        done = self.call("status", "--json")
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    def relay_log(self) -> list[tuple[float, int, str]]:
        """Every relay change: seconds of the monotonic clock, output, on or off."""
        path = self.folder / "relays.log"
        lines = path.read_text().splitlines() if path.exists() else []
        return [(float(at), int(output), word) for at, output, word in (line.split() for line in lines)]

    def is_on(self, output: int) -> bool:
        words = [word for _, which, word in self.relay_log() if which == output]
        return bool(words) and words[-1] == "on"

    def open_seconds(self, output: int) -> list[float]:
        """Lengths of the finished openings of one output, by the relay log."""
        lengths, since = [], None
        for at, which, word in self.relay_log():
            if which != output:
                continue
            if word == "on" and since is None:
                since = at
            elif word == "off" and since is not None:
                lengths.append(at - since)
                since = None
        return lengths

    def close(self) -> None:
        for process in self._running.values():
            process.kill()
            process.wait()
