"""Hostile sizes in a site file: nesting without end and values of thousands of characters get short, clear refusals."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from dewpond.cli.check import check
from dewpond.settings.reading import known_keys
from dewpond.settings.schema import (
    CoolingTable,
    EventTable,
    FeedTable,
    HeadsTable,
    ProgramTable,
    PumpTable,
    RestrictionTable,
    SensorTable,
    ServiceTable,
    SiteTable,
    SupplyTable,
    WateringTable,
    ZoneTable,
)
from dewpond.settings.service import load_service
from dewpond.settings.toml_text import MOST_NESTING, NotTables, parse_tables

DEEP = [
    f"a = {'[' * 100}{']' * 100}\n",
    f"a = {'[' * 20_000}{']' * 20_000}\n",
    f"a = {'{a = ' * 3_000}1{'}' * 3_000}\n",
    f"x{'.x' * 3_000} = 1\n",
]
TABLES = {
    "[site]": SiteTable,
    "[watering]": WateringTable,
    "[service]": ServiceTable,
    "[[restriction]]": RestrictionTable,
    "[[event]]": EventTable,
    "[[supply]]": SupplyTable,
    "[[supply]]\n[supply.pump]": PumpTable,
    "[[zone]]": ZoneTable,
    "[[zone]]\n[[zone.heads]]": HeadsTable,
    "[[zone]]\n[zone.cooling]": CoolingTable,
    "[[program]]": ProgramTable,
    "[[sensor]]": SensorTable,
    "[[feed]]": FeedTable,
}
LONG = {
    "quantity": f'"{"9" * 5000} mm"',
    "number": f"0x{'9' * 4000}",
    "list": f'["{"x" * 5000}"]',
    "table": f'{{{"x" * 5000} = "{"x" * 5000}"}}',
}


@pytest.mark.parametrize("text", DEEP, ids=len)
def test_nesting_that_would_exhaust_the_reader_is_one_clear_error_and_exit_2(tmp_path, text):
    path = tmp_path / "site.toml"
    path.write_text(text)
    result = CliRunner().invoke(check, [str(path)])
    said = " ".join(result.stdout.split())
    assert result.exit_code == 2
    assert "lists or tables are nested too deeply; at most 64 levels are read; take out the surplus brackets" in said


def test_settings_of_the_service_are_found_beside_a_file_that_nests_too_deeply(tmp_path, monkeypatch):
    monkeypatch.delenv("DEWPOND_STATE_DIR", raising=False)
    path = tmp_path / "site.toml"
    path.write_text(DEEP[1])
    assert load_service(path).state_dir == tmp_path / "site.state"


def test_usual_nesting_is_read_and_a_level_more_than_the_limit_is_not():
    assert parse_tables(f"a = {'[' * (MOST_NESTING - 1)}{']' * (MOST_NESTING - 1)}")
    with pytest.raises(NotTables):
        parse_tables(f"a = {'[' * MOST_NESTING}{']' * MOST_NESTING}")


def test_a_number_of_thousands_of_digits_is_no_toml(load):
    (error,) = load(f"a = {'9' * 5000}\n").errors
    assert error.what == "not TOML: a number has thousands of digits"


@pytest.mark.parametrize("form", LONG)
@pytest.mark.parametrize(("header", "model"), TABLES.items(), ids=lambda each: getattr(each, "__name__", ""))
def test_a_long_value_of_any_key_is_cut_in_the_message(load, header, model, form):
    lines = "\n".join(f"{key} = {LONG[form]}" for key in known_keys(model) if key not in ("heads", "pump", "cooling"))
    loaded = load(f"{header}\n{lines}\n{'x' * 5000} = 1\n")
    assert loaded.errors
    assert max(len(problem.sentence()) for problem in (*loaded.errors, *loaded.findings)) < 1000


def test_a_long_name_of_a_table_is_cut(load):
    assert max(len(problem.sentence()) for problem in load(f"[{'x' * 5000}]\n").errors) < 400
