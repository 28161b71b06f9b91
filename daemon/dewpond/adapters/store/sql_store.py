"""The Store port on SQLite or PostgreSQL: one writer, one transaction per commit, nothing lost silently.

Between commits everything waits in a bounded buffer. While the database cannot be written (disk full, read-only,
locked, damaged) the buffer is kept and the next commit tries again; the store needs no restart.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from math import inf
from pathlib import Path

from sqlalchemy import Engine, func, select
from sqlalchemy.exc import DBAPIError

from dewpond.adapters.store import dialect
from dewpond.adapters.store.buffer import Buffer
from dewpond.adapters.store.dialect import Trouble
from dewpond.adapters.store.journal import JournalReader
from dewpond.adapters.store.rows import Row, as_json
from dewpond.adapters.store.schema import bring_to_head
from dewpond.adapters.store.tables import HEAD, StoreUnusable, journal
from dewpond.adapters.store.writer import WRITERS, write_buffer
from dewpond.crash_points import AtPoint, passed_by
from dewpond.model.codec import to_plain
from dewpond.model.commands import Command
from dewpond.model.events import Event, FaultSeen, Now

# While a lock has outlasted the first wait, later commits wait only this long: the loop has valves to look after.
_IMPATIENT_WAIT_S = 0.2
_FAULTS_KEPT = 100


class SqlStore:
    """Journal and tables at ``url``.

    ``now`` is the moment of opening (it dates the faults found then) and ``version`` goes into snapshots. The buffer is
    written when it reaches ``buffer_bytes``; while it cannot be, it keeps at most ``keep_bytes``, oldest steps first to
    go. Raises StoreUnusable for a database that is not ours or newer; an operating fault is reported by ``faults``.
    """

    def __init__(
        self,
        url: str,
        *,
        now: Now,
        version: str,
        flush_every_s: float = 30.0,
        buffer_bytes: int = 1_000_000,
        keep_bytes: int = 8_000_000,
        lock_wait_s: float = dialect.LOCK_WAIT_S,
        at: AtPoint = passed_by,
    ) -> None:
        self._at = at
        self._url = url
        self._where = dialect.where(url)
        self._version = version
        self._flush_every_s = flush_every_s
        self._buffer_bytes = buffer_bytes
        self._keep_bytes = keep_bytes
        self._lock_wait_s = lock_wait_s
        self._buffer = Buffer(keep_bytes)
        self._write_at_bytes = buffer_bytes
        self._now = now
        self._flushed_s = now.elapsed_s
        self._faults: list[Event] = []
        self._trouble: Trouble | None = None
        self._losses_told = False
        self._known_series: dict[str, int] = {}
        self._engine: Engine | None = None
        self._was_open = False
        self._began_anew = False
        self._last_step_no = 0
        try:
            self._engine = self._open(check=True)
        except (DBAPIError, OSError) as error:
            self._failed(error)
        self.commit()  # a snapshot saved from a damaged database is wanted at once

    @property
    def last_step_no(self) -> int:
        """The newest step appended or found in the database; the next one must be greater."""
        return self._last_step_no

    def append(self, step_no: int, now: Now, events: Sequence[Event], commands: Sequence[Command]) -> None:
        """Add what one step received and wanted. Raises ValueError when ``step_no`` is not above the last one."""
        if step_no <= self._last_step_no:
            raise ValueError(f"journal step {step_no} follows step {self._last_step_no}; steps are numbered upwards")
        self._now = now
        self._buffer.add_step(step_no, now, events, commands)
        self._last_step_no = step_no
        self._after_adding()

    def record(self, command: Command) -> None:
        """Keep a Record*, RaiseAlarm or ClearAlarm command. Raises TypeError for another one."""
        if type(command) not in WRITERS:
            raise TypeError(f"the store has no table for {type(command).__name__}")
        self._buffer.add_command(command)
        self._after_adding()

    def snapshot(self, step_no: int, now: Now, state: object) -> None:
        """Keep the brain's state after ``step_no``; durable at the next commit. The newest ten stay."""
        body = as_json(to_plain(state))
        self._buffer.snapshot = {
            "step_no": step_no,
            "wall": now.wall,
            "elapsed_s": now.elapsed_s,
            "trusted": now.trusted,
            "version": self._version,
            "schema": HEAD,
            "sha256": hashlib.sha256(body.encode()).hexdigest(),
            "body": body,
        }

    def commit(self) -> bool:
        """Make everything so far durable in one transaction. False when the database will not; nothing is lost then."""
        if not self._buffer:
            return True
        self._flushed_s = self._now.elapsed_s
        try:
            self._write()
        except (DBAPIError, OSError) as error:
            self._failed(error)
            return self._begin_anew_if_damaged()
        self._written()
        return True

    def flush_if_due(self, now: Now) -> None:
        """Commit when something has waited ``flush_every_s`` since the last attempt. Call it once per pass."""
        self._now = now
        if now.elapsed_s >= self.next_flush_s():
            self.commit()

    def next_flush_s(self) -> float:
        """Elapsed time at which ``flush_if_due`` will commit; inf while nothing waits. [s]"""
        return self._flushed_s + self._flush_every_s if self._buffer else inf

    def faults(self) -> Sequence[Event]:
        """Faults since the last call: what is wrong with the database, what was lost, and when it was over."""
        seen, self._faults = self._faults, []
        return seen

    def close(self) -> None:
        """Commit what waits and let go of the database."""
        self.commit()
        self._let_go()

    def _after_adding(self) -> None:
        lost = self._buffer.lost_steps + self._buffer.lost_commands
        if lost and not self._losses_told:
            self._losses_told = True
            self._tell(
                f"journal {self._where}: {self._keep_bytes // 1000} kB wait to be written, which is the limit, and the "
                "oldest are being dropped; make the database writable again"
            )
        if self._buffer.size >= self._write_at_bytes:
            self.commit()

    def _open(self, *, check: bool) -> Engine:
        engine = dialect.open_writer(self._url)
        try:
            finding = dialect.damage(engine, dialect.sqlite_path(self._url)) if check else ""
            if not finding:
                self._begin(engine)
                return engine
        except BaseException:
            engine.dispose()
            raise
        engine.dispose()
        self._set_aside(finding)
        return self._open(check=False)

    def _begin(self, engine: Engine) -> None:
        copy = bring_to_head(engine, self._url)
        if copy is not None:
            self._tell(f"database {self._where}: upgraded to schema {HEAD}; the old one is kept as {copy.name}")
        with engine.connect() as connection:
            stored = connection.scalar(select(func.max(journal.c.step_no))) or 0
        waiting = self._buffer.steps
        if waiting and not self._was_open and stored >= waiting[0].step_no:
            raise StoreUnusable(
                f"journal {self._where}: it holds steps up to {stored}, and this daemon, which could not read it "
                f"at its start, numbered its own from {waiting[0].step_no}; restart the daemon"
            )
        self._was_open = True
        self._last_step_no = max(self._last_step_no, stored)

    def _write(self) -> None:
        if self._engine is None:
            self._engine = self._open(check=False)
        wait_s = _IMPATIENT_WAIT_S if self._trouble else self._lock_wait_s
        with dialect.writing(self._engine, wait_s) as connection:
            write_buffer(connection, self._buffer, self._known_series)
            self._at("in-transaction")

    def _written(self) -> None:
        if self._trouble is not None:
            self._tell(f"journal {self._where}: written again; {self._losses()}")
        self._trouble = None
        self._began_anew = False
        self._losses_told = False
        self._buffer = Buffer(self._keep_bytes)
        self._write_at_bytes = self._buffer_bytes

    def _losses(self) -> str:
        steps, commands = self._buffer.lost_steps, self._buffer.lost_commands
        return f"{steps} steps and {commands} records were lost" if steps or commands else "nothing was lost"

    def _failed(self, error: DBAPIError | OSError) -> None:
        trouble = dialect.trouble_of(error)
        if trouble is None:
            raise error
        if self._trouble is None or self._trouble.kind != trouble.kind:
            self._tell(f"journal {self._where} cannot be written: {trouble.text}; {_REMEDIES[trouble.kind]}")
        self._trouble = trouble
        self._known_series.clear()  # numbers given in the transaction that failed were not kept
        self._write_at_bytes = self._buffer.size + self._buffer_bytes
        if trouble.kind not in ("locked", "full"):
            self._let_go()  # the file may be another one by the next attempt

    def _begin_anew_if_damaged(self) -> bool:
        # Once: if even a new database proves damaged it is the disk, and more of them would only fill it.
        if self._trouble is None or self._trouble.kind != "damaged" or self._began_anew:
            return False
        try:
            self._set_aside(self._trouble.text)
            self._write()
        except (DBAPIError, OSError) as error:
            self._failed(error)
            return False
        self._written()
        return True

    def _set_aside(self, finding: str) -> None:
        path = dialect.sqlite_path(self._url)
        if path is None:
            return
        self._began_anew = True
        kept_as = dialect.set_aside(path, "damaged")
        saved = _snapshot_of(kept_as)
        if saved is not None and self._buffer.snapshot is None:
            self._buffer.snapshot = saved
        state = "its last snapshot was carried over" if saved else "no snapshot in it could be read"
        self._tell(
            f"database {path}: {finding}; it was set aside as {kept_as.name} and a new one begun ({state}). "
            "Restore a backup to have the old records back, and check the disk"
        )

    def _let_go(self) -> None:
        if self._engine is not None:
            self._engine.dispose()
            self._engine = None

    def _tell(self, text: str) -> None:
        if len(self._faults) < _FAULTS_KEPT:
            self._faults.append(FaultSeen(at=self._now.wall, part="store", text=text))


def _snapshot_of(path: Path) -> Row | None:
    """The newest sound snapshot that a damaged database still holds."""
    try:
        row = JournalReader(f"sqlite:///{path}").snapshot_row()
    except StoreUnusable:
        return None
    return None if row is None else dict(row._mapping)


_REMEDIES = {
    "locked": "end the other program that uses it",
    "full": "free some space",
    "read-only": "make it writable for the user dewpond runs as",
    "disk": "check the disk and its cable or card",
    "damaged": "check the disk",
    "server": "start the server or check the network",
}
