"""Kill -9 at any moment: a site waters by its program and by hand while its daemon is killed again and again.

One trial is ``KILLS`` kills and the quiet after them; what was planned, asked, given and recorded is judged as a whole.
"""

from __future__ import annotations

import math
import random
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

from dewpond.model.commands import RecordPlan
from dewpond_sim.proofs import judge, relays
from dewpond_sim.proofs.paced import PacedPlace, downtime_s
from dewpond_sim.proofs.place import MASTER, MINUTES, STARTS, ZONES, ProofBroken
from dewpond_sim.proofs.records import Booked, is_program
from dewpond_sim.proofs.results import Result

PROOF = "random kills"
KILLS = 20
LIFE_S = 1.0  # mean life of a daemon, in real seconds, its start included
BETWEEN_WISHES_S = 0.7  # mean, in real seconds
LIVELY_S = 2 * 3600.0  # of site time at least, after the last kill, in which all must come right
BEFORE_START_S = 1800.0  # a quiet moment lies so long before a start of the program


@dataclass(frozen=True, slots=True)
class Wish:
    """Water asked for by hand. ``promised`` None: nobody answered."""

    zone: str
    seconds: int
    promised: bool | None


@dataclass(frozen=True, slots=True)
class Kill:
    """The daemon died at ``at_s``, ready or not, at work or not, and the next was started at ``next_s``."""

    at_s: float
    next_s: float
    was_ready: bool
    at_work: bool


class Wisher(threading.Thread):
    """A person who asks now and then, each time for another number of seconds, so that every ask can be told apart."""

    def __init__(self, place: PacedPlace, chance: random.Random) -> None:
        super().__init__(name="wisher", daemon=True)
        self.wishes: list[Wish] = []
        self._place = place
        self._chance = chance
        self._over = threading.Event()

    def run(self) -> None:
        for seconds in self._chance.sample(range(60, 600), 500):
            if self._over.wait(self._chance.expovariate(1.0 / BETWEEN_WISHES_S)):
                return
            zone = self._chance.choice(sorted(ZONES))
            self.wishes.append(Wish(zone, seconds, self._place.ask("water", zone=zone, seconds=seconds)))

    def stop(self) -> list[Wish]:
        """What was asked, once no more is."""
        self._over.set()
        self.join()
        return self.wishes


def trial(place: PacedPlace, seed: int, count: int = KILLS) -> Result:
    """Kill the daemon ``count`` times, let the site come to rest, and judge."""
    chance = random.Random(f"{PROOF}/{seed}")  # noqa: S311 - repeatable on purpose
    begun_s, before = place.now_s, len(place.seen())
    wisher = Wisher(place, random.Random(f"wishes/{seed}"))  # noqa: S311
    wisher.start()
    try:
        kills = [_kill(place, chance) for _ in range(count)]
    finally:
        place.daemon.wait_ready()
        wishes = wisher.stop()
    if not place.advance(_quiet_s(place, place.now_s + LIVELY_S)):
        raise ProofBroken(f"seed {seed}: the daemon died by itself: {place.daemon.log.read_text()[-2000:]}")
    return _judged(place, seed, begun_s, place.seen()[before:], wishes, kills)


def _kill(place: PacedPlace, chance: random.Random) -> Kill:
    place.run_free()
    if place.daemon.is_dead(chance.expovariate(1.0 / LIFE_S)):
        raise ProofBroken(f"the daemon died by itself: {place.daemon.log.read_text()[-2000:]}")
    was_ready, at_work = place.daemon.says_ready(), "daemon" in place.conductor.seated
    place.daemon.kill()
    at_s = place.halt()
    place.pass_without(downtime_s(chance))
    place.daemon = place.start_daemon()
    return Kill(at_s, place.now_s, was_ready, at_work)


def _quiet_s(place: PacedPlace, after_s: float) -> float:
    """The next moment at which no start of the program is near and all before it had time."""
    at = place.local(after_s)
    for hours in range(24):
        hour = (at + timedelta(hours=hours)).replace(minute=0, second=0, microsecond=0) + timedelta(minutes=30)
        near = (hour + timedelta(seconds=BEFORE_START_S)).strftime("%H:%M")
        if hour >= at and near in STARTS:
            return after_s + (hour - at).total_seconds()
    raise ProofBroken("there is no quiet moment between the starts of the program")


def _judged(
    place: PacedPlace, seed: int, begun_s: float, seen: list[relays.Opened], wishes: list[Wish], kills: list[Kill]
) -> Result:
    nights = sorted({place.night(at_s) for at_s in (begun_s, place.now_s)})
    nights = [nights[0] + timedelta(days=day) for day in range((nights[-1] - nights[0]).days + 1)]
    booked = place.records.between(place.wall(begun_s), place.wall(place.now_s), nights)
    given, stray = _given(place, booked, seen)
    by_hand = place.records.asked_by_hand(place.wall(begun_s))
    cases = _of_program(place, begun_s, booked, given) + _of_wishes(wishes, by_hand, booked, given)
    wrong = [f"{name}: {text}" for name, case in cases for text in judge.verdicts(case)]
    wrong += [f"unbooked: output {item.output} was on at {place.wall(item.on_s)} and no run says so" for item in stray]
    wrong += _on_relays(seen, place.now_s, [kill.at_s for kill in kills])
    open_s = _longest_open_s(seen, kills)
    if open_s > judge.LONGEST_S:
        wrong.append(f"open: {open_s:.1f} s after a fault")
    zones = [item for item in seen if item.output != MASTER]
    figures = {
        "open_after_fault_s": round(open_s, 1),
        "hit_open": sum(any(item.on_s <= kill.at_s < item.off_s for item in zones) for kill in kills),
        "hit_starting": sum(not kill.was_ready for kill in kills),
        "runs": len(cases),
        "openings": len(zones),
        "wishes": len(wishes),
        "promised": sum(wish.promised is True for wish in wishes),
        "site_hours": round((place.now_s - begun_s) / 3600.0, 1),
        "short": sum(case.given_s < case.asked_s - judge.TOLERANCE_S for _, case in cases),
    }
    return Result(proof=PROOF, kind="daemon", seed=seed, wrong=wrong, count=len(kills), figures=figures)


