"""Latching valves, the stop of one zone, and the test of the valves, in real processes; the relay log is the truth."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from live_site import PATIENCE_S, SITE, LiveSite, within

from dewpond.adapters.keeper_locks import ask_keeper
from dewpond.cli.main import main

LATCHING = (
    SITE.replace("outputs = 4\n", 'outputs = 8\nvalve_pulse = "30 ms"\n')
    .replace("output = 1\n", 'output = 1\nvalve = "latching"\nclose_output = 5\n')
    .replace('meter = "main-meter"\n', 'meter = "main-meter"\nmaster = 8\n')
)
PULSED_SHUT = [(5, "on"), (5, "off")]


@pytest.fixture
def live(tmp_path: Path) -> Iterator[LiveSite]:
    live = LiveSite(tmp_path, site=LATCHING)
    yield live
    live.close()


def call(live: LiveSite, *words: str) -> tuple[int, str]:
    done = CliRunner().invoke(main, words, env=live.env)
    return done.exit_code, done.output


def moves(live: LiveSite, since: int = 0, *outputs: int) -> list[tuple[int, str]]:
    """Relay changes after so many, of all outputs or of some."""
    return [(output, word) for _, output, word in live.relay_log()[since:] if not outputs or output in outputs]


def test_a_latching_valve_is_pulsed_shut_at_start_stop_and_after_death(live: LiveSite) -> None:
    live.start("keeper")
    assert moves(live, 0, 5)[-2:] == PULSED_SHUT
    (on_s, off_s) = [at for at, output, _ in live.relay_log() if output == 5][-2:]
    assert 0.025 < off_s - on_s < 1.0
    first = len(live.relay_log())
    assert within(6.0, lambda: moves(live, first, 5)[:2] == PULSED_SHUT)  # given again, though nothing was asked
    asked = {"op": "open", "output": 1, "run": "by hand", "lease_s": 60, "planned_s": 60}
    assert ask_keeper(live.state / "keeper.sock", asked)["ok"]
    assert moves(live, first, 1) == [(1, "on"), (1, "off")]
    assert "close pulses" in ask_keeper(live.state / "keeper.sock", {**asked, "output": 5, "run": "x"})["why"]
    before = len(live.relay_log())
    live.stop("keeper", signal.SIGKILL)
    live.start("keeper")
    assert moves(live, before, 5)[-2:] == PULSED_SHUT
    before = len(live.relay_log())
    assert live.stop("keeper") == 0
    assert moves(live, before, 5)[-2:] == PULSED_SHUT and not any(live.is_on(output) for output in range(1, 9))


def test_a_stop_of_one_zone_shuts_the_master_too_with_the_daemon_dead(live: LiveSite) -> None:
    started = [live.start(what, ready=False) for what in ("keeper", "run")]
    assert within(PATIENCE_S, lambda: all("ready" in output.read_text() for output in started))
    assert call(live, "water", "south-lawn", "5")[0] == 0
    assert within(20.0, lambda: live.is_on(2) and live.is_on(8))
    live.stop("run", signal.SIGKILL)
    code, said = call(live, "stop", "south-lawn")
    assert code == 0 and "is shut" in said
    assert not live.is_on(2) and not live.is_on(8)


def test_valves_are_clicked_with_the_water_off_and_closed_at_the_end(live: LiveSite) -> None:
    site = str(live.site)
    code, said = call(live, "valves", site)
    assert code == 1 and "add --supply-off" in said
    live.start("keeper")
    code, said = call(live, "valves", site, "--supply-off")
    assert code == 1 and "nobody looks at meter and gauge" in said
    live.start("run")
    before = len(live.relay_log())
    code, said = call(live, "valves", site, "--supply-off")
    assert code == 0 and "3 relays clicked" in said and "master valve of main: clicked" in said
    on = [output for output, word in moves(live, before) if word == "on" and output != 5]
    assert on == [8, 1, 2]
    (length,) = [round(seconds, 1) for seconds in live.open_seconds(2)]
    assert 0.9 <= length <= 1.5
    assert PULSED_SHUT[0] in moves(live, before)[moves(live, before).index((2, "off")) :]
    assert not any(live.is_on(output) for output in range(1, 9))
    code, said = call(live, "attend", "main", "--who", "Ada", "--reason", "heads looked at")
    assert code == 0 and "opens for Ada until" in said and "under full pressure" in said
    assert within(20.0, lambda: live.is_on(8))
    code, said = call(live, "water", "south-lawn", "5")
    assert code != 0 and "Ada attends a test of main" in said
    assert call(live, "attend", "main", "--who", "Ada", "--end")[0] == 0
    assert within(20.0, lambda: not live.is_on(8))
    code, said = call(live, "guide", "weeping", "main", "--who", "Ada")
    assert code == 0 and "Step 1 of 3" in said and "every zone shut, the pump off" in said
    assert within(20.0, lambda: live.is_on(8))
    code, said = call(live, "guide", "weeping", "main", "--who", "Ada", "--end")
    assert code == 0 and said.startswith("Broken off (ended by Ada")
    assert within(20.0, lambda: not live.is_on(8))
    assert call(live, "water", "south-lawn", "5")[0] == 0
    assert within(20.0, lambda: live.is_on(2))
    code, said = call(live, "valves", site, "--supply-off")
    assert code == 1 and "South lawn is open; stop it first" in said
