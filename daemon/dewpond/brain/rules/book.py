"""Every zone's depth for one night, by the rule its site file names."""

from __future__ import annotations

from collections.abc import Mapping

from dewpond.brain.ground import Ground
from dewpond.brain.rules import deep, lookahead, plugged, refill
from dewpond.brain.rules.plugged_state import Words
from dewpond.brain.rules.question import Depth, Question, Rule

# A calendar zone runs by its programs; what it would need is told beside them. Every other name is a plug-in's.
BUILT_IN: Mapping[str, Rule] = {"refill": refill.decide, "lookahead": lookahead.decide, "calendar": refill.decide}


def depths(
    ground: Ground, question: Question, words: Words | None = None, last_runs: deep.LastRuns | None = None
) -> dict[str, Depth]:
    """Net depth of every zone, by zone id. A zone whose rule has no word is refilled, and its reason says so.

    ``last_runs`` says when each zone was watered last, for those with an interval of their own.
    """
    answers: dict[str, Depth] = {}
    words = words or {}
    for name, here in ground.table.by_rule:
        rule = BUILT_IN.get(name)
        found = rule(question, here) if rule else plugged.depths(name, words.get(name), question, here)
        answers.update({question.ids[n]: depth for n, depth in zip(here, found, strict=True)})
    return deep.adjusted(ground, question, answers, last_runs or {})
