"""Daemon, keeper and site on one shared time over real sockets: causes of a move are always seen before the move."""

from __future__ import annotations

import itertools
import queue
import selectors
import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dewpond.adapters.paced_clock import ClockLost, ClockRefused, PacedClock, paced_clock_for
from dewpond_drivers import paced_clock as keeper_side
from dewpond_sim.conductor_server import ConductorServer, Pace

START = datetime(2031, 6, 1, 4, 0, tzinfo=UTC)
_ticks = itertools.count()


def real_s() -> float:
    return float(next(_ticks))


def test_a_paced_clock_is_refused_for_real_relays(tmp_path: Path):
    with pytest.raises(ClockRefused, match='driver is "gpio"'):
        paced_clock_for(f"unix:{tmp_path}/c", "gpio")


def test_without_conductor_both_clocks_say_so(tmp_path: Path):
    with pytest.raises(ClockLost, match="no conductor"):
        PacedClock(f"unix:{tmp_path}/nobody")
    with pytest.raises(keeper_side.ClockLost, match="no conductor"):
        keeper_side.PacedClock(f"unix:{tmp_path}/nobody")


def test_a_lone_participant_jumps_from_wake_up_to_wake_up(tmp_path: Path):
    with ConductorServer(tmp_path / "c", start=START, expected=["daemon"], real_s=real_s) as server:
        clock = PacedClock(server.address)
        for hour in range(1, 200):
            clock.wait(hour * 3600.0)
            assert clock.now().elapsed_s == hour * 3600.0
        assert clock.now().wall == START + timedelta(hours=199)
        clock.close()


def test_a_wake_from_another_thread_ends_a_wait_that_has_no_end(tmp_path: Path):
    with ConductorServer(tmp_path / "c", start=START, expected=["daemon"], real_s=real_s) as server:
        clock = PacedClock(server.address)
        waker = threading.Timer(0.05, clock.wake)
        waker.start()
        clock.wait(float("inf"))
        waker.join()
        assert clock.now().elapsed_s == 0.0
        clock.close()


def test_held_work_stops_the_time_until_it_is_over(tmp_path: Path):
    with ConductorServer(tmp_path / "c", start=START, expected=["daemon"], real_s=real_s) as server:
        clock = PacedClock(server.address)
        clock.hold()
        releaser = threading.Timer(0.05, clock.unhold)
        releaser.start()
        clock.wait(10.0)
        assert clock.now().elapsed_s == 0.0, "back early, with the answer queued"
        clock.wait(10.0)
        assert clock.now().elapsed_s == 10.0
        releaser.join()
        clock.close()


def test_a_participant_that_vanishes_does_not_stop_the_time(tmp_path: Path):
    with ConductorServer(tmp_path / "c", start=START, expected=["daemon", "site"], real_s=real_s) as server:
        daemon, site = PacedClock(server.address), PacedClock(server.address, "site")
        closer = threading.Timer(0.05, daemon.close)
        closer.start()
        site.wait(90.0)
        assert site.now().elapsed_s == 90.0
        closer.join()
        site.close()


def test_everybody_hears_of_the_end_of_the_conductor(tmp_path: Path):
    with ConductorServer(tmp_path / "c", start=START, expected=["daemon"], real_s=real_s) as server:
        clock, keeper = PacedClock(server.address), keeper_side.PacedClock(server.address)
    with pytest.raises(ClockLost):
        clock.wait(5.0)
    with selectors.DefaultSelector() as selector:
        keeper.register(selector)
        ((key, _),) = selector.select(5.0)
        with pytest.raises(keeper_side.ClockLost):
            keeper.handle(key)
    clock.close()
    keeper.close()


def test_a_lost_message_stops_the_time_only_for_a_while(tmp_path: Path):
    with ConductorServer(tmp_path / "c", start=START, expected=["site"], real_s=real_s, patience_s=0.1) as server:
        site = PacedClock(server.address, "site")
        site.count(sent=lambda: 1, processed=lambda: 0)
        site.wait(30.0)
        assert site.now().elapsed_s == 30.0
        site.close()


