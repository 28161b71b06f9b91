"""Two words on one day's rain: which is believed, and which gauge is stuck.

Where gauge and feed agree the ledger's own word stands. Where they differ the smaller one is believed, since plants
come to no harm by it and it costs little water, until it is clear which of them is wrong: a gauge that never tips in
separate rains of the feed, a gauge that counts on days on which the feed has none, or a feed that rains for days on end
over a dry gauge. Days and depths are those of common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta

from dewpond.model.copying import replace
from dewpond.model.events import RAIN_GAUGE

DRY_MM, WET_MM, GOOD_RAIN_MM, GREAT_RAIN_MM = 0.3, 1.0, 5.0, 12.0  # a great one counts for two
ALIKE_MM, ALIKE_SHARE = 3.0, 0.6
MISSED_RAINS = 2
WET_DAYS = 4  # of a gauge on which the feed has none
RAINING_DAYS = 6  # of a feed over a dry gauge
GOOD_AGAIN = 3
SAME_DAYS, SAME_SHARE = 10, 0.1  # one source alone that rains every day alike
SAME_DAYS_BESIDE = 4  # the same of a gauge, where the feed tells otherwise
DRY_DAYS, DRY_TIMES, KNOWN_RAINS = 45, 3, 6  # one source alone that is dry so long, so many times as long as before
KEPT_DAYS = 20
PROBED_DOUBT, UNSEEN_MM = 0.5, 2.0  # of what probes alone say of rain, and rain that they do not see
PROBES = "soil probes"  # all of a site's together, as one source of rain


@dataclass(frozen=True, kw_only=True)
class RainSource:
    """What is thought of one source; counts of days against it, and since when it agrees again."""

    missed: int = 0
    last_missed: date | None = None
    wet_alone: int = 0
    raining: int = 0
    good: int = 0
    same: int = 0
    last_mm: float = 0.0
    dry_days: int = 0
    longest_dry: int = 0
    rains: int = 0
    given_up: str = ""


@dataclass(frozen=True, kw_only=True)
class ProbedDay:
    """The middle one of what probes saw on a date. [mm]"""

    unexplained_mm: float  # gained beyond what was used, irrigated and told of as rain
    wetted_mm: float  # what irrigation and rain told of should have added beyond the use
    used_mm: float


@dataclass(frozen=True, kw_only=True)
class RainMemory:
    """What every source said of recent dates, and what is thought of each."""

    told: Mapping[date, Mapping[str, float]] = field(default_factory=dict)
    sources: Mapping[str, RainSource] = field(default_factory=dict)
    days: tuple[ProbedDay, ...] = ()  # of late, oldest first; empty where probes have not been asked


@dataclass(frozen=True, slots=True)
class RainDoubt:
    """A source of rain that is not believed any more (``why``), or is again (""). ``doubted`` only: still used."""

    source: str
    why: str
    doubted: bool = False


def heard(memory: RainMemory, day: date, source: str, rain_mm: float | None) -> RainMemory:
    """Keep one source's word on a date; a missing measurement is no word."""
    if rain_mm is None:
        return memory
    told = {known: words for known, words in memory.told.items() if known > day - timedelta(days=KEPT_DAYS)}
    told[day] = {**told.get(day, {}), source: max(0.0, rain_mm)}
    return replace(memory, told=told)


def believed_mm(memory: RainMemory, day: date, ledger_mm: float) -> float:
    """The rain of a date to be believed, where the ledger has ``ledger_mm``."""
    words = memory.told.get(day, {})
    trusted = {name: mm for name, mm in words.items() if not memory.sources.get(name, RainSource()).given_up}
    if not trusted or not words:
        return ledger_mm if not words else min(words.values())
    if any(abs(mm - ledger_mm) < 1e-9 for mm in trusted.values()) and alike(trusted):
        return ledger_mm
    return min(trusted.values())


def disputed_mm(memory: RainMemory, day: date) -> float:
    """How far apart the trusted words on a date are; 0 where they agree or there is but one. [mm]

    What probes alone say of rain is as uncertain as it is much, and of light rain they say nothing.
    """
    words = memory.told.get(day, {})
    trusted = [mm for name, mm in words.items() if not memory.sources.get(name, RainSource()).given_up]
    if by_probes_alone(memory, day):
        return max(UNSEEN_MM, PROBED_DOUBT * words[PROBES])
    return 0.0 if len(trusted) < 2 or alike(words) else max(trusted) - min(trusted)


