"""Serves the board over the tests' invented site, to look at it: ``python tests/unit/board/preview.py [PORT]``."""

from __future__ import annotations

import sys
import tempfile
import threading
from pathlib import Path

from conftest import FakeClock, FakeDesk, FakeHistory, Keeper, withy_hollow
from dewpond.board.app import create_app
from dewpond.board.people import People
from dewpond.board.server import BoardServer
from dewpond.board.sources import BoardOptions, Sources


def main() -> None:
    port = int(sys.argv[1]) if len(sys.argv) > 1 else 8377
    units = sys.argv[2] if len(sys.argv) > 2 else "metric"
    clock, keeper = FakeClock(), Keeper()
    with tempfile.TemporaryDirectory() as folder:
        people = People(Path(folder), clock.now)
        sources = Sources(
            desk=FakeDesk(withy_hollow(units=units)),
            history=FakeHistory(),
            stop_now=keeper.stop_now,
            people=people,
            now=clock.now,
        )
        app = create_app(sources, BoardOptions(port=port, open_reading=True, version="preview"))
        server = BoardServer("127.0.0.1", port, app)
        server.start()
        print(people.announcement(server.address), flush=True)
        threading.Event().wait()


if __name__ == "__main__":
    main()
