from __future__ import annotations

import getpass
import json
import signal
import socket
import stat
import subprocess
import sys
import threading
from datetime import UTC, date, datetime, timedelta

import pytest

from dewpond.adapters import operator_socket
from dewpond.adapters.desk import OperatorDesk
from dewpond.adapters.operator_socket import CLIENTS, LONGEST_LINE_BYTES, NotReachable, OperatorClient, OperatorSocket
from dewpond.adapters.single_instance import AlreadyRunning
from dewpond.model.events import Now
from dewpond.model.reasons import ZoneReason
from dewpond.model.view import OpeningView, SiteView, ZoneView
from dewpond.ports import OperatorReply

AT = datetime(2027, 5, 1, 20, 0, tzinfo=UTC)
NOW = Now(wall=AT, elapsed_s=0.0)


class StillClock:
    def __init__(self):
        self.woken = threading.Event()

    def now(self):
        return NOW

    def wake(self):
        self.woken.set()


def zone_view(zone, *, reason=None):
    return ZoneView(
        id=zone,
        name=zone.title(),
        supply="main",
        output=3,
        valve="closed",
        opened_at=None,
        until=None,
        asked_by="",
        depletion_mm=11.5,
        depletion_sd_mm=0.5,
        raw_mm=11.2,
        taw_mm=22.4,
        flow_l_min=45.0,
        held="",
        last_run_end=None,
        last_run_mm=None,
        week_litres=0.0,
        reason=reason,
    )


REASON = ZoneReason(
    zone="beds",
    window_date=date(2027, 5, 1),
    decided_at=AT,
    decision="water",
    rule="refill",
    summary="11.5 mm of 11.2 mm used.",
    depletion_mm=11.5,
    depletion_sd_mm=0.5,
    depletion_after_mm=0.0,
    raw_mm=11.2,
    taw_mm=22.4,
    net_mm=11.5,
    gross_mm=14.9,
    seconds=1450.0,
    would_change="Rain of 0.4 mm.",
)


def opening(zone):
    return OpeningView(
        zone=zone,
        supply="main",
        start=AT,
        seconds=60.0,
        gross_mm=1.0,
        flow_l_min=45.0,
        source="refill",
        state="planned",
    )


VIEW = SiteView(
    at=AT,
    name="Withy Hollow",
    slug="withy-hollow",
    timezone="Europe/London",
    units="metric",
    broker="none",
    keeper="ready",
    clock_trusted=True,
    hold_until=None,
    hold_reason="",
    window_date=date(2027, 5, 1),
    window_opens=AT,
    window_closes=AT + timedelta(hours=9),
    next_planning=None,
    zones=(zone_view("beds", reason=REASON), zone_view("lawn")),
    supplies=(),
    sensors=(),
    openings=(opening("beds"), opening("lawn")),
    alarms=(),
)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "operator.sock"


@pytest.fixture
def clock():
    return StillClock()


@pytest.fixture
def desk(clock):
    return OperatorDesk(clock, "s")


@pytest.fixture
def listening(path, desk):
    listener = OperatorSocket(path, desk)
    listener.start()
    yield listener
    listener.close()


@pytest.fixture
def client(listening, path):
    return OperatorClient(path)


def reply_to_next(desk, clock, reply):
    """Plays the brain for one request, in a thread; returns the list its event will be in."""
    seen = []

    def brain():
        assert clock.woken.wait(30)
        seen.extend(desk.drain(NOW))
        for event in seen:
            desk.answer(event.request_id, reply)

    threading.Thread(target=brain).start()
    return seen


def raw(path, *lines):
    """Whatever the daemon says to these bytes until it hangs up or each line has its answer."""
    with socket.socket(socket.AF_UNIX) as connection:
        connection.settimeout(30)
        connection.connect(str(path))
        answers = []
        with connection.makefile("rb") as stream:
            for line in lines:
                connection.sendall(line)
                answers.append(stream.readline())
        return [json.loads(answer) for answer in answers if answer]