def test_a_limited_pace_stops_at_its_mark_and_says_so(tmp_path: Path):
    pace = Pace(real_s, until_s=7200.0)
    with ConductorServer(tmp_path / "c", start=START, expected=["site"], real_s=real_s, pace=pace) as server:
        site = PacedClock(server.address, "site")
        waiter = threading.Thread(target=lambda: _ignore_end(site))
        waiter.start()
        assert server.finished.wait(10.0)
        assert server.now_s == 7200.0
    waiter.join()
    site.close()


def _ignore_end(clock: PacedClock) -> None:
    try:
        while True:
            clock.wait(clock.now().elapsed_s + 1000.0)
    except ClockLost:
        return


class SmallKeeper(threading.Thread):
    """A keeper in miniature: a request opens for 90 s of the shared time, the log says when relays moved."""

    def __init__(self, address: str, door: socket.socket) -> None:
        super().__init__(daemon=True)
        self.log: list[tuple[float, str]] = []
        self._clock, self._door = keeper_side.PacedClock(address), door

    def run(self) -> None:
        deadline_s = float("inf")
        selector = selectors.DefaultSelector()
        selector.register(self._door, selectors.EVENT_READ)
        self._clock.register(selector)
        while True:
            for key, _ in selector.select(self._clock.select_timeout(deadline_s)):
                if self._clock.handle(key):
                    continue
                if not self._door.recv(16):
                    selector.close()
                    self._clock.close()
                    return
                deadline_s = self._clock.now_s() + 90.0
                self.log.append((self._clock.now_s(), "on"))
                self._clock.acted()
                self._door.send(b"ok")
            if self._clock.now_s() >= deadline_s:
                deadline_s = float("inf")
                self.log.append((self._clock.now_s(), "off"))
                self._clock.acted()


@pytest.fixture
def doors() -> Iterator[tuple[socket.socket, socket.socket]]:
    near, far = socket.socketpair()
    yield near, far
    near.close()
    far.close()


def test_a_lease_ends_on_time_and_every_message_is_seen_at_the_instant_it_was_sent(
    tmp_path: Path, doors: tuple[socket.socket, socket.socket]
):
    near, far = doors
    letters: queue.SimpleQueue[float] = queue.SimpleQueue()
    seen: list[tuple[float, float]] = []
    turns: list[tuple[float, str | None]] = []
    sent = [0]
    with ConductorServer(tmp_path / "c", start=START, expected=["daemon", "keeper", "site"], real_s=real_s) as server:
        keeper = SmallKeeper(server.address, far)
        daemon, site = PacedClock(server.address), PacedClock(server.address, "site", watches=True)
        daemon.count(processed=lambda: len(seen))
        site.count(sent=lambda: sent[0])

        def run_site() -> None:
            due_s = 0.0
            while site.now().elapsed_s < 1000.0:
                now_s = site.now().elapsed_s
                turns.append((now_s, keeper.log[-1][1] if keeper.log else None))
                if now_s >= due_s:
                    sent[0] += 1
                    letters.put(now_s)
                    daemon.wake()
                    due_s = now_s + 30.0
                site.wait(due_s)
            site.close()

        threads = [keeper, threading.Thread(target=run_site)]
        for thread in threads:
            thread.start()
        daemon.wait(200.0)
        while daemon.now().elapsed_s < 200.0:
            while not letters.empty():
                seen.append((letters.get(), daemon.now().elapsed_s))
            daemon.wait(200.0)
        near.send(b"open")
        assert near.recv(16) == b"ok"
        while threads[1].is_alive() and daemon.now().elapsed_s < 900.0:
            while not letters.empty():
                seen.append((letters.get(), daemon.now().elapsed_s))
            daemon.wait(900.0)
        daemon.close()
        threads[1].join()
        near.shutdown(socket.SHUT_WR)
        keeper.join()
    assert keeper.log == [(200.0, "on"), (290.0, "off")]
    assert (200.0, "on") in turns, "the site had a turn at the instant the relay moved"
    assert (290.0, "off") in turns
    assert len(seen) >= 30
    assert all(sent_s == seen_s for sent_s, seen_s in seen)
