"""What the record keeps of the rules of the place: the rules over each opening, for whoever inspects."""

from __future__ import annotations

from dewpond.brain import establishment
from dewpond.brain.ground import Ground
from dewpond.brain.state import Opening, State
from dewpond.model.commands import Command, NoteRules
from dewpond.model.copying import replace
from dewpond.model.events import Now


def declared(ground: Ground, state: State) -> Ground:
    """The ground with what people have declared about the rules of the place."""
    rules = ground.rules.under(state.place)
    return ground if rules is ground.rules else replace(ground, rules=rules)


def note(ground: Ground, state: State, item: Opening, now: Now) -> list[Command]:
    """The rules that stand over an opening as it begins; nothing where there are none."""
    zone, at_s = ground.zones[item.zone], now.wall.timestamp()
    rules = ground.rules.under(state.place)
    in_force = rules.in_force(zone, at_s)
    exemptions = tuple(f"{leave.who}: {leave.reason}" for leave in rules.exemptions(zone, at_s, at_s + 1.0))
    if item.source == establishment.SOURCE and zone.establishment and zone.establishment.exemption:
        exemptions = (*exemptions, f"site file: {zone.establishment.exemption.reason}")
    insisted = item.insisted
    if not in_force and not exemptions and insisted is None:
        return []
    told = NoteRules(
        run_id=item.run_id,
        zone=item.zone,
        at=now.wall,
        in_force=in_force,
        exemptions=exemptions,
        against=insisted.rules if insisted else (),
        who=insisted.who if insisted else "",
        reason=insisted.reason if insisted else "",
    )
    return [told]