def test_a_request_reaches_the_brain_and_its_answer_the_person(client, desk, clock):
    seen = reply_to_next(desk, clock, OperatorReply(accepted=True, text="Beds open now.", body={"at": AT}))
    answer = client.call("water", zone="beds", seconds=90)
    assert answer == {"ok": True, "text": "Beds open now.", "body": {"at": AT.isoformat()}}
    (event,) = seen
    assert (event.action, event.zone, event.seconds) == ("water", "beds", 90.0)
    assert event.who == f"{getpass.getuser()} at the command line"


def test_a_refusal_of_the_brain_is_passed_on(client, desk, clock):
    reply_to_next(desk, clock, OperatorReply(accepted=False, text="A work lock is set."))
    assert client.call("stop") == {"ok": False, "text": "A work lock is set.", "body": {}}


def test_a_hold_carries_its_time_across(client, desk, clock):
    seen = reply_to_next(desk, clock, OperatorReply(accepted=True, text=""))
    client.call("hold", until=AT, reason="lawn party")
    assert (seen[0].until, seen[0].reason, seen[0].zone) == (AT, "lawn party", None)


def test_a_percent_carries_its_program_across_and_none_means_back_to_the_file(client, desk, clock):
    seen = reply_to_next(desk, clock, OperatorReply(accepted=True, text=""))
    client.call("percent", program="Front beds", percent=80)
    assert (seen[0].action, seen[0].program, seen[0].percent) == ("percent", "Front beds", 80.0)
    clock.woken.clear()
    seen = reply_to_next(desk, clock, OperatorReply(accepted=True, text=""))
    client.call("percent", program="Front beds")
    assert (seen[0].program, seen[0].percent) == ("Front beds", None)
    assert "is not a number from 0 to 200" in client.call("percent", program="Front beds", percent=201)["text"]
    assert client.call("percent", percent=80)["text"] == "percent: program is missing"


def test_reading_is_answered_from_the_published_view(client, desk):
    assert client.call("status")["text"] == "the daemon is still starting; try again in a moment"
    desk.publish(VIEW)
    status = client.call("status")
    assert status["ok"]
    assert [zone["id"] for zone in status["body"]["zones"]] == ["beds", "lawn"]
    assert [zone["id"] for zone in client.call("status", zone="lawn")["body"]["zones"]] == ["lawn"]
    plan = client.call("plan", zone="beds")["body"]
    assert (plan["window_date"], [one["zone"] for one in plan["openings"]]) == ("2027-05-01", ["beds"])
    (reason,) = client.call("reasons")["body"]["reasons"]
    assert reason["sentences"] == ["11.5 mm of 11.2 mm used.", "Rain of 0.4 mm."]
    assert client.call("reasons", zone="shed")["text"] == "there is no zone 'shed'; there are beds, lawn"


GARBAGE = [
    (b"hello\n", "not one line of JSON"),
    (b"\xff\xfe\n", "not one line of JSON"),
    (b"[" * 2000 + b"\n", "not one line of JSON"),
    (b"[]\n", 'not a JSON object with an "op"'),
    (b'{"op": 3}\n', 'not a JSON object with an "op"'),
    (b'{"op": "explode"}\n', "operation 'explode' is not known"),
    (b'{"op": "status", "zone": ["beds"]}\n', "there is no zone ['beds']; there are beds, lawn"),
    (b'{"op": "water", "zone": "beds", "seconds": NaN}\n', "seconds is not a number"),
    (b'{"op": "water", "zone": "beds", "seconds": 1e400}\n', "seconds (inf) is not above 0 and at most 43200"),
    (b"x" * (LONGEST_LINE_BYTES + 1) + b"\n", "longer than 4096 bytes"),
]


def test_garbage_is_refused_in_words_and_the_daemon_lives_on(client, path, desk):
    desk.publish(VIEW)
    for line, words in GARBAGE:
        (answer,) = raw(path, line)
        assert answer["ok"] is False
        assert words in answer["text"]
    assert client.call("status")["ok"]


def test_one_conversation_may_hold_several_requests(listening, path, desk):
    desk.publish(VIEW)
    answers = raw(path, b'{"op": "status"}\n', b"oops\n", b'{"op": "plan"}\n')
    assert [answer["ok"] for answer in answers] == [True, False, True]


