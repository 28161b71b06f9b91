"""Every zone's depth for one night, by the rule its site file names."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from dewpond.brain.ground import Ground
from dewpond.brain.rules import lookahead, refill
from dewpond.brain.rules.question import Depth, Question, Rule

# A calendar zone runs by its programs; what it would need is told beside them.
BUILT_IN: Mapping[str, Rule] = {"refill": refill.decide, "lookahead": lookahead.decide, "calendar": refill.decide}


def depths(ground: Ground, question: Question) -> dict[str, Depth]:
    """Net depth of every zone, by zone id. A zone whose rule is not known here is refilled, and its reason says so."""
    answers: dict[str, Depth] = {}
    for name in sorted({zone.rule for zone in ground.site.zones}):
        here = np.array([n for n, zone in enumerate(ground.site.zones) if zone.rule == name])
        rule = BUILT_IN.get(name, refill.decide)
        found = rule(question, here)
        answers.update({question.ids[n]: depth for n, depth in zip(here, found, strict=True)})
    return answers
