"""Work locks and the winter state: what stands, who takes it off, and what a torn or damaged file means."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from dewpond_drivers.keeper_core import KeeperCore
from dewpond_drivers.layout import TargetRefused, read_layout
from dewpond_drivers.lock_file import DAMAGED, LockFile
from dewpond_drivers.locks import MOST_LOCKS, LockBook, LockRefused
from dewpond_drivers.performing import shut_for
from dewpond_drivers.simulated import SimulatedDriver, SimulatedSettings
from dewpond_drivers.winter import ITEMS

SITE_FILE = """
[relays]
driver = "simulated"
outputs = 6
[[supply]]
id = "main"
master = "relays:1"
[[supply]]
id = "well"
[[zone]]
id = "lawn"
supply = "main"
output = 2
[[zone]]
id = "beds"
supply = "main"
output = "relays:3"
[[zone]]
id = "orchard"
supply = "well"
output = 4
"""
ALL = range(1, 7)


class Place:
    """A state folder and a site file; ``book`` is a new life of the keeper's locks."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.site = folder / "site.toml"
        self.site.write_text(SITE_FILE)
        self.minute = 0
        self.path = folder / "locks.json"

    def wall(self) -> str:
        self.minute += 1
        return f"2027-06-01T04:{self.minute % 60:02d}:00Z"

    def book(self) -> LockBook:
        return LockBook(self.folder, self.site, self.wall)

    def shut(self) -> list[int]:
        """Outputs that a new life of the keeper refuses."""
        book = self.book()
        return [output for output in ALL if book.refusal(output)]

    def log(self) -> list[dict]:
        return [json.loads(line) for line in (self.folder / "locks.log").read_text().splitlines()]


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return Place(tmp_path)


@pytest.mark.parametrize(
    ("target", "shut"),
    [("lawn", [2]), ("supply:main", [1, 2, 3]), ("supply:well", [4]), ("site", [1, 2, 3, 4, 5, 6])],
)
def test_a_lock_covers_its_target_and_survives_a_restart(place: Place, target: str, shut: list[int]) -> None:
    assert place.shut() == []
    place.book().lock(target, "Ada", "new lateral")
    assert place.shut() == shut


def test_an_unknown_target_is_refused_with_the_known_ones(place: Place) -> None:
    with pytest.raises(TargetRefused, match=r"'meadow'.*site, supply:main, supply:well, beds, lawn, orchard"):
        place.book().lock("meadow", "Ada", "new lateral")
    assert place.shut() == []


@pytest.mark.parametrize(("who", "reason"), [("", "pipe"), ("  ", "pipe"), ("A" * 81, "pipe"), ("Ada", " ")])
def test_a_lock_needs_a_name_and_a_reason(place: Place, who: str, reason: str) -> None:
    with pytest.raises(LockRefused):
        place.book().lock("lawn", who, reason)
    assert place.shut() == []


def test_only_the_person_or_the_owner_takes_a_lock_off(place: Place) -> None:
    book = place.book()
    book.lock("lawn", "Ada", "new lateral")
    with pytest.raises(LockRefused, match="locked by Ada, not by Bert"):
        book.unlock("lawn", "Bert", "I want water")
    with pytest.raises(LockRefused, match="reason"):
        book.unlock("lawn", "Bert", "", owner=True)
    assert place.shut() == [2]
    book.unlock("lawn", "Bert", "Ada has gone home, nobody is there", owner=True)
    assert place.shut() == []
    assert [(line["what"], line["who"]) for line in place.log()] == [("work lock", "Ada"), ("unlock", "Bert")]
    assert place.log()[1]["owner"] is True and place.log()[1]["taken_off"][0]["who"] == "Ada"


def test_each_person_has_a_lock_of_their_own(place: Place) -> None:
    book = place.book()
    book.lock("lawn", "Ada", "new lateral")
    book.lock("lawn", "Bert", "heads")
    with pytest.raises(LockRefused, match="locked by ada already"):
        book.lock("lawn", "ada", "again")
    told = book.unlock("lawn", "Ada", "done").told
    assert "stays locked for work by Bert" in told and place.shut() == [2]
    book.unlock("lawn", "bert", "done")
    assert place.shut() == []


