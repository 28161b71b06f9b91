"""``python -m dewpond_sim.proofs.relay_board OUTPUTS RECORD``: a relay board on plain HTTP, by its own clock.

It holds what it was last told, as most boards do, and writes every order with its own elapsed time. It is the only
truth about the relays in proofs on real time. Its port is the first word it prints.
"""

from __future__ import annotations

import sys
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import TextIO

from dewpond.adapters.system_clock import SystemClock


class Board(HTTPServer):
    """Outputs from 1, all off at power-up."""

    def __init__(self, outputs: int, record: TextIO) -> None:
        super().__init__(("127.0.0.1", 0), Switch)
        self.on = dict.fromkeys(range(1, outputs + 1), False)
        self._record = record
        self._clock = SystemClock()

    def switch(self, output: int, on: bool) -> None:
        """Obey, and note it. Raises KeyError for an output that is not there."""
        self.on[output] = on
        self._record.write(f"{self._clock.now().elapsed_s:.3f} {output} {'on' if on else 'off'}\n")


class Switch(BaseHTTPRequestHandler):
    """``POST /OUTPUT/on``, ``POST /OUTPUT/off``; ``GET /OUTPUT`` says true or false."""

    server: Board

    def do_POST(self) -> None:
        output, word = self.path.strip("/").split("/")
        self.server.switch(int(output), word == "on")
        self._say("ok")

    def do_GET(self) -> None:
        self._say("true" if self.server.on[int(self.path.strip("/"))] else "false")

    def log_message(self, format: str, *words: object) -> None:
        """The record says it all."""

    def _say(self, text: str) -> None:
        self.send_response(200)
        self.send_header("Content-Length", str(len(text)))
        self.end_headers()
        self.wfile.write(text.encode())


def main(outputs: str, record: str) -> None:
    """Serve until killed."""
    with Path(record).open("a", encoding="ascii", buffering=1) as file, Board(int(outputs), file) as board:
        print(board.server_port, flush=True)
        board.serve_forever()


if __name__ == "__main__":
    main(*sys.argv[1:])
