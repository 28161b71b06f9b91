"""Fifty keepers and fifty daemons of one site started at once: one of each may work, and nothing stale stays behind."""

from __future__ import annotations

from collections.abc import Sequence

from dewpond_sim.proofs.place import Life, wait_for
from dewpond_sim.proofs.real import RealPlace, chance_of
from dewpond_sim.proofs.results import Result

PROOF = "many at once"
START_S = 300.0  # fifty interpreters on a small machine


def trial(place: RealPlace, seed: int, many: int) -> Result:
    """Start ``many`` of each, water once, kill the one that works, and start another."""
    begun_s = place.now_s
    wrong: list[str] = []
    keepers = [place.crew.start("keeper", "dewpond_drivers.keeper", str(place.site)) for _ in range(many)]
    wrong += _one_works(place, keepers, "keepers")
    daemons = [place.crew.start("run", "dewpond.cli.main", "run", str(place.site)) for _ in range(many)]
    wrong += _one_works(place, daemons, "daemons")
    wrong += _waters(place, seed)
    next(life for life in daemons if not life.is_dead()).kill()
    place.start_daemon()
    wrong += _waters(place, seed + 1)
    figures = {"many": many, "seconds": round(place.now_s - begun_s, 1), "openings": len(place.zones_seen(begun_s))}
    return Result(proof=PROOF, kind=f"{many}", seed=seed, wrong=wrong, figures=figures)


def _one_works(place: RealPlace, lives: Sequence[Life], what: str) -> list[str]:
    def settled() -> bool:
        return sum(not life.is_dead() for life in lives) <= 1

    wait_for(settled, f"all but one of {len(lives)} {what} to give up", START_S, step_s=0.1)
    place.pause(1.0)
    alive = [life for life in lives if not life.is_dead()]
    wrong = [] if len(alive) == 1 else [f"{len(alive)} of {len(lives)} {what} stay"]
    for life in alive:
        life.wait_ready()
    said_ready = sum("ready" in life.log.read_text(encoding="utf-8") for life in lives)
    return wrong if said_ready == 1 else [*wrong, f"{said_ready} {what} said that they are ready"]


def _waters(place: RealPlace, seed: int) -> list[str]:
    seconds = float(chance_of(PROOF, "water", seed).randrange(3, 8))
    since_s = place.now_s
    promised = place.ask("water", zone="orchard", seconds=seconds)
    place.wait_on()
    place.wait_off(seconds + 10.0)
    found = place.zones_seen(since_s)
    return [] if promised and len(found) == 1 else [f"promised {promised}, and the valve opened {len(found)} times"]
