"""The keeper's loop behind its socket: many clients, rude clients, and relays that do not come back."""

from __future__ import annotations

import json
import random
import socket
import threading
from contextlib import closing
from typing import Any

import pytest


class Talker:
    """One client that sends raw lines."""

    def __init__(self, place) -> None:
        self.link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.link.settimeout(10.0)
        try:
            self.link.connect(str(place.path))
        except OSError:
            self.link.close()
            raise
        self._lines = self.link.makefile("rb")

    def say(self, **body: Any) -> dict[str, Any]:
        self.send(json.dumps(body).encode() + b"\n")
        return self.hear()

    def send(self, data: bytes) -> None:
        self.link.sendall(data)

    def hear(self) -> dict[str, Any]:
        return json.loads(self._lines.readline())

    def hung_up(self) -> bool:
        return self._lines.readline() == b""

    def close(self) -> None:
        self._lines.close()
        self.link.close()


@pytest.fixture
def talk(place):
    talkers = []

    def new() -> Talker:
        talkers.append(Talker(place))
        return talkers[-1]

    yield new
    for talker in talkers:
        talker.close()


def open_body(run: str = "r1", output: int = 1, lease_s: float = 90.0) -> dict[str, Any]:
    return {"op": "open", "output": output, "run": run, "lease_s": lease_s, "planned_s": 600.0}


def test_a_run_is_opened_seen_renewed_and_closed(place, talk) -> None:
    keeper = place.start()
    assert keeper.announced.wait(5.0) and keeper.watcher.starts == 1
    talker = talk()
    assert talker.say(**open_body())["ok"] and place.relays.on() == [1]
    place.clock.elapsed_s += 60.0
    assert talker.say(op="renew", output=1, run="r1", lease_s=90)["ok"]
    status = talker.say(op="status")
    assert status["ready"] and status["session"] == "life 1"
    assert status["outputs"] == {
        "1": {"run": "r1", "open_s": 60.0, "left_s": 90.0, "planned_left_s": 540.0, "closing": ""}
    }
    answer = talker.say(op="close", output=1, run="r1", who="done")
    assert answer["closings"] == {"r1": {"output": 1, "open_s": 60.0, "ago_s": 0.0, "why": "done", "wished": False}}
    place.clock.elapsed_s += 5.0
    assert talker.say(op="hello")["closings"]["r1"]["ago_s"] == 5.0
    assert place.relays.on() == [] and place.clock.acts == 3


def test_a_lease_ends_although_its_client_has_vanished(place, talk) -> None:
    keeper = place.start()
    keeper.announced.wait(5.0)
    talker = talk()
    talker.say(**open_body())
    talker.close()
    place.clock.elapsed_s += 89.0
    assert place.relays.on() == [1]
    place.clock.elapsed_s += 1.0
    place.until(lambda: place.relays.on() == [])
    place.until(lambda: keeper.said == ["output 1 closed after 90 s: its lease ended without renewal"])


def test_anybody_may_close_what_another_has_opened(place, talk) -> None:
    place.start().announced.wait(5.0)
    talk().say(**open_body())
    answer = talk().say(op="close", output=1, who="stopped by a person")
    assert answer["ok"] and answer["closings"]["r1"]["why"] == "stopped by a person"
    talk().say(**open_body("r2", 2))
    assert talk().say(op="close_all")["closings"].keys() == {"r2"} and place.relays.on() == []


@pytest.mark.parametrize(
    "garbage", [b"\n", b"stop\n", b"\x00\xff\xfe\n", b"[" * 4000 + b"\n", b'{"op":"open","output":1e400}\n', b"{}\n"]
)
def test_garbage_is_refused_and_the_talk_goes_on(place, talk, garbage: bytes) -> None:
    place.start().announced.wait(5.0)
    talker = talk()
    talker.send(garbage)
    refused = talker.hear()
    assert not refused["ok"] and refused["why"]
    assert talker.say(op="hello")["ok"]


def test_a_line_without_end_is_cut_off(place, talk) -> None:
    place.start().announced.wait(5.0)
    talker = talk()
    talker.send(b"x" * 5000)
    assert "4096 bytes" in talker.hear()["why"] and talker.hung_up()
    assert talk().say(op="hello")["ok"]


