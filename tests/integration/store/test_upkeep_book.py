from __future__ import annotations

import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import UTC, datetime

import pytest

from dewpond.adapters.store.memory_upkeep import MemoryUpkeepBook
from dewpond.adapters.store.tables import StoreUnusable
from dewpond.adapters.store.upkeep_book import SqlUpkeepBook
from dewpond.model.upkeep import EntryRefused, Overtaken, UpkeepEntry, next_entry

NOON = datetime(2027, 6, 1, 12, tzinfo=UTC)


@pytest.fixture(params=["on disk", "in memory"])
def book(request, url):
    return SqlUpkeepBook(url) if request.param == "on disk" else MemoryUpkeepBook()


def entry(subject="front-lawn", made_from=None, who="Ada", **body):
    return next_entry("register", subject, body, who=who, at=NOON, made_from=made_from)


def test_every_version_stays_and_the_newest_is_found(book):
    first = entry(waters="turf")
    book.keep(first)
    book.keep(entry(made_from=first, who="Ben", waters="turf, two maples", heads=[{"count": 9, "radius_m": 3.7}]))
    assert [(e.version, e.who, e.body["waters"]) for e in book.history("register", "front-lawn")] == [
        (1, "Ada", "turf"),
        (2, "Ben", "turf, two maples"),
    ]
    newest = book.newest("register", "front-lawn")
    assert (newest.at, newest.body["heads"]) == (NOON, [{"count": 9, "radius_m": 3.7}])
    assert book.newest("register", "hedge") is None


def test_of_two_edits_made_from_one_version_the_second_is_told_and_nothing_is_lost(book):
    first = entry(waters="turf")
    book.keep(first)
    book.keep(entry(made_from=first, who="Ben", waters="turf and roses"))
    with pytest.raises(Overtaken, match=r"Ben changed it .* made from version 1; nothing was lost") as told:
        book.keep(entry(made_from=first, waters="turf and sage"))
    assert told.value.newest.body == {"waters": "turf and roses"}
    assert len(book.history("register", "front-lawn")) == 2


def test_several_entries_are_kept_together_or_not_at_all(book):
    book.keep(entry(waters="turf"))
    with pytest.raises(Overtaken):
        book.keep(entry("hedge", waters="yew"), entry(waters="again the first"))
    assert [e.subject for e in book.all_newest("register")] == ["front-lawn"]


def test_subjects_are_found_by_how_they_begin(book):
    book.keep(*(entry(name, n=1) for name in ("walk-1/a", "walk-1/b", "walk-10/a", "walk_1/c")))
    assert [e.subject for e in book.all_newest("register", "walk-1/")] == ["walk-1/a", "walk-1/b"]
    assert [e.subject for e in book.all_newest("register", "walk_")] == ["walk_1/c"]
    assert book.all_newest("task") == []


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"who": "  "}, "who: it is empty"),
        ({"subject": "x" * 201}, "subject: 201 letters, at most 200"),
        ({"body": {"rate_mm_h": float("nan")}}, "finite numbers"),
        ({"body": {"at": NOON}}, "not JSON serializable"),
        ({"body": {"picture": "x" * 1_000_001}}, "at most 1000000; keep pictures as files"),
        ({"at": datetime(2027, 6, 1)}, "no offset"),  # noqa: DTZ001
        ({"version": 0}, "versions count from 1"),
        ({"version": 3}, "no version 2|made from version 2, and there is none"),
    ],
)
def test_what_cannot_be_kept_is_refused_with_the_limit(book, change, words):
    fields = {"kind": "register", "subject": "hedge", "version": 1, "at": NOON, "who": "Ada", "body": {}}
    with pytest.raises(EntryRefused, match=words):
        book.keep(UpkeepEntry(**{**fields, **change}))
    assert book.all_newest("register") == []


def test_twenty_people_at_once_lose_nothing(url):
    SqlUpkeepBook(url).keep(entry("hedge", notes=[]))

    def add(name):
        book = SqlUpkeepBook(url)
        while True:
            newest = book.newest("register", "hedge")
            try:
                book.keep(entry("hedge", newest, name, notes=[*newest.body["notes"], name]))
            except Overtaken:
                continue
            return

    names = [f"person {n}" for n in range(20)]
    with ThreadPoolExecutor(8) as people:
        list(people.map(add, names))
    assert sorted(SqlUpkeepBook(url).newest("register", "hedge").body["notes"]) == sorted(names)


def test_the_daemon_and_a_person_write_into_one_store(store, url):
    book = SqlUpkeepBook(url)
    book.keep(entry(waters="turf"))
    assert store.commit()
    assert book.newest("register", "front-lawn").body == {"waters": "turf"}


def test_a_locked_store_is_told_and_nothing_is_kept(store, url, path, monkeypatch):
    monkeypatch.setattr("dewpond.adapters.store.dialect.LOCK_WAIT_S", 0.05)
    monkeypatch.setattr("dewpond.adapters.store.dialect.writing.__wrapped__.__defaults__", (0.05,))
    book = SqlUpkeepBook(url)
    book.keep(entry())
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreUnusable, match="another process keeps it locked; nothing was kept, try again"):
            book.keep(entry("hedge"))
    assert book.newest("register", "hedge") is None
