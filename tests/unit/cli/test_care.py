"""``dewpond care``: thin commands over the desk; what the daemon asks once a day is one of them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from dewpond.cli import care as care_commands
from dewpond.cli.main import main
from dewpond.cli.upkeep_desk import at_desk

DEPLOY = Path(__file__).parents[3] / "deploy" / "sites" / "withy-hollow.toml"


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.setenv("DEWPOND_STATE_DIR", str(tmp_path / "state"))
    monkeypatch.setenv("DEWPOND_SITE", str(DEPLOY))
    return lambda *words: CliRunner().invoke(main, ["care", *(str(word) for word in words)])


def good(result):
    assert result.exit_code == 0, result.output
    return result.stdout


def test_the_calendar_says_what_is_due_and_how_its_days_were_found(run):
    assert "assumed from latitude and height" in good(run())
    assert "Last frost 05-02, first frost 10-12: the almanac." in good(
        run("frost", "--last", "05-02", "--first", "10-12", "--source", "the almanac")
    )
    told = json.loads(good(run("--json", "--site", DEPLOY)))
    assert {"duties", "notices", "climate"} <= told.keys()
    assert [one["due"][5:] for one in told["duties"] if one["duty"] == "shut-down"] == ["09-28"]
    refused = run("frost", "--own-record")
    assert (refused.exit_code, len(refused.stderr.strip().splitlines())) == (2, 1)


def test_devices_are_registered_logged_printed_and_refused_in_one_line(run, tmp_path):
    good(run("device", "timer", "--kind", "battery", "--of", "timer back-up", "--place", "site"))
    assert "next due" in good(run("done", "device/timer", "--note", "9 V", "--who", "Ada"))
    assert "device/timer  passed, Ada. 9 V" in good(run("log"))
    assert "a timer's back-up battery every six months" in good(run("device"))
    refused = run("done", "device/timer", "--on", "2031-13-01")
    assert refused.exit_code == 2
    assert "write it as YYYY-MM-DD" in refused.stderr
    page = tmp_path / "year.html"
    good(run("sheet", "--out", page))
    assert "calendar of care" in page.read_text()


def test_the_winter_is_closed_and_opened_by_the_keeper_within_the_job(run, monkeypatch):
    asked = []

    def keeper(_path, body):
        asked.append(body)
        return {"ok": True, "why": "", "told": f"{body['op']} done."}

    monkeypatch.setattr("dewpond.adapters.keeper_locks.ask_keeper", keeper)
    good(run("begin", "shut-down"))
    refused = run("close")
    assert "cautions not ticked" in refused.stderr
    assert asked == []
    good(run("tick", "valve-supply-off"))
    assert "Water and pump off" in good(run("close", "--who", "Ada"))
    assert asked == [{"op": "winter_close", "who": "Ada", "reason": "autumn shut-down"}]
    assert "broken off" in good(run("end", "--broken-off", "--note", "rain"))
    good(run("begin", "start-up"))
    refused = run("sign")
    assert "the next step is ready" in refused.stderr
    assert len(asked) == 1
    desk = at_desk(None, "Ada")
    while (due := desk.do("care-show")["next"])["step"] != "open":
        if keys := [one["key"] for one in due["cautions"] if not one["ticked"]]:
            desk.do("care-tick", step=due["step"], keys=keys)
        desk.do("care-report", step=due["step"], place=due["place"], **dict.fromkeys(due["asks"], True))
    assert "The main under water, attended" in good(run("sign", "--who", "Ada"))
    assert asked[1] == {"op": "winter_open", "who": "Ada", "signed": ["clock", "slow-fill", "backflow", "walked"]}


def test_without_a_keeper_nothing_is_called_closed(run):
    good(run("begin", "shut-down"))
    good(run("tick", "valve-supply-off"))
    refused = run("close")
    assert refused.exit_code == 1
    assert "nothing is closed or opened" in refused.stderr
    assert json.loads(good(run("next", "--json")))["reports"] == []


def test_every_flag_of_the_forms_can_be_said_at_the_terminal():
    from dewpond.upkeep.forms import FORMS

    options = {name for option in care_commands.note.params for name in [option.name]}
    assert FORMS["care-report"].keys() - {"job", "keeper", "flow", "counted"} <= options