def test_many_lines_at_once_are_answered_in_order(place, talk) -> None:
    place.start().announced.wait(5.0)
    talker = talk()
    lines = [open_body(), {"op": "hello"}, {"op": "close", "output": 1}, {"op": "hello"}, {"op": "nonsense"}]
    talker.send(b"".join(json.dumps(line).encode() + b"\n" for line in lines * 200))
    for _ in range(200):
        answers = [talker.hear() for _ in lines]
        assert [answer["ok"] for answer in answers] == [True, True, True, True, False]
        assert list(answers[1]["outputs"]) == ["1"] and answers[3]["outputs"] == {}


def test_a_client_that_only_talks_gets_its_answer_after_hanging_up_its_side(place, talk) -> None:
    place.start().announced.wait(5.0)
    talker = talk()
    talker.send(json.dumps(open_body()).encode() + b"\n")
    talker.link.shutdown(socket.SHUT_WR)
    assert talker.hear()["ok"] and talker.hung_up()


def test_all_that_was_said_before_hanging_up_is_answered(place, talk) -> None:
    place.start().announced.wait(5.0)
    talker = talk()
    lines = [open_body(), {"op": "close", "output": 1}, open_body("r2"), {"op": "close", "output": 1}]
    talker.send(b"".join(json.dumps(line).encode() + b"\n" for line in lines))
    talker.link.shutdown(socket.SHUT_WR)
    assert [talker.hear()["ok"] for _ in lines] == [True] * 4 and talker.hung_up()


def test_a_client_that_does_not_listen_is_dropped_and_holds_nobody_up(place, talk) -> None:
    place.start().announced.wait(5.0)
    deaf = talk()
    deaf.link.settimeout(0.5)
    with pytest.raises(OSError):
        for _ in range(400):
            deaf.send(b'{"op":"status"}\n' * 64)
    assert talk().say(op="hello")["ok"]


def test_a_crowd_of_idle_clients_keeps_nobody_out_and_the_first_stays(place, talk) -> None:
    place.start().announced.wait(5.0)
    daemon = talk()
    assert daemon.say(op="hello")["ok"]
    for _ in range(250):
        talk()
    assert talk().say(op="close_all")["ok"]
    assert daemon.say(op="hello")["ok"]


def test_relays_out_of_reach_at_start_refuse_everything_until_they_are_back(place, talk) -> None:
    place.relays.unplugged = True
    keeper = place.start()
    talker = talk()
    place.until(lambda: keeper.said)
    assert "nobody answers" in keeper.said[0]
    refused = talker.say(**open_body())
    assert not refused["ok"] and not refused["ready"] and "could not be switched off" in refused["why"]
    for _ in range(20):
        place.until(lambda: not keeper._loop._worker.busy)  # time moved under a slow relay thread would be a hang
        place.clock.elapsed_s += 5.0
        assert not talker.say(op="status")["ready"]
    place.relays.unplugged = False
    place.clock.elapsed_s += 5.0
    assert keeper.announced.wait(5.0)
    assert talker.say(**open_body())["ok"]


def test_relays_that_hang_do_not_hang_the_keeper(place, talk) -> None:
    keeper = place.start()
    keeper.announced.wait(5.0)
    place.relays.free.clear()
    stuck, other = talk(), talk()
    stuck.send(json.dumps(open_body()).encode() + b"\n")
    place.until(lambda: keeper._loop._worker.busy)
    assert other.say(op="status")["ready"], "not yet given up"
    other.send(json.dumps(open_body("r2", 2)).encode() + b"\n")
    place.clock.elapsed_s += 5.0
    keeper.wake()
    assert "do not answer" in stuck.hear()["why"] and "do not answer" in other.hear()["why"]
    status = other.say(op="status")
    assert not status["ready"] and "do not answer" in status["alarm"] and "do not answer" in keeper.said[0]
    assert not other.say(**open_body("r3", 3))["ok"] and not other.say(op="close_all")["ok"]
    pulses = keeper.watcher.pulses
    place.relays.free.set()
    place.until(lambda: other.say(op="status")["ready"])
    assert place.relays.on() == [], "the opening that came too late was closed again"
    place.until(lambda: keeper.watcher.pulses > pulses)


