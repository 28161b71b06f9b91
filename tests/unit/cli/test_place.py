"""Exemptions, stages, the clock and insisting from the terminal: one request each, or one line why not."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from dewpond.adapters.operator_socket import OperatorClient
from dewpond.cli.main import main

STATUS = {
    "at": "2026-06-01T12:00:00+00:00",
    "timezone": "America/Chicago",
    "stage": "",
    "exemptions": [],
    "clock_trusted": True,
    "clock_doubt": "",
}
BY = ("--by", "Ada", "--reason", "permit 7")


@pytest.fixture
def daemon(monkeypatch, tmp_path):
    """A daemon that takes everything but water without insisting; what it was asked."""
    asked = []

    def call(self, op, **fields):
        if op == "status":
            return {"ok": True, "text": "", "body": STATUS}
        asked.append((op, fields))
        refused = op == "water" and not fields.get("against_rule")
        body = {"against": ["the order"]} if refused else {}
        return {"ok": not refused, "text": "may not run by the order" if refused else "taken", "body": body}

    monkeypatch.setattr(OperatorClient, "call", call)
    monkeypatch.setenv("DEWPOND_STATE_DIR", str(tmp_path))
    return asked


def called(*words, **more):
    return CliRunner().invoke(main, words, **more)


def test_an_exemption_is_one_request_with_its_end_in_utc(daemon):
    result = called("exempt", "lawn", "--until", "2027-06-01 18:00", *BY, "--rule", "Order")
    assert (result.exit_code, result.stdout) == (0, "taken\n")
    assert daemon == [
        (
            "exempt",
            {
                "target": "lawn",
                "until": "2027-06-01T23:00:00+00:00",
                "by": "Ada",
                "reason": "permit 7",
                "rule": "Order",
            },
        )
    ]


def test_an_exemption_is_ended_by_its_number(daemon):
    assert called("exempt", "--end", "3", "--by", "Ada").exit_code == 0
    assert daemon == [("end-exemption", {"number": "3", "by": "Ada", "reason": ""})]


def test_a_stage_is_declared_and_taken_back(daemon):
    assert called("stage", "stage 2", *BY).exit_code == called("stage", "none", *BY).exit_code == 0
    assert [fields["stage"] for _, fields in daemon] == ["stage 2", ""]


@pytest.mark.parametrize(
    ("words", "missing"),
    [
        (("exempt", "lawn", *BY), "--until is needed"),
        (("exempt", "lawn", "--until", "18:00"), "--by and --reason are needed"),
        (("exempt", "--end", "1"), "--by is needed"),
        (("stage", "stage 2"), "--by and --reason are needed"),
        (("clock", "--right"), "--by is needed"),
        (("water", "lawn", "5", "--against-rule"), "needs --by NAME and --reason TEXT"),
    ],
)
def test_what_a_record_needs_is_asked_for_before_anything_is_done(daemon, words, missing):
    result = called(*words)
    assert result.exit_code == 2 and missing in result.stderr and daemon == []


def test_insisting_passes_name_and_reason_on(daemon):
    assert called("water", "lawn", "5", "--against-rule", *BY).exit_code == 0
    assert daemon == [
        ("water", {"zone": "lawn", "seconds": 300.0, "by": "Ada", "reason": "permit 7", "against_rule": True})
    ]


def test_without_a_terminal_a_refusal_is_one_line_and_nothing_is_asked_twice(daemon):
    result = called("water", "lawn", "5")
    assert result.exit_code == 2 and result.stderr == "may not run by the order\n" and len(daemon) == 1


def test_at_a_terminal_a_person_is_asked(daemon, monkeypatch):
    monkeypatch.setattr("dewpond.cli.operator.at_terminal", lambda: True)
    result = called("water", "lawn", "5", input="y\nAda\npermit 7\n")
    assert result.exit_code == 0 and daemon[-1][1]["by"] == "Ada" and daemon[-1][1]["against_rule"] is True
    assert called("water", "lawn", "5", input="n\n").exit_code == 1 and daemon[-1][1].get("against_rule") is None


def test_the_clock_is_told_of(daemon, monkeypatch):
    assert "The clock is trusted." in called("clock").stdout
    monkeypatch.setitem(STATUS, "clock_trusted", False)
    monkeypatch.setitem(STATUS, "clock_doubt", "The clock is not trusted (it was set).")
    assert "it was set" in called("clock").stdout
    assert called("clock", "--right", "--by", "Ada").exit_code == 0 and daemon == [("clock", {"by": "Ada"})]


def test_what_is_declared_is_shown(daemon, monkeypatch):
    assert called("exempt").stdout == "No exemption is recorded.\n"
    assert called("stage").stdout == "No stage of restriction is in force.\n"
    leave = {
        "number": "1",
        "target": "lawn",
        "rule": "",
        "who": "Ada",
        "reason": "permit 7",
        "until": "2027-06-01T23:00:00+00:00",
    }
    monkeypatch.setitem(STATUS, "exemptions", [leave])
    monkeypatch.setitem(STATUS, "stage", "stage 2")
    assert called("exempt").stdout.startswith("1: lawn until 2027-06-01T23:00:00+00:00 by Ada: permit 7")
    assert called("stage").stdout == "stage 2\n"


@pytest.mark.parametrize("minutes", ["-3", "0", "1e9", "nan"])
def test_minutes_that_cannot_be_are_refused_in_minutes(daemon, minutes):
    result = called("water", "lawn", minutes)
    assert result.exit_code == 2
    assert "MINUTES" in result.stderr
    assert "dewpond water lawn 5" in result.stderr
    assert daemon == []


@pytest.mark.parametrize("words", [("hold", "--days", "2"), ("release",), ("water", "lawn", "5"), ("stop",)])
def test_what_was_asked_is_answered_for_machines_too(daemon, words):
    result = called(*words, "--json")
    answer = json.loads(result.stdout)
    assert answer["ok"] is (words[0] != "water")
    assert answer["text"]
    assert (result.exit_code == 0) is answer["ok"]


@pytest.mark.parametrize(
    ("end", "until"),
    [
        (("--days", "2"), "2026-06-03T12:00:00+00:00"),
        (("--until", "18:00"), "2026-06-01T23:00:00+00:00"),
        (("--until", "06:30"), "2026-06-02T11:30:00+00:00"),
    ],
)
def test_a_hold_counts_from_the_daemons_time_which_a_demonstration_sets(daemon, end, until):
    assert called("hold", *end).exit_code == 0
    assert daemon[0][1]["until"] == until
