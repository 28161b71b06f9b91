"""A zone's numbers of a day, so that later it can be told which of them were changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dewpond.model.site import Zone

# Name in the record, words, unit, decimals.
_FIGURES = (
    ("area_m2", "area", "m2", 1),
    ("application_rate_mm_h", "application rate", "mm/h", 1),
    ("efficiency", "efficiency", "", 3),
    ("flow_l_min", "flow", "L/min", 1),
    ("raw_mm", "readily available water", "mm", 1),
    ("allowed_depletion", "allowed depletion", "", 2),
    ("intake_mm_h", "intake rate", "mm/h", 1),
    ("exposure", "exposure", "", 2),
)
_TEXTS = (("supply", "supply"), ("output", "output"), ("rule", "rule"), ("plants", "plants"), ("soil", "soil"))


def numbers_of(zone: Zone) -> dict[str, Any]:
    """What is kept of a zone, plain JSON."""
    kept = [name for name, *_ in _FIGURES] + [name for name, _ in _TEXTS]
    return {**{name: getattr(zone, name) for name in kept}, "heads": sum(group.count for group in zone.heads)}


def changes(then: Mapping[str, Any], zone: Zone) -> Sequence[str]:
    """What differs between a record and the site file of today, as clauses."""
    now = numbers_of(zone)
    told = [
        f"{words} from {then[name]:.{decimals}f} to {now[name]:.{decimals}f} {unit}".rstrip()
        for name, words, unit, decimals in _FIGURES
        if name in then and round(then[name], decimals) != round(now[name], decimals)
    ]
    told += [
        f"{words} from {then[name] or 'not stated'} to {now[name] or 'not stated'}"
        for name, words in (*_TEXTS, ("heads", "count of heads"))
        if name in then and then[name] != now[name]
    ]
    return told
