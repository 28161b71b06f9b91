"""What an outside recorder saw of the relays, and the questions a judge asks of it. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Opened:
    """One output was on from ``on_s`` to ``off_s`` of the recorder's clock; ``off_s`` is inf while it still is."""

    output: int
    on_s: float
    off_s: float = math.inf

    def seconds(self, from_s: float = -math.inf, to_s: float = math.inf) -> float:
        """How long it was on within [from_s, to_s]. [s]"""
        return max(0.0, min(self.off_s, to_s) - max(self.on_s, from_s))


def read(path: Path) -> list[Opened]:
    """Every opening of a record: lines ``seconds output on|off``, as the recorders of this folder write them."""
    return openings(line.split() for line in path.read_text(encoding="ascii").splitlines())


def openings(changes: Iterable[Sequence[str]]) -> list[Opened]:
    """Openings by time of their begin. An ``off`` for what is off, and an ``on`` for what is on, change nothing."""
    since: dict[int, float] = {}
    found: list[Opened] = []
    for at, number, word in changes:
        output = int(number)
        if word == "on":
            since.setdefault(output, float(at))
        elif output in since:
            found.append(Opened(output, since.pop(output), float(at)))
    found += [Opened(output, on_s) for output, on_s in since.items()]
    return sorted(found, key=lambda item: (item.on_s, item.output))


def longest_after(seen: Iterable[Opened], fault_s: float, helped_s: float = math.inf) -> float:
    """How long an output that was on at the fault stayed on with nobody in charge, at most until ``helped_s``. [s]"""
    hit = [item for item in seen if item.on_s <= fault_s < item.off_s]
    return max((item.seconds(fault_s, helped_s) for item in hit), default=0.0)


def most_together(seen: Iterable[Opened]) -> int:
    """The most outputs that were on at one moment; one that goes on as another goes off is not together with it."""
    steps = sorted((at, move) for item in seen for at, move in ((item.on_s, 1), (item.off_s, -1)))
    count = most = 0
    for _, move in steps:
        count += move
        most = max(most, count)
    return most


def dry_s(seen: Sequence[Opened], master: int, faults_s: Iterable[float] = (), grace_s: float = 0.0) -> float:
    """The longest a zone was open with its master shut, the ``grace_s`` seconds after each fault left out. [s]"""
    masters = sorted((item for item in seen if item.output == master), key=lambda item: item.on_s)
    zones = [item for item in seen if item.output != master]
    return _longest((span for zone in zones for span in _gaps(zone, masters)), faults_s, grace_s)


def alone_s(seen: Sequence[Opened], master: int, faults_s: Iterable[float] = (), grace_s: float = 0.0) -> float:
    """The longest the master was open with every zone shut, the ``grace_s`` seconds after each fault left out. [s]"""
    masters = [item for item in seen if item.output == master]
    zones = sorted((item for item in seen if item.output != master), key=lambda item: item.on_s)
    return _longest((span for held in masters for span in _gaps(held, zones)), faults_s, grace_s)


def _gaps(opened: Opened, others: Sequence[Opened]) -> Iterator[tuple[float, float]]:
    """Spans of an opening in which none of the others, which come by time, was open."""
    edge_s = opened.on_s
    for other in others:
        if other.off_s <= edge_s or other.on_s >= opened.off_s:
            continue
        yield edge_s, other.on_s
        edge_s = max(edge_s, other.off_s)
    yield edge_s, opened.off_s


def _longest(spans: Iterable[tuple[float, float]], faults_s: Iterable[float], grace_s: float) -> float:
    faults = sorted(faults_s)
    return max((_outside(span, faults, grace_s) for span in spans), default=0.0)


def _outside(span: tuple[float, float], faults: Sequence[float], grace_s: float) -> float:
    edge_s, left_s = span[0], 0.0
    for at_s in faults:
        if at_s + grace_s > edge_s and at_s < span[1]:
            left_s += max(0.0, at_s - edge_s)
            edge_s = at_s + grace_s
    return left_s + max(0.0, span[1] - edge_s)
