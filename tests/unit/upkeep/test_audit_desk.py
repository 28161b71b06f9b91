"""Audits and the design review at the desk: kept with who and when, compared with the last; two people lose nothing."""

from __future__ import annotations

import json

import pytest
from tests.unit.upkeep.conftest import Person, a_site

from dewpond.adapters.store.memory_upkeep import MemoryUpkeepBook
from dewpond.model.upkeep import Overtaken
from dewpond.upkeep.desk import UpkeepDesk
from dewpond.upkeep.refusal import Refused


@pytest.fixture
def people():
    site, book = a_site(), MemoryUpkeepBook()
    return Person(UpkeepDesk(site, book), "Ada"), Person(UpkeepDesk(site, book), "Ben")


def cups(low):
    rows = [f"{2 * (n % 6)},{2 * (n // 6)},{low if n > 17 else 30}" for n in range(24)]
    return "x_m,y_m,value\n" + "\n".join(rows)


HOW = {"zone": "lawn", "minutes": "6 min", "mouth": "11 cm", "wind": "2 mph"}


def test_an_audit_is_kept_and_the_next_is_compared_with_it(people):
    ada, _ = people
    first = ada.do("audit-cups", csv=cups(10), **HOW)
    assert (first["version"], first["change"]) == (1, None)
    assert first["for_the_site_file"][0].startswith('application_rate = "')
    assert first["map"].startswith("<svg")
    second = ada.do("audit-cups", csv=cups(28), **HOW)
    assert "clearly better" in second["change"]["said"]
    told = ada.do("audits", zone="lawn")["audits"]
    assert [one["who"] for one in told] == ["Ada", "Ada"]
    assert "clearly better" in told[1]["change"]
    json.dumps(told, allow_nan=False)


def test_of_two_audits_made_from_one_version_the_second_person_is_told(people):
    ada, ben = people
    ada.do("audit-cups", csv=cups(10), version=0, **HOW)
    with pytest.raises(Overtaken):
        ben.do("audit-cups", csv=cups(20), version=0, **HOW)
    assert ben.do("audit-cups", csv=cups(20), version=1, **HOW)["version"] == 2


def test_nonsense_is_refused_and_keeps_nothing(people):
    ada, _ = people
    for wrong, said in (
        ({"csv": cups(-1)}, "cannot be"),
        ({"csv": cups(10), "mouth": "11"}, "cup mouth"),
        ({"csv": cups(400), "unit": "mm", "minutes": "5 min"}, "at most 400 mm/h"),
        ({"csv": cups(10), "wind": "20 mph"}, "wind"),
        ({"csv": cups(10), "zone": "moon"}, "moon"),
    ):
        with pytest.raises(Refused, match=said):
            ada.do("audit-cups", **{**HOW, **wrong})
    assert ada.do("audits", zone="lawn")["audits"] == []


def test_a_plan_a_timed_catch_and_a_review(people):
    ada, _ = people
    plan = ada.do("audit-plan", zone="lawn", width="8 m", length="12 m", owned=5)
    assert (plan["placements"], plan["minutes"]) == (5, 5)
    corners = [{"x_m": x, "y_m": y} for x, y in ((0, 0), (9, 0), (9, 9))]
    assert len(ada.do("audit-plan", zone="lawn", corners=corners)["places"]) >= 24
    with pytest.raises(Refused, match="x_m and y_m"):
        ada.do("audit-plan", zone="lawn", corners=[{"x": 1}, {"x": 2}, {"x": 3}])
    rows = "\n".join(f"1,{place},40" for place in ["start"] * 4 + ["middle"] * 4 + ["end"] * 4)
    drip = ada.do("audit-drip", zone="beds", csv=f"line,place,ml\n{rows}", seconds="60 s", flush="dirty")
    assert [one["code"] for one in drip["findings"]] == ["dirty_lines"]
    assert "findings" in ada.do("design-review")
    with pytest.raises(Refused, match="no column kind"):
        ada.do("design-review", heads="zone\nlawn\n")
