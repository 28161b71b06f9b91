"""Rules of the user's own: asked outside, refilled until and unless they answer, and never in the way of the night."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from sites import site, zone
from small_world import SmallWorld

from dewpond.adapters.store.rows import command_from, event_body, event_from
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.commands import AskRule, ClearAlarm, RaiseAlarm
from dewpond.model.events import RuleAnswered, ServiceStarted
from dewpond.model.rule_question import API_VERSION, RuleQuestion
from dewpond.runner.restore import replay_journal

START = datetime(2026, 6, 1, 5, tzinfo=UTC)
MORNING = 30.0


class Asker:
    """A rules port that keeps the questions and answers only what a test tells it."""

    def __init__(self) -> None:
        self.asked: list[AskRule] = []
        self.queued = []

    def ask(self, command, now) -> None:
        self.asked.append(command)

    def drain(self, now):
        events, self.queued = self.queued, []
        return events


class World(SmallWorld):
    """A lawn under a plug-in and a bed under refill; every step is kept, as a journal would."""

    def __init__(self, *zones, port: bool = True) -> None:
        zones = zones or (zone("lawn", rule="sparing"), zone("bed", output=2, rule="refill"))
        super().__init__(site(*zones), START)
        self.rules, self.steps = Asker(), []
        self.runner.ports = replace(self.runner.ports, rules=self.rules if port else None)
        store = self.runner.ports.store
        inner = store.append

        def append(step_no, now, events, commands):
            self.steps.append((step_no, now, tuple(events), tuple(commands)))
            inner(step_no, now, events, commands)

        store.append = append

    def answer(self, net_mm=None, failure="", request_id=None, **notes):
        asked = request_id or self.rules.asked[-1].request_id
        self.tell(RuleAnswered(at=self.now.wall, request_id=asked, net_mm=net_mm or {}, failure=failure, notes=notes))

    def said(self, zone_id="lawn"):
        return " ".join(self.state.reasons[zone_id].sentences())

    def alarms(self, kind=RaiseAlarm):
        return [command for step in self.steps for command in step[3] if isinstance(command, kind)]

    def question(self) -> RuleQuestion:
        return from_plain(RuleQuestion, self.rules.asked[-1].question)


@pytest.fixture
def planned():
    world = World()
    world.until(20.8)
    world.plan()
    return world


def test_the_question_holds_the_night_of_the_rules_own_zones(planned):
    question = planned.question()
    assert (question.version, question.rule, question.night) == (API_VERSION, "sparing", date(2026, 6, 1))
    (lawn,) = question.zones
    assert lawn.id == "lawn"
    assert lawn.taw_mm == pytest.approx(22.5)
    assert lawn.depletion_mm == pytest.approx(planned.state.reasons["lawn"].depletion_mm, abs=1e-3)
    assert len(question.dates) == len(question.eto_mm) == len(lawn.etc_mm) == len(lawn.may_water) == 14
    assert question.dates[0] == date(2026, 6, 2)
    # crop coefficient 0.8, and what is left of the day on which the window closes
    assert lawn.etc_mm[1] == pytest.approx(0.8 * question.eto_mm[1], abs=1e-3)
    assert lawn.refill_mm == pytest.approx(lawn.depletion_mm, abs=1e-3)


def test_until_it_answers_its_zones_are_refilled_provisionally(planned):
    assert 'Provisional: the rule "sparing" has been asked and has not answered yet' in planned.said()
    assert "Provisional" not in planned.said("bed")
    assert any(item.zone == "lawn" for item in planned.state.openings)


def test_a_question_is_put_once_however_often_the_night_is_planned(planned):
    planned.plan()
    planned.ask("hold", until=planned.in_hours(1.0))
    planned.ask("release")
    assert len(planned.rules.asked) == 1


def test_new_weather_is_a_new_question(planned):
    planned.answer({"lawn": 5.0})
    planned.until(24.5)
    planned.weather(date(2026, 6, 1), 7.5)
    assert len(planned.rules.asked) == 2
    assert planned.question().recent[-1].eto_mm == 7.5
    assert "Provisional" in planned.said()


def test_its_depth_is_given_and_its_sentence_told(planned):
    planned.answer({"lawn": 5.0}, said={"lawn": "the moss likes it damp"})
    assert 'The rule "sparing" asked for 5.0 mm: the moss likes it damp' in planned.said()
    planned.until(MORNING)
    watered = [run for run in planned.runs() if run.zone == "lawn"]
    assert sum(run.gross_mm for run in watered) * 0.75 == pytest.approx(5.0, abs=0.05)


def test_it_may_leave_a_zone_dry(planned):
    planned.answer({"lawn": 0.0})
    assert planned.state.reasons["lawn"].decision == "left dry"
    assert not any(item.zone == "lawn" for item in planned.state.openings)
    assert not planned.alarms()


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        ({"failure": "did not answer within 5 s (it was ended)"}, "did not answer within 5 s (it was ended); refilled"),
        ({"failure": "failed (ValueError: no)"}, "failed (ValueError: no); refilled instead"),
        ({"net_mm": {"lawn": math.nan}}, "it asked for nan mm; refilled instead"),
        ({"net_mm": {"lawn": -1.0}}, "it asked for -1 mm, which is negative; refilled instead"),
        ({"net_mm": {"lawn": 500.0}}, "more than the 22.5 mm the root zone holds; refilled instead"),
        ({"net_mm": {}}, "it did not answer for this zone; refilled instead"),
        ({"net_mm": {"lawn": 1.0, "bed": 1.0}}, "answered for bed, which it was not asked about"),
    ],
)
def test_a_failure_or_nonsense_is_refilled_told_and_alarmed_once(planned, answer, told):
    before = [(item.zone, item.seconds) for item in planned.state.openings]
    planned.answer(**answer)
    assert told in planned.said()
    assert [(item.zone, item.seconds) for item in planned.state.openings] == before
    planned.plan()
    planned.plan(date(2026, 6, 2))
    planned.answer(**answer)
    (alarm,) = planned.alarms()
    assert alarm.kind == "service_fault"
    assert '"sparing"' in alarm.detail


def test_the_alarm_is_over_when_the_rule_answers_again(planned):
    planned.answer(failure="failed (ValueError: no)")
    planned.plan(date(2026, 6, 2))
    planned.answer({"lawn": 4.0})
    assert [command.key for command in planned.alarms(ClearAlarm)] == ["fault/rule sparing"]


def test_a_late_or_unknown_answer_changes_nothing(planned):
    planned.answer({"lawn": 5.0}, request_id="2026-05-01/sparing/00000000")
    assert "Provisional" in planned.said()
    planned.answer({"lawn": 5.0})
    planned.answer({"lawn": 9.0})
    assert "asked for 5.0 mm" in planned.said()


def test_an_opening_waits_for_the_answer_that_can_still_change_it():
    waits_s = []
    for seconds in range(99_570, 99_640, 5):  # when the night that is left is just long enough, or not quite
        world = World(zone("lawn", rule="sparing", application_rate_mm_h=6.0))
        world.until(seconds / 3600.0)
        world.plan()
        starts_s = [item.start_s for item in world.state.openings]
        waits_s += [min(starts_s) - world.now.wall.timestamp()] if starts_s else []
    assert 15.0 <= min(waits_s) < 25.0


def test_a_question_does_not_outlive_the_process_that_carried_it(planned):
    planned.tell(ServiceStarted(at=planned.now.wall, site_digest="test", version="1", first=False))
    assert [command.request_id for command in planned.rules.asked] == [planned.rules.asked[0].request_id] * 2
    planned.answer({"lawn": 5.0})
    planned.tell(ServiceStarted(at=planned.now.wall, site_digest="test", version="1", first=False))
    assert len(planned.rules.asked) == 2
    assert "asked for 5.0 mm" in planned.said()


def test_without_anybody_to_ask_the_zone_is_refilled():
    world = World(port=False)
    world.until(20.8)
    world.plan()
    assert 'The rule "sparing" cannot be asked here; refilled instead.' in world.said()


def test_a_journal_replay_gives_the_same_commands_without_asking_anybody(planned):
    first = planned.brain.first_state(planned.steps[0][1], 1.0)
    planned.answer({"lawn": 5.0}, said={"lawn": "as told"})
    planned.until(MORNING)
    journal = [
        (number, now, tuple(event_from(type(event).__name__, event_body(event)) for event in events))
        for number, now, events, _ in planned.steps
    ]
    # The world's own first step, before steps were kept, told only of the keeper.
    state = replace(first, keeper_ready=True, keeper_session="one")
    again = [tuple(commands) for _, commands in replay_journal(planned.brain, state, journal)]
    assert again == [commands for *_, commands in planned.steps]
    assert any(isinstance(command, AskRule) for commands in again for command in commands)


def test_state_and_question_go_through_the_journal_unchanged(planned):
    planned.answer({"lawn": 5.0}, refused={}, said={"lawn": "so"})
    kept = from_plain(type(planned.state), to_plain(planned.state))
    assert kept.rule_words == planned.state.rule_words
    asked = planned.rules.asked[0]
    assert command_from("AskRule", json.dumps(to_plain(asked))) == asked
