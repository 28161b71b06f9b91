"""Faults of processes on real time: a daemon killed or stopped with a valve open, and a keeper killed with one open."""

from __future__ import annotations

import signal
from collections.abc import Callable

from dewpond_sim.proofs import judge, relays
from dewpond_sim.proofs.place import ZONES, ProofBroken, wait_for
from dewpond_sim.proofs.real import LEASE_S, RealPlace, chance_of
from dewpond_sim.proofs.results import Result

KILLED, STOPPED, KEEPER = "daemon killed", "daemon stopped (SIGSTOP)", "keeper killed"
PROOF = "real time"
SETTLE_S = 6.0
RESTART_S = 2.0  # RestartSec of the keeper's unit in deploy/systemd
START_BOUND_S = 15.0  # from a keeper's start to everything shut
FOUND_S = 30.0  # a daemon finds a new keeper within this


def kind_of(fault: str, lease_s: float) -> str:
    """A trial's kind: the fault, and the lease where it is not the usual one."""
    return fault if lease_s == LEASE_S else f"{fault}, lease {lease_s:g} s"


def trial(place: RealPlace, fault: str, seed: int) -> Result:
    """Ask for water, bring the fault about while it runs, help after a while, and judge."""
    kind = kind_of(fault, place.lease_s)
    chance = chance_of(PROOF, kind, seed)
    asked_s = float(chance.randrange(150, 400))
    since_s = place.now_s
    promised = place.ask("water", zone=chance.choice(sorted(ZONES)), seconds=asked_s)
    place.wait_on()
    place.pause(chance.uniform(0.5, place.lease_s / 2.0))
    wrong, figures = FAULTS[fault](place)
    place.pause(SETTLE_S)
    place.ask("stop")  # the remainder is not waited for; a person's stop is a reason on record
    place.wait_off(30.0)
    place.pause(1.0)
    case = place.case(asked_s, promised, since_s)
    figures |= {"asked_s": asked_s, "given_s": round(case.given_s, 1), "booked_s": round(case.booked_s, 1)}
    if figures["open_after_fault_s"] > figures["bound_s"]:
        wrong.append(f"open: {figures['open_after_fault_s']:.1f} s after the fault")
    if relays.most_together(place.zones_seen(since_s)) > 1:
        wrong.append("two zones were open at once where one is allowed")
    return Result(proof=PROOF, kind=kind, seed=seed, wrong=judge.verdicts(case) + wrong, figures=figures)


def _killed(place: RealPlace) -> tuple[list[str], dict[str, float]]:
    fault_s = place.now_s
    place.daemon.kill()
    place.wait_off(2.0 * place.bound_s)
    figures = _open_figures(place, fault_s)
    place.start_daemon()
    return [], figures


def _stopped(place: RealPlace) -> tuple[list[str], dict[str, float]]:
    fault_s = place.now_s
    place.daemon.signal(signal.SIGSTOP)
    place.wait_off(2.0 * place.bound_s)
    if not place.daemon.is_stopped():
        raise ProofBroken("somebody else let the stopped daemon go on, so this trial proves nothing")
    figures = _open_figures(place, fault_s)
    place.daemon.signal(signal.SIGCONT)
    return [], figures


def _keeper(place: RealPlace) -> tuple[list[str], dict[str, float]]:
    """The relays hold, so a supervisor's restart is what shuts them."""
    fault_s = place.now_s
    place.keeper.kill()
    place.pause(RESTART_S)
    start_s = place.now_s
    place.start_keeper()
    place.wait_off(START_BOUND_S)
    ended = [item.off_s for item in place.seen() if item.on_s <= fault_s < item.off_s]
    figures = {
        "open_after_fault_s": round(max(ended) - fault_s, 2),
        "bound_s": RESTART_S + START_BOUND_S,
        "shut_after_start_s": round(max(ended) - start_s, 2),
    }
    wait_for(lambda: _keeper_word(place) == "ready", "the daemon to find the new keeper", FOUND_S, step_s=0.2)
    return [], figures


def _keeper_word(place: RealPlace) -> object:
    body = (place.answer("status") or {}).get("body")
    return body.get("keeper") if isinstance(body, dict) else None


def _open_figures(place: RealPlace, fault_s: float) -> dict[str, float]:
    return {
        "open_after_fault_s": round(relays.longest_after(place.seen(), fault_s), 2),
        "bound_s": place.bound_s,
    }


FAULTS: dict[str, Callable[[RealPlace], tuple[list[str], dict[str, float]]]] = {
    KILLED: _killed,
    STOPPED: _stopped,
    KEEPER: _keeper,
}
