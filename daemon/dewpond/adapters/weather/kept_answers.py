"""Raw answers that forecasts were read from, kept so that a decision can be looked into weeks later."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path

MOST_KEPT = 800  # at one poll an hour a month of answers, some 10 kB each


class KeptAnswers:
    """A folder of answers, the oldest of which make room for new ones. Used from one worker thread at a time."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._last = ("", "")

    def keep(self, body: bytes, fetched_at: datetime) -> tuple[str, str]:
        """Write the answer once; its file name, and what went wrong ("" for nothing)."""
        digest = hashlib.sha256(body).hexdigest()[:16]
        if self._last[0] == digest:
            return self._last[1], ""
        name = f"{fetched_at.astimezone(UTC):%Y%m%dT%H%M%SZ}-{digest}.json.gz"
        written = self._folder / f"{name}.part"
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            import gzip  # noqa: PLC0415 - only where an answer is kept

            written.write_bytes(gzip.compress(body, mtime=0))
            written.replace(self._folder / name)
            for old in sorted(self._folder.glob("*.json.gz"))[:-MOST_KEPT]:
                old.unlink()
        except OSError as error:
            why = (
                f"{self._folder}: the answer of a forecast could not be kept ({error.strerror}); make room on the disk"
            )
            return "", why
        self._last = (digest, name)
        return name, ""