def by_probes_alone(memory: RainMemory, day: date) -> bool:
    """Whether nobody but the soil probes themselves told of a date's rain who is still trusted."""
    words = memory.told.get(day, {})
    return PROBES in words and all(
        name == PROBES or memory.sources.get(name, RainSource()).given_up != "" for name in words
    )


def alike(words: Mapping[str, float]) -> bool:
    """Whether sources tell the same rain, as far as two places can."""
    most, least = max(words.values()), min(words.values())
    return most - least <= max(ALIKE_MM, ALIKE_SHARE * most)


def judged(memory: RainMemory, day: date) -> tuple[RainMemory, tuple[RainDoubt, ...]]:
    """The memory after a date is closed, and doubts that are new."""
    words = memory.told.get(day, {})
    sources, doubts = dict(memory.sources), []
    for name, mm in words.items():
        if name == PROBES:  # each of them is judged for itself
            continue
        others = [other_mm for other, other_mm in words.items() if other != name]
        before = sources.get(name, RainSource())
        after = _counted(before, day, mm, others)
        odd = _odd(after, len(others) > 0, gauge=name.startswith(RAIN_GAUGE))
        if before.given_up:
            again = after.good >= GOOD_AGAIN
            after = replace(after, given_up="" if again else before.given_up)
            after = replace(after, missed=0, wet_alone=0, raining=0, same=0) if again else after
            doubts += [RainDoubt(name, "")] if again else []
        elif odd:
            after = replace(after, given_up=odd, good=0)
            doubts.append(RainDoubt(name, odd))
        elif not others and _doubtful(after) != _doubtful(before):
            doubts.append(RainDoubt(name, _doubtful(after), doubted=bool(_doubtful(after))))
        sources[name] = after
    return replace(memory, sources=sources), tuple(doubts)


def _counted(before: RainSource, day: date, mm: float, others: list[float]) -> RainSource:
    same = before.same + 1 if mm >= WET_MM and abs(mm - before.last_mm) <= SAME_SHARE * mm else 0
    after = replace(before, same=same, last_mm=mm, rains=before.rains + int(mm >= WET_MM))
    dry_days = before.dry_days + 1 if mm <= DRY_MM else 0
    ended = before.dry_days if mm > DRY_MM else 0
    after = replace(after, dry_days=dry_days, longest_dry=max(before.longest_dry, ended))
    if not others:
        return after
    other = max(others)
    apart = before.last_missed is None or (day - before.last_missed).days > 1
    if mm <= DRY_MM and other >= GOOD_RAIN_MM:
        weight = 2 if other >= GREAT_RAIN_MM else 1
        after = replace(after, missed=before.missed + weight * int(apart), last_missed=day, good=0)
    elif mm >= WET_MM and other >= WET_MM:
        # A gauge that counts what does not fall agrees with every rain; only dry days show that it is mended.
        counting = "counts" in before.given_up
        after = replace(after, missed=0, wet_alone=0, raining=0, good=before.good + int(not counting))
    if mm >= WET_MM and other <= DRY_MM:
        after = replace(after, wet_alone=before.wet_alone + 1, raining=before.raining + 1, good=0)
    elif mm <= DRY_MM:
        dry_too = other <= DRY_MM and "counts" in before.given_up
        after = replace(after, wet_alone=0, raining=0, good=after.good + int(dry_too))
    return after


def _doubtful(source: RainSource) -> str:
    """Why a source that stands alone is doubted though it is used; "" where it is not."""
    if source.same >= SAME_DAYS:
        return f"it tells of the same rain {SAME_DAYS} days running and more"
    long_days = max(DRY_DAYS, DRY_TIMES * source.longest_dry)
    if source.rains >= KNOWN_RAINS and source.dry_days >= long_days:
        return f"it has told of no rain for {long_days} days and more, {DRY_TIMES} times as long as ever before"
    return ""


def _odd(source: RainSource, compared: bool, *, gauge: bool) -> str:
    if not compared:
        return ""
    if gauge and source.same >= SAME_DAYS_BESIDE:
        return f"it counts the same rain {source.same} days running, and the other source does not"
    if gauge and source.missed >= MISSED_RAINS:
        return f"it has not tipped through rains of {GOOD_RAIN_MM:g} mm and more"
    if gauge and source.wet_alone >= WET_DAYS:
        return f"it counts rain on {source.wet_alone} days on which none fell elsewhere"
    if not gauge and source.raining >= RAINING_DAYS:
        return f"it counts rain on {source.raining} days running over a dry gauge"
    return ""
