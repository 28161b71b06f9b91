"""SenML packs. The packs are the examples of RFC 8428, section 5.1, and their resolution as printed there."""

from __future__ import annotations

import pytest

from dewpond.adapters.readings.senml import resolve_pack

DEVICE = "urn:dev:ow:10e2073a01080063"


def values(pack: object, name: str, field: str = "v") -> list[tuple[float, object]]:
    return [(record.time_s, record.fields.get(field)) for record in resolve_pack(pack)[name]]


def test_single_datapoint_of_section_5_1_1() -> None:
    assert values([{"n": DEVICE, "u": "Cel", "v": 23.1}], DEVICE) == [(0.0, 23.1)]


def test_base_fields_and_relative_times_of_section_5_1_2() -> None:
    pack = [
        {"bn": DEVICE + ":", "bt": 1.276020076001e09, "bu": "A", "bver": 5, "n": "voltage", "u": "V", "v": 120.1},
        {"n": "current", "t": -5, "v": 1.2},
        {"n": "current", "t": -4, "v": 1.3},
        {"n": "current", "t": -3, "v": 1.4},
        {"n": "current", "t": -2, "v": 1.5},
        {"n": "current", "t": -1, "v": 1.6},
        {"n": "current", "v": 1.7},
    ]
    assert values(pack, DEVICE + ":voltage") == [(1.276020076001e09, 120.1)]
    assert values(pack, DEVICE + ":current") == [
        (1.276020071001e09, 1.2),
        (1.276020072001e09, 1.3),
        (1.276020073001e09, 1.4),
        (1.276020074001e09, 1.5),
        (1.276020075001e09, 1.6),
        (1.276020076001e09, 1.7),
    ]


def test_data_types_of_section_5_1_5() -> None:
    pack = [
        {"bn": DEVICE + ":", "n": "temp", "u": "Cel", "v": 23.1},
        {"n": "label", "vs": "Machine Room"},
        {"n": "open", "vb": False},
        {"n": "nfc-reader", "vd": "aGkgCg"},
    ]
    assert values(pack, DEVICE + ":label", "vs") == [(0.0, "Machine Room")]
    assert values(pack, DEVICE + ":open", "vb") == [(0.0, False)]
    assert values(pack, DEVICE + ":open") == [(0.0, None)]


def test_base_value_and_base_sum_are_added_until_another_base_replaces_them() -> None:
    pack = [
        {"n": "a", "bv": 20, "bs": 1000, "v": 3.5, "s": 7},
        {"n": "b", "v": 1},
        {"n": "c", "bv": 0, "bs": 0, "v": 1, "s": 2},
    ]
    assert values(pack, "a") == [(0.0, 23.5)]
    assert values(pack, "a", "s") == [(0.0, 1007.0)]
    assert values(pack, "b", "s") == [(0.0, 1000.0)]
    assert values(pack, "c", "s") == [(0.0, 2.0)]


def test_base_value_alone_is_the_value_but_never_of_a_record_with_another_one() -> None:
    pack = [{"n": "a", "bv": 20}, {"n": "b", "vb": True}]
    assert values(pack, "a") == [(0.0, 20.0)]
    assert values(pack, "b") == [(0.0, None)]


def test_records_of_one_name_come_oldest_first() -> None:
    assert [each for _, each in values([{"n": "a", "v": 2, "t": 5}, {"n": "a", "v": 1, "t": -5}], "a")] == [1.0, 2.0]


@pytest.mark.parametrize(
    "pack",
    [
        {},
        [1],
        None,
        "text",
        [{"n": "a", "v": 1, "new_": 1}],  # section 4.4: a field that must be understood
        [{"n": "a", "v": 1, "bver": 11}],  # section 4.4: a later version
        [{"n": "a", "v": 1, "t": "noon"}],
        [{"n": "a", "v": 1, "bt": True}],
    ],
)
def test_what_must_not_be_used_is_refused(pack: object) -> None:
    with pytest.raises(ValueError, match=r"pack|number"):
        resolve_pack(pack)
