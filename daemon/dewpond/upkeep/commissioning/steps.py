"""What is done at a zone and its supply before it may run by schedule, in order."""

from __future__ import annotations

from collections.abc import Iterator

from dewpond.model.site import Site, Supply, Zone
from dewpond.upkeep.cautions import PRACTICE
from dewpond.upkeep.steps import Step, by_key

CLICK, FLUSH, MASTER, RAIN_SWITCH, RUNS, CUPS = "click", "flush", "master", "rain-switch", "runs", "cups"
RUNS_WANTED = 3  # that set the usual flow; as many as the daemon's own pipe watch wants. Common practice, no source.
MAY_BE_LEFT_OUT = {
    FLUSH: "the nozzles stood already",
    CUPS: "cups come later; the rate of the site file stands until then",
}
STEPS = by_key(
    (
        Step(
            key=CLICK,
            title="Click the output, and name its zone",
            at="zone",
            how=(
                "Water off. `dewpond valves SITE --supply-off` clicks the outputs one by one: listen at the boxes.",
                "Write down the zone whose valve clicked. Behind a pump nothing is clicked: see which ground gets wet.",
            ),
            source=PRACTICE,
            needs=("waters",),
            cautions=("valve-box", "valve-supply-off"),
        ),
        Step(
            key=FLUSH,
            title="Flush before the nozzles",
            at="zone",
            how=(
                "Nozzles out, or line ends open. Run the zone by hand until what comes out is clear, the far end last.",
                "Then nozzles and screens in, line ends shut.",
            ),
            source=PRACTICE,
            needs=("water",),
            cautions=("people-traffic", "heads-lift", "water-hammer"),
        ),
        Step(
            key=MASTER,
            title="Master valve",
            at="supply",
            how=(
                "A zone runs by hand: water comes. Its master valve alone unplugged: no water. Plugged again: water.",
                "All shut: the main holds its pressure.",
            ),
            source="one valve upstream of all zones, open only while a zone runs: from memory",
            needs=("works",),
            cautions=("people-traffic", "pressure-live", "mains-qualified"),
        ),
        Step(
            key=RAIN_SWITCH,
            title="Rain switch",
            at="supply",
            how=(
                "Wet it, or press its test button: the daemon shows it wet, and what waits does not open.",
                "Wired in series with the common of the valves: a zone that runs by hand stops.",
            ),
            source="wired in series with the valve common: UF/IFAS AE221, Dukes & Haman",
            needs=("works",),
            cautions=("mains-qualified",),
        ),
        Step(
            key=RUNS,
            title=f"{RUNS_WANTED} runs that set the usual flow",
            at="zone",
            how=(
                "Nozzles in. Water the zone alone by hand, some minutes each time: dewpond water ZONE 6.",
                "With a meter its own count is taken. Without one give the flow of each run, by dial or bucket.",
            ),
            source=PRACTICE,
            cautions=("people-traffic", "heads-lift", "restrictions-win"),
        ),
        Step(
            key=CUPS,
            title="Cups, or timed catch under drip",
            at="zone",
            how=("Audit the zone on the board or by `dewpond audit`; an audit kept since the beginning counts.",),
            source=PRACTICE,
            cautions=("audit-footing",),
        ),
    )
)


def due(site: Site, zone: Zone) -> Iterator[tuple[Step, str]]:
    """Every step of a zone and where it is done; a supply's parts only where it has them."""
    supply = site.supply(zone.supply)
    for step in STEPS.values():
        if step.at == "zone":
            yield step, zone.id
        elif _has(supply, step):
            yield step, supply.id


def _has(supply: Supply, step: Step) -> bool:
    if step.key == MASTER:
        return supply.master_output is not None
    return supply.rain_switch is not None or supply.rain_switch_in_common
