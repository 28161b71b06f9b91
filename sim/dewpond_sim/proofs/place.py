"""The invented site that the proofs kill daemons at, its broker, and processes that end with their owner."""

from __future__ import annotations

import os
import select
import shutil
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from pathlib import Path

ZONES = {"north-lawn": 1, "south-lawn": 2, "orchard": 3}
MASTER = 4
OUTPUTS = 4
PROGRAM = "Every few hours"
STARTS = ("01:00", "05:00", "09:00", "13:00", "17:00", "21:00")
MINUTES = {"north-lawn": 6, "south-lawn": 10, "orchard": 14}
PATIENCE_S = 60.0

_SITE = """
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
master = "relays:{master}"

[relays]
outputs = {outputs}
{relays}
"""
_ZONE = """
[[zone]]
id = "{zone}"
supply = "main"
output = {output}
area = "72 m2"
application_rate = "20 mm/h"
intake_rate = "40 mm/h"
surface_storage = "6 mm"
root_zone_storage = "30 mm"
efficiency = 0.8
plant_factor = 0.8
rule = "calendar"
"""
_PROGRAM = """
[[program]]
name = "{name}"
zones = {{{zones}}}
starts = [{starts}]
days = "any"
percent = 100
"""
_THERMOMETER = """
[[sensor]]
id = "thermometer"
kind = "temperature"
topic = "yard/air"
decode = "text"
unit_in = "C"
"""


class ProofBroken(RuntimeError):
    """Raised when a proof cannot go on: the text says at what, and what was last heard."""


def site_text(relays: str, *, programs: bool) -> str:
    """A site file of three zones and a master valve. ``relays``: lines of that table; ``programs``: runs by itself."""
    text = _SITE.format(master=MASTER, outputs=OUTPUTS, relays=relays)
    text += "".join(_ZONE.format(zone=zone, output=output) for zone, output in ZONES.items()) + _THERMOMETER
    if programs:
        zones = ", ".join(f'"{zone}" = {minutes}' for zone, minutes in MINUTES.items())
        starts = ", ".join(f'"{start}"' for start in STARTS)
        text += _PROGRAM.format(name=PROGRAM, zones=zones, starts=starts)
    return text


def environment(state: Path, broker: str, **more: str) -> dict[str, str]:
    """The caller's environment without anything of another dewpond, and where everything of this one is."""
    inherited = {name: value for name, value in os.environ.items() if not name.startswith("DEWPOND_")}
    own = {"DEWPOND_STATE_DIR": str(state), "DEWPOND_BROKER": broker, "DEWPOND_BOARD": "off", **more}
    return {**inherited, **own, "PYTHONUNBUFFERED": "1"}


def wait_for(holds: Callable[[], bool], what: str, patience_s: float = PATIENCE_S, step_s: float = 0.005) -> None:
    """Return when something has come about. Raises ProofBroken after ``patience_s`` real seconds."""
    pause = threading.Event()
    for _ in range(int(patience_s / step_s)):
        if holds():
            return
        pause.wait(step_s)
    raise ProofBroken(f"{what}: not within {patience_s:.0f} s")


class Life:
    """One process, ours or forked by another of ours, watched by its descriptor so that no number is taken twice."""

    def __init__(self, pid: int, log: Path) -> None:
        self.pid = pid
        self.log = log
        self._descriptor: int | None = os.pidfd_open(pid)

    def is_dead(self, wait_s: float = 0.0) -> bool:
        """Whether it has ended, or does within ``wait_s``."""
        if self._descriptor is None:
            return True
        ready, _, _ = select.select([self._descriptor], [], [], wait_s)
        return bool(ready)

    def signal(self, number: int) -> None:
        """Send a signal; one that has ended takes it without complaint."""
        if self._descriptor is not None and not self.is_dead():
            signal.pidfd_send_signal(self._descriptor, number)

    def is_stopped(self) -> bool:
        """Whether it is stopped, as SIGSTOP does (state T of proc(5))."""
        stat = Path(f"/proc/{self.pid}/stat").read_text(encoding="ascii")
        return stat.rpartition(")")[2].split()[0] == "T"

    def kill(self) -> None:
        """End it as the power does, and return when it is gone."""
        self.signal(signal.SIGKILL)
        if not self.is_dead(PATIENCE_S):
            raise ProofBroken(f"process {self.pid} does not die")
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None

    def says_ready(self) -> bool:
        """Whether it has said so. Raises ProofBroken when it ended instead."""
        if "ready" in self.log.read_text(encoding="utf-8"):
            return True
        if self.is_dead():
            raise ProofBroken(f"{self.log.name} ended before it was ready: {self.log.read_text()[-2000:]}")
        return False

    def wait_ready(self) -> None:
        """Return when it has said that it is ready. Raises ProofBroken."""
        wait_for(self.says_ready, f"{self.log.name} to be ready")


