"""Answers kept for later questions: once each, the newest so many, and no fault swallowed."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dewpond.adapters.weather import kept_answers
from dewpond.adapters.weather.kept_answers import KeptAnswers

AT = datetime(2026, 7, 3, 6, tzinfo=UTC)


def test_the_same_answer_is_written_once(tmp_path: Path) -> None:
    kept = KeptAnswers(tmp_path)
    names = {kept.keep(b"one", AT + timedelta(hours=n))[0] for n in range(3)}
    assert len(names) == 1
    assert gzip.decompress((tmp_path / names.pop()).read_bytes()) == b"one"


def test_the_oldest_make_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_answers, "MOST_KEPT", 2)
    kept = KeptAnswers(tmp_path)
    names = [kept.keep(f"{n}".encode(), AT + timedelta(hours=n))[0] for n in range(4)]
    assert sorted(path.name for path in tmp_path.iterdir()) == names[2:]


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    name, why = KeptAnswers(tmp_path / "file" / "below").keep(b"one", AT)
    assert name == ""
    assert "could not be kept" in why