def _given(
    place: PacedPlace, booked: Sequence[Booked], seen: Sequence[relays.Opened]
) -> tuple[dict[str, float], list[relays.Opened]]:
    """Seconds by the recorder for each booked opening, and what the recorder saw that no run on record covers."""
    given = dict.fromkeys((item.key for item in booked), 0.0)
    stray = []
    for opened in seen:
        if opened.output == MASTER:
            continue
        shared = {
            item.key: sum(
                opened.seconds(place.elapsed_s(run.start), place.elapsed_s(run.end))
                for run in item.runs
                if ZONES[item.zone] == opened.output
            )
            for item in booked
        }
        best = max(shared, key=lambda key: shared[key], default="")
        if shared.get(best, 0.0) > 0.0:
            given[best] += opened.seconds(to_s=place.now_s)
        elif opened.seconds(to_s=place.now_s) > judge.TOLERANCE_S:
            stray.append(opened)
    return given, stray


def _of_program(
    place: PacedPlace, begun_s: float, booked: Sequence[Booked], given: dict[str, float]
) -> list[tuple[str, judge.Case]]:
    """Every run that the site file's program asks for, whether the daemon knows of it or not."""
    cases = []
    day = place.local(begun_s).replace(hour=0, minute=0, second=0, microsecond=0)
    while day < place.local(place.now_s):
        for zone, minutes in MINUTES.items():
            of_day = [item for item in booked if is_program(item) and item.key.startswith(f"{day.date()}/{zone}/")]
            for number, start in enumerate(STARTS, 1):
                at = day.replace(hour=int(start[:2]), minute=int(start[3:]))
                if not place.local(begun_s) <= at < place.local(place.now_s):
                    continue
                found = [item for item in of_day if item.key.endswith(f"/{number}")]
                cases.append((f"{zone} at {at:%d %b %H:%M}", _case(minutes * 60.0, True, found, given)))
        day += timedelta(days=1)
    return cases


def _of_wishes(
    wishes: Sequence[Wish], by_hand: Sequence[RecordPlan], booked: Sequence[Booked], given: dict[str, float]
) -> list[tuple[str, judge.Case]]:
    """Every watering asked for by hand; one that was refused may not have been given at all."""
    cases = []
    for wish in wishes:
        rows = [row for row in by_hand if row.zone == wish.zone and row.seconds == wish.seconds]
        keys = {f"by-hand/{row.start_no}/{row.zone}" for row in rows}
        found = [item for item in booked if item.key in keys]
        asked_s = 0.0 if wish.promised is False else float(wish.seconds)
        cases.append((f"{wish.zone} by hand, {wish.seconds} s", _case(asked_s, wish.promised is True, found, given)))
    return cases


def _case(asked_s: float, promised: bool, found: Sequence[Booked], given: dict[str, float]) -> judge.Case:
    return judge.Case(
        asked_s=asked_s,
        promised=promised,
        given_s=sum(given[item.key] for item in found),
        booked_s=sum(item.seconds for item in found),
        reasons=[word for item in found for word in item.reasons],
    )


def _longest_open_s(seen: Sequence[relays.Opened], kills: Sequence[Kill]) -> float:
    """The longest an output stayed on after a kill, until a daemon was started that lived to be at work."""
    longest_s, helped_s = 0.0, math.inf
    for kill, after in zip(reversed(kills), [None, *reversed(kills)], strict=False):
        helped_s = kill.next_s if after is None or after.at_work else helped_s
        longest_s = max(longest_s, relays.longest_after(seen, kill.at_s, helped_s))
    return longest_s


def _on_relays(seen: Sequence[relays.Opened], now_s: float, faults_s: Sequence[float]) -> list[str]:
    wrong = []
    zones = [item for item in seen if item.output != MASTER]
    if any(item.off_s > now_s for item in seen):
        wrong.append("open: a valve is still open when all is over")
    if relays.most_together(zones) > 1:
        wrong.append("two zones were open at once where one is allowed")
    dry_s = relays.dry_s(seen, MASTER, faults_s, judge.LONGEST_S)
    if dry_s > judge.TOLERANCE_S:
        wrong.append(f"dry: a zone was open for {dry_s:.1f} s with its master shut")
    alone_s = relays.alone_s(seen, MASTER, faults_s, judge.LONGEST_S)
    if alone_s > judge.TOLERANCE_S:
        wrong.append(f"master: open for {alone_s:.1f} s with every zone shut")
    return wrong
