"""The rules of the place in real processes: refused, insisted on, exempted, and all of it in the inspector's log."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from live_site import PATIENCE_S, SITE, LiveSite, within

from dewpond.adapters.store.journal import JournalReader
from dewpond.cli.main import main

RULES = """
[[restriction]]
name = "Drought order"
applies_to = "north-lawn"
stage = "stage 2"
stop = true
"""
INSIST = ("--against-rule", "--by", "Ada", "--reason", "heads are tested")


@pytest.fixture
def live(tmp_path: Path) -> Iterator[LiveSite]:
    live = LiveSite(tmp_path, site=SITE + RULES)
    started = [live.start(what, ready=False) for what in ("keeper", "run")]
    assert within(PATIENCE_S, lambda: all("ready" in output.read_text() for output in started))
    yield live
    live.close()


def call(live: LiveSite, *words: str) -> tuple[int, str]:
    done = CliRunner().invoke(main, words, env=live.env)
    return done.exit_code, done.output


def test_a_rule_is_kept_insisted_on_and_passed_over_and_the_log_tells_it_all(live: LiveSite) -> None:
    assert call(live, "stage", "stage 3", "--by", "Ada", "--reason", "letter")[0] == 2
    code, said = call(live, "stage", "stage 2", "--by", "Ada", "--reason", "letter of the supplier")
    assert code == 0 and 'Stage "stage 2" is in force' in said

    code, said = call(live, "water", "north-lawn", "5")
    assert code == 2 and 'the complete stop "Drought order"' in said and "--against-rule" in said
    assert not live.is_on(1)
    code, said = call(live, "water", "north-lawn", "5", *INSIST)
    assert code == 0 and "insists; recorded" in said
    assert within(PATIENCE_S, lambda: live.is_on(1))
    assert call(live, "stop")[0] == 0

    leave = ("--by", "Ada", "--reason", "permit 7")
    code, said = call(live, "exempt", "north-lawn", "--until", "2100-01-01", *leave)
    assert code == 2 and "at most 366 days" in said
    assert call(live, "exempt", "north-lawn", "--until", "23:59", *leave, "--rule", "Drought order")[0] == 0
    seen = _status(live)
    assert seen["stage"] == "stage 2" and [item["target"] for item in seen["exemptions"]] == ["north-lawn"]
    assert seen["clock_trusted"] and not seen["clock_doubt"]
    assert call(live, "water", "north-lawn", "0.1")[0] == 0  # an exemption needs no insisting
    assert within(PATIENCE_S, lambda: len(live.open_seconds(1)) == 2)
    assert call(live, "exempt", "--end", "1", "--by", "Ada")[0] == 0
    assert within(PATIENCE_S, lambda: len(_log(live)["runs"]) == 2)

    log = _log(live)
    first, second = log["runs"]
    assert first["against"] == ['the complete stop "Drought order"'] and first["reason"] == "heads are tested"
    assert first["insisted_by"].startswith("Ada (") and first["kind"] == "by hand"
    assert second["against"] == [] and second["exemptions"][0].endswith("permit 7")
    assert first["in_force"] == second["in_force"] == ["Drought order: north-lawn; complete stop; stage stage 2"]
    assert [item["what"] for item in log["declared"]] == ["stage declared", "exemption recorded", "exemption ended"]
    assert [item["accepted"] for item in log["requests"]] == [False, True, True]
    assert log["clock"][0]["what"].startswith("trusted: ")
    code, text = call(live, "log")
    assert code == 0 and "insisted on by Ada (" in text and "Runs: 2" in text and "Maintenance: none" in text


def test_a_clock_that_stands_before_the_records_starts_nothing_until_a_person_vouches(live: LiveSite) -> None:
    """As after a power cut on a board without a clock chip: the records are newer than the clock."""
    live.stop("run")
    newest = JournalReader(live.database).last_trusted()
    assert newest is not None
    wrong = newest.wall + timedelta(hours=12)
    tomorrow_us = 86_400 * 1_000_000
    with contextlib.closing(sqlite3.connect(live.state / "dewpond.db")) as database, database:
        database.execute("UPDATE journal SET wall = wall + ?", (tomorrow_us,))
    live.start("run")
    assert within(PATIENCE_S, lambda: _status(live)["clock_doubt"] != "")
    seen = _status(live)
    assert not seen["clock_trusted"] and [alarm["kind"] for alarm in seen["alarms"]] == ["clock_not_trusted"]
    code, said = call(live, "exempt", "north-lawn", "--until", "23:59", "--by", "Ada", "--reason", "permit 7")
    assert code == 2 and "the clock is not trusted" in said
    code, said = call(live, "water", "north-lawn", "5")
    assert code == 0 and "no rule could be looked at" in said
    assert within(PATIENCE_S, lambda: live.is_on(1))
    assert call(live, "clock", "--right", "--by", "Ada")[0] == 0
    assert within(PATIENCE_S, lambda: _status(live)["alarms"] == [])
    assert "The clock is trusted." in call(live, "clock")[1]
    live.stop("run")
    newest = JournalReader(live.database).last_trusted()  # what the next start goes on from
    assert newest is not None and newest.wall < wrong


def _status(live: LiveSite) -> dict:
    code, text = call(live, "status", "--json")
    assert code == 0, text
    return json.loads(text)


def _log(live: LiveSite) -> dict:
    code, text = call(live, "log", "--json")
    assert code == 0, text
    return json.loads(text)
