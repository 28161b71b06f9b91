"""A real keeper and daemon with a pump in the site file, judged by the relay log: the pump first, however it ends."""

from __future__ import annotations

import json
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from live_site import PATIENCE_S, SITE, LiveSite, within

from dewpond.adapters.keeper_link import KeeperLink
from dewpond.cli.main import main

MASTER, LAWN, PUMP = 3, 1, 4
ON_A_WELL = SITE.replace(
    'meter = "main-meter"\n', f'meter = "main-meter"\nmaster = {MASTER}\n[supply.pump]\noutput = {PUMP}\n', 1
)


@pytest.fixture
def live(tmp_path: Path) -> Iterator[LiveSite]:
    live = LiveSite(tmp_path, site=ON_A_WELL)
    live.start("keeper")
    yield live
    live.close()


def ask(live: LiveSite, **body: Any) -> dict[str, Any]:
    link = KeeperLink(live.state / "keeper.sock")
    try:
        return link.ask(body, 10.0)
    finally:
        link.close()


def open_(live: LiveSite, output: int, lease_s: float = 60.0) -> dict[str, Any]:
    return ask(live, op="open", output=output, run=f"run/{output}", lease_s=lease_s, planned_s=600.0)


def run(live: LiveSite, lease_s: float = 60.0) -> None:
    """Master, zone and pump on, in the daemon's order."""
    for output in (MASTER, LAWN, PUMP):
        assert open_(live, output, lease_s)["ok"]


def since_pumping(live: LiveSite) -> list[tuple[int, str]]:
    """What the relays did since the pump came on."""
    moves = [(output, word) for _, output, word in live.relay_log()]
    return moves[moves.index((PUMP, "on")) + 1 :]


def test_a_pump_does_not_start_before_its_zone_and_everything_off_stops_it_first(live: LiveSite) -> None:
    refused = open_(live, PUMP)
    assert not refused["ok"] and "no valve lets its water out" in refused["why"]
    run(live)
    assert ask(live, op="close_all", who="Ana")["ok"]
    assert since_pumping(live)[0] == (PUMP, "off") and len(since_pumping(live)) == 3


def test_a_lease_that_nobody_renews_ends_with_the_pump(live: LiveSite) -> None:
    run(live, lease_s=3.0)
    assert within(10.0, lambda: len(since_pumping(live)) == 3)
    assert since_pumping(live)[0] == (PUMP, "off")
    ends_s = {output: at for at, output, word in live.relay_log() if word == "off"}
    assert ends_s[LAWN] - ends_s[PUMP] > 1.0


def test_winter_stops_the_pump_and_locks_it_over_a_restart_of_the_keeper(live: LiveSite) -> None:
    run(live)
    assert ask(live, op="winter_close", who="Ada")["ok"]
    assert since_pumping(live)[0] == (PUMP, "off")
    assert live.stop("keeper") == 0
    live.start("keeper")
    for output in (MASTER, LAWN, PUMP):
        refused = open_(live, output)
        assert not refused["ok"] and "closed for winter by Ada" in refused["why"]


def test_the_daemon_waters_with_the_pump_and_a_stopped_keeper_ends_it_in_order(live: LiveSite) -> None:
    live.start("run")
    assert CliRunner().invoke(main, ["water", "north-lawn", "5"], env=live.env).exit_code == 0
    assert within(PATIENCE_S, lambda: live.is_on(PUMP))
    ons = [output for _, output, word in live.relay_log() if word == "on"]
    assert ons == [MASTER, LAWN, PUMP]
    told = json.loads(CliRunner().invoke(main, ["status", "--json"], env=live.env).stdout)
    assert told["supplies"][0]["pump"] == "The pump runs."
    assert live.stop("keeper", signal.SIGTERM) == 0
    assert since_pumping(live)[0] == (PUMP, "off") and not any(live.is_on(output) for output in range(1, 5))
