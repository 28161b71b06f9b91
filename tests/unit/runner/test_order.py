"""What the loop does first: closings never wait for the disk; openings and answers come after it."""

from __future__ import annotations

from sites import site, zone
from small_world import SmallWorld


class Watched(SmallWorld):
    """A small world that notes in which order disk, valves and people are served."""

    def __init__(self) -> None:
        self.order: list[str] = []
        super().__init__(site(zone("lawn", output=1), zone("beds", output=2)), depletion_share=0.0)
        self._note(self.store, "commit", lambda: "disk")
        self._note(self.keeper, "open", lambda run_id, *_: f"open {run_id.split('/')[-1]}")
        self._note(self.keeper, "close", lambda run_id, *_: f"close {run_id.split('/')[-1]}")
        self._note(self.desk, "answer", lambda *_: "answer")

    def _note(self, thing: object, name: str, words) -> None:
        plain = getattr(thing, name)

        def noting(*arguments):
            self.order.append(words(*arguments))
            return plain(*arguments)

        setattr(thing, name, noting)


def test_an_opening_and_its_answer_come_after_the_disk():
    world = Watched()
    world.until(10.0)
    world.order.clear()
    world.ask("water", zone="lawn", seconds=300.0)
    first = world.order.index("disk")
    assert first < world.order.index("open lawn") < world.order.index("answer")


def test_an_answer_to_a_wish_that_must_wait_comes_after_the_disk_too():
    world = Watched()
    world.until(10.0)
    world.ask("water", zone="lawn", seconds=300.0)
    world.order.clear()
    world.ask("water", zone="beds", seconds=300.0)
    assert world.order[0] == "close lawn", "a closing waits for nothing"
    assert world.order[1:3] == ["disk", "answer"]
    assert world.order.index("open beds") > 2


def test_a_stop_closes_before_anything_is_written():
    world = Watched()
    world.until(10.0)
    world.ask("water", zone="lawn", seconds=300.0)
    world.order.clear()
    world.ask("stop", zone="lawn")
    assert world.order[:3] == ["close lawn", "disk", "answer"]
