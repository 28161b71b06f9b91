from datetime import UTC, datetime

import pytest

from dewpond.model.operations import (
    GuideRequest,
    HoldRequest,
    ReleaseRequest,
    RequestRefused,
    StopRequest,
    WaterRequest,
    parse,
)


@pytest.mark.parametrize(
    ("op", "plain", "request_"),
    [
        ("water", {"zone": "beds", "seconds": 90}, WaterRequest(zone="beds", seconds=90.0)),
        ("stop", {}, StopRequest()),
        ("stop", {"zone": None}, StopRequest()),
        ("stop", {"zone": "beds"}, StopRequest(zone="beds")),
        (
            "hold",
            {"until": "2027-05-01T08:00:00+02:00", "reason": "lawn party"},
            HoldRequest(until=datetime(2027, 5, 1, 6, tzinfo=UTC), reason="lawn party"),
        ),
        (
            "hold",
            {"until": "2027-05-01T06:00:00Z", "zone": "beds"},
            HoldRequest(until=datetime(2027, 5, 1, 6, tzinfo=UTC), zone="beds"),
        ),
        ("release", {}, ReleaseRequest()),
        (
            "guide",
            {"target": "main", "kind": "drainage", "by": "Ada", "zone": "beds", "answer": "yes"},
            GuideRequest(target="main", kind="drainage", by="Ada", zone="beds", answer="yes"),
        ),
    ],
)
def test_a_request_in_good_form_is_understood(op, plain, request_):
    assert parse(op, plain) == request_
    assert parse(op, plain).action == op


@pytest.mark.parametrize(
    ("op", "plain", "words"),
    [
        ("open", {}, "operation 'open' is not known; it is one of water, stop, hold, release"),
        ("water", {"zone": "beds"}, "water: seconds is missing"),
        ("water", {"zone": "beds", "seconds": None}, "water: seconds is missing"),
        ("water", {}, "water: seconds and zone is missing"),
        ("water", {"zone": "beds", "seconds": 60, "against_rule": "yes"}, "water: against_rule is not true or false"),
        ("exempt", {"target": "beds", "until": "2027-05-01T06:00:00Z"}, "exempt: by and reason is missing"),
        (
            "exempt",
            {"target": "beds", "until": "2027-05-01T06:00:00Z", "by": "Ada", "reason": " "},
            "exempt: reason is empty; it is recorded, so say it",
        ),
        ("stage", {"stage": "two", "by": "", "reason": "letter"}, "stage: by is empty; it is recorded"),
        ("clock", {}, "clock: by is missing"),
        (
            "guide",
            {"target": "main", "kind": "boil", "by": "Ada"},
            "guide: kind .'boil'. is not known; it is one of leak",
        ),
        (
            "guide",
            {"target": "main", "kind": "leak", "by": "Ada", "answer": "maybe"},
            "guide: answer .'maybe'. is not yes or no",
        ),
        ("water", {"zone": "beds", "minutes": 3}, "water: minutes is not known; the fields are .*seconds, zone"),
        ("water", {"zone": "beds", "seconds": True}, "water: seconds is not a number"),
        ("water", {"zone": "beds", "seconds": "60"}, "water: seconds is not a number"),
        ("water", {"zone": "beds", "seconds": float("nan")}, "water: seconds is not a number"),
        (
            "water",
            {"zone": "beds", "seconds": float("inf")},
            r"water: seconds \(inf\) is not above 0 and at most 43200",
        ),
        ("water", {"zone": "beds", "seconds": 10**400}, r"water: seconds \(10000000000000000000\) is not above 0"),
        ("water", {"zone": "beds", "seconds": 0}, r"water: seconds \(0\) is not above 0 and at most 43200"),
        ("water", {"zone": "beds", "seconds": -5}, r"water: seconds \(-5\) is not above 0"),
        ("water", {"zone": "beds", "seconds": 43201}, r"water: seconds \(43201\) is not above 0 and at most 43200"),
        ("water", {"zone": "", "seconds": 5}, "water: zone is empty; give a zone's id"),
        ("water", {"zone": ["beds"], "seconds": 5}, "water: zone is not plain text"),
        ("stop", {"zone": "beds\n2027 all is well"}, "stop: zone is not plain text of at most 200 characters"),
        ("hold", {}, "hold: until is missing"),
        ("hold", {"until": "tomorrow"}, "hold: until is not an ISO 8601 time such as 2027-06-01T06:00:00"),
        ("hold", {"until": 5}, "hold: until is not an ISO 8601 time"),
        ("hold", {"until": "2027-05-01T08:00:00"}, r"hold: until \(2027-05-01T08:00:00\) has no offset"),
        (
            "hold",
            {"until": "2027-05-01T08:00:00Z", "reason": "x" * 201},
            "hold: reason is not plain text of at most 200",
        ),
        ("release", {"who": "me"}, "release: who is not known; the fields are kind, zone"),
    ],
)
def test_a_request_in_bad_form_is_refused_with_the_field_and_the_remedy(op, plain, words):
    with pytest.raises(RequestRefused, match=words):
        parse(op, plain)