def test_a_board_that_is_too_slow_for_a_stop_is_told_by_its_figures_and_what_to_do(place, talk) -> None:
    """Such a board answers, so "it does not answer" would send people to look for a broken cable."""
    keeper = place.start()
    keeper.announced.wait(5.0)
    quick_off, takes_s = place.relays.all_off, [6.5]

    def slow_off() -> None:
        quick_off()
        place.clock.elapsed_s += takes_s[0]
        if takes_s[0] > 5.0:
            place.until(lambda: keeper._loop._hangs)

    place.relays.all_off = slow_off
    talk().say(op="close_all", who="stopped by Ada")
    place.until(lambda: "too slowly" in talk().say(op="status")["alarm"])
    told = talk().say(op="status")
    assert not told["ready"] and "took 6.5 s" in told["alarm"] and "5 s at most" in told["alarm"]
    assert "faster line" in told["alarm"] and any("too slowly" in said for said in keeper.said)
    assert "too slowly" in talk().say(**open_body())["why"]
    takes_s[0] = 1.0
    place.until(lambda: talk().say(op="status")["ready"])
    assert talk().say(op="status")["alarm"] == "" and place.relays.on() == []


def test_relays_that_never_come_back_end_the_process(place, talk) -> None:
    keeper = place.start()
    keeper.announced.wait(5.0)
    place.relays.free.clear()
    talk().send(json.dumps(open_body()).encode() + b"\n")
    place.until(lambda: keeper._loop._worker.busy)
    place.clock.elapsed_s += 6.0
    keeper.wake()
    place.until(lambda: keeper._loop._hangs)
    place.clock.elapsed_s += 30.0
    keeper.wake()
    place.until(lambda: keeper.raised is not None)
    assert "has not answered for 3" in str(keeper.raised)
    place.relays.free.set()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_mistake_in_the_program_ends_the_process_so_that_a_new_one_closes_everything(place, talk) -> None:
    keeper = place.start()
    keeper.announced.wait(5.0)
    place.relays.set_output = None
    talk().send(json.dumps(open_body()).encode() + b"\n")
    place.until(lambda: keeper.raised is not None)
    assert "the relay thread has failed" in str(keeper.raised)
    keeper.kill()
    place.keeper = None


def test_what_waits_to_open_is_dropped_when_everything_is_to_close(place, talk) -> None:
    keeper = place.start()
    keeper.announced.wait(5.0)
    place.relays.free.clear()
    first, second, person = talk(), talk(), talk()
    first.send(json.dumps(open_body()).encode() + b"\n")
    place.until(lambda: keeper._loop._worker.busy)
    second.send(json.dumps(open_body("r2", 2)).encode() + b"\n")
    place.until(lambda: keeper._loop._tasks)
    person.send(b'{"op":"close_all","who":"stopped by a person"}\n')
    assert second.hear()["why"] == "everything is being closed"
    place.relays.free.set()
    assert first.hear()["ok"] and person.hear()["closings"].keys() == {"r1"} and place.relays.on() == []


def test_clients_that_open_and_close_everything_at_once_do_not_trip_the_keeper(place, talk) -> None:
    """Answers given while everything is dropped let the next lines in, which may drop everything again."""
    keeper = place.start()
    keeper.announced.wait(5.0)
    place.relays.free.clear()
    talk().send(json.dumps(open_body()).encode() + b"\n")
    place.until(lambda: keeper._loop._worker.busy)
    pairs = [json.dumps(open_body(f"x{number}", number % 4 + 1)).encode() + b"\n" for number in range(8)]
    crowd = [talk() for _ in range(6)]
    for talker in crowd:
        talker.send(b"".join(line + b'{"op":"close_all"}\n' for line in pairs))
    place.relays.free.set()
    for talker in crowd:
        for _ in range(16):
            talker.hear()
    assert crowd[0].say(op="hello")["outputs"] == {} and place.relays.on() == []


