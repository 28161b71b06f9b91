"""``dewpond walk``, ``tasks`` and ``register``: thin commands over the desk, resumed by every call anew."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from dewpond.cli.main import main

SITE = Path(__file__).parents[3] / "deploy" / "sites" / "withy-hollow.toml"


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.setenv("DEWPOND_STATE_DIR", str(tmp_path / "state"))
    monkeypatch.setenv("DEWPOND_SITE", str(SITE))
    return lambda *words: CliRunner().invoke(main, [str(word) for word in words])


def good(result):
    assert result.exit_code == 0, result.output
    return result.stdout


def test_a_walk_is_begun_gone_on_with_and_shown(run, tmp_path):
    assert "(a) System off: the leak test" in good(run("walk", "begin", "--zone", "bank", "--who", "Ada"))
    refused = run("walk", "note")
    assert (refused.exit_code, len(refused.stderr.strip().splitlines())) == (2, 1)
    assert "backflow-local" in refused.stderr
    good(run("walk", "tick", "backflow-local"))
    told = good(run("walk", "note", "--litres", "14", "--minutes", "60", "--who", "Ben"))
    assert "14.0 L in 60 min passed with every valve shut, 0.23 L/min." in told
    assert "task main/leak-while-shut (this week, open)" in told
    good(run("walk", "tick", "valve-box"))
    told = good(run("walk", "note", "--found", "valve-weepsx2@by the tap:dribbles"))
    assert "the valve lets water through while it is off, by the tap (2 of them): dribbles" in told
    whole = json.loads(good(run("walk", "show", "--json")))
    assert whole["looks"][0]["who"] == "Ben"
    assert whole["next"]["step"] == "by-hand"
    page = tmp_path / "walk.html"
    good(run("walk", "show", "--out", page))
    assert "Supply main: water passes the meter" in page.read_text()
    assert "because the valve lets water through" in good(run("tasks", "main/leak-while-shut"))
    assert "2 tasks" in good(run("walk", "end", "--note", "rain"))
    assert "2 findings, ended" in good(run("walk", "list"))


def test_tasks_are_taken_done_and_refused_by_their_states(run):
    good(run("walk", "begin", "--zone", "bank"))
    good(run("walk", "tick", "backflow-local"))
    good(run("walk", "note", "--found", "backflow-drips"))
    name = "main/backflow-drips"
    assert "this week, in hand" in good(run("tasks", name, "--take", "--who", "Ben"))
    assert "done, Ben: tester came" in good(run("tasks", name, "--done", "tester came", "--who", "Ben"))
    refused = run("tasks", name, "--take")
    assert refused.exit_code == 2
    assert "it is done, which in hand does not follow; next may be open, proved" in refused.stderr
    assert run("tasks", "--done", "x").exit_code == 2
    assert good(run("tasks")) == "Nothing is to be done.\n"
    assert "this week, open" in good(run("tasks", name, "--reopen", "drips again"))
    assert name in good(run("tasks"))


def test_the_register_goes_out_and_comes_back(run, tmp_path):
    file, page = tmp_path / "zones.csv", tmp_path / "zones.html"
    good(run("register", "export", file))
    file.write_text(file.read_text().replace(",spray,8,", ",spray,7,"))
    assert good(run("register", "import", file, "--who", "Ada")) == "Changed: front-lawn.\n"
    assert "11 heads were counted, the site file has 12" in good(run("register", "show", "front-lawn"))
    assert "front-lawn  cool-season turf; 11 heads" in good(run("register"))
    good(run("register", "set", "bank", "--valve-place", "in a box", "--notes", "lid cracked"))
    good(run("register", "sheet", page))
    assert "lid cracked" in page.read_text()
    file.write_text("zone,head_kind\nlawn,hose\n")
    refused = run("register", "import", file)
    assert refused.exit_code == 2
    assert "no zone 'lawn' here" in refused.stderr


def test_the_words_for_faults_are_listed_by_step(run):
    told = good(run("walk", "words", "heads"))
    assert "head-tilted" in told
    assert "puddle" not in told
    assert run("walk", "words", "dance").exit_code == 2


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("walk", "next"), "no walk is on; begin one with `dewpond walk begin`"),
        (("walk", "begin", "--zone", "pond"), "no zone pond here"),
        (("walk", "show", "2001-01-01"), "no walk '2001-01-01' here"),
        (("tasks", "bank/none", "--take"), "no task 'bank/none' here"),
        (("register", "show", "pond"), "no zone 'pond' here"),
        (("register", "set", "bank"), "nothing is given to write down"),
    ],
)
def test_what_is_not_there_is_told_in_one_line(run, words, text):
    result = run(*words)
    assert result.exit_code == 2
    assert text in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1


def test_without_a_daemon_nothing_is_opened_and_the_dial_is_named(run):
    good(run("walk", "begin", "--zone", "bank"))
    result = run("walk", "leak-test", "main")
    assert result.exit_code == 1
    assert "read the dial: dewpond walk note main leak-test" in result.stderr


def test_a_zone_that_was_reported_is_not_run_again_without_a_word(run):
    good(run("walk", "begin", "--zone", "bank"))
    for place, step in (("main", "leak-test"), ("bank", "valves-dry"), ("bank", "by-hand"), ("bank", "run")):
        good(run("walk", "leave-out", place, step, "--why", "rain", "--who", "Ada"))
    good(run("walk", "tick", "people-traffic", "restrictions-win", "--step", "run"))
    result = run("walk", "run", "bank")
    assert result.exit_code == 2
    assert "bank was reported by Ada (version 1); add --again" in result.stderr
    assert "no daemon answers" in run("walk", "run", "bank", "--again").stderr
