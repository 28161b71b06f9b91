"""The real daemon, keeper, broker and database together, on the real clock."""

from __future__ import annotations

import itertools
import json
import os
import signal
import socket
import threading
from importlib.metadata import version
from pathlib import Path

import pytest
from broker import Mosquitto
from live_site import LiveSite, within

from dewpond.adapters.store.journal import JournalReader
from dewpond.adapters.store.reader import StoreReader
from dewpond.bootstrap import FIRST_DEPLETION_SHARE
from dewpond.brain.brain import Brain
from dewpond.model.commands import PublishState
from dewpond.model.events import BrokerChanged, ReadingsArrived, ServiceStarted, ValveClosed, ValveOpened
from dewpond.runner.restore import replay_journal
from dewpond.settings.site_file import require_site


@pytest.fixture
def live(tmp_path, mosquitto):
    site = LiveSite(tmp_path, broker=f"mqtt://127.0.0.1:{mosquitto.port}")
    yield site
    site.close()


@pytest.fixture
def alone(tmp_path):
    """A site without broker and board."""
    site = LiveSite(tmp_path)
    yield site
    site.close()


def steps_of(live: LiveSite):
    return list(JournalReader(live.database).steps())


def events_of(live: LiveSite, kind):
    return [event for _, _, events in steps_of(live) for event in events if isinstance(event, kind)]


def test_a_run_survives_broker_and_daemon_and_every_record_tells_the_story_of_the_relays(live, mosquitto: Mosquitto):
    live.start("keeper")
    live.start("run")
    sender = mosquitto.client()
    for litres in (100.0, 104.5, 109.0):
        sender.publish("yard/meter", json.dumps({"litres": litres}), qos=1).wait_for_publish(5.0)
    sender.publish("yard/probe", "23.5", qos=1).wait_for_publish(5.0)
    sender.loop_stop()

    assert live.call("water", "north-lawn", "3").returncode == 0
    assert within(10, lambda: live.is_on(1))
    mosquitto.stop()  # the broker dies in mid-run
    assert within(40, lambda: live.status()["broker"] == "lost")
    assert live.is_on(1)
    mosquitto.start()
    assert within(40, lambda: live.status()["broker"] == "connected")
    assert live.is_on(1)

    assert live.stop("run") == 0  # the daemon is stopped in mid-run
    assert not live.is_on(1)
    live.start("run")
    assert within(15, lambda: live.is_on(1))  # the remainder is taken up
    assert live.call("stop").returncode == 0
    assert not live.is_on(1)
    assert live.stop("run") == 0
    assert live.stop("keeper") == 0

    by_relays = live.open_seconds(1)
    assert len(by_relays) == 2
    assert sum(by_relays) <= 180.0 + 2.0
    by_journal = {event.run_id: event.open_s for event in events_of(live, ValveClosed)}
    assert list(by_journal.values()) == pytest.approx(by_relays, abs=0.5)
    assert len(events_of(live, ValveOpened)) == 2
    runs = StoreReader(live.database).runs(*_all_time())
    assert [run.seconds for run in runs] == pytest.approx(by_relays, abs=0.5)
    assert len(events_of(live, ServiceStarted)) == 2
    link = [up for up, _ in itertools.groupby(event.connected for event in events_of(live, BrokerChanged))]
    assert link[:3] == [True, False, True]
    sensors = {event.sensor for event in events_of(live, ReadingsArrived)}
    assert sensors == {"main-meter", "bed-probe"}
    assert_journal_repeats(live)


def _all_time():
    from datetime import UTC, datetime

    return datetime(2000, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC)


def assert_journal_repeats(live: LiveSite) -> None:
    """The brain, given the journal again from its first line, wants the same again, line by line."""
    brain = Brain(require_site(live.site))
    steps = steps_of(live)
    told = dict(JournalReader(live.database).commands())
    state = brain.first_state(steps[0][1], FIRST_DEPLETION_SHARE)
    compared = 0
    for number, commands in replay_journal(brain, state, steps):
        kept = tuple(command for command in commands if not isinstance(command, PublishState))
        assert kept == told.get(number, ())
        compared += len(kept)
    assert compared > 10


def test_a_second_daemon_on_the_same_site_is_refused_and_the_first_goes_on(alone):
    alone.start("keeper")
    alone.start("run")
    second = alone.call("run", str(alone.site))
    assert second.returncode != 0
    assert "runs this site" in second.stderr
    assert len(second.stderr.strip().splitlines()) == 1
    assert alone.status()["keeper"] == "ready"


