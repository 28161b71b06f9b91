"""The daemon's client against a real keeper loop: what is opened, lost, found again and counted."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dewpond.adapters.keeper_client import KeeperClient
from dewpond.adapters.keeper_link import KeeperLink, KeeperSilent
from dewpond.adapters.keeper_locks import ask_keeper
from dewpond.adapters.keeper_stop import close_after_test, close_all_now, close_output_now
from dewpond.model.events import (
    Event,
    KeeperFound,
    KeeperLost,
    LocksKnown,
    Now,
    StopsTold,
    ValveClosed,
    ValveOpened,
    ValveRefused,
)

START = datetime(2027, 6, 1, 4, 0, tzinfo=UTC)


class Daemon:
    """A client and the daemon's own time, which need not be the keeper's."""

    def __init__(self, place) -> None:
        self.place = place
        self.client = KeeperClient(place.path)
        self.elapsed_s = 50.0

    def now(self) -> Now:
        return Now(wall=START + timedelta(seconds=self.elapsed_s), elapsed_s=self.elapsed_s)

    def later(self, seconds: float) -> None:
        """Time passes for daemon and keeper alike."""
        self.elapsed_s += seconds
        self.place.clock.elapsed_s += seconds

    def open(self, run_id: str = "r1", output: int = 1, planned_s: float = 600.0) -> list[Event]:
        return list(self.client.open(run_id, output, planned_s, self.now()))

    def close(self, run_id: str = "r1", output: int = 1) -> list[Event]:
        return list(self.client.close(run_id, output, self.now(), "done"))

    def renew(self) -> list[Event]:
        return list(self.client.renew(self.now()))

    def due_in_s(self) -> float:
        return self.client.next_renewal_s() - self.elapsed_s


@pytest.fixture
def daemon(place) -> Iterator[Daemon]:
    place.start().announced.wait(5.0)
    daemon = Daemon(place)
    yield daemon
    daemon.client.disconnect()


def kinds(events: list[Event]) -> list[str]:
    return [type(event).__name__ for event in events]


def closed_in(events: list[Event]) -> dict[str, float]:
    return {event.run_id: event.open_s for event in events if isinstance(event, ValveClosed)}


def test_the_keeper_is_found_and_looked_at_every_20_s(daemon: Daemon) -> None:
    assert daemon.due_in_s() < 0.0
    locks, found = daemon.renew()
    assert locks == LocksKnown(at=daemon.now().wall)
    assert found == KeeperFound(at=daemon.now().wall, session="life 1", ready=True)
    assert daemon.due_in_s() == 20.0
    daemon.later(20.0)
    assert daemon.renew() == []


def test_a_run_is_opened_and_closed(daemon: Daemon) -> None:
    _, found, opened = daemon.open()
    assert isinstance(found, KeeperFound)
    assert opened == ValveOpened(at=daemon.now().wall, run_id="r1", output=1) and daemon.place.relays.on() == [1]
    daemon.later(600.0 - 20.0)
    daemon.place.clock.elapsed_s -= 500.0  # keep the lease of the keeper's own time alive
    (closed,) = daemon.close()
    assert closed == ValveClosed(at=daemon.now().wall, run_id="r1", output=1, open_s=80.0, why="done")
    assert daemon.place.relays.on() == []


def test_the_lease_asked_for_ends_with_the_plan(daemon: Daemon) -> None:
    daemon.open(planned_s=30.0)
    daemon.later(20.0)
    assert daemon.renew() == []
    link = KeeperLink(daemon.place.path)
    assert link.ask({"op": "status"}, 5.0)["outputs"]["1"]["left_s"] == 15.0
    link.close()


def test_renewals_carry_a_long_run_over_many_leases(daemon: Daemon) -> None:
    daemon.renew()
    daemon.open(planned_s=3600.0)
    for _ in range(170):
        assert daemon.due_in_s() == 20.0
        daemon.later(20.0)
        assert daemon.renew() == []
    assert daemon.place.relays.on() == [1]
    assert closed_in(daemon.close()) == {"r1": 3400.0}


def test_a_refusal_tells_why(daemon: Daemon) -> None:
    daemon.open()
    (refused,) = daemon.open("r2", 1)
    assert isinstance(refused, ValveRefused) and "held by run r1" in refused.why
    (refused,) = daemon.open("r3", 9)
    assert isinstance(refused, ValveRefused) and "no output 9" in refused.why


def test_a_master_is_extended_and_open_since_its_first_opening(daemon: Daemon) -> None:
    daemon.open("master", 4, 60.0)
    first = daemon.now().wall
    daemon.later(50.0)
    assert daemon.open("master", 4, 300.0) == [ValveOpened(at=first, run_id="master", output=4)]
    for _ in range(15):
        daemon.later(20.0)
        assert daemon.renew() == []
    assert closed_in(daemon.close("master", 4)) == {"master": 350.0}


def test_a_stop_by_a_person_is_reported_with_its_own_time(daemon: Daemon) -> None:
    daemon.open()
    daemon.later(7.0)
    assert close_output_now(daemon.place.path, 1, "the gardener") == "The valve at output 1 is shut."
    daemon.later(13.0)
    told, closed = daemon.renew()
    assert isinstance(closed, ValveClosed) and closed.open_s == 7.0 and closed.why == "stopped by the gardener"
    assert closed.at == daemon.now().wall - timedelta(seconds=13.0)
    assert isinstance(told, StopsTold), "the wish is told before the closing, which must not look like a fault"
    (stop,) = told.stops
    assert (stop.zone, stop.output, stop.who, stop.at) == ("", 1, "stopped by the gardener", closed.at)


def test_a_stop_given_while_no_daemon_ran_is_told_to_the_next_one_of_a_later_keeper_too(daemon: Daemon) -> None:
    daemon.open()
    close_all_now(daemon.place.path, "the gardener")
    assert daemon.place.keeper is not None
    daemon.place.keeper.kill()
    daemon.place.start().announced.wait(5.0)
    again = Daemon(daemon.place)
    events = [event for event in again.renew() if not isinstance(event, LocksKnown)]
    told, found = events
    assert isinstance(told, StopsTold) and isinstance(found, KeeperFound), "first, for the other has openings judged"
    assert [(stop.zone, stop.output, stop.who) for stop in told.stops] == [("", 0, "stopped by the gardener")]
    again.later(20.0)
    assert again.renew() == [], "told once"
    again.client.disconnect()


def test_the_end_of_a_test_of_the_valves_is_no_wish_to_keep_them_shut(daemon: Daemon) -> None:
    daemon.open()
    close_after_test(daemon.place.path, "the gardener")
    assert [type(event) for event in daemon.renew()] == [ValveClosed]


def test_stop_all_works_past_the_daemon(daemon: Daemon) -> None:
    daemon.open()
    daemon.open("r2", 2)
    assert close_all_now(daemon.place.path, "a person\nwith line breaks") == "All valves are shut."
    assert daemon.place.relays.on() == []
    daemon.later(20.0)
    assert closed_in(daemon.renew()) == {"r1": 0.0, "r2": 0.0}


def test_a_lease_that_ran_out_is_reported_late_but_right(daemon: Daemon) -> None:
    daemon.open()
    daemon.later(90.0)
    daemon.place.until(lambda: daemon.place.relays.on() == [])
    daemon.later(30.0)
    (closed,) = daemon.renew()
    assert isinstance(closed, ValveClosed) and closed.open_s == 90.0 and "lease ended" in closed.why


def test_close_all_reports_every_run(daemon: Daemon) -> None:
    daemon.open()
    daemon.later(10.0)
    daemon.open("r2", 2)
    daemon.later(10.0)
    events = list(daemon.client.close_all(daemon.now(), "the service was stopped"))
    assert closed_in(events) == {"r1": 20.0, "r2": 10.0}


def test_closing_what_never_was_open_is_answered(daemon: Daemon) -> None:
    daemon.renew()
    (closed,) = daemon.close("never", 2)
    assert isinstance(closed, ValveClosed) and closed.open_s == 0.0


def test_no_keeper_is_one_loss_and_every_opening_is_refused(place) -> None:
    daemon = Daemon(place)
    (lost,) = daemon.renew()
    assert isinstance(lost, KeeperLost) and str(place.path) in lost.why
    assert kinds(daemon.open()) == ["ValveRefused"] and daemon.due_in_s() == 5.0
    daemon.later(5.0)
    assert daemon.renew() == [] and daemon.due_in_s() == 5.0
    place.start().announced.wait(5.0)
    assert kinds(daemon.open()) == ["ValveRefused"], "not looked for before its time"
    daemon.later(5.0)
    assert kinds(daemon.renew()) == ["LocksKnown", "KeeperFound"]
    daemon.client.disconnect()


def test_a_restarted_keeper_is_found_and_the_water_counted_until_all_was_off(daemon: Daemon) -> None:
    daemon.open(planned_s=3600.0)
    daemon.later(20.0)
    daemon.renew()
    daemon.place.keeper.kill()
    assert daemon.place.relays.on() == [1], "a relay that dies with its keeper stays as it was"
    daemon.later(20.0)
    assert kinds(daemon.renew()) == ["KeeperLost"]
    daemon.later(3.0)
    daemon.place.start().announced.wait(5.0)
    daemon.later(2.0)
    assert daemon.due_in_s() == 0.0
    closed, found = daemon.renew()
    assert isinstance(closed, ValveClosed) and closed.open_s == 43.0 and closed.why == "the keeper was restarted"
    assert isinstance(found, KeeperFound) and found.session == "life 2" and found.open_outputs == {}


def test_a_restarted_keeper_without_relays_leaves_the_run_open_until_they_are_off(daemon: Daemon) -> None:
    daemon.open(planned_s=3600.0)
    daemon.place.keeper.kill()
    daemon.place.relays.unplugged = True
    keeper = daemon.place.start()
    daemon.place.until(lambda: keeper.said)
    daemon.later(15.0)
    assert kinds(daemon.renew()) == ["KeeperLost"]
    daemon.later(5.0)
    (found,) = daemon.renew()
    assert isinstance(found, KeeperFound) and not found.ready and found.open_outputs == {1: "r1"}
    daemon.place.relays.unplugged = False
    daemon.later(5.0)
    keeper.announced.wait(5.0)
    closed, found = daemon.renew()
    assert isinstance(closed, ValveClosed) and closed.open_s == 25.0
    assert isinstance(found, KeeperFound) and found.ready and not found.alarm


def test_a_restarted_daemon_learns_what_is_open_and_looks_after_it(daemon: Daemon) -> None:
    daemon.open(planned_s=3600.0)
    daemon.later(60.0)
    daemon.client.disconnect()
    daemon.client = KeeperClient(daemon.place.path)
    _, found = daemon.renew()
    assert isinstance(found, KeeperFound) and found.open_outputs == {1: "r1"} and found.closed == {}
    assert daemon.due_in_s() == 0.0, "it is renewed only once the brain has heard of it"
    with closing(KeeperLink(daemon.place.path)) as link:
        assert link.ask({"op": "status"}, 5.0)["outputs"]["1"]["left_s"] == 30.0
    for _ in range(5):
        daemon.later(20.0)
        assert daemon.renew() == []
    assert closed_in(daemon.close()) == {"r1": 160.0}
    daemon.client.disconnect()
    daemon.client = KeeperClient(daemon.place.path)
    _, found = daemon.renew()
    assert isinstance(found, KeeperFound) and found.closed == {"r1": 160.0}


def test_relays_that_will_not_close_are_asked_again_and_counted(daemon: Daemon) -> None:
    daemon.renew()
    daemon.open()
    daemon.place.relays.unplugged = True
    daemon.later(10.0)
    (found,) = daemon.close()
    assert isinstance(found, KeeperFound) and not found.ready and found.open_outputs == {1: "r1"}
    assert "could not be switched off: nobody answers" in found.alarm
    assert daemon.due_in_s() == 5.0
    (refused,) = daemon.open("r2", 2)
    assert isinstance(refused, ValveRefused)
    daemon.place.relays.unplugged = False
    daemon.later(5.0)
    daemon.place.until(lambda: daemon.place.relays.on() == [])
    events = daemon.renew()
    assert closed_in(events) == {"r1": 15.0} and kinds(events) == ["ValveClosed", "KeeperFound"]


def test_a_deaf_keeper_is_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dewpond.adapters.keeper_client.LOOK_S", 0.05)
    path = tmp_path / "keeper.sock"
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as deaf:
        deaf.bind(str(path))
        deaf.listen()
        client = KeeperClient(path)
        now = Now(wall=START, elapsed_s=0.0)
        (lost,) = client.renew(now)
        assert isinstance(lost, KeeperLost) and "timed out" in lost.why and client.next_renewal_s() == 5.0


@pytest.mark.parametrize("answer", [b"no json\n", b"[]\n", b"{}\n", b"", b'{"ok":true}\n'])
def test_a_keeper_that_talks_nonsense_is_lost(tmp_path: Path, answer: bytes) -> None:
    path = tmp_path / "keeper.sock"
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as liar:
        liar.bind(str(path))
        liar.listen()
        client = KeeperClient(path)
        import threading

        def speak() -> None:
            link, _ = liar.accept()
            with link:
                link.recv(4096)
                link.sendall(answer)

        speaker = threading.Thread(target=speak)
        speaker.start()
        assert kinds(list(client.renew(Now(wall=START, elapsed_s=0.0)))) == ["KeeperLost"]
        speaker.join()


def test_a_socket_deep_down_is_reached(tmp_path: Path, place) -> None:
    deep = tmp_path / ("a" * 60) / ("b" * 60)
    deep.mkdir(parents=True)
    place.start().announced.wait(5.0)
    (deep / "keeper.sock").hardlink_to(place.path)
    assert close_all_now(deep / "keeper.sock", "a person") == "All valves are shut."


def test_closing_past_the_daemon_raises_where_it_did_not_happen(place) -> None:
    with pytest.raises(KeeperSilent, match="no keeper answers"):
        close_all_now(place.path, "a person")
    keeper = place.start()
    keeper.announced.wait(5.0)
    place.relays.unplugged = True
    with pytest.raises(KeeperSilent, match=r"could not close.*nobody answers"):
        close_all_now(place.path, "a person")


def test_a_lock_shuts_what_runs_and_is_told_with_the_next_answer(daemon: Daemon) -> None:
    (daemon.place.path.parent / "site.toml").write_text('[[zone]]\nid = "lawn"\noutput = 1\n')
    daemon.open()
    daemon.later(10.0)
    answer = ask_keeper(daemon.place.path, {"op": "lock", "target": "lawn", "who": "Ada", "reason": "new lateral"})
    assert answer["ok"] and not answer["why"] and daemon.place.relays.on() == []
    assert answer["told"] == "lawn is locked for work by Ada since 2027-06-01T04:00:00Z: new lateral."
    known, closed = daemon.renew()
    assert isinstance(closed, ValveClosed) and closed.open_s == 10.0 and closed.why.startswith("stopped: locked for")
    assert isinstance(known, LocksKnown)
    (lock,) = known.locks
    assert (lock.target, lock.who, lock.reason, lock.outputs, lock.since) == ("lawn", "Ada", "new lateral", (1,), START)
    (refused,) = daemon.open("r2")
    assert isinstance(refused, ValveRefused) and "locked for work by Ada" in refused.why
    ask_keeper(daemon.place.path, {"op": "unlock", "target": "lawn", "who": "Ada", "reason": "done"})
    events = daemon.open("r3")
    assert kinds(events) == ["LocksKnown", "ValveOpened"] and events[0] == LocksKnown(at=daemon.now().wall)


def test_a_lock_is_set_while_the_relays_hang_and_says_that_a_valve_may_be_open(daemon: Daemon) -> None:
    daemon.open()
    daemon.place.relays.free.clear()
    link = KeeperLink(daemon.place.path)
    link.ask({"op": "hello"}, 5.0)
    answers: list[dict] = []
    asker = threading.Thread(
        target=lambda: answers.append(link.ask({"op": "lock", "target": "site", "who": "Ada", "reason": "dig"}, 9.0))
    )
    asker.start()
    daemon.place.until((daemon.place.path.parent / "locks.json").exists)
    daemon.place.until(lambda: daemon.place.keeper.said)
    daemon.place.clock.elapsed_s += 6.0
    daemon.place.keeper.wake()
    asker.join(9.0)
    link.close()
    (answer,) = answers
    assert answer["ok"] and "do not answer" in answer["why"] and "locked for work by Ada" in answer["told"]
    daemon.place.relays.free.set()
    daemon.place.until(lambda: daemon.place.relays.on() == [])
