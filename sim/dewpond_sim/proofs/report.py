"""The figures of a proof, and what so many trials prove."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from dewpond_sim.proofs.judge import rate_below
from dewpond_sim.proofs.results import Result, greatest


def lines(results: Iterable[Result]) -> Iterator[str]:
    """A line for each kind of fault, then the sum."""
    kinds: dict[tuple[str, str], list[Result]] = {}
    for result in results:
        kinds.setdefault((result.proof, result.kind), []).append(result)
    head = f"{'proof':16} {'fault':34} {'faults':>6} {'doubled':>7} {'lost':>5} {'other':>5}"
    yield f"{head} {'longest open':>13} {'shut after start':>16}"
    for (proof, kind), found in kinds.items():
        yield _line(proof, kind, found)
    for proof in dict.fromkeys(proof for proof, _ in kinds):
        yield _proves(proof, [item for (name, _), found in kinds.items() if name == proof for item in found])


def _line(proof: str, kind: str, found: Sequence[Result]) -> str:
    wrong = [text for result in found for text in result.wrong]
    doubled = sum("doubled" in text for text in wrong)
    lost = sum("lost" in text for text in wrong)
    opened, shut = (_seconds(greatest(name, found)) for name in ("open_after_fault_s", "shut_after_start_s"))
    count = sum(result.count for result in found)
    return (
        f"{proof:16} {kind:34} {count:6} {doubled:7} {lost:5} {len(wrong) - doubled - lost:5} {opened:>13} {shut:>16}"
    )


def _seconds(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f} s"


def _proves(proof: str, found: Sequence[Result]) -> str:
    count = sum(result.count for result in found)
    failed = sum(bool(result.wrong) for result in found)
    if failed:
        return f"{proof}: {failed} of {len(found)} trials failed"
    return (
        f"{proof}: no failure in {count} faults rules out, at 95 %, a rate of {rate_below(count):.2%} or more a fault"
    )
