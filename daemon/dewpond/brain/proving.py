"""A zone whose commissioning is not signed off never runs by schedule; by hand it may, or nothing could be proved.

A zone has to be proved from the time its commissioning is begun, or always where the site file says ``prove_zones``.
A proof is of one valve: it lapses when the zone is moved to another output or supply.
"""

from __future__ import annotations

from dewpond.brain.ground import Ground
from dewpond.brain.holds import replan
from dewpond.brain.openings import close_now
from dewpond.brain.proving_state import BegunState, ProofState
from dewpond.brain.state import State
from dewpond.model.commands import AnswerOperator, Command
from dewpond.model.copying import replace
from dewpond.model.events import Now, OperatorAsked
from dewpond.model.site import Zone

RUNS_TO_PROVE = 3  # runs that set the usual flow. Common practice, no source.
Told = tuple[State, list[Command]]


def on_asked(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    """Begin the commissioning of a zone or sign it off, or refuse it with the limit and the remedy."""
    zone = ground.zones.get(event.zone or "")
    if zone is None:
        known = ", ".join(sorted(ground.zones))
        return state, [_answer(event, f"no zone {event.zone!r} here; zones are {known}", accepted=False)]
    return ACTIONS[event.action](ground, state, zone, event, now)


def _begin(ground: Ground, state: State, zone: Zone, event: OperatorAsked, now: Now) -> Told:
    if zone.id in state.proving.begun:
        first = state.proving.begun[zone.id]
        return state, [_answer(event, f"{zone.name} is being commissioned already, begun by {first.who}.")]
    begun = BegunState(who=event.person, at=now.wall, reason=event.reason, runs=_runs(state, zone))
    proving = replace(state.proving, begun={**state.proving.begun, zone.id: begun})
    state, commands = replace(state, proving=proving), list[Command]()
    for item in state.openings:
        if item.zone == zone.id and not item.by_hand:
            state, told = close_now(state, item, f"stopped: {zone.name} is to be proved first", now)
            commands += told
    state, planned = replan(ground, state, now)
    text = f"{zone.name} is being commissioned: nothing runs there by schedule until it is signed off."
    return state, [*commands, *planned, _answer(event, text)]


def _sign_off(ground: Ground, state: State, zone: Zone, event: OperatorAsked, now: Now) -> Told:
    fault = _runs_fault(ground, state, zone)
    if fault:
        return state, [_answer(event, fault, accepted=False)]
    proof = ProofState(who=event.person, at=now.wall, reason=event.reason, supply=zone.supply, output=zone.output)
    left = {key: begun for key, begun in state.proving.begun.items() if key != zone.id}
    proving = replace(state.proving, begun=left, proofs={**state.proving.proofs, zone.id: proof})
    state, planned = replan(ground, replace(state, proving=proving), now)
    return state, [*planned, _answer(event, f"{zone.name} is signed off by {event.person}; it runs by schedule again.")]


def _runs_fault(ground: Ground, state: State, zone: Zone) -> str:
    """Why the meter has not seen enough of a zone yet, or ""; where no meter counts, people's word stands."""
    supply = ground.site.supply(zone.supply)
    if supply.meter is None:
        return ""
    begun, runs = state.proving.begun.get(zone.id), _runs(state, zone)
    if begun is not None and runs >= begun.runs:  # fewer than then is a usual flow that is learned afresh
        runs -= begun.runs
    if runs >= RUNS_TO_PROVE:
        return ""
    return (
        f"{zone.name}: the meter {supply.meter} has set its usual flow from {runs} of {RUNS_TO_PROVE} runs; water it "
        "alone by hand for some minutes until it has, then sign off again"
    )


def _runs(state: State, zone: Zone) -> int:
    """Runs of a zone alone that its usual flow rests on."""
    memory = state.pipes.get(zone.supply)
    flow = memory.watch.flows.get(zone.id) if memory is not None else None
    return 0 if flow is None else flow.runs


def _answer(event: OperatorAsked, text: str, *, accepted: bool = True) -> AnswerOperator:
    return AnswerOperator(request_id=event.request_id, accepted=accepted, text=text)


ACTIONS = {"commission": _begin, "sign-off": _sign_off}
