"""Catch-can audits of sprinklers and timed catches of drip: where, how long, what it says, what it would change."""

from dewpond.upkeep.cups.causes import Cause
from dewpond.upkeep.cups.cup_map import cup_map
from dewpond.upkeep.cups.drip import DripAudit, DripRound, Emitter, judge_drip, read_emitters
from dewpond.upkeep.cups.effect import Effect, acceptable_rate_mm_h, effect_of
from dewpond.upkeep.cups.judgement import Audit, Change, compare, judge
from dewpond.upkeep.cups.layout import CUPS_FOR_A_GRADE, CupPlan, TestTime, minutes_for, propose_cups
from dewpond.upkeep.cups.mouth import read_mouth
from dewpond.upkeep.cups.outline import Outline, outline, rectangle, square_of
from dewpond.upkeep.cups.readings import Cup, CupTest, cup_test, read_cups
from dewpond.upkeep.cups.record import CAUTIONS, KIND, audit_shown, body_of, kept_test, plan_shown
from dewpond.upkeep.cups.refusal import AuditRefused

__all__ = [
    "CAUTIONS",
    "CUPS_FOR_A_GRADE",
    "KIND",
    "Audit",
    "AuditRefused",
    "Cause",
    "Change",
    "Cup",
    "CupPlan",
    "CupTest",
    "DripAudit",
    "DripRound",
    "Effect",
    "Emitter",
    "Outline",
    "TestTime",
    "acceptable_rate_mm_h",
    "audit_shown",
    "body_of",
    "compare",
    "cup_map",
    "cup_test",
    "effect_of",
    "judge",
    "judge_drip",
    "kept_test",
    "minutes_for",
    "outline",
    "plan_shown",
    "propose_cups",
    "read_cups",
    "read_emitters",
    "read_mouth",
    "rectangle",
    "square_of",
]
