"""``dewpond decode``: one message from standard input through the site's own decoder."""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from dewpond.adapters.readings import Decoder, DecoderState, MappingRefused, Reading, SensorMapping, parse_mapping
from dewpond.adapters.system_clock import SystemClock
from dewpond.cli.answers import FAULTS, fail
from dewpond.model.codec import from_plain, to_plain
from dewpond.settings.site_file import load_site

NO_STATE = "not a state that this command wrote"


def read_moment(text: str | None) -> datetime:
    """An ISO 8601 time as aware UTC; one without offset is UTC, None is now. Raises ValueError or OverflowError."""
    if text is None:
        return SystemClock().now().wall
    moment = datetime.fromisoformat(text)
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def moment_as_plain(moment: datetime) -> str:
    """A time in UTC with no more decimals than it has, down to thousandths; then all six."""
    digits = "milliseconds" if moment.microsecond and moment.microsecond % 1000 == 0 else "auto"
    return moment.astimezone(UTC).isoformat(timespec=digits).replace("+00:00", "Z")


def reading_as_plain(reading: Reading) -> dict[str, Any]:
    """One reading as it is printed: numbers to 12 digits, times in UTC."""
    value = reading.value
    return {
        "sensor": reading.sensor,
        "value": value if value is None or isinstance(value, bool) else float(f"{value:.12g}"),
        "unit": reading.unit,
        "time": moment_as_plain(reading.time),
        "quality": reading.quality,
        "reason": reading.reason,
    }


def load_state(path: Path | None) -> DecoderState:
    """The state of an earlier call, empty where there is no file. Raises ValueError for a file of another kind."""
    if path is None or not path.exists():
        return DecoderState()
    try:
        state = from_plain(DecoderState, json.loads(path.read_text(encoding="utf-8")))
        usable = isinstance(state, DecoderState) and all(
            isinstance(memory.raw, float) and (memory.at is None or memory.at.tzinfo is not None)
            for memory in state.counters.values()
        )
    except (TypeError, KeyError, AttributeError, ValueError) as fault:
        raise ValueError(NO_STATE) from fault
    if not usable:
        raise ValueError(NO_STATE)
    return state  # type: ignore[no-any-return]


def save_state(path: Path, state: DecoderState) -> None:
    """Replace the file at once, so that an interrupted call leaves the old one."""
    beside = path.with_name(path.name + ".new")
    beside.write_text(json.dumps(to_plain(state)), encoding="utf-8")
    beside.replace(path)


@click.command()
@click.option("--site", "site_file", envvar="DEWPOND_SITE", required=True, type=click.Path(path_type=Path))
@click.option("--topic", required=True, help="The topic the message came on.")
@click.option("--received-at", help="When it arrived, ISO 8601; now when left out.")
@click.option("--retained", is_flag=True, help="The broker had kept the message for newcomers.")
@click.option("--state", "state_file", type=click.Path(path_type=Path), help="Carries counters from call to call.")
def decode(site_file: Path, topic: str, received_at: str | None, retained: bool, state_file: Path | None) -> None:
    """Read one message from standard input and print the readings it gives as a JSON list.

    The exit code is 0 when everything could be used, 1 when something was rejected, and 2 for a site file, time or
    state that cannot be read.
    """
    decoder = Decoder(_mappings(site_file))
    try:
        moment = read_moment(received_at)
    except (ValueError, OverflowError):
        fail(f"--received-at {received_at!r} is no time; write it like 2027-05-14T06:30:00Z")
    try:
        state = load_state(state_file)
    except (ValueError, OSError) as fault:
        fail(f"{state_file} cannot be read: {fault}; name another --state file, it is made when absent")
    payload = sys.stdin.buffer.read()
    readings, state = decoder.decode(topic, payload, received_at=moment, retained=retained, state=state)
    if state_file is not None:
        try:
            save_state(state_file, state)
        except OSError as fault:
            fail(f"{state_file} cannot be written: {fault.strerror}; name another --state file")
    click.echo(json.dumps([reading_as_plain(reading) for reading in readings]))
    sys.exit(FAULTS if any(reading.quality == "rejected" for reading in readings) else 0)


def _mappings(site_file: Path) -> list[SensorMapping]:
    """The rules of the site's sensors; exits with every error of the file otherwise."""
    loaded = load_site(site_file)
    if loaded.site is None:
        fail("\n".join(problem.sentence() for problem in loaded.errors))
    mappings, refused = [], []
    for sensor in loaded.site.sensors:
        try:
            mappings.append(parse_mapping(sensor))
        except MappingRefused as fault:
            refused += str(fault).splitlines()
    if refused:
        fail("\n".join(f"{site_file.name}, {line}" for line in refused))
    return mappings
