"""CSV files with a header: cells that know their place, so that every error names file, row, column, limit, remedy."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

MISSING_WORDS = frozenset({"", "na", "nan", "n/a", "null", "none"})


class SeasonFileError(ValueError):
    """Raised when a file cannot be used; the text says what, where, limit and remedy in one line."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table; ``number`` counts lines of the file from 1, the header included."""

    path: Path
    number: int
    cells: dict[str, str]

    def where(self, column: str) -> str:
        return f"{self.path}, row {self.number}, column {column}"

    def number_or_none(self, column: str) -> float | None:
        """The cell as a number; None where it is empty, a missing word, or the column is absent."""
        text = self.cells.get(column, "").strip()
        if text.lower() in MISSING_WORDS:
            return None
        try:
            value = float(text)
        except ValueError:
            hint = "write a decimal point" if "," in text else "write a number or leave the cell empty"
            raise SeasonFileError(f"{self.where(column)}: {text!r} is not a number; {hint}") from None
        if not math.isfinite(value):
            raise SeasonFileError(f"{self.where(column)}: {text!r} is not finite; leave a missing value empty")
        return value

    def date(self, column: str) -> date:
        """The cell as an ISO date (a time after it is ignored)."""
        text = self.cells.get(column, "").strip()
        try:
            return date.fromisoformat(text.replace("T", " ").partition(" ")[0])
        except ValueError:
            raise SeasonFileError(f"{self.where(column)}: {text!r} is not a date; write it as YYYY-MM-DD") from None

    def instant(self, column: str) -> datetime:
        """The cell as an instant in UTC; a time without offset is UTC, as the column's name says."""
        text = self.cells.get(column, "").strip()
        try:
            read = datetime.fromisoformat(text)
        except ValueError:
            raise SeasonFileError(
                f"{self.where(column)}: {text!r} is not a time; write it as YYYY-MM-DDTHH:MM:SSZ"
            ) from None
        return read.replace(tzinfo=UTC) if read.tzinfo is None else read.astimezone(UTC)


@dataclass(frozen=True, slots=True)
class Table:
    """A CSV file's header and rows."""

    path: Path
    columns: tuple[str, ...]
    rows: tuple[Row, ...]

    def unknown(self, known: Sequence[str]) -> tuple[str, ...]:
        return tuple(name for name in self.columns if name not in known)


def read_table(path: Path, required: Sequence[str]) -> Table:
    """Read a comma-separated UTF-8 file whose first line names its columns. Raises SeasonFileError."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, strict=True)
            columns = _header(path, next(reader, []), required)
            rows = tuple(_rows(path, reader, columns))
    except OSError as error:
        raise SeasonFileError(f"{path}: cannot be read ({error.strerror}); check the path and its rights") from None
    except UnicodeDecodeError as error:
        raise SeasonFileError(f"{path}: byte {error.start} is not UTF-8; save the file as UTF-8") from None
    except csv.Error as error:
        raise SeasonFileError(f"{path}: not a CSV file ({error}); save it as comma-separated text") from None
    if not rows:
        raise SeasonFileError(f"{path}: has no rows below its header; at least one is needed")
    return Table(path, columns, rows)


def _header(path: Path, cells: list[str], required: Sequence[str]) -> tuple[str, ...]:
    columns = tuple(cell.strip() for cell in cells)
    absent = [name for name in required if name not in columns]
    if absent:
        found = ", ".join(columns) or "nothing"
        raise SeasonFileError(
            f"{path}, row 1: column {', '.join(absent)} is missing (found: {found}); "
            "name the columns in the first row, separated by commas"
        )
    twice = sorted({name for name in columns if name and columns.count(name) > 1})
    if twice:
        raise SeasonFileError(f"{path}, row 1: column {', '.join(twice)} stands there twice; keep one of them")
    return columns


def _rows(path: Path, reader: Iterator[list[str]], columns: tuple[str, ...]) -> Iterator[Row]:
    for number, cells in enumerate(reader, start=2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(columns):
            raise SeasonFileError(
                f"{path}, row {number}: has {len(cells)} cells where the header has {len(columns)}; "
                "leave a missing value empty between its commas"
            )
        yield Row(path, number, dict(zip(columns, cells, strict=True)))
