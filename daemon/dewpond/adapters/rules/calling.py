"""Finds a rule plug-in by its name, calls it, and looks through what it returned."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib.metadata import entry_points
from typing import Any

from dewpond.model.codec import from_plain
from dewpond.model.rule_question import RULES_GROUP, AnswerRefused, RulePlugIn, RuleQuestion, check_answer

LONGEST_FAILURE = 300


def load_rule(name: str) -> RulePlugIn:
    """The plug-in of this name. Raises LookupError when none is installed, and whatever its import raises."""
    for point in entry_points(group=RULES_GROUP, name=name):
        loaded: RulePlugIn = point.load()
        return loaded
    raise LookupError(f"no rule of this name is installed under {RULES_GROUP}")


def call_rule(plain: Mapping[str, Any], find: Callable[[str], RulePlugIn] = load_rule) -> dict[str, Any]:
    """The plug-in's answer to a question in plain form: ``net_mm``, ``said``, ``refused`` and ``failure``.

    ``failure`` is a clause that follows the rule's name, empty when the answer can be used. Never raises for what the
    plug-in does in Python.
    """
    question: RuleQuestion = from_plain(RuleQuestion, plain)
    try:
        answer = find(question.rule)(question)
        checked = check_answer({zone.id: zone.taw_mm for zone in question.zones}, answer)
    except AnswerRefused as refused:
        return failed(f"gave no usable answer ({refused})")
    except MemoryError:
        return failed("took more memory than a rule may have")
    except SystemExit as left:
        return failed(f"left by itself (exit {left.code}) instead of answering")
    except Exception as fault:  # noqa: BLE001 - a stranger's code may raise anything; it is told, not hidden
        return failed(f"failed ({type(fault).__name__}: {fault})")
    return {
        "net_mm": dict(checked.net_mm),
        "said": dict(checked.notes),
        "refused": dict(checked.refused),
        "failure": "",
    }


def failed(why: str) -> dict[str, Any]:
    """The plain answer of a rule that gave none."""
    return {"net_mm": {}, "said": {}, "refused": {}, "failure": " ".join(why.split())[:LONGEST_FAILURE]}
