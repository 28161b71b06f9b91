"""Two people at two desks over one real store: whatever they do at once, nothing that was taken is lost.

Each form is edited by both from what both have seen; the second is told of the first. Then both work as fast as they
can, in threads of their own, and every word that was taken stands in the record.
"""

from __future__ import annotations

import shutil
import sqlite3
import threading
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest
from tests.unit.upkeep.conftest import a_site
from tests.unit.upkeep.test_nonsense import CUPS, DRIP

from dewpond.adapters.store.upkeep_book import SqlUpkeepBook
from dewpond.model.upkeep import Overtaken
from dewpond.upkeep.answers import answer
from dewpond.upkeep.desk import UpkeepDesk
from dewpond.upkeep.refusal import Refused

JUNE = datetime(2027, 6, 1, 14, tzinfo=UTC)


def _desk(path):
    return UpkeepDesk(a_site(), SqlUpkeepBook(f"sqlite:///{path}"))


@pytest.fixture(scope="module")
def begun(tmp_path_factory):
    """A store in which a walk and a job are on."""
    path = tmp_path_factory.mktemp("begun") / "dewpond.db"
    ada = _desk(path)
    for op, form in (
        ("walk-begin", {}),
        ("walk-tick", {"step": "leak-test", "keys": ["backflow-local"]}),
        ("walk-look", {"step": "leak-test", "place": "main", "findings": [{"fault": "backflow-drips"}]}),
        ("walk-tick", {"step": "valves-dry", "keys": ["valve-box"]}),
        ("care-device", {"device": "timer", "kind": "battery", "of": "timer back-up", "place": "site"}),
        ("care-begin", {"job": "monthly-look"}),
        ("care-tick", {"step": "supply", "keys": ["backflow-local"]}),
    ):
        ada.do(op, form, who="Ada", at=JUNE)
    with closing(sqlite3.connect(path)) as store:
        store.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


@pytest.fixture
def desks(begun, tmp_path):
    """Ada's desk in the daemon and Ben's in a command: nothing in common but the file."""
    path = tmp_path / "dewpond.db"
    shutil.copy(begun, path)
    return [_desk(path), _desk(path)]


