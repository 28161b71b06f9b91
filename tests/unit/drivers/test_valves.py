"""What the site file says of valves: kinds, closing outputs, pulses, and decoders that may not be driven."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

import pytest

from dewpond_drivers.simulated import SimulatedDriver
from dewpond_drivers.table import TableRefused, build_driver, examine, read_pairs, read_relays
from dewpond_drivers.valves import TWO_WIRE, Valves, two_wire_fault

SITE = """
[relays]
driver = "simulated"
outputs = 8
{relays}

[[supply]]
id = "main"
master = 8
{master}

[[zone]]
id = "lawn"
output = 1
{lawn}

[[zone]]
id = "beds"
output = "relays:2"
{beds}
"""


def pairs(tmp_path: Path, **texts: str) -> dict[int, int]:
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(**{"relays": "", "master": "", "lawn": "", "beds": "", **texts}))
    return read_pairs(read_relays(site))


def test_without_a_word_every_valve_shuts_without_current(tmp_path: Path) -> None:
    assert pairs(tmp_path) == {}


def test_one_latching_zone_among_others(tmp_path: Path) -> None:
    assert pairs(tmp_path, beds='valve = "latching"\nclose_output = 6') == {2: 6}


def test_a_latching_board_with_a_master_that_shuts_without_current(tmp_path: Path) -> None:
    found = pairs(
        tmp_path,
        relays='valves = "latching"',
        master='master_valve = "normally closed"',
        lawn="close_output = 5",
        beds='close_output = "relays:6"',
    )
    assert found == {1: 5, 2: 6}


def test_a_latching_master(tmp_path: Path) -> None:
    assert pairs(tmp_path, master='master_valve = "latching"\nmaster_close_output = 7') == {8: 7}


@pytest.mark.parametrize(
    ("texts", "says"),
    [
        ({"lawn": 'valve = "latching"'}, 'zone "lawn": a latching valve needs a closing output from 1 to 8'),
        ({"lawn": 'valve = "latching"\nclose_output = 9'}, "needs a closing output from 1 to 8"),
        ({"lawn": 'valve = "latching"\nclose_output = 2'}, "output 2 is used twice"),
        ({"lawn": "close_output = 5"}, "a closing output belongs to a latching valve"),
        ({"relays": 'valves = "latching"', "lawn": "close_output = 5", "beds": "close_output = 6"}, '"main", master'),
    ],
)
def test_a_latching_valve_needs_a_closing_output_of_its_own(tmp_path: Path, texts: dict[str, str], says: str) -> None:
    with pytest.raises(TableRefused) as refused:
        pairs(tmp_path, **texts)
    assert says in str(refused.value) and str(refused.value).startswith("site.toml, ")


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ('valves = "normally open"', "valves ('normally open') must be one of \"normally closed\""),
        ("valve_pulse = 5", "20 to 500 ms"),
        ('valve_pulse = "2 s"', "20 to 500 ms"),
        ('stored_energy = "yes"', "true or false"),
    ],
)
def test_keys_of_the_relays_table_are_checked(tmp_path: Path, written: str, says: str) -> None:
    with pytest.raises(TableRefused) as refused:
        pairs(tmp_path, relays=written)
    assert says in str(refused.value)


def test_a_pulse_may_be_written_in_seconds_milliseconds_or_as_a_number(tmp_path: Path) -> None:
    for written in ("80", '"80 ms"', '"0.08 s"'):
        pairs(tmp_path, relays=f"valve_pulse = {written}")
        assert read_relays(tmp_path / "site.toml").valves.pulse_s == pytest.approx(0.08)


def test_more_latching_valves_than_can_be_closed_in_time_are_refused(tmp_path: Path) -> None:
    zones = "".join(
        f'[[zone]]\nid = "z{number}"\noutput = {number}\nclose_output = {number + 40}\n' for number in range(1, 31)
    )
    site = tmp_path / "site.toml"
    site.write_text(f'[relays]\ndriver = "simulated"\noutputs = 80\nvalves = "latching"\n{zones}')
    with pytest.raises(TableRefused, match="30 latching valves cannot be closed within 4 s"):
        read_pairs(read_relays(site))


class Decoders(SimulatedDriver):
    two_wire: ClassVar[bool] = True
    holds_when_cut_off: ClassVar[bool | None] = False
    close_guarantee: ClassVar[str] = "each decoder shuts its valve after 60 s without a message"


class Careless(Decoders):
    close_guarantee: ClassVar[str] = ""


class Contradicting(Decoders):
    holds_when_cut_off: ClassVar[bool | None] = True


def test_decoders_are_driven_only_by_a_driver_that_guarantees_closing(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text('[relays]\ndriver = "simulated"\noutputs = 4\nvalves = "two-wire"\n')
    (fault,) = examine(site).faults
    assert 'driver "simulated"' in fault and "two-wire" in fault and "give each valve a relay of its own" in fault
    table = read_relays(site)
    build_driver(Decoders, Decoders.Settings(), table)
    for kind in (Careless, Contradicting):
        with pytest.raises(TableRefused, match="does not guarantee that they close"):
            build_driver(kind, kind.Settings(), table)


def test_a_decoder_driver_without_a_guarantee_is_refused_whatever_the_site_file_says() -> None:
    assert two_wire_fault(Careless(Careless.Settings(), 4), Valves())
    assert not two_wire_fault(Decoders(Decoders.Settings(), 4), Valves())
    assert not two_wire_fault(Decoders(Decoders.Settings(), 4), Valves(kind=TWO_WIRE))