def test_nonsense_from_many_sides_leaves_the_keeper_sound(place) -> None:
    keeper = place.start()
    keeper.announced.wait(5.0)
    threads = [threading.Thread(target=_babble, args=(place, seed)) for seed in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert keeper.raised is None
    with closing(Talker(place)) as talker:
        assert talker.say(op="close_all")["ok"] and place.relays.on() == []


def _babble(place, seed: int) -> None:
    draw = random.Random(seed)  # noqa: S311
    for _ in range(40):
        with closing(Talker(place)) as talker:
            talker.link.settimeout(0.02)
            for _ in range(draw.randrange(1, 30)):
                try:
                    talker.send(_word(draw))
                    if draw.random() < 0.3:
                        talker.link.recv(65536)
                except OSError:
                    break


def _word(draw: random.Random) -> bytes:
    output, run = draw.randrange(6), f"f{draw.randrange(4)}"
    bodies = [
        {"op": "status"},
        {"op": "locks"},
        {"op": "lock", "target": "lawn", "who": "x", "reason": "y"},
        {"op": "unlock", "target": "site", "who": "x", "reason": "y"},
        {"op": "winter_open", "who": "x", "signed": ["walked"]},
        {"op": "close_all"},
        {"op": "close", "output": output},
        {"op": "renew", "output": output, "run": run, "lease_s": 1},
        {"op": "open", "output": output, "run": run, "lease_s": draw.choice([0, -1, 50]), "planned_s": 60},
    ]
    words = [json.dumps(body).encode() + b"\n" for body in bodies]
    return draw.choice([*words, draw.randbytes(draw.randrange(300)), b'{"op":', b"\n"])


def test_stopping_switches_everything_off(place, talk) -> None:
    keeper = place.start()
    keeper.announced.wait(5.0)
    with closing(Talker(place)) as talker:
        talker.say(**open_body())
        assert keeper.stop() and place.relays.on() == []
        place.keeper = None
        assert talker.hung_up()


def test_stopping_with_relays_out_of_reach_tells_that_it_is_not_sure(place, talk) -> None:
    keeper = place.start()
    keeper.announced.wait(5.0)
    talk().say(**open_body())
    place.relays.unplugged = True
    assert not keeper.stop()
    place.keeper = None


def test_a_disk_that_hangs_while_locking_holds_no_valve_open(place, talk, monkeypatch: pytest.MonkeyPatch) -> None:
    place.start().announced.wait(5.0)
    (place.path.parent / "site.toml").write_text('[[zone]]\nid = "lawn"\noutput = 2\n')
    talker, other = talk(), talk()
    assert talker.say(**open_body())["ok"] and place.relays.on() == [1]
    syncing, free = threading.Event(), threading.Event()

    def hang(_handle: int) -> None:
        syncing.set()
        assert free.wait(10.0)

    monkeypatch.setattr("os.fsync", hang)
    other.send(b'{"op":"lock","target":"lawn","who":"Ada","reason":"new lateral"}\n')
    assert syncing.wait(5.0)
    place.clock.elapsed_s += 100.0
    place.keeper.wake()
    place.until(lambda: place.relays.on() == [])
    assert talker.say(op="locks")["locks"] == []
    free.set()
    assert other.hear()["told"].startswith("lawn is locked for work by Ada")
    refused = talker.say(**open_body("r2", 2))
    assert not refused["ok"] and "locked for work by Ada" in refused["why"]
    assert talker.say(**open_body("r3", 1))["ok"]


def test_closing_for_winter_refuses_every_output_of_the_keeper(place, talk) -> None:
    place.start().announced.wait(5.0)
    talker = talk()
    assert talker.say(**open_body())["ok"]
    answer = talker.say(op="winter_close", who="Ada")
    assert answer["ok"] and answer["closings"]["r1"]["why"].startswith("stopped: closed for winter by Ada")
    assert place.relays.on() == []
    for output in range(1, 5):
        assert "closed for winter" in talker.say(**open_body(f"w{output}", output))["why"]
