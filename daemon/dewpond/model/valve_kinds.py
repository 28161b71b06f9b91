"""Kinds of valves by what they do without current, and what may be promised of them."""

from __future__ import annotations

from dewpond.model.site import Site

NORMALLY_CLOSED, LATCHING, TWO_WIRE = "normally closed", "latching", "two-wire"
KINDS = (NORMALLY_CLOSED, LATCHING, TWO_WIRE)
# No lease is kept by a keeper that is gone: relays that hold their state wait for the next one, which shuts all.
UNTIL_A_KEEPER_RUNS = "an open valve may stay open until a keeper runs again"
LATCHING_TOO = ", a latching one even without power"
LOOK = ": look at the valves, and shut the water by hand or with `dewpond keeper --off SITE`"


def is_latching(site: Site) -> bool:
    """Whether any valve of the site is a latching one."""
    zones = any(zone.close_output is not None for zone in site.zones)
    return zones or any(supply.master_close_output is not None for supply in site.supplies)


def stays_open(site: Site) -> bool:
    """Whether an open valve may stay open without power: latching, and nothing closes it from stored energy."""
    return is_latching(site) and not site.relays.stored_energy


def unguarded(site: Site) -> tuple[str, ...]:
    """Supplies with latching valves and no master valve that shuts without current, by id."""
    if not stays_open(site):
        return ()
    found = {zone.supply for zone in site.zones if zone.close_output is not None}
    found |= {supply.id for supply in site.supplies if supply.master_close_output is not None}
    guarded = {s.id for s in site.supplies if s.master_output is not None and s.master_close_output is None}
    return tuple(sorted(found - guarded))


def power_loss(site: Site) -> str:
    """What a power loss means, as a sentence for people; "" where every valve shuts by itself."""
    if not stays_open(site):
        return ""
    if not unguarded(site):
        return "Latching valves stay as they are when power fails; their master valve shuts and stops the water."
    return (
        "Latching valves stay as they are when power fails: one that is open stays open, and no lease closes it, "
        "until power is back or somebody shuts the water by hand."
    )


def when_lost(site: Site) -> str:
    """What becomes of open valves when the keeper does not answer, as a clause."""
    return UNTIL_A_KEEPER_RUNS + (LATCHING_TOO if stays_open(site) else "") + LOOK
