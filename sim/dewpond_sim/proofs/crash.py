"""Kill -9 at a named point of an opening's life: one trial is one watering by hand, its death, and what comes of it."""

from __future__ import annotations

import random
import signal
from dataclasses import dataclass

from dewpond_sim.proofs import judge, relays
from dewpond_sim.proofs.paced import PacedPlace, downtime_s
from dewpond_sim.proofs.place import MASTER, ZONES, ProofBroken, wait_for
from dewpond_sim.proofs.results import Result

PROOF = "crash points"
# How often a watering comes to a point: its master opens before the zone and closes after it.
MASTER_TOO = {
    "intent-decided": 2,
    "in-transaction": 6,
    "intent-durable": 2,
    "open-sent": 2,
    "open-answered": 2,
    "opened-decided": 2,
    "opened-durable": 2,
    "close-decided": 2,
    "close-sent": 2,
    "close-answered": 2,
    "closed-decided": 2,
    "closed-durable": 2,
}
AFTER_S = 150.0  # a lease, its overrun, and time to settle


@dataclass(frozen=True, slots=True, kw_only=True)
class Draw:
    """What chance decides of a trial. Seconds."""

    zone: str
    asked_s: int
    down_s: float
    count: int
    into_s: float


def draw(point: str, seed: int) -> Draw:
    """The same for the same point and seed, always."""
    chance = random.Random(f"{point}/{seed}")  # noqa: S311 - repeatable on purpose
    asked_s = chance.randrange(90, 900)
    renewals = (asked_s - 10) // 20
    most = {"renew-due": renewals, "renew-sent": 2 * renewals, "renew-answered": 2 * renewals}  # zone and master
    most |= MASTER_TOO
    return Draw(
        zone=chance.choice(sorted(ZONES)),
        asked_s=asked_s,
        down_s=downtime_s(chance),
        count=chance.randint(1, most.get(point, 1)),
        into_s=round(chance.uniform(5.0, asked_s - 5.0), 1),
    )


def trial(place: PacedPlace, point: str, seed: int, *, cold: bool = False) -> Result:
    """One death at ``point``. Raises ProofBroken when the daemon does not come to the point."""
    told = draw(point, seed)
    before = len(place.seen())
    begun_s = place.now_s
    promised = _die(place, point, told, cold=cold)
    fault_s = place.now_s
    place.disarm()
    place.revive(told.down_s, cold=cold)
    helped_s = place.now_s
    if not place.advance(helped_s + told.asked_s + AFTER_S):
        raise ProofBroken(f"{point}, seed {seed}: the second daemon died by itself: {place.daemon.log.read_text()}")
    seen = place.seen()[before:]
    zones = [item for item in seen if item.output != MASTER]
    booked = place.records.between(place.wall(begun_s), place.wall(place.now_s + 1.0), [place.night(begun_s)])
    case = judge.Case(
        asked_s=told.asked_s,
        promised=promised is True,
        given_s=sum(item.seconds(to_s=place.now_s) for item in zones),
        booked_s=sum(item.seconds for item in booked),
        reasons=[word for item in booked for word in item.reasons],
    )
    open_s = relays.longest_after(seen, fault_s, helped_s)
    wrong = judge.verdicts(case) + _on_relays(seen, told.zone, place.now_s, fault_s)
    if open_s > judge.LONGEST_S:
        wrong.append(f"open: {open_s:.1f} s after the fault")
    figures = {
        "asked_s": told.asked_s,
        "given_s": round(case.given_s, 1),
        "booked_s": round(case.booked_s, 1),
        "promised": promised,
        "down_s": told.down_s,
        "open_after_fault_s": round(open_s, 1),
        "was_open": any(item.on_s <= fault_s < item.off_s for item in zones),
        "openings": len(zones),
        "reasons": list(case.reasons),
    }
    return Result(proof=PROOF, kind=point, seed=seed, wrong=wrong, figures=figures)


def _die(place: PacedPlace, point: str, told: Draw, *, cold: bool) -> bool | None:
    """Ask for water, and have the daemon die at the point; whether the water was promised."""
    if point.startswith(("start-", "stop-", "close_all-")):
        promised = place.ask("water", zone=told.zone, seconds=told.asked_s)
        place.advance(place.now_s + told.into_s)
        _end_by_hand(place, point, cold=cold)
        return promised
    place.arm(point, told.count)
    promised = place.ask("water", zone=told.zone, seconds=told.asked_s)
    if place.advance(place.now_s + told.asked_s + 60.0):
        raise ProofBroken(f"the daemon did not come to {point} a {told.count}. time in {told.asked_s} s of watering")
    return promised


def _end_by_hand(place: PacedPlace, point: str, *, cold: bool) -> None:
    if point.startswith("start-"):
        place.daemon.kill()
        place.pass_without(1.0)
        place.arm(point)
        place.daemon = place.start_daemon(cold=cold)
    else:
        place.arm(point)
        place.daemon.signal(signal.SIGTERM)
    wait_for(place.daemon.is_dead, f"the daemon to die at {point}", step_s=0.002)
    place.daemon.kill()


def _on_relays(seen: list[relays.Opened], zone: str, now_s: float, fault_s: float) -> list[str]:
    """What the recorder alone shows to be wrong, the time after the fault left out."""
    wrong = []
    if any(item.off_s > now_s for item in seen):
        wrong.append("open: a valve is still open when all is over")
    if any(item.output not in (ZONES[zone], MASTER) for item in seen):
        wrong.append("wrong valve: another zone was opened")
    dry_s = relays.dry_s(seen, MASTER, [fault_s], judge.LONGEST_S)
    if dry_s > judge.TOLERANCE_S:
        wrong.append(f"dry: a zone was open for {dry_s:.1f} s with its master shut")
    alone_s = relays.alone_s(seen, MASTER, [fault_s], judge.LONGEST_S)
    if alone_s > judge.TOLERANCE_S:
        wrong.append(f"master: open for {alone_s:.1f} s with every zone shut")
    return wrong
