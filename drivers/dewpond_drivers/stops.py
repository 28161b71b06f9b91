"""What people stopped past the daemon, kept for it: one that was hung or dead must not open again what a person shut.

Valves are shut first. The note is written to ``stops.json`` afterwards, in a thread of its own, so that a new keeper
knows of it as well; where the disk fails the present keeper still does. A file that cannot be read counts as a stop
of everything, now: in doubt plants wait a night.
"""

from __future__ import annotations

import dataclasses
import json
import os
import queue
import threading
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

FILE = "stops.json"
MOST_STOPS = 20  # kept; a daemon takes them up at its first word with the keeper
KEEPER = "the keeper"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One person's stop of everything, of a zone (``target``) or of one ``output``; "" and 0 where it is not meant."""

    id: str
    target: str
    output: int
    who: str
    wall_s: float  # by the machine's clock, for a later keeper
    at_s: float  # by the elapsed clock of this one


class StopBook:
    """The newest stops.

    Parameters
    ----------
    folder : Path       Where ``stops.json`` is.
    session : str       Names this life of the keeper.
    wall_s : callable   The machine's date and time, in seconds.
    now_s : float       The elapsed clock now. [s]
    say : callable      Gets a word for the log.
    """

    def __init__(
        self, folder: Path, session: str, wall_s: Callable[[], float], now_s: float, say: Callable[[str], None]
    ) -> None:
        self._file = folder / FILE
        self._session = session
        self._wall_s = wall_s
        self._say = say
        self._given = 0
        self._stops = self._read(now_s)
        self._to_write: queue.SimpleQueue[tuple[Stop, ...] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._write_on, name="stops", daemon=True)
        self._thread.start()

    def add(self, who: str, now_s: float, *, target: str = "", output: int = 0) -> None:
        """Note a stop at once, and have it written."""
        self._given += 1
        number = f"{self._session}/{self._given}"
        stop = Stop(id=number, target=target, output=output, who=who, wall_s=self._wall_s(), at_s=now_s)
        self._stops = (*self._stops, stop)[-MOST_STOPS:]
        self._to_write.put(self._stops)

    def mark(self) -> str:
        """Changes whenever there is a new stop, so that a client knows when to ask."""
        return self._stops[-1].id if self._stops else ""

    def plain(self, now_s: float) -> list[dict[str, Any]]:
        """The stops for the socket, the oldest first, and how long ago each was."""
        return [
            {
                "id": stop.id,
                "target": stop.target,
                "output": stop.output,
                "who": stop.who,
                "ago_s": round(max(0.0, now_s - stop.at_s), 3),
            }
            for stop in self._stops
        ]

    def finish(self, patience_s: float = 2.0) -> None:
        """Have the last stop written, as far as the disk takes it in time."""
        self._to_write.put(None)
        self._thread.join(patience_s)

    def _read(self, now_s: float) -> tuple[Stop, ...]:
        wall_s = self._wall_s()
        try:
            text = self._file.read_bytes()
        except FileNotFoundError:
            return ()
        except OSError as fault:
            return (self._in_doubt(str(fault.strerror or fault), b"", wall_s, now_s),)
        try:
            stops = json.loads(text)["stops"]
            return tuple(Stop(**entry, at_s=now_s - max(0.0, wall_s - entry["wall_s"])) for entry in stops)
        except (ValueError, TypeError, KeyError, RecursionError) as fault:
            return (self._in_doubt(str(fault), text, wall_s, now_s),)

    def _in_doubt(self, fault: str, text: bytes, wall_s: float, now_s: float) -> Stop:
        self._say(f"{FILE} cannot be read ({fault}); it counts as a stop of everything")
        number = f"damaged/{zlib.crc32(text):08x}"
        return Stop(id=number, target="", output=0, who=f"{KEEPER}, for {FILE} is damaged", wall_s=wall_s, at_s=now_s)

    def _write_on(self) -> None:
        while (stops := self._to_write.get()) is not None:
            try:
                self._write(stops)
            except OSError as fault:
                self._say(f"{FILE} cannot be written ({fault.strerror or fault}); a new keeper will not know this stop")

    def _write(self, stops: tuple[Stop, ...]) -> None:
        kept = [{name: value for name, value in dataclasses.asdict(stop).items() if name != "at_s"} for stop in stops]
        beside = self._file.with_suffix(".tmp")
        with beside.open("wb") as file:
            file.write(json.dumps({"version": 1, "stops": kept}, indent=1).encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
        beside.replace(self._file)
