"""What a technician measures, in the order of the work: water first, then the wires with the power off."""

from __future__ import annotations

from dewpond.upkeep.cautions import MEMORY, PRACTICE
from dewpond.upkeep.steps import SITE, Step, by_key

STATIC, DYNAMIC, FLOW, OUTPUT = "static", "dynamic", "flow", "output"
COIL, SPLICES, TRANSFORMER = "coil", "splices", "transformer"
STEPS = by_key(
    (
        Step(
            key=STATIC,
            title="Static pressure",
            at="supply",
            how=(
                "Gauge on an outside tap, every other outlet shut, no zone on.",
                "At several hours of the day: early, at noon and in the evening, when the neighbours draw.",
            ),
            source="Lawn & Landscape, The water source: gauge on an outside tap, all else shut, several times of day",
            needs=("pressure",),
            cautions=("pressure-live",),
        ),
        Step(
            key=DYNAMIC,
            title="Pressure at the first and the last head while the zone runs",
            at="zone",
            how=(
                "Gauge at the head nearest to the valve, then at the one farthest from it, the same zone running.",
                "Open it with `dewpond water ZONE MINUTES`.",
            ),
            source="Jarrett, Water Management, 2nd ed. 2000, pp. 336-337: 20 % of pressure is 10 % of flow",
            needs=("first", "last"),
            cautions=("people-traffic", "heads-lift", "restrictions-win"),
        ),
        Step(
            key=FLOW,
            title="Flow of the zone",
            at="zone",
            how=(
                "By the meter: read it before and after, only this zone on, nobody drawing. Give volume and seconds.",
                "By a bucket of known volume at a head or a pipe end: fill it and stop the time.",
            ),
            source=f"flow = volume / time to pass it, {MEMORY}",
            needs=(),
            cautions=("people-traffic", "restrictions-win"),
        ),
        Step(
            key=OUTPUT,
            title="Which output waters which zone",
            at="zone",
            how=(
                "Have this zone opened from the phone for a minute, and go and see which ground gets wet.",
                "Write down the zone that came on, or `nothing`.",
            ),
            source=PRACTICE,
            needs=("waters",),
            cautions=("people-traffic", "restrictions-win"),
        ),
        Step(
            key=COIL,
            title="Coil resistance",
            at="zone",
            how=(
                "Power of the valves off, and seen to be off. One wire of the zone loose from its output.",
                "Meter across that wire and the common: that is coil, wire and splices together.",
            ),
            source=PRACTICE,
            needs=(),
            cautions=("valve-power-off", "mains-qualified", "lightning", "valve-box"),
        ),
        Step(
            key=SPLICES,
            title="Splices",
            at="zone",
            how=(
                "Open the box, power off. Every splice dry, tight and in a waterproof cap; no bare copper, no green.",
                "Report the worst one: sound, loose, wet, corroded, or not found.",
            ),
            source=PRACTICE,
            needs=("splice",),
            cautions=("valve-power-off", "valve-box", "dig-locate", "dig-private", "dig-by-hand"),
        ),
        Step(
            key=TRANSFORMER,
            title="Transformer against its load",
            at=SITE,
            how=(
                "Read its name plate: VA and volts of the low-voltage side; the coils' amperes where they are printed.",
                "The load is what may be on at once: max_open zones, master valve and pump relay of every supply.",
            ),
            source=f"24-28 V AC, inrush 0.3-0.5 A and holding 0.2-0.3 A a coil: {MEMORY}",
            needs=("va",),
            cautions=("mains-qualified", "valve-power-off"),
        ),
    )
)