# Each form as Ada and as Ben would send it from what both saw, and where it is kept.
AT_ONCE = [
    ("register-set", "register", "lawn", {"zone": "lawn", "version": 0}, "changes", {"notes": "x"}, {"notes": "y"}),
    ("task-move", "task", "main/backflow-drips", {"task": "main/backflow-drips", "version": 1}, "state", "in hand",
     "done"),
    ("walk-look", "look", "2027-06-01/valves-dry/lawn", {"step": "valves-dry", "place": "lawn", "findings": []},
     "note", "dry", "damp"),
    ("walk-leave-out", "look", "2027-06-01/valves-dry/bank", {"step": "valves-dry", "place": "bank"}, "why", "dog",
     "bees"),
    ("walk-end", "walk", "2027-06-01", {}, "note", "rain", "dusk"),
    ("audit-cups", "cups", "lawn", {"zone": "lawn", "unit": "mL", "minutes": "10 min", "mouth": "95 cm2", "version": 0},
     "csv", CUPS, CUPS.replace(",20\n", ",21\n")),
    ("audit-drip", "drip-audit", "beds", {"zone": "beds", "seconds": "60 s", "version": 0}, "csv", DRIP,
     DRIP.replace(",15\n", ",16\n")),
    ("care-climate", "care-climate", "site", {"first_frost": "10-12", "version": 0}, "last_frost", "05-02", "04-20"),
    ("care-device", "care-device", "timer", {"device": "timer", "version": 1}, "serial", "A1", "B2"),
    ("care-done", "care-done", "device/timer", {"duty": "device/timer", "version": 0}, "note", "9 V", "new holder"),
    ("care-report", "care-step", "monthly-look/2027-06-01/supply/main", {"step": "supply", "place": "main"}, "note",
     "dry", "wet"),
    ("care-leave-out", "care-step", "monthly-look/2027-06-01/supply/main", {"step": "supply", "place": "main"}, "why",
     "locked", "flooded"),
    ("care-end", "care-job", "monthly-look/2027-06-01", {"broken_off": True}, "note", "thunder", "night"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("op", "kind", "subject", "same", "field", "adas", "bens"), AT_ONCE, ids=[a[0] for a in AT_ONCE]
)
def test_the_second_of_two_is_told_of_the_first_and_the_first_stands(desks, op, kind, subject, same, field, adas, bens):
    ada, ben = desks
    done = {"why": "seat cleaned"} if op == "task-move" else {}
    ada.do(op, {**same, field: adas, **done}, who="Ada", at=JUNE)
    versions = ada.book.history(_kind(kind), subject)
    told = answer(ben, op, {**same, field: bens, **done}, who="Ben", at=JUNE + timedelta(seconds=1))
    assert not told["ok"]
    assert len(told["text"]) > 15
    assert ben.book.history(_kind(kind), subject) == versions
    assert versions[-1].who == "Ada"


def _kind(kind):
    from dewpond.upkeep.cups import KIND

    return KIND if kind == "cups" else kind


def test_of_two_imports_made_from_one_export_the_second_is_refused_where_they_meet(desks):
    ada, ben = desks
    sheet = ada.do("register-export", {}, who="Ada", at=JUNE)["csv"]
    ada.do("register-set", {"zone": "bank", "changes": {"notes": "Ada's"}, "version": 0}, who="Ada", at=JUNE)
    head = sheet.splitlines()[0].split(",")
    lines = sheet.splitlines()
    at = head.index("notes")
    for number, line in enumerate(lines):
        cells = line.split(",")
        if cells[0] in ("bank", "lawn") and number:
            cells[at] = "Ben's"
            lines[number] = ",".join(cells)
    told = answer(ben, "register-import", {"csv": "\n".join(lines)}, who="Ben", at=JUNE)
    assert not told["ok"]
    notes = {zone: card.notes for zone, card in ben.cards().items()}
    assert (notes["bank"], notes["lawn"]) == ("Ada's", "")  # all of a file, or nothing


def test_both_at_full_speed_lose_no_word_that_was_taken(desks):
    taken: list[tuple[str, str]] = []
    trouble: list[BaseException] = []
    gate = threading.Barrier(2)

    def work(desk, who):
        gate.wait()
        for number in range(6):
            word = f"{who} {number}"
            for op, form in (
                ("register-set", {"zone": "lawn", "changes": {"notes": word}}),
                ("care-done", {"duty": "device/timer", "note": word}),
                ("care-device", {"device": "timer", "note": word}),
            ):
                _until_taken(desk, op, form, who, (word, taken, trouble))

    people = [threading.Thread(target=work, args=pair) for pair in zip(desks, ("Ada", "Ben"), strict=True)]
    for one in people:
        one.start()
    for one in people:
        one.join(60.0)
    assert trouble == []
    assert len(taken) == 2 * 6 * 3
    book = desks[0].book
    for op, kind, subject, field in (
        ("register-set", "register", "lawn", "notes"),
        ("care-done", "care-done", "device/timer", "note"),
        ("care-device", "care-device", "timer", "note"),
    ):
        history = book.history(kind, subject)
        assert [entry.version for entry in history] == list(range(1, len(history) + 1))
        words = [entry.body[field] for entry in history]
        assert sorted(word for of, word in taken if of == op) == sorted(word for word in words if word)


def _until_taken(desk, op, form, who, record):
    """What a person does who is told that somebody was first: look again, and enter it again."""
    word, taken, trouble = record
    for _ in range(200):
        try:
            desk.do(op, form, who=who, at=JUNE)
        except Overtaken:
            continue
        except (Refused, OSError, RuntimeError) as wrong:
            trouble.append(wrong)
            return
        taken.append((op, word))
        return
    trouble.append(AssertionError(f"{who} never got through with {op}"))