def test_a_board_port_already_taken_is_told_in_one_line_and_nothing_opens(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        site = LiveSite(tmp_path, board=f"127.0.0.1:{port}")
        try:
            site.start("keeper")
            done = site.call("run", str(site.site))
        finally:
            site.close()
    assert done.returncode != 0
    assert str(port) in done.stderr
    assert "on" not in {word for _, _, word in site.relay_log()}


def test_a_broken_site_file_is_told_whole_and_nothing_starts(tmp_path):
    text = '[site]\nname = "X"\nlatitude = 140\nlongitude = 1\ntimezone = "Nowhere/Here"\n'
    site = LiveSite(tmp_path, site=text)
    done = site.call("run", str(site.site))
    assert done.returncode == 2
    assert "latitude" in done.stderr
    assert "timezone" in done.stderr
    assert "Traceback" not in done.stderr


def test_garbage_and_huge_messages_leave_a_record_and_stop_nothing(live, mosquitto: Mosquitto):
    live.start("keeper")
    live.start("run")
    sender = mosquitto.client()
    for payload in (b"\xff\x00\x81", b"NaN", b'{"litres": NaN}', b'{"litres": 1e999}', b"[" * 3000, b"x" * 300_000):
        sender.publish("yard/meter", payload, qos=1).wait_for_publish(5.0)
    sender.publish("yard/meter", '{"litres": 5}', qos=1).wait_for_publish(5.0)
    sender.publish("yard/meter", '{"litres": 9}', qos=1).wait_for_publish(5.0)
    sender.loop_stop()
    assert live.call("water", "south-lawn", "1").returncode == 0
    assert within(10, lambda: live.is_on(2))
    meter = next(sensor for sensor in live.status()["sensors"] if sensor["id"] == "main-meter")
    assert meter["rejected"] >= 1
    assert live.call("stop").returncode == 0
    live.stop("run")
    taken = [event for event in events_of(live, ReadingsArrived) if event.sensor == "main-meter"]
    assert sum(float(event.value.sum()) for event in taken) == 4.0


def test_unknown_zones_and_impossible_times_are_refused_in_one_line(alone):
    alone.start("keeper")
    alone.start("run")
    for words in (
        ("water", "nowhere", "5"),
        ("water", "north-lawn", "600"),
        ("water", "north-lawn", "nan"),
        ("stop", "nowhere"),
    ):
        done = alone.call(*words)
        assert done.returncode != 0, words
        assert len(done.stderr.strip().splitlines()) == 1, done.stderr
    assert "on" not in {word for _, _, word in alone.relay_log()}


def test_water_is_not_promised_when_the_keeper_has_just_died(alone):
    alone.start("keeper")
    alone.start("run")
    assert within(20, lambda: alone.status()["keeper"] == "ready")
    alone.stop("keeper", signal.SIGKILL)
    done = alone.call("water", "north-lawn", "5")
    assert done.returncode != 0
    assert "keeper" in done.stderr
    alone.start("keeper")
    assert within(30, lambda: alone.status()["keeper"] == "ready")
    assert alone.call("water", "north-lawn", "5").returncode == 0
    assert within(25, lambda: alone.is_on(1))


def test_water_for_somebody_who_gave_up_waiting_is_not_given(alone):
    alone.start("keeper")
    alone.start("run")
    assert within(20, lambda: alone.status()["keeper"] == "ready")
    os.kill(alone.pid("run"), signal.SIGSTOP)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asker:
        asker.connect(str(alone.state / "operator.sock"))
        asker.sendall(b'{"op": "water", "zone": "north-lawn", "seconds": 120}\n')
    os.kill(alone.pid("run"), signal.SIGCONT)
    assert alone.status()["zones"][0]["valve"] == "closed"
    assert not within(3, lambda: alone.is_on(1))


def test_operator_commands_without_a_daemon_say_so_in_one_line(alone):
    for words in (("water", "north-lawn", "5"), ("status",), ("hold", "--until", "18:00"), ("release",)):
        done = alone.call(*words)
        assert done.returncode != 0
        assert len(done.stderr.strip().splitlines()) == 1
    planned = alone.call("plan", "--json")
    assert planned.returncode == 0
    assert {reason["zone"] for reason in json.loads(planned.stdout)["reasons"]} == {"north-lawn", "south-lawn"}


def test_a_state_folder_far_down_is_no_trouble(tmp_path):
    deep = tmp_path / "-".join(["a-folder-with-a-long-name"] * 5)
    deep.mkdir()
    site = LiveSite(deep)
    try:
        site.start("keeper")
        site.start("run")
        assert site.call("water", "north-lawn", "1").returncode == 0
        assert within(10, lambda: site.is_on(1))
        assert site.call("stop").returncode == 0
        assert not site.is_on(1)
    finally:
        site.close()


def test_the_version_is_told(alone):
    assert version("dewpond") in alone.call("--version").stdout


def test_a_killed_daemon_resumes_once_and_never_gives_more_than_was_asked(alone):
    alone.start("keeper")
    alone.start("run")
    assert alone.call("water", "north-lawn", "2").returncode == 0
    assert within(10, lambda: alone.is_on(1))
    alone.stop("run", signal.SIGKILL)
    alone.start("run")
    assert within(10, lambda: alone.status()["zones"][0]["valve"] == "open")
    alone.call("stop")
    assert sum(alone.open_seconds(1)) <= 120.0 + 15.0


def test_import_of_the_package_is_light():
    import subprocess
    import sys

    heavy = "import sys, dewpond; print([m for m in ('pandas', 'xarray', 'numba', 'sqlalchemy') if m in sys.modules])"
    assert (
        subprocess.run([sys.executable, "-c", heavy], capture_output=True, text=True, check=True).stdout.strip() == "[]"
    )


def test_memory_stays_within_the_bounds_of_a_small_board(live):
    live.start("keeper")
    live.start("run")
    for name, most_mb in (("keeper", 30.0), ("run", 80.0)):
        _settles_within(live.pid(name), most_mb)


def _settles_within(pid: int, most_mb: float) -> None:
    """What a process holds half a minute after it was ready; what its start needed may be given back by then."""
    pause = threading.Event()
    for _ in range(60):
        if _rss_mb(pid) <= most_mb:
            return
        pause.wait(0.5)
    assert _rss_mb(pid) <= most_mb


def _rss_mb(pid: int) -> float:
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * 4096 / 1e6
