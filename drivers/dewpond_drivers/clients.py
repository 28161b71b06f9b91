"""The people at the keeper's socket: many, slow, rude or gone, none of whom may hold up the loop.

Each client has one request in work at a time; its next line waits in its own buffer. Nothing here blocks.
"""

from __future__ import annotations

import errno
import functools
import selectors
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from dewpond_drivers.wire import LONGEST_LINE, reply

MOST_CLIENTS = 200  # beyond that the newest idle one makes room: a stop always gets in, and the daemon stays
MOST_UNREAD_BYTES = 262_144  # a client that does not read its answers is dropped
AT_ONCE = 64
READ_BYTES = 2 * LONGEST_LINE  # little, so that there is memory for it when there is hardly any
READ = selectors.EVENT_READ
WRITE = selectors.EVENT_WRITE


class Client:
    """One connection. ``waiting`` while its request is in work."""

    def __init__(self, link: socket.socket, serve: Callable[[Client, int], None]) -> None:
        self.link = link
        self.on_event = functools.partial(serve, self)
        self.inbox = bytearray()
        self.outbox = bytearray()
        self.waiting = False
        self.finished = False  # it will say no more; it is dropped once it has its answers
        self.gone = False


class Clients:
    """All connections of one listening socket. ``on_line`` gets each line, in order, one at a time per client."""

    def __init__(
        self, listener: socket.socket, selector: selectors.BaseSelector, on_line: Callable[[Client, bytes], None]
    ) -> None:
        self._listener = listener
        self._selector = selector
        self._on_line = on_line
        self._all: dict[Client, None] = {}
        self._answered: list[Client] = []
        listener.setblocking(False)
        selector.register(listener, READ, self._accept)

    def answer(self, client: Client, line: bytes) -> None:
        """Send a reply; the client's next line waits for ``go_on``. Does nothing for a client that has left."""
        client.waiting = False
        if client.gone:
            return
        client.outbox += line
        self._flush(client)
        self._answered.append(client)

    def go_on(self) -> None:
        """Take up the next lines of clients that have been answered since. Called by the loop, never from an answer."""
        answered, self._answered = self._answered, []
        for client in answered:
            with self._memory_for(client):
                self._take_lines(client)

    def close(self) -> None:
        """Hang up on everybody."""
        for client in list(self._all):
            self._drop(client)
        self._selector.unregister(self._listener)
        self._listener.close()

    def _accept(self, _mask: int) -> None:
        """Let in everybody who waits at the door; a few more wait for the next turn."""
        for _ in range(AT_ONCE):
            try:
                link, _ = self._listener.accept()
            except OSError as fault:
                if fault.errno in (errno.EMFILE, errno.ENFILE):
                    self._make_room()
                return
            self._welcome(link)

    def _welcome(self, link: socket.socket) -> None:
        if len(self._all) >= MOST_CLIENTS:
            self._make_room()
        link.setblocking(False)
        client = Client(link, self._serve)
        with self._memory_for(client):
            self._all[client] = None
            self._selector.register(link, READ, client.on_event)

    def _make_room(self) -> None:
        for client in reversed(list(self._all)):
            if not client.waiting:
                self._drop(client)
                return

    def _serve(self, client: Client, mask: int) -> None:
        with self._memory_for(client):
            if mask & READ:
                self._read(client)
            if mask & WRITE and not client.gone:
                self._flush(client)

    @contextmanager
    def _memory_for(self, client: Client) -> Iterator[None]:
        """Where memory ends, those leave who make the keeper hold some; leases go on without any of them."""
        try:
            yield
        except MemoryError:
            self._drop(client)
            for other in list(self._all):
                if other.inbox or other.outbox:
                    self._drop(other)

    def _read(self, client: Client) -> None:
        try:
            heard = client.link.recv(READ_BYTES)
        except BlockingIOError:
            return
        except OSError:
            self._drop(client)
            return
        client.inbox += heard
        client.finished = client.finished or not heard
        self._take_lines(client)

    def _take_lines(self, client: Client) -> None:
        """Hand over line by line until one is in work."""
        while not (client.waiting or client.gone):
            line, found, rest = client.inbox.partition(b"\n")
            if len(line) > LONGEST_LINE:
                self._refuse_long(client)
                break
            if not found:
                break
            client.inbox = rest
            client.waiting = True
            self._on_line(client, bytes(line))
        self._watch(client)

    def _refuse_long(self, client: Client) -> None:
        client.finished = True
        client.outbox += reply(ok=False, why=f"a line may be {LONGEST_LINE} bytes long; send a shorter request")
        self._flush(client)

    def _flush(self, client: Client) -> None:
        try:
            while client.outbox:
                sent = client.link.send(client.outbox)
                del client.outbox[:sent]
        except BlockingIOError:
            pass
        except OSError:
            self._drop(client)
            return
        if len(client.outbox) > MOST_UNREAD_BYTES:
            self._drop(client)
        self._watch(client)

    def _watch(self, client: Client) -> None:
        """Listen only to a client whose last request is answered; drop one that has finished and got its answers."""
        if client.gone:
            return
        if client.finished and not (client.waiting or client.outbox or b"\n" in client.inbox):
            self._drop(client)
            return
        wants = 0 if client.waiting or client.finished else READ
        wants |= WRITE if client.outbox else 0
        watched = client.link in self._selector.get_map()
        if wants and watched:
            self._selector.modify(client.link, wants, client.on_event)
        elif wants:
            self._selector.register(client.link, wants, client.on_event)
        elif watched:
            self._selector.unregister(client.link)

    def _drop(self, client: Client) -> None:
        if client.gone:
            return
        client.gone = True
        self._all.pop(client, None)
        if client.link in self._selector.get_map():
            self._selector.unregister(client.link)
        client.link.close()
