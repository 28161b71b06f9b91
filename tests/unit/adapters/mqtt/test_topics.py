"""Names of the service's own topics (design contract) and how a state is written."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import numpy as np
import pytest

from dewpond.adapters.mqtt.topics import Topics, state_payload

NOON = datetime(2026, 5, 14, 12, 0, tzinfo=UTC)


def test_names() -> None:
    topics = Topics("withy-hollow")
    assert topics.status == "dewpond/withy-hollow/status"
    assert topics.alarm == "dewpond/withy-hollow/alarm"
    assert topics.command == "dewpond/withy-hollow/command"
    assert topics.below("zone/rose-bed/state") == "dewpond/withy-hollow/zone/rose-bed/state"


@pytest.mark.parametrize("name", ["", "a/b", "+", "x#", "a\0"])
def test_name_that_is_no_level_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="no single level"):
        Topics(name)


def test_wildcard_below_the_site_is_refused() -> None:
    with pytest.raises(ValueError, match="no single level"):
        Topics("site").below("zone/+/state")


def test_state_is_json_with_its_time_and_without_not_a_number() -> None:
    body = {"depletion_mm": float("nan"), "flows": [np.float64(1.5), float("inf")], "until": NOON, "name": "Böschung"}
    assert json.loads(state_payload(body, NOON)) == {
        "at": NOON.isoformat(),
        "depletion_mm": None,
        "flows": [1.5, None],
        "until": NOON.isoformat(),
        "name": "Böschung",
    }


def test_time_of_the_body_stays() -> None:
    assert json.loads(state_payload({"at": "earlier"}, NOON)) == {"at": "earlier"}
