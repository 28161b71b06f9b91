import json
from pathlib import Path

import pytest

from dewpond_drivers.stops import MOST_STOPS, StopBook


class Machine:
    """One folder, its wall clock, and what keepers there say."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.wall_s, self.said = folder, 1_800_000_000.0, list[str]()
        self._lives = 0

    def book(self, now_s: float) -> StopBook:
        self._lives += 1
        return StopBook(self.folder, f"life{self._lives}", lambda: self.wall_s, now_s, self.said.append)


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def test_a_stop_is_told_with_its_age_and_changes_the_mark(machine: Machine):
    book = machine.book(100.0)
    assert (book.mark(), book.plain(100.0)) == ("", [])
    book.add("stopped by Ana", 107.0, target="lawn")
    book.finish()
    assert book.mark() == "life1/1"
    assert book.plain(110.5) == [
        {"id": "life1/1", "target": "lawn", "output": 0, "who": "stopped by Ana", "ago_s": 3.5}
    ]


def test_a_later_keeper_knows_it_and_how_long_ago_it_was_by_the_wall_clock(machine: Machine):
    book = machine.book(100.0)
    book.add("stopped by Ana", 107.0, output=3)
    book.finish()
    machine.wall_s += 60.0
    later = machine.book(5.0)
    later.finish()
    assert later.plain(15.0) == [{"id": "life1/1", "target": "", "output": 3, "who": "stopped by Ana", "ago_s": 70.0}]


def test_only_the_newest_are_kept(machine: Machine):
    book = machine.book(0.0)
    for number in range(MOST_STOPS + 5):
        book.add("stopped by Ana", float(number))
    book.finish()
    assert len(book.plain(0.0)) == len(json.loads((machine.folder / "stops.json").read_text())["stops"]) == MOST_STOPS
    assert book.plain(0.0)[-1]["id"] == f"life1/{MOST_STOPS + 5}"


@pytest.mark.parametrize("text", ["{", "[]", '{"stops": [{"id": 1}]}', '{"stops": 7}', "[" * 100_000])
def test_a_damaged_file_counts_as_a_stop_of_everything_once(machine: Machine, text: str):
    (machine.folder / "stops.json").write_text(text)
    book = machine.book(50.0)
    book.finish()
    (stop,) = book.plain(50.0)
    assert (stop["target"], stop["output"], stop["ago_s"]) == ("", 0, 0.0)
    assert "damaged" in stop["who"] and "counts as a stop of everything" in machine.said[0]
    again = machine.book(0.0)
    again.finish()
    assert again.mark() == book.mark(), "the same damage is the same stop"


def test_a_disk_that_takes_nothing_is_told_and_the_present_keeper_still_knows(machine: Machine):
    (machine.folder / "stops.tmp").mkdir()
    book = machine.book(0.0)
    book.add("stopped by Ana", 1.0)
    book.finish()
    assert book.mark() == "life1/1"
    assert "stops.json cannot be written" in machine.said[0]
