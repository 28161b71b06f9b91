"""Design review: pipes, heads, ground and hours against the trade's limits; findings have number, limit, source."""

from dewpond.upkeep.design.finding import Finding
from dewpond.upkeep.design.plan import Plan, PlanHead, PlanRefused, PlanZone, read_heads, read_zones
from dewpond.upkeep.design.regroup import Regrouping, regroupings
from dewpond.upkeep.design.review import for_check, review, review_shown
from dewpond.upkeep.design.sketch import sketch
from dewpond.upkeep.design.window import HotWeek, assumed_week, hottest_week

__all__ = [
    "Finding",
    "HotWeek",
    "Plan",
    "PlanHead",
    "PlanRefused",
    "PlanZone",
    "Regrouping",
    "assumed_week",
    "for_check",
    "hottest_week",
    "read_heads",
    "read_zones",
    "regroupings",
    "review",
    "review_shown",
    "sketch",
]