class Crew:
    """Starts processes of this interpreter and leaves none behind."""

    def __init__(self, folder: Path, environment: Mapping[str, str]) -> None:
        self.folder = folder
        self.first_line = ""
        self._environment = dict(environment)
        self._processes: list[subprocess.Popen[str] | subprocess.Popen[bytes]] = []
        self._warm: subprocess.Popen[str] | None = None
        self._lives: list[Life] = []
        self._count = 0

    def start(self, name: str, *words: str) -> Life:
        """``python -m WORDS``; its output goes to a file of its own."""
        log = self._log(name)
        with log.open("wb") as file:
            process = subprocess.Popen(
                [sys.executable, "-m", *words],
                env=self._environment,
                stdin=subprocess.DEVNULL,
                stdout=file,
                stderr=file,
            )
        self._processes.append(process)
        return self._keep(Life(process.pid, log))

    def fork(self, name: str, site: Path) -> Life:
        """A daemon with its program loaded already (``warm``)."""
        if self._warm is None:
            self._warm = self.talk("dewpond_sim.proofs.warm", str(site))
        log = self._log(name)
        log.touch()
        if self._warm.stdin is None or self._warm.stdout is None:
            raise ProofBroken("the forking process has no ears")
        self._warm.stdin.write(f"{log}\n")
        self._warm.stdin.flush()
        return self._keep(Life(int(self._warm.stdout.readline()), log))

    def talk(self, *words: str) -> subprocess.Popen[str]:
        """``python -m WORDS`` with pipes; returns after its first line, which is left in ``first_line``."""
        process = subprocess.Popen(
            [sys.executable, "-m", *words],
            env=self._environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._processes.append(process)
        if process.stdout is None:
            raise ProofBroken(f"{words[0]} has no voice")
        self.first_line = process.stdout.readline().strip()
        if not self.first_line:
            raise ProofBroken(f"{words[0]} said nothing")
        return process

    def close(self) -> None:
        """Kill what still lives."""
        for life in self._lives:
            life.kill()
        for process in self._processes:
            process.kill()
            process.wait()
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    pipe.close()

    def _log(self, name: str) -> Path:
        self._count += 1
        return self.folder / f"{name}-{self._count}.txt"

    def _keep(self, life: Life) -> Life:
        for other in self._lives:
            if other.is_dead():
                other.kill()  # lets go of its descriptor
        self._lives = [*(other for other in self._lives if not other.is_dead()), life]
        return life


class Mosquitto:
    """A real broker on a free port of this machine, which forgets everything when it dies."""

    def __init__(self, folder: Path) -> None:
        self.program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
        if self.program is None:
            raise ProofBroken("mosquitto is not on the path; install the package of that name")
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self._config = folder / "mosquitto.conf"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\nset_tcp_nodelay true\n"
            "log_type error\n",
            encoding="ascii",
        )
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    @property
    def url(self) -> str:
        """As DEWPOND_BROKER takes it."""
        return f"mqtt://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Return when it accepts connections."""
        self._process = subprocess.Popen(
            [str(self.program), "-c", str(self._config)], stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        wait_for(self._answers, "mosquitto to answer", step_s=0.02)

    def kill(self) -> None:
        """No farewell to anybody."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def _answers(self) -> bool:
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=1.0).close()
        except OSError:
            return False
        return True
