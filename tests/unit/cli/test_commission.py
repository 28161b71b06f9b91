"""``dewpond technician``, ``commission`` and ``handover``: thin commands, each call resumes what the last one kept."""

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


@pytest.fixture
def proving(run, tmp_path, monkeypatch):
    """The same site, whose zones have to be proved; no daemon runs."""
    text = SITE.read_text().replace('timezone = "', 'prove_zones = true\ntimezone = "', 1)
    (tmp_path / "site.toml").write_text(text)
    monkeypatch.setenv("DEWPOND_SITE", str(tmp_path / "site.toml"))
    return run


def good(result):
    assert result.exit_code == 0, result.output
    return result.stdout


def test_a_check_is_begun_measured_shown_and_printed(run, tmp_path):
    assert "dewpond technician tick static pressure-live" in good(run("technician", "begin", "--who", "Ada"))
    refused = run("technician", "static", "main", "62 psi", "--who", "Ada")
    assert refused.exit_code == 2 and "pressure-live: The main is under full pressure" in refused.stderr
    good(run("technician", "tick", "static", "pressure-live", "--who", "Ada"))
    assert "1 of 3 hours" in good(run("technician", "static", "main", "62 psi", "--clock", "07:00", "--who", "Ada"))
    keys = ("valve-power-off", "mains-qualified", "lightning", "valve-box")
    good(run("technician", "tick", "coil", *keys, "--who", "Ada"))
    assert run("technician", "coil", "bank", "30", "--who", "Ada").exit_code == 2
    assert "The loop is open" in good(run("technician", "coil", "bank", "open", "--power-off", "--who", "Ada"))
    again = run("technician", "coil", "bank", "30", "--power-off", "--who", "Ada")
    assert again.exit_code == 1 and "nothing was lost" in again.stderr
    page = tmp_path / "check.html"
    good(run("technician", "show", "--out", page))
    assert "The loop is open" in page.read_text()
    good(run("technician", "end", "--note", "rain"))
    assert "2 measured, 1 faults, 1 worth a look, ended" in good(run("technician", "list"))


def test_nothing_is_begun_without_agreement_nor_behind_the_daemons_back(run):
    refused = run("commission", "begin", "bank")
    assert refused.exit_code == 2 and "add --agree" in refused.stderr
    silent = run("commission", "begin", "bank", "--agree")
    assert silent.exit_code == 1 and "nothing was begun; start the daemon" in silent.stderr
    assert run("commission", "begin", "moat", "--agree").exit_code == 2
    assert run("commission", "begin").exit_code == 2
    assert "Bank with ground cover (bank): never commissioned" in good(run("commission"))


def test_where_zones_have_to_be_proved_all_but_the_sign_off_goes_without_a_daemon(proving, tmp_path):
    run = proving
    good(run("commission", "begin", "bank", "--agree", "--who", "Ada"))
    good(run("commission", "tick", "click", "bank", "valve-box", "valve-supply-off", "--who", "Ada"))
    assert "Output 4 clicks bank" in good(run("commission", "click", "bank", "bank", "--who", "Ada"))
    good(run("commission", "leave-out", "flush", "bank", "--why", "old nozzles"))
    refused = run("commission", "sign", "bank")
    assert refused.exit_code == 2 and "bank cannot be signed off: master at main" in refused.stderr
    page = tmp_path / "commissioning.html"
    good(run("commission", "sheet", page))
    assert "old nozzles" in page.read_text()
    told = json.loads(good(run("commission", "--zone", "bank", "--json")))
    assert told["prove_zones"] is True and told["zones"][0]["state"] == "begun"


def test_a_handover_names_what_stands_open_and_prints_card_sheet_and_week(run, tmp_path):
    told = good(run("handover"))
    assert "Never handed over yet." in told and "No daemon answers" in told and "The emergency card lacks" in told
    good(run("handover", "card", "--shut-off", "North wall", "--call", "Di, 555 0101, day and night"))
    assert "call Di, 555 0101, day and night" in good(run("handover", "card"))
    refused = run("handover", "card", "--call", "Di")
    assert refused.exit_code == 2 and "is no phone number" in refused.stderr
    good(run("handover", "sign", "--to", "Ben", "--who", "Ada"))
    assert "Last handed over to Ben" in good(run("handover"))
    for name in ("card", "sheet", "first-week"):
        page = tmp_path / f"{name}.html"
        good(run("handover", name, page))
        assert page.read_text().startswith("<!doctype html>")
    assert "First day: how the water is stopped" in good(run("handover", "first-week"))
    unwritable = run("handover", "sheet", tmp_path / "nowhere" / "x.html")
    assert unwritable.exit_code == 2 and "name another place" in unwritable.stderr
