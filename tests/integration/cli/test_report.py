"""``dewpond report``, ``why`` and ``account`` over a real store that holds a season of Withy Hollow."""

from __future__ import annotations

import csv
import json
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from click.testing import CliRunner
from tests.unit.upkeep.season_of_water import season

from dewpond.adapters.store.sql_store import SqlStore
from dewpond.cli.main import main
from dewpond.model.commands import RaiseAlarm, RecordReason
from dewpond.model.events import Now, ReadingsArrived
from dewpond.settings.service import load_service
from dewpond.settings.site_file import require_site
from dewpond.upkeep_records import records_of

SITE = Path(__file__).parents[3] / "deploy" / "sites" / "withy-hollow.toml"
FIRST, LAST = date(2025, 5, 1), date(2025, 6, 30)


@pytest.fixture(scope="module")
def state(tmp_path_factory):
    return tmp_path_factory.mktemp("state")


@pytest.fixture
def run(state, monkeypatch):
    monkeypatch.setenv("DEWPOND_STATE_DIR", str(state))
    monkeypatch.setenv("DEWPOND_SITE", str(SITE))
    monkeypatch.setenv("TZ", "UTC")
    return lambda *words: CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def filled(state):
    """The season's rows in a real store, with what the meter counted and one broken pipe."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DEWPOND_STATE_DIR", str(state))
        site, database = require_site(SITE), load_service(SITE).database
    whole = season(site, FIRST, LAST)
    begins = datetime.combine(FIRST, datetime.min.time(), ZoneInfo(site.timezone))
    now = Now(wall=begins, elapsed_s=0.0)
    store = SqlStore(database, now=now, version="test")
    for command in (*whole.days, *whole.runs, *(RecordReason(reason=one) for one in whole.reasons)):
        store.record(command)
    meter = next(supply for supply in site.supplies if supply.meter)
    zones = {zone.id for zone in site.zones if zone.supply == meter.id}
    seen = [run for run in whole.runs if run.zone in zones]
    readings = ReadingsArrived(
        at=begins,
        sensor=str(meter.meter),
        time_s=np.array([run.end.timestamp() + place * 1e-2 for place, run in enumerate(seen)]),
        value=np.array([run.metered_litres for run in seen]),
    )
    store.append(1, now, [readings], [])
    [broken] = whole.faults
    facts = {"supply": meter.id, "lost_l": broken.lost_l}
    store.record(
        RaiseAlarm(key="break", at=broken.at, kind=broken.kind, zone=broken.zone, detail=broken.detail, facts=facts)
    )
    assert store.commit()
    store.close()
    return site, database, whole, meter


def good(result):
    assert result.exit_code == 0, result.output
    return result.stdout


def test_the_store_gives_back_what_the_season_put_in(filled):
    site, database, whole, meter = filled
    read = records_of(site, database, whole.span)
    assert (list(read.days), list(read.runs)) == (sorted(whole.days, key=lambda row: (row.date, row.zone)), read.runs)
    assert {run.run_id for run in read.runs} == {run.run_id for run in whole.runs}
    assert [(fault.supply, fault.lost_l) for fault in read.faults] == [(meter.id, 640.0)]
    mine = {zone.id for zone in site.zones if zone.supply == meter.id}
    counted = sum(litres for (supply, _), litres in read.counted_l.items() if supply == meter.id)
    assert counted == pytest.approx(sum(run.metered_litres for run in whole.runs if run.zone in mine))
    assert len(read.rules["runs"]) == len(whole.runs) and "window" in read.rules["in_file"][0]


def test_a_month_is_told_written_as_page_and_as_csv(filled, run, tmp_path):
    told = good(run("report", "--month", "2025-06"))
    assert "water account, June 2025" in told and "Water allowance" in told and "kept the rules of the place" in told
    body = json.loads(good(run("report", "--month", "2025-06", "--json", "--out", tmp_path / "june.html")))
    assert body["litres"] > 0 and "page" not in body
    assert "<h1>Water account, June 2025</h1>" in (tmp_path / "june.html").read_text()
    good(run("report", "--from", FIRST, "--to", LAST, "--out", tmp_path / "season.csv"))
    rows = list(csv.DictReader((tmp_path / "season.csv").read_text().splitlines()))
    assert [row["row"] for row in rows].count("fault") == 1


def test_a_week_of_a_zone_is_told_and_written(filled, run, tmp_path):
    zone = filled[0].zones[0].id
    told = good(run("why", zone, "--last", "2025-06-20"))
    assert "20 June 2025: " in told and "roots take" in told
    good(run("why", zone, "--last", "2025-06-20", "--out", tmp_path / "week.html"))
    assert (tmp_path / "week.html").read_text().count('class="night"') == 7


def test_a_bill_is_entered_explained_and_withdrawn(filled, run):
    supply = filled[3].id
    good(run("account", "tariff", supply, "--currency", "EUR", "--unit", "m3", "--tier", "10:1.85", "--price", "2.4"))
    entered = ("account", "bill", supply, "--from", "2025-05-31", "--to", "2025-06-30", "--unit", "m3")
    assert "is kept" in good(run(*entered, "--before", "100", "--after", "900", "--amount", "99"))
    told = good(run("report", "--month", "2025-06"))
    assert "800.0 m³" in told and "More was billed" in told and "EUR" in told
    assert "1.85 up to 10, 2.4 EUR a m3" in good(run("account"))
    assert "withdrawn" in good(run("account", "withdraw", supply, "2025-06-30"))
    assert "Bill " not in good(run("report", "--month", "2025-06"))


def test_what_cannot_be_is_refused_in_one_line(filled, run, tmp_path):
    for words, said in (
        (("report", "--month", "June"), "write 2027-06 or 2027"),
        (("report", "--out", tmp_path / "june.doc"), ".html or .pdf or .csv"),
        (("report", "--month", "2025-06", "--out", tmp_path / "no" / "june.html"), "cannot be written"),
        (("account", "tariff", "main", "--currency", "EUR", "--unit", "m3", "--price", "2", "--tier", "x"), "UP_TO"),
        (("account", "allowance", "55", "--source", "x"), "from 0 to 1.5"),
        (("why", "pond"), "no zone 'pond'"),
    ):  # fmt: skip
        refused = run(*words)
        assert (refused.exit_code, len(refused.stderr.strip().splitlines())) == (2, 1), refused.output
        assert said in refused.stderr
