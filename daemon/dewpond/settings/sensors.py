"""``[[sensor]]`` tables as the model has them; the decoder's own reader checks what belongs to decoding."""

from __future__ import annotations

from dewpond.adapters.readings.mapping import MappingRefused, parse_mapping
from dewpond.model.site import Sensor
from dewpond.settings.problems import Report
from dewpond.settings.schema import SensorTable
from dewpond.settings.tables import Entry, Tables

OWN_KEYS = frozenset({"id", "kind", "topic", "zone"})


def read_sensors(tables: Tables, report: Report) -> tuple[Sensor, ...]:
    """All sensors whose tables are without fault. ``mapping`` keeps the other keys as written."""
    found = (_sensor(entry, report) for entry in tables.sensors)
    return tuple(sensor for sensor in found if sensor is not None)


def _sensor(entry: Entry[SensorTable], report: Report) -> Sensor | None:
    """The sensor, or None; of a refused table what the decoder has to say of its other keys is told all the same."""
    table = entry.table
    if table is None:
        return None
    mapping = {key: value for key, value in entry.raw.items() if key not in OWN_KEYS | entry.dropped}
    sensor = Sensor(id=table.id, kind=table.kind, topic=table.topic, zone=table.zone, mapping=mapping)
    try:
        rule = parse_mapping(sensor)
    except MappingRefused as refused:
        for problem in refused.problems:
            report.error(entry.place, tuple(problem.key.split()), problem.what, problem.limit, problem.remedy)
        return None
    if entry.sound is None:
        return None
    for text in rule.findings:
        report.finding(entry.place, "", text)
    return sensor
