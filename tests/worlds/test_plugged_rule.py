"""Two recorded weeks under a rule of the user's own: called in-process, kept within every limit, and repeatable."""

from __future__ import annotations

import importlib
import sys
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

from dewpond.adapters.weather.season_files import read_season
from dewpond.brain.water_need import ceiling_s
from dewpond.model.commands import RaiseAlarm
from dewpond.settings.site_file import require_site
from dewpond_sim.replay.command import replay as replay_command
from dewpond_sim.replay.run import ReplayRefused, replay

SEASON = Path(__file__).parents[1] / "data" / "seasons" / "newark-nj-2013"
SITE = Path(__file__).parents[2] / "deploy" / "sites" / "small-garden.toml"
RULE = '''
def deep(question):
    """As refill, but never less than 12 mm at once."""
    return {z.id: min(max(z.refill_mm, 12.0), z.taw_mm) if z.refill_mm else 0.0 for z in question.zones}

def odd(question):
    if question.night.day % 2:
        raise RuntimeError("odd night")
    return {z.id: z.refill_mm for z in question.zones}
'''


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("rules")
    facts = folder / "withy_rules-1.0.dist-info"
    facts.mkdir()
    (facts / "METADATA").write_text("Metadata-Version: 2.1\nName: withy-rules\nVersion: 1.0\n")
    (facts / "entry_points.txt").write_text("[dewpond.rules]\ndeep = withy_rules:deep\nodd = withy_rules:odd\n")
    (folder / "withy_rules.py").write_text(RULE)
    sys.path.insert(0, str(folder))
    importlib.invalidate_caches()
    yield
    sys.path.remove(str(folder))
    sys.modules.pop("withy_rules", None)


def weeks(rule):
    return replay(require_site(SITE), read_season(SEASON), first=date(2013, 7, 1), last=date(2013, 7, 16), rule=rule)


def test_a_season_under_a_plug_in_closes_its_books_and_repeats(installed):
    one, two = weeks("deep"), weeks("deep")
    assert one.records == two.records
    assert one.summary["balance_residual_mm"] < 0.05
    assert any('The rule "deep" asked for' in row.reason or "under its rule" in row.reason for row in one.records.days)
    refilled = weeks("refill")
    assert sum(run.gross_mm for run in one.records.runs) > sum(run.gross_mm for run in refilled.records.runs)
    limits_s = {zone.id: ceiling_s(zone) for zone in require_site(SITE).zones}
    assert all(run.seconds <= limits_s[run.zone] for run in one.records.runs)


def test_nights_on_which_a_rule_fails_are_as_under_refill(installed):
    done, refilled = weeks("odd"), weeks("refill")
    runs = [(row.zone, row.start, row.seconds) for row in done.records.runs]
    assert runs == [(row.zone, row.start, row.seconds) for row in refilled.records.runs]
    told = [alarm for alarm in done.store.recorded(RaiseAlarm) if "odd night" in alarm.detail]
    assert told
    assert all(alarm.kind == "service_fault" for alarm in told)


def test_an_unknown_rule_is_refused_with_those_that_exist(installed, tmp_path):
    with pytest.raises(ReplayRefused, match="lookahead, refill, calendar, deep, odd"):
        weeks("deeep")
    result = CliRunner().invoke(
        replay_command, [str(SEASON), "--site", str(SITE), "--rule", "deeep", "--out", str(tmp_path / "out")]
    )
    assert result.exit_code == 2
    assert "there is no such rule here" in result.stderr
