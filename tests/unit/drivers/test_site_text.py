"""The keeper's reading of the site file: a byte order mark is no fault, all else is refused in one clear line."""

from __future__ import annotations

from pathlib import Path

import pytest

from dewpond_drivers import keeper
from dewpond_drivers.layout import output_number
from dewpond_drivers.site_text import MOST_NESTING, SiteUnreadable, read_tables
from dewpond_drivers.table import examine, read_relays

RELAYS = '[relays]\ndriver = "simulated"\noutputs = 4\n'


def written(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    site = folder / "site.toml"
    site.write_text(text, encoding=encoding)
    return site


def nested_lists(levels: int) -> str:
    return f"a = {'[' * levels}{']' * levels}\n"


def nested_tables(levels: int) -> str:
    return f"a = {'{a = ' * levels}1{'}' * levels}\n"


@pytest.mark.parametrize(
    "text", [nested_lists(100), nested_lists(20_000), nested_tables(3_000), f"x{'.x' * 3_000} = 1\n"], ids=len
)
def test_nesting_that_would_exhaust_the_reader_ends_the_keeper_with_2_in_one_line(tmp_path, text, capsys):
    site = written(tmp_path, RELAYS + text)
    assert keeper.main([str(site)], {}) == 2
    said = capsys.readouterr().err.strip()
    assert said.startswith("site.toml: lists or tables are nested too deeply; at most 64 levels")
    assert said.endswith("take out the surplus brackets")


def test_usual_nesting_is_read(tmp_path):
    assert "a" in read_tables(written(tmp_path, nested_lists(MOST_NESTING - 1)))


def test_a_byte_order_mark_does_not_matter(tmp_path):
    assert read_relays(written(tmp_path, RELAYS, "utf-8-sig")).outputs == 4


def test_a_missing_file_is_told_with_its_remedy_and_no_error_number(tmp_path, capsys):
    assert keeper.main([str(tmp_path / "none.toml")], {}) == 2
    told = "cannot be read: No such file or directory; check the name and who may read it"
    assert capsys.readouterr().err.strip() == f"{tmp_path}/none.toml: {told}"


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (RELAYS.encode("utf-16"), "byte 0 is not UTF-8 text; save the file as UTF-8"),
        (b"[relays\n", "site.toml, line 1, column 8: not TOML: "),
        (b"a = " + b"9" * 5000, "site.toml: not TOML: a number has thousands of digits; site files are TOML 1.0"),
    ],
)
def test_other_contents_are_refused_without_the_words_of_a_codec(tmp_path, content, says):
    site = tmp_path / "site.toml"
    site.write_bytes(content)
    with pytest.raises(SiteUnreadable) as refused:
        read_tables(site)
    assert says in str(refused.value)
    assert "codec" not in str(refused.value)
    assert "; correct" in str(refused.value) or "; save" in str(refused.value)


@pytest.mark.parametrize(
    "line",
    [
        f'driver = "{"x" * 5000}"\noutputs = 4',
        f'driver = "simulated"\noutputs = "{"9" * 5000}"',
        f'driver = "simulated"\noutputs = 0x{"9" * 5000}',
        f'driver = "simulated"\noutputs = 4\nlog = 0x{"9" * 5000}',
        f'driver = "simulated"\noutputs = 4\nvalve_pulse = 0x{"9" * 5000}',
        f'driver = "simulated"\noutputs = 4\nvalves = "{"x" * 5000}"',
        f'driver = "simulated"\noutputs = 4\n{"x" * 5000} = 1',
        f'driver = "modbus"\noutputs = 4\nhost = "h"\ntimeout_s = 0x{"9" * 5000}',
    ],
    ids=lambda line: line[:60],
)
def test_a_long_value_is_cut_in_the_message(tmp_path, line):
    (fault,) = examine(written(tmp_path, f"[relays]\n{line}\n")).faults
    assert len(fault) < 400


def test_an_output_of_thousands_of_digits_is_no_output():
    assert output_number("9" * 5000) is None
