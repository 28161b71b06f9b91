"""Runs the trials of a proof: in order, each once, in as many lanes as asked, and takes up a proof that was ended."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from dewpond_sim.proofs.place import ProofBroken
from dewpond_sim.proofs.results import Book, Result

Say = Callable[[str], None]
TOLD_EVERY = 100  # trials of one lane between two words on how far it is


def end_in_order() -> None:
    """Have SIGTERM unwind the proof, so that it takes its places down with it."""

    def end(_number: int, _frame: object) -> None:
        signal.signal(signal.SIGTERM, signal.SIG_IGN)  # a second one must not break off the taking down
        sys.exit(143)

    signal.signal(signal.SIGTERM, end)


@dataclass(frozen=True, slots=True)
class Trial:
    """One trial to be run."""

    proof: str
    kind: str
    seed: int

    @property
    def key(self) -> tuple[str, str, int]:
        return self.proof, self.kind, self.seed


@dataclass(slots=True, kw_only=True)
class Run:
    """Where results go, which share of the trials is this process's (``lane`` of ``lanes``), and how it tells."""

    out: Path
    lane: int
    lanes: int
    say: Say
    failed: bool = False
    tried: int = 0
    of: int = 0

    def mine(self, trials: Iterable[Trial]) -> list[Trial]:
        """Trials of this lane that are not done yet."""
        done = Book(self.out).done()
        left = [each for each in islice(trials, self.lane, None, self.lanes) if each.key not in done]
        self.of = len(left)
        return left

    def keep(self, trial: Trial, attempt: Callable[[], Result], again: str) -> bool:
        """Run one, keep and tell its result; ``again`` repeats it. False when the place is of no more use."""
        try:
            result, broken = attempt(), False
        except ProofBroken as fault:
            result, broken = (
                Result(proof=trial.proof, kind=trial.kind, seed=trial.seed, wrong=[f"broken: {fault}"]),
                True,
            )
        Book(self.out).add(result)
        self.failed |= bool(result.wrong)
        self.tried += 1
        if self.tried % TOLD_EVERY == 0:
            self.say(f"lane {self.lane}: {self.tried} of {self.of} {trial.proof} done")
        for wrong in result.wrong:
            self.say(f"{trial.proof}, {trial.kind}, seed {trial.seed}: {wrong}")
            self.say(f"  again: dewpond proof {again.format(kind=trial.kind, seed=trial.seed)} --out again")
        return not broken and not result.wrong


def scratch(out: Path) -> Path:
    """A new folder for one place, short enough for its sockets."""
    out.mkdir(parents=True, exist_ok=True)
    return Path(tempfile.mkdtemp(prefix="dp-")) / "place"


def tidy(folder: Path, keep_in: Path | None) -> None:
    """Drop a place's folder, or keep it where something was wrong."""
    if keep_in is not None:
        shutil.copytree(folder, keep_in / folder.parent.name, ignore=shutil.ignore_patterns("*.sock*", "clock*"))
    shutil.rmtree(folder.parent, ignore_errors=True)


def in_lanes(arguments: list[str], lanes: int) -> int:
    """The same command once for each lane, at once; the highest exit code."""
    command = [sys.executable, "-m", "dewpond_sim.proofs.command", *arguments]
    running = [subprocess.Popen([*command, "--lane", str(lane)]) for lane in range(lanes)]
    try:
        return max(process.wait() for process in running)
    finally:
        for process in running:
            process.terminate()


def run_in_turn(commands: list[list[str]]) -> None:
    """Each command in a process of its own, whatever came of the one before."""
    for words in commands:
        subprocess.run([sys.executable, "-m", "dewpond_sim.proofs.command", *words], check=False)


def batches(trials: list[Trial], size: int) -> Iterator[list[Trial]]:
    """Trials in groups that share a place."""
    rest = iter(trials)
    while group := list(islice(rest, size)):
        yield group
