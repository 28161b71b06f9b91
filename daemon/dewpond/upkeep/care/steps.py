"""The steps of the guided jobs in their right order: what to do, what to mind, what must be reported with it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from dewpond.model.site import Site, Supply, Zone
from dewpond.upkeep.care.duties import LOOK, SHUT_DOWN, START_UP

SITE = "site"
# Highest air pressure [kPa] by pipe, as the caution blow-out-pressure states it: 50, 80 and 30 psi.
AIR_LIMITS_KPA: Mapping[str, float] = {"polyethylene": 345.0, "pvc": 552.0, "drip": 207.0}
LONGEST_TURN_MIN = 2.0  # of air through one zone; air friction heats pipe. Common practice, no source.


@dataclass(frozen=True, slots=True, kw_only=True)
class CareStep:
    """One step, done at each ``at``. ``asks`` are fields its report needs; one that is ``firm`` is never left out.

    ``signs`` is the item of the start-up list that its reports stand for; ``machine`` what the program does in it.
    """

    key: str
    title: str
    at: str  # "site", "supply", "zone"
    how: tuple[str, ...]
    cautions: tuple[str, ...] = ()
    asks: tuple[str, ...] = ()
    firm: bool = False
    only: str = ""  # "backflow", "master", "pump", "reclaimed": supplies it is for
    signs: str = ""
    machine: str = ""  # "run", "open", "close"


_START_UP = (
    CareStep(
        key="ready", title="Before water", at=SITE,
        how=("Hard frost is over. Drain valves, blow-out fittings and test cocks are shut, what was taken in is back.",
             "The hand shut-off is still shut; nobody works at the pipes."),
        cautions=("backflow-shut-off", "backflow-local"),
    ),
    CareStep(
        key="clock", title="Clock, hours and batteries", at=SITE, signs="clock",
        how=("This machine's date, time and zone are right, and so are the watering hours and days.",
             "Change back-up batteries that are older than six months: `dewpond care done device/...`."),
    ),
    CareStep(
        key="fill", title="Fill the main slowly", at="supply", asks=("high_open", "cracked"), firm=True,
        signs="slow-fill",
        how=("Open the highest or farthest zone at its own valve by hand, about a quarter turn: it lets the air out.",
             "Open the main shut-off a crack only, and wait until that zone gives water without spitting.",
             "Then open it slowly, over minutes, all the way; shut the zone's valve slowly. Listen and look for leaks.",
             "A master valve is opened and shut at its own valve too. A pump stays off until the pipe is full."),
        cautions=("water-hammer", "pressure-live", "heads-lift"),
    ),
    CareStep(
        key="backflow", title="The backflow device", at="supply", only="backflow", signs="backflow",
        how=("Dry, whole, its shut-offs fully open and opened slowly. Where the local code asks for it, its certified "
             "tester tests it before water is used: `dewpond care done device/...`.",),
        cautions=("backflow-hazard", "backflow-local"),
    ),
    CareStep(
        key="reclaimed", title="Signs and separation", at="supply", only="reclaimed",
        how=("Signs legible, purple parts in place, no cross-connection, no hose, no spray on eating areas.",),
        cautions=("reclaimed-signs", "reclaimed-apart", "reclaimed-hands"),
    ),
    CareStep(
        key="zones", title="Every zone walked", at="zone", signs="walked",
        how=("Box, valve, heads and fittings looked at: nothing missing, split or leaking.",),
        cautions=("valve-box",),
    ),
    CareStep(
        key="open", title="Sign the start-up list", at=SITE, firm=True, machine="open",
        how=("`dewpond care sign` ends the winter at the keeper, signed by you with the steps above. "
             "Until then nothing opens.",),
    ),
    CareStep(
        key="main", title="The main under water, attended", at="supply", only="master",
        how=("`dewpond attend SUPPLY` opens its master valve while you stay there, five minutes at a time; a flow the "
             "size of a break closes it. Walk along the main and its boxes, then end it by --end.",),
        cautions=("pressure-live", "water-hammer"),
    ),
    CareStep(
        key="run", title="Each zone for a minute", at="zone", machine="run",
        how=("`dewpond care run ZONE` opens it for a minute and watches read-back, meter and gauge.",
             "It comes on, its heads stand up and clear, it goes off again."),
        cautions=("people-traffic", "heads-lift", "restrictions-win"),
    ),
)  # fmt: skip
_LOOK = (
    CareStep(
        key="supply", title="The supply with every valve shut", at="supply",
        how=("Backflow device and visible pipe dry; the meter stands still. Leak test: `dewpond guide leak SUPPLY`.",),
        cautions=("backflow-local",),
    ),
    CareStep(
        key="reclaimed", title="Signs and separation", at="supply", only="reclaimed",
        how=("Signs legible, purple parts in place, no cross-connection, no hose, no spray on eating areas.",),
        cautions=("reclaimed-signs", "reclaimed-apart", "reclaimed-hands"),
    ),
    CareStep(
        key="run", title="Each zone for a minute", at="zone", machine="run",
        how=("`dewpond care run ZONE` opens it for a minute and watches read-back, meter and gauge.",
             "Heads up and turned right, no mist, nothing on paving; plants neither dry nor drowned. "
             "What is wrong belongs into a walk: `dewpond walk begin`."),
        cautions=("people-traffic", "heads-lift", "restrictions-win"),
    ),
    CareStep(
        key="program", title="Program and batteries", at=SITE,
        how=("Holds, percents, extra starts, locks and open tasks: `dewpond status`, `dewpond tasks`.",),
    ),
)  # fmt: skip
_SHUT_DOWN = (
    CareStep(
        key="close", title="Close for winter", at=SITE, firm=True, machine="close",
        how=("`dewpond care close` closes the site at the keeper: while you work here, and until the start-up list is "
             "signed, nothing opens and no pump starts. It is no isolation: hand valve and disconnect follow.",),
        cautions=("valve-supply-off",),
    ),
    CareStep(
        key="supply-off", title="Water and pump off", at="supply", asks=("shut",), firm=True,
        how=("Shut the hand valve of the supply. A pump is off at its own disconnect, not only here.",),
        cautions=("backflow-shut-off",),
    ),
    CareStep(
        key="let-out", title="Let the pressure out", at="supply", firm=True,
        how=("Open one zone at its own valve until nothing runs, and the drain valve where there is one.",),
        cautions=("pressure-live",),
    ),
    CareStep(
        key="connect", title="Connect the compressor", at="supply",
        asks=("pipe", "pressure", "after_backflow", "zone_open"),
        how=("Leave it to a licensed contractor, or drain by hand, where you are not sure: leave this step out then.",
             "Connect behind the backflow device. Set the regulator to no more than the weakest pipe bears, so that "
             "even with every valve shut by mistake the pressure stays within it.",
             "Open the first zone below at its own valve before any air."),
        cautions=("blow-out-pressure", "blow-out-eyes", "blow-out-backflow", "blow-out-open-end"),
    ),
    CareStep(
        key="air", title="Air through the zone", at="zone", asks=("minutes", "pressure", "next_open"),
        how=("Until it gives mist, not water: at most two minutes a turn, more short turns rather than a long one.",
             "Open the NEXT zone at its valve before you shut this one. Before the last one, shut the compressor off."),
        cautions=("blow-out-pressure", "blow-out-eyes", "blow-out-open-end", "people-traffic", "valve-snug"),
    ),
    CareStep(
        key="air-off", title="Compressor off, air out", at="supply", asks=("compressor_off",), firm=True,
        how=("Compressor off first. Let the air out through the zone that is still open, slowly; then shut it.",),
        cautions=("water-hammer", "blow-out-eyes"),
    ),
    CareStep(
        key="backflow-drained", title="The backflow device drained", at="supply", only="backflow",
        how=("Drain it by its test cocks as its maker says; leave its ball valves at 45 degrees.",),
        cautions=("blow-out-backflow", "backflow-local"),
    ),
    CareStep(
        key="pump-drained", title="The pump drained", at="supply", only="pump",
        how=("Drain its casing as its maker says; its power stays off and locked.",),
        cautions=("pump-wiring",),
    ),
    CareStep(
        key="stowed", title="What freezes or leaks", at=SITE,
        how=("Gauges, filters and above-ground sensors emptied or in; weak batteries out.",),
    ),
)  # fmt: skip
BLOWING = ("connect", "air", "air-off")
JOBS: Mapping[str, tuple[CareStep, ...]] = {START_UP: _START_UP, LOOK: _LOOK, SHUT_DOWN: _SHUT_DOWN}


def step_of(job: str, key: str) -> CareStep | None:
    """A step of a job by its key."""
    return next((step for step in JOBS[job] if step.key == key), None)


def cautions_of(step: CareStep, supplies: tuple[Supply, ...]) -> tuple[str, ...]:
    """What is to be minded, more where a pump stands before the pipe."""
    keys = list(step.cautions)
    if step.key in ("fill", "supply-off") and any(supply.pump is not None for supply in supplies):
        keys += ["pump-dry", "pump-wiring", "mains-qualified"]
    return tuple(dict.fromkeys(keys))


def order(site: Site, job: str, left_out: frozenset[tuple[str, str]]) -> Iterator[tuple[CareStep, str]]:
    """Everything a job does, in order. Where no compressor is connected to a supply, no air goes through its zones."""
    blowing = [step for step in JOBS[job] if step.key in BLOWING]
    for step in JOBS[job]:
        if step.key not in BLOWING:
            yield from ((step, place) for place, _ in _places(site, step))
        elif step == blowing[0]:  # one supply after the other: there is one compressor
            yield from (
                (one, place)
                for supply in site.supplies
                for one in blowing
                for place, of in _places(site, one)
                if of == supply.id and (one == step or (step.key, of) not in left_out)
            )


def _places(site: Site, step: CareStep) -> list[tuple[str, str]]:
    """Each place of a step with its supply."""
    if step.at == SITE:
        return [(SITE, "")]
    supplies = [supply for supply in site.supplies if _is_for(step, supply)]
    if step.at == "supply":
        return [(supply.id, supply.id) for supply in supplies]
    return [(zone.id, supply.id) for supply in supplies for zone in farthest_first(site, supply)]


def _is_for(step: CareStep, supply: Supply) -> bool:
    return {
        "": True,
        "backflow": supply.backflow != "none",  # one that the file does not tell of may stand there
        "pump": supply.pump is not None,
        "master": supply.master_output is not None,
        "reclaimed": supply.source == "reclaimed",
    }[step.only]


def farthest_first(site: Site, supply: Supply) -> list[Zone]:
    """A supply's zones, the highest first, then those with the longest pipe; else as the site file has them."""
    here = [zone for zone in site.zones if zone.supply == supply.id]
    return sorted(here, key=lambda zone: (-(zone.rise_m or 0.0), -(zone.lateral_length_m or 0.0)))