def test_people_who_say_nothing_do_not_keep_others_waiting_and_are_shown_out(listening, path, desk, monkeypatch):
    monkeypatch.setattr(operator_socket._Conversation, "timeout", 0.5)
    desk.publish(VIEW)
    silent = [socket.socket(socket.AF_UNIX) for _ in range(CLIENTS - 1)]
    try:
        for one in silent:
            one.connect(str(path))
            one.sendall(b'{"op": ')
        assert OperatorClient(path).call("status")["ok"]
        for one in silent:
            one.settimeout(30)
            assert one.recv(1) == b""
    finally:
        for one in silent:
            one.close()
    assert OperatorClient(path).call("status")["ok"]


def test_beyond_the_limit_of_people_one_is_told_to_come_again(listening, path):
    seated = [socket.socket(socket.AF_UNIX) for _ in range(CLIENTS)]
    try:
        for one in seated:
            one.connect(str(path))
        assert "16 others are being served, which is the limit" in OperatorClient(path).call("status")["text"]
    finally:
        for one in seated:
            one.close()


def test_the_socket_is_for_owner_and_group_and_gone_after_the_close(path, desk):
    listener = OperatorSocket(path, desk)
    listener.start()
    assert stat.S_IMODE(path.stat().st_mode) == 0o660
    listener.close()
    listener.close()
    assert list(path.parent.iterdir()) == []


def test_a_second_daemon_does_not_take_the_socket_of_a_live_one(client, path, desk):
    with pytest.raises(AlreadyRunning, match="another daemon answers there"):
        OperatorSocket(path, desk).start()
    desk.publish(VIEW)
    assert client.call("status")["ok"]


def test_the_socket_of_a_killed_daemon_is_replaced(path, desk):
    code = "import socket, sys, time; s = socket.socket(socket.AF_UNIX); s.bind(sys.argv[1]); s.listen()\n"
    with subprocess.Popen(
        [sys.executable, "-c", code + "print(1, flush=True); time.sleep(60)", path], stdout=-1
    ) as dead:
        dead.stdout.readline()
        dead.send_signal(signal.SIGKILL)
    assert path.is_socket()
    with pytest.raises(NotReachable, match="connection refused"):
        OperatorClient(path).call("status")
    listener = OperatorSocket(path, desk)
    listener.start()
    desk.publish(VIEW)
    assert OperatorClient(path).call("status")["ok"]
    listener.close()


def test_a_file_in_the_way_is_not_destroyed(path, desk):
    path.write_text("mine")
    with pytest.raises(AlreadyRunning, match="is no socket; move it away"):
        OperatorSocket(path, desk).start()
    assert path.read_text() == "mine"


def test_without_a_daemon_the_client_says_so_in_one_line(path):
    with pytest.raises(NotReachable) as refusal:
        OperatorClient(path).call("status")
    assert str(refusal.value) == f"no daemon answers at {path} (no such file or directory); is `dewpond run` up?"


def test_a_daemon_that_hangs_is_told_from_one_that_is_not_there(path):
    with socket.socket(socket.AF_UNIX) as hung:
        hung.bind(str(path))
        hung.listen()
        with pytest.raises(NotReachable, match="it is silent"):
            OperatorClient(path, timeout_s=0.05).call("status")


def test_a_path_longer_than_a_socket_name_is_served_all_the_same(tmp_path, desk):
    long = tmp_path / ("x" * 120) / "operator.sock"
    long.parent.mkdir()
    server = OperatorSocket(long, desk)
    server.start()
    try:
        assert OperatorClient(long).call("nonsense")["ok"] is False
    finally:
        server.close()
    assert not long.exists()


def test_the_work_on_foot_never_reaches_the_brain(path, desk):
    asked = []

    def upkeep(op, plain, who):
        asked.append((op, plain, who))
        return {"ok": True, "text": "", "body": {"walks": []}}

    listener = OperatorSocket(path, desk, upkeep)
    listener.start()
    try:
        told = OperatorClient(path).call("upkeep/walks", by="Ada")
    finally:
        listener.close()
    assert told["body"] == {"walks": []}
    assert asked == [("walks", {"by": "Ada"}, f"{getpass.getuser()} at the command line")]
    assert not desk.drain(NOW)


def test_without_a_desk_for_it_the_work_on_foot_is_not_known(client):
    told = client.call("upkeep/walks")
    assert not told["ok"]
    assert "'upkeep/walks' is not known" in told["text"]
