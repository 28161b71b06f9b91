"""Latching valves and two-wire decoders in a site file: what is read, what is refused, and what an owner is told."""

from __future__ import annotations

import pytest

from dewpond.model.valve_kinds import power_loss, unguarded, when_lost
from dewpond_drivers.table import read_pairs, read_relays

MASTER = 'capacity = "60 L/min"\nmaster = 8\n'
LATCHING = 'output = 3\nvalve = "latching"\nclose_output = 4\n'


def with_lines(whole: str, relays: str = "", supply: str = "", zone: str = "output = 3\n") -> str:
    text = whole.replace("outputs = 8\n", f"outputs = 8\n{relays}")
    return text.replace("output = 3\n", zone).replace('capacity = "60 L/min"\n', supply or 'capacity = "60 L/min"\n')


def what(problems):
    return [f"{problem.key}: {problem.what}" for problem in problems]


def told(loaded):
    return [problem for problem in loaded.findings if problem.key in ("valves", "stored_energy")]


def test_without_a_word_valves_shut_without_current(load, whole):
    loaded = load(whole)
    assert loaded.errors == () and told(loaded) == []
    assert loaded.site.zones[0].close_output is None and power_loss(loaded.site) == ""
    assert when_lost(loaded.site).startswith("an open valve may stay open until a keeper runs again: look")


def test_a_latching_zone_is_read_alike_by_daemon_and_keeper(load, whole, tmp_path):
    loaded = load(with_lines(whole, zone=LATCHING))
    assert loaded.errors == ()
    (zone,) = loaded.site.zones
    assert read_pairs(read_relays(tmp_path / "site.toml")) == {zone.output: zone.close_output} == {3: 4}


def test_a_whole_latching_board_with_a_master_that_shuts_without_current(load, whole, tmp_path):
    text = with_lines(
        whole,
        relays='valves = "latching"\nvalve_pulse = "60 ms"\n',
        supply=MASTER + 'master_valve = "normally closed"\n',
        zone="output = 3\nclose_output = 4\n",
    )
    loaded = load(text, look_at_relays=True)
    assert loaded.errors == () and loaded.site.relays.options == {} and loaded.site.relays.valves == "latching"
    assert unguarded(loaded.site) == () and "their master valve shuts" in power_loss(loaded.site)
    assert read_pairs(read_relays(tmp_path / "site.toml")) == {3: 4}


def test_an_owner_is_told_that_power_loss_leaves_a_latching_valve_open(load, whole):
    loaded = load(with_lines(whole, zone=LATCHING))
    (finding,) = told(loaded)
    assert "one that is open stays open, and no lease closes it" in finding.said
    assert "supply main" in finding.said and "normally-closed master valve" in finding.said
    assert "a latching one even without power" in when_lost(loaded.site)


def test_stored_energy_is_believed_and_said(load, whole):
    loaded = load(with_lines(whole, relays="stored_energy = true\n", zone=LATCHING))
    (finding,) = told(loaded)
    assert "stored energy" in finding.said and "pull the plug" in finding.said
    assert power_loss(loaded.site) == "" and "even without power" not in when_lost(loaded.site)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"zone": 'output = 3\nvalve = "latching"\n'}, "close_output: missing for a latching valve"),
        ({"zone": "output = 3\nclose_output = 4\n"}, "close_output: output 4 closes nothing"),
        ({"zone": 'output = 3\nvalve = "latching"\nclose_output = 3\n'}, "close_output: output 3 is used twice"),
        ({"zone": 'output = 3\nvalve = "latching"\nclose_output = 9\n'}, "close_output: there is no output 9"),
        ({"zone": 'output = 3\nvalve = "normally open"\n'}, "valve: 'normally open' is not known here"),
        ({"relays": 'valve_pulse = "2 s"\n'}, "valve_pulse: '2 s' cannot be right"),
        ({"relays": 'valves = "latching"\n'}, "close_output: missing for a latching valve"),
        (
            {"supply": MASTER + 'master_valve = "latching"\n'},
            "master_close_output: missing for a latching valve",
        ),
        ({"supply": 'master_valve = "latching"\n'}, "master_valve: there is no master valve"),
        (
            {"relays": 'valves = "two-wire"\n', "zone": 'output = 3\nvalve = "normally closed"\n'},
            "valve: given for a decoder",
        ),
        (
            {"relays": 'valves = "two-wire"\n', "zone": "output = 3\nclose_output = 4\n"},
            "close_output: given for a decoder",
        ),
    ],
)
def test_contradictions_are_refused_with_a_remedy(load, whole, changes, says):
    loaded = load(with_lines(whole, **changes))
    assert loaded.site is None
    assert says in [said.replace('"', "'") for said in what(loaded.errors)]


def test_decoders_on_a_two_wire_path_need_a_driver_that_guarantees_closing(load, whole):
    loaded = load(with_lines(whole, relays='valves = "two-wire"\n'), look_at_relays=True)
    (error,) = loaded.errors
    assert "two-wire" in error.said and "decoders" in error.said and "give each valve a relay of its own" in error.said