def test_rewiring_the_site_file_never_unlocks(place: Place) -> None:
    place.book().lock("lawn", "Ada", "new lateral")
    place.site.write_text(SITE_FILE.replace("output = 2", "output = 5"))
    assert place.shut() == [2, 5]
    place.site.write_text(SITE_FILE.replace('id = "lawn"', 'id = "meadow"'))
    assert place.shut() == [2]
    place.site.write_text("no site file at all [")
    assert place.shut() == [2]


@pytest.mark.parametrize("step", ["write", "fsync", "rename"])
def test_a_crash_while_locking_leaves_the_old_locks_or_the_new_ones(
    place: Place, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second fsync is that of ``locks.tmp``; the rename puts it in place."""

    class Killed(BaseException):
        pass

    def die(*_: object) -> None:
        raise Killed

    place.book().lock("lawn", "Ada", "new lateral")
    book = place.book()
    synced: list[int] = []
    real_fsync = os.fsync
    with monkeypatch.context() as patch:
        if step == "rename":
            patch.setattr(Path, "replace", die)
        elif step == "fsync":
            patch.setattr(os, "fsync", lambda handle: die() if len(synced) == 2 else synced.append(real_fsync(handle)))  # type: ignore[func-returns-value]
        else:
            patch.setattr(json, "dumps", die)
        with pytest.raises(Killed):
            book.lock("orchard", "Bert", "pump")
    assert place.shut() == [2]
    place.book().lock("orchard", "Bert", "pump")
    assert place.shut() == [2, 4]


def test_a_full_disk_refuses_the_lock_and_keeps_the_old_ones(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    book = place.book()
    book.lock("lawn", "Ada", "new lateral")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(LockRefused, match=r"No space left on device\); lawn is locked for work by Ada"):
        book.unlock("lawn", "Ada", "done")
    assert book.refusal(2) and place.shut() == [2]


@pytest.mark.parametrize(("target", "shut"), [("lawn", [2]), ("site", list(ALL))])
def test_nothing_opens_there_while_a_slow_disk_takes_the_lock_or_refuses_it(
    place: Place, monkeypatch: pytest.MonkeyPatch, target: str, shut: list[int]
) -> None:
    book, meanwhile = place.book(), []

    def full(_handle: int) -> None:
        meanwhile.append([output for output in ALL if book.refusal(output)])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(LockRefused, match=r"the disk would not take it \(No space left on device\)"):
        book.lock(target, "Ada", "new lateral")
    assert meanwhile == [shut]
    assert "work by Ada" not in " ".join(lock.words() for lock in book.standing), "no lock is claimed that may not last"


def test_every_cut_and_every_flipped_byte_locks_everything_or_changes_nothing(place: Place) -> None:
    place.book().lock("lawn", "Ada", "new lateral")
    sound = place.path.read_bytes()
    locked = 0
    for at in range(len(sound)):
        for text in (sound[:at], sound[:at] + bytes([sound[at] ^ 0x11]) + sound[at + 1 :]):
            place.path.write_bytes(text)
            (first, *more) = LockFile(place.folder).read("now")
            if first.kind == DAMAGED:
                locked += 1
                assert first.covers(6)
            else:
                assert not more and (first.who, first.target, first.outputs) == ("Ada", "lawn", (2,))
    assert locked > 1.8 * len(sound)


def test_a_missing_file_is_no_lock_only_where_nothing_was_ever_locked(place: Place) -> None:
    place.book().lock("lawn", "Ada", "new lateral")
    place.path.unlink()
    assert place.shut() == list(ALL)


def test_an_unreadable_file_locks_everything_and_says_so_until_the_owner_has_looked(place: Place) -> None:
    place.path.write_text("{")
    book = place.book()
    why = book.refusal(6)
    assert why is not None and "locks.json is damaged" in why and "everything is locked" in why
    book.lock("lawn", "Ada", "new lateral")
    assert place.shut() == list(ALL) and (place.folder / "locks.damaged").read_text() == "{"
    with pytest.raises(LockRefused):
        book.unlock("site", "the keeper", "let me")
    book.unlock("site", "Olga", "walked the site, only Ada works", owner=True)
    assert place.shut() == [2]


def test_locks_are_limited_in_number(place: Place) -> None:
    book = place.book()
    for number in range(MOST_LOCKS):
        book._locks = (*book.standing, book.standing[0]) if number else ()
        if not number:
            book.lock("lawn", "Ada", "new lateral")
    with pytest.raises(LockRefused, match="lock the site"):
        book.lock("beds", "Ada", "new lateral")
    book.lock("site", "Ada", "everything is being dug up")
    assert place.shut() == list(ALL)


def core_with(book: LockBook) -> KeeperCore:
    core = KeeperCore(SimulatedDriver(SimulatedSettings(), 6), 6, refuse=book.refusal)
    core.expire(0.0)
    return core


@pytest.mark.parametrize("run", ["plan/2027-06-01/lawn", "plan/1/lawn/remainder", "by-hand/1/lawn", "self-test/lawn"])
def test_every_kind_of_opening_is_refused_with_the_words_of_the_lock(place: Place, run: str) -> None:
    book = place.book()
    core = core_with(book)
    book.lock("supply:main", "Ada", "new lateral")
    for output in (1, 2, 3):
        refused = core.open(output, run, 90.0, 600.0, 1.0)
        assert not refused.ok and "locked for work by Ada since 2027-06-01" in refused.why
        assert "new lateral" in refused.why
    assert core.open(4, run, 90.0, 600.0, 1.0).ok


def test_a_locked_zone_that_runs_is_shut_and_its_master_with_it(place: Place) -> None:
    book = place.book()
    core = core_with(book)
    for output, run in ((1, "master/main"), (2, "a"), (4, "b")):
        assert core.open(output, run, 90.0, 600.0, 0.0).ok
    answer = shut_for(core, book.lock("lawn", "Ada", "new lateral"), 30.0)
    assert answer.ok and {closing.run for closing in answer.closings} == {"a", "master/main"}
    assert all(closing.why.startswith("stopped: locked for work by Ada") for closing in answer.closings)
    assert [opening.output for opening in core.openings] == [4]
    assert not core.open(2, "a", 90.0, 600.0, 31.0).ok


def test_a_master_stays_open_for_the_other_zone_it_feeds(place: Place) -> None:
    book = place.book()
    core = core_with(book)
    for output, run in ((1, "master/main"), (2, "a"), (3, "b")):
        core.open(output, run, 90.0, 600.0, 0.0)
    shut_for(core, book.lock("lawn", "Ada", "new lateral"), 30.0)
    assert sorted(opening.output for opening in core.openings) == [1, 3]


def test_winter_shuts_everything_until_the_whole_list_is_signed(place: Place) -> None:
    book = place.book()
    core = core_with(book)
    core.open(2, "a", 90.0, 600.0, 0.0)
    assert [c.run for c in shut_for(core, book.winter_close("Ada", ""), 1.0).closings] == ["a"]
    assert place.shut() == list(ALL)
    with pytest.raises(LockRefused, match="closed for winter by Ada"):
        book.winter_close("Bert", "")
    with pytest.raises(LockRefused, match="no work lock"):
        book.unlock("site", "Olga", "spring", owner=True)
    for item in ITEMS:
        with pytest.raises(LockRefused, match=f"still to be signed: {item}"):
            book.winter_open("Ada", tuple(other for other in ITEMS if other != item))
    with pytest.raises(LockRefused, match="prayed is not on the start-up list"):
        book.winter_open("Ada", (*ITEMS, "prayed"))
    assert place.shut() == list(ALL)
    book.winter_open("Ada", tuple(ITEMS))
    assert place.shut() == []
    assert place.log()[-1]["signed"] == sorted(ITEMS)
    with pytest.raises(LockRefused, match="not closed for winter"):
        book.winter_open("Ada", tuple(ITEMS))


def test_a_work_lock_outlasts_the_winter(place: Place) -> None:
    book = place.book()
    book.lock("orchard", "Bert", "pump away")
    book.winter_close("Ada", "")
    told = book.winter_open("Ada", tuple(ITEMS)).told
    assert "Bert" in told and place.shut() == [4]


def test_the_only_supply_feeds_zones_that_name_none(place: Place) -> None:
    place.site.write_text('[[supply]]\nid = "main"\nmaster = 1\n[[zone]]\nid = "lawn"\noutput = "2"\n')
    assert read_layout(place.site).outputs_of("supply:main") == (1, 2)
