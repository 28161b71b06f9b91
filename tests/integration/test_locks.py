"""A work lock in real processes: it outlives keeper and daemon, and only the right person takes it off."""

from __future__ import annotations

import json
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from live_site import PATIENCE_S, LiveSite, within

from dewpond.cli.main import main

NOT_ISOLATION = "A software lock is not isolation"


@pytest.fixture
def live(tmp_path: Path) -> Iterator[LiveSite]:
    live = LiveSite(tmp_path)
    yield live
    live.close()


def call(live: LiveSite, *words: str) -> tuple[int, str]:
    done = CliRunner().invoke(main, words, env=live.env)
    return done.exit_code, done.output


def test_a_lock_outlives_everything_and_is_taken_off_by_its_person_or_the_owner(live: LiveSite) -> None:
    ada = ("--who", "Ada", "--reason", "new lateral")
    code, said = call(live, "lock", "north-lawn", *ada)
    assert code == 1 and "NO lock is set" in said and "two minutes" in said and NOT_ISOLATION in said

    started = [live.start(what, ready=False) for what in ("keeper", "run")]
    assert within(PATIENCE_S, lambda: all("ready" in output.read_text() for output in started))
    assert call(live, "water", "north-lawn", "5")[0] == 0
    assert within(20.0, lambda: live.is_on(1))
    code, said = call(live, "lock", "north-lawn", *ada)
    assert code == 0 and "north-lawn is locked for work by Ada since" in said and NOT_ISOLATION in said
    assert not live.is_on(1)

    for what in ("keeper", "run"):
        live.stop(what, signal.SIGKILL)
    restarted = [live.start(what, ready=False) for what in ("keeper", "run")]
    assert within(PATIENCE_S, lambda: all("ready" in output.read_text() for output in restarted))
    # A daemon that was ready before its keeper hears of the lock when it looks for the keeper again.
    assert within(PATIENCE_S, lambda: json.loads(call(live, "status", "--json")[1])["locks"])
    seen = json.loads(call(live, "status", "--json")[1])
    zones = {zone["id"]: zone for zone in seen["zones"]}
    assert zones["north-lawn"]["held"].startswith("locked for work by Ada since") and not zones["south-lawn"]["held"]
    assert seen["locks"][0]["who"] == "Ada"
    code, said = call(live, "water", "north-lawn", "5")
    assert code != 0 and "Locked for work by Ada" in said
    assert not live.is_on(1)

    live.stop("run", signal.SIGKILL)  # the lock needs no daemon
    code, said = call(live, "unlock", "north-lawn", "--who", "Bert", "--reason", "dry")
    assert code == 1 and "locked by Ada, not by Bert" in said and NOT_ISOLATION in said
    code, said = call(live, "unlock", "north-lawn", "--who", "Bert", "--owner", "--reason", "Ada has left, all closed")
    assert code == 0 and NOT_ISOLATION in said
    assert call(live, "locks")[1].strip() == "Nothing is locked."


def test_winter_ends_only_with_the_signed_list(live: LiveSite) -> None:
    live.start("keeper")
    code, said = call(live, "winter", "close", "--who", "Ada")
    assert code == 0 and "site is closed for winter by Ada" in said and "Blow-out air" in said
    live.stop("keeper", signal.SIGKILL)
    live.start("keeper")
    code, said = call(live, "winter", "open", "--who", "Ada", "--signed", "slow-fill,backflow,walked")
    assert code == 1 and "still to be signed: clock" in said and "Nothing opens yet" in said
    code, said = call(live, "winter", "open", "--who", "Ada", "--signed", "slow-fill, backflow, walked, clock")
    assert code == 0 and "open after winter, signed by Ada" in said
    log = [json.loads(line) for line in (live.state / "locks.log").read_text().splitlines()]
    assert log[-1]["signed"] == ["backflow", "clock", "slow-fill", "walked"]
