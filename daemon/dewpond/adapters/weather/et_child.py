"""Reference ET from a short-lived child process, so that the daemon never holds pandas and xarray in memory.

``python -m dewpond.adapters.weather.et_child`` reads one request as JSON from stdin and writes one answer to stdout.
A child that fails, hangs or answers nonsense is replaced by the plain form in floats, with a fault on record.
"""

from __future__ import annotations

import json
import math
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from dewpond.adapters.weather.reference_et import PlainReferenceEt, PyetReferenceEt, check_place
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.events import Event, FaultSeen, Now, ReferenceEtKnown
from dewpond.ports import Clock, DayWeather, EtoValue, ReferenceEt

TIMEOUT_S = 60.0
# Below the daemon's own priority: the valves go first on a small computer.
NICENESS = 10
PART = "reference ET"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the weather was measured. Wind gauge height above ground in m."""

    latitude_deg: float
    elevation_m: float
    wind_height_m: float = 2.0

    def __post_init__(self) -> None:
        check_place(self.latitude_deg, self.elevation_m, self.wind_height_m)


class ChildError(RuntimeError):
    """Raised when the child process gave no usable answer; the text says why."""


class ChildReferenceEt:
    """Asks a child process for the reference ET of days; answers wait in a queue as ``ReferenceEtKnown`` events.

    ``ask`` returns at once and may be called from the runner's thread; ``drain`` hands over what has come. One child
    runs at a time. The clock is held from ``ask`` until the answer is queued, then woken.
    """

    def __init__(
        self,
        clock: Clock,
        *,
        timeout_s: float = TIMEOUT_S,
        command: Sequence[str] = (sys.executable, "-m", "dewpond.adapters.weather.et_child"),
        fallback: ReferenceEt | None = None,
    ) -> None:
        self._clock = clock
        self._timeout_s = timeout_s
        self._command = tuple(command)
        self._fallback = fallback or PlainReferenceEt()
        self._questions: queue.SimpleQueue[tuple[tuple[DayWeather, ...], Place, str]] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[_Answer] = queue.SimpleQueue()
        self._one_at_a_time = threading.Lock()
        self._child: subprocess.Popen[bytes] | None = None
        self._stopped = False

    def ask(self, days: Sequence[DayWeather], place: Place, note: str = "") -> None:
        """Have these days' reference ET found; ``note`` is added to the method. Nothing is asked for no days."""
        if not days:
            return
        self._clock.hold()
        self._questions.put((tuple(days), place, note))
        threading.Thread(target=self._work, name="reference-et", daemon=True).start()

    def drain(self, now: Now) -> list[Event]:
        """What was found since the last call: one event per day asked, and faults."""
        events: list[Event] = []
        while not self._answers.empty():
            answer = self._answers.get()
            if answer.fault:
                events.append(FaultSeen(at=now.wall, part=PART, text=answer.fault))
            events += [
                ReferenceEtKnown(
                    at=now.wall,
                    date=v.date,
                    eto_mm=v.eto_mm,
                    method="; ".join(part for part in (v.method, answer.note) if part),
                    sd_mm=v.sd_mm,
                )
                for v in answer.values
            ]
        return events

    def stop(self) -> None:
        """End a running child; its days are answered by the plain form."""
        self._stopped = True
        child = self._child
        if child is not None:
            child.kill()

    def _work(self) -> None:
        """One thread per question; they take turns and keep the order in which they were asked."""
        try:
            with self._one_at_a_time:
                days, place, note = self._questions.get()
                self._answers.put(replace(self._answer(days, place), note=note))
        finally:
            self._clock.unhold()
            self._clock.wake()

    def _answer(self, days: tuple[DayWeather, ...], place: Place) -> _Answer:
        if all(day.t_min_c is None or day.t_max_c is None for day in days):
            return _Answer(_call(self._fallback, days, place))  # nothing to find; no child is needed to say so
        try:
            return _Answer(self._ask_child(days, place))
        except (ChildError, OSError) as error:
            fault = f"the child process for pyet {error}; the plain FAO-56 form was used for {len(days)} days"
        return _Answer(_call(self._fallback, days, place), fault)

    def _ask_child(self, days: tuple[DayWeather, ...], place: Place) -> tuple[EtoValue, ...]:
        if self._stopped:
            raise ChildError("was not started, the service is stopping")
        request = json.dumps({"days": to_plain(days), "place": to_plain(place)}).encode()
        child = subprocess.Popen(
            self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, close_fds=True
        )
        self._child = child
        try:
            output, errors = child.communicate(request, timeout=self._timeout_s)
        except subprocess.TimeoutExpired:
            child.kill()
            child.communicate()
            raise ChildError(f"gave no answer within {self._timeout_s:g} s and was ended") from None
        finally:
            self._child = None
        if child.returncode != 0:
            raise ChildError(f"ended with {child.returncode} ({_last_line(errors)})")
        return _read_answer(output, days)


@dataclass(frozen=True, slots=True)
class _Answer:
    values: Sequence[EtoValue]
    fault: str = ""
    note: str = ""


def _read_answer(output: bytes, days: Sequence[DayWeather]) -> tuple[EtoValue, ...]:
    try:
        plain = json.loads(output)
        values = tuple(from_plain(EtoValue, item) for item in plain)
    except (ValueError, TypeError, KeyError) as error:
        raise ChildError(f"answered something unreadable ({error})") from None
    if [value.date for value in values] != [day.date for day in days]:
        raise ChildError("answered other days than were asked")
    if not all(value.eto_mm is None or math.isfinite(value.eto_mm) for value in values):
        raise ChildError("answered a value that is not finite")
    return values


def _last_line(errors: bytes) -> str:
    lines = errors.decode(errors="replace").strip().splitlines()
    return lines[-1] if lines else "no message"


def _call(port: ReferenceEt, days: Sequence[DayWeather], place: Place) -> Sequence[EtoValue]:
    return port.days(
        days,
        latitude_deg=place.latitude_deg,
        elevation_m=place.elevation_m,
        wind_height_m=place.wind_height_m,
    )


def main() -> None:
    """The child: one JSON request on stdin, one JSON answer on stdout."""
    os.nice(NICENESS)
    request: dict[str, Any] = json.load(sys.stdin)
    days = from_plain(tuple[DayWeather, ...], request["days"])
    values = _call(PyetReferenceEt(), days, from_plain(Place, request["place"]))
    json.dump(to_plain(tuple(values)), sys.stdout)


if __name__ == "__main__":
    main()
