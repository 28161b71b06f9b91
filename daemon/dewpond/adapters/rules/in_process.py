"""Rule plug-ins called at once in this process: for replays and sweeps, where a hanging rule is the user's to see."""

from __future__ import annotations

from dewpond.adapters.rules.calling import call_rule, load_rule
from dewpond.model.commands import AskRule
from dewpond.model.events import Event, Now, RuleAnswered
from dewpond.model.rule_question import RulePlugIn


class InProcessRules:
    """ports.Rules that answers in the same pass."""

    def __init__(self) -> None:
        self._answers: list[Event] = []
        self._loaded: dict[str, RulePlugIn] = {}

    def ask(self, command: AskRule, now: Now) -> None:
        """Call the rule and keep its answer."""
        found = call_rule(command.question, self._find)
        self._answers.append(
            RuleAnswered(
                at=now.wall,
                request_id=command.request_id,
                net_mm=found["net_mm"],
                failure=found["failure"],
                notes={"said": found["said"], "refused": found["refused"]},
            )
        )

    def drain(self, now: Now) -> list[Event]:  # noqa: ARG002 - the port's own signature
        """The answers since the last call."""
        answers, self._answers = self._answers, []
        return answers

    def _find(self, name: str) -> RulePlugIn:
        if name not in self._loaded:
            self._loaded[name] = load_rule(name)
        return self._loaded[name]
