"""Whether a zone still has to be proved, and how that is said. Apart from ``proving`` so that planning may ask it."""

from __future__ import annotations

from dewpond.brain.ground import Ground
from dewpond.brain.state import State
from dewpond.model.site import Zone

SIGN = "see dewpond commission"


def held(ground: Ground, state: State, zone: Zone) -> str:
    """Why nothing runs in this zone by schedule before it is proved, or ""."""
    proving = state.proving
    begun = proving.begun.get(zone.id)
    if begun is not None:
        since = begun.at.astimezone(ground.days.zone)
        return f"Not proved: its commissioning, begun by {begun.who} at {since:%Y-%m-%d %H:%M}, is not signed off"
    proof = proving.proofs.get(zone.id)
    if proof is not None and (proof.supply, proof.output) != (zone.supply, zone.output):
        was = f"output {proof.output} of {proof.supply}"
        return f"Not proved: it was signed off on {was} and is on output {zone.output} of {zone.supply} now ({SIGN})"
    if proof is None and ground.site.prove_zones:
        return f"Not proved: the site file says prove_zones, and nobody has signed this zone off ({SIGN})"
    return ""
