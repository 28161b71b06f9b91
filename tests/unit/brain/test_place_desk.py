"""Exemptions, stages and insisting: who and why are recorded, each ends by itself, and the rules hold around them."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from sites import DayRule, Hours, Restriction, Watering, site, time, zone
from small_world import SmallWorld

from dewpond.brain.establishment import SOURCE
from dewpond.brain.state import State
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.commands import NoteRules, RecordPlan
from dewpond.model.site import Establishment, Exemption

ORDER = 'the complete stop "Order"'


def rule(name="Nights", **changes):
    values = {
        "applies_to": frozenset({"all"}),
        "days": DayRule(),
        "hours": None,
        "from_date": None,
        "until_date": None,
        "name": name,
    }
    return Restriction(**{**values, **changes})


def stop(name="Order", **changes):
    return rule(name, stop=True, **changes)


def staged(*zones):
    watering = Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(), stages=("one", "two"))
    return site(*zones, restrictions=(stop(stages=frozenset({"two"})),), watering=watering)


def notes(world):
    return [one for _, commands in world.store.commands for one in commands if isinstance(one, NoteRules)]


def until_water(world):
    """Let the loop run on until the first planned opening has begun."""
    first_s = min(item.start_s for item in world.state.openings)
    world.until((first_s - world.now.wall.timestamp() + world.now.elapsed_s) / 3600.0 + 0.02)
    assert world.keeper.open_now


def test_water_by_hand_against_a_rule_is_refused_first_with_the_rule_and_how_to_insist():
    world = SmallWorld(site(restrictions=(stop(),)))
    accepted, text = world.ask("water", zone="lawn", seconds=300.0)
    assert not accepted and ORDER in text and "--against-rule --by NAME --reason TEXT" in text
    assert not world.keeper.open_now and not world.state.openings
    assert not world.ask("water", zone="lawn", seconds=300.0, against_rule=True, by="Ada")[0]  # a reason is needed


def test_insisting_opens_and_records_who_and_why():
    world = SmallWorld(site(restrictions=(stop(),)))
    wish = {"zone": "lawn", "seconds": 300.0, "against_rule": True, "by": "Ada", "reason": "heads are tested"}
    accepted, text = world.ask("water", **wish)
    assert accepted and "as Ada (Ana) insists; recorded" in text and world.keeper.open_now
    world.until(0.2)
    (run,) = world.runs()
    assert run.seconds == 300.0 and run.note == f"against {ORDER}" and run.cause == "by hand: Ada (Ana)"
    (note,) = notes(world)
    assert (note.run_id, note.against, note.who, note.reason) == (run.run_id, (ORDER,), "Ada (Ana)", "heads are tested")
    assert note.in_force == ("Order: all; complete stop",)


def test_water_by_hand_outside_the_window_needs_no_insisting():
    world = SmallWorld(site())
    world.until(12.0)
    accepted, text = world.ask("water", zone="lawn", seconds=60.0)
    assert accepted and "outside the allowed hours or days; recorded" in text
    assert notes(world) == []


def test_a_run_that_would_go_on_into_forbidden_hours_is_against_the_rule_too():
    world = SmallWorld(site(restrictions=(rule(hours=Hours(start=time(0), end=time(1))),)))
    world.until(0.95)  # 00:57
    assert not world.ask("water", zone="lawn", seconds=600.0)[0]
    assert world.ask("water", zone="lawn", seconds=120.0)[0]


def exempt(world, **changes):
    fields = {"target": "lawn", "until": world.in_hours(48.0), "by": "Ada", "reason": "permit 7", "rule": ""}
    return world.ask("exempt", **{**fields, **changes})


def test_an_exemption_lets_the_night_be_watered_says_so_and_ends_by_itself():
    never = rule("Never", days=DayRule(kind="weekdays"))
    world = SmallWorld(site(zone(), zone("beds", output=2), restrictions=(never,)))
    world.until(20.8)
    world.plan()
    assert not world.state.openings
    assert world.state.reasons["lawn"].decision == "not allowed"
    accepted, text = exempt(world, until=world.in_hours(5.0))
    assert accepted and "Exemption 1 is recorded for lawn: Exempt from restrictions until 2026-06-02 01:" in text
    assert {item.zone for item in world.state.openings} == {"lawn"}
    assert any("by Ada (Ana): permit 7" in sentence for sentence in world.state.reasons["lawn"].limits)
    ends_s = world.now.wall.timestamp() + 5 * 3600.0
    assert all(item.start_s + item.seconds <= ends_s for item in world.state.openings)
    world.until(30.0)
    assert {run.zone for run in world.runs()} == {"lawn"} and not world.state.place.exemptions
    assert {note.exemptions for note in notes(world)} == {("Ada (Ana): permit 7",)}
    assert ("rules", []) in [(topic, body.get("exemptions")) for topic, body in world.bus.published]


def test_an_exemption_ended_early_closes_what_it_let_run():
    never = rule("Never", days=DayRule(kind="weekdays"))
    world = SmallWorld(site(restrictions=(never,)))
    world.until(20.8)
    world.plan()
    exempt(world)
    until_water(world)
    assert world.ask("end-exemption", number="1", by="Ada")[0]
    assert not world.keeper.open_now and not world.state.openings
    assert 'stopped by the restriction "Never"' in world.runs()[-1].note


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"target": "pitch"}, "nothing here is called 'pitch'"),
        ({"rule": "Always"}, "no rule 'Always' here; rules are days, Order"),
        ({"reason": " "}, "needs a reason"),
        ({"until": None}, "needs an end in the future"),
    ],
)
def test_an_exemption_that_is_half_said_is_not_recorded(changes, told):
    world = SmallWorld(site(restrictions=(stop(),)))
    accepted, text = exempt(world, **changes)
    assert not accepted and told in text and not world.state.place.exemptions
    assert not exempt(world, until=world.in_hours(-1.0))[0]
    assert not exempt(world, until=world.in_hours(367 * 24.0))[0]
    assert not world.ask("end-exemption", number="1", by="Ada")[0]


def test_a_complete_stop_needs_to_be_named():
    world = SmallWorld(site(restrictions=(stop(),)))
    world.until(20.8)
    world.plan()
    exempt(world)
    assert not world.state.openings
    exempt(world, rule="Order")
    assert world.state.openings


def test_a_stage_declared_at_night_stops_what_runs_and_ends_by_itself():
    world = SmallWorld(staged())
    world.until(20.8)
    world.plan()
    until_water(world)
    until = world.now.wall + timedelta(hours=20)
    accepted, text = world.ask("stage", stage="two", by="Ada", reason="letter", until=until)
    assert accepted and 'Stage "two" is in force until 2026-06-0' in text
    assert not world.keeper.open_now and not world.state.openings
    assert not world.ask("water", zone="lawn", seconds=60.0)[0]
    world.until(world.now.elapsed_s / 3600.0 + 20.1)
    assert world.state.place.stage is None
    assert world.ask("water", zone="lawn", seconds=60.0)[0]


def test_a_stage_of_another_place_is_refused_and_none_takes_it_back():
    world = SmallWorld(staged())
    assert "stages are one, two" in world.ask("stage", stage="three", by="Ada", reason="letter")[1]
    assert "needs a reason" in world.ask("stage", stage="two", by="Ada")[1]
    assert world.ask("stage", stage="two", by="Ada", reason="letter")[0]
    assert world.ask("stage", stage="", by="Ada", reason="letter of June")[1].startswith("No stage of restriction")
    assert world.ask("water", zone="lawn", seconds=60.0)[0]
    assert "names no stage" in SmallWorld(site()).ask("stage", stage="one", by="Ada", reason="x")[1]


def test_what_is_declared_survives_a_restart():
    world = SmallWorld(staged())
    exempt(world)
    world.ask("stage", stage="two", by="Ada", reason="letter")
    again = from_plain(State, to_plain(world.state))
    assert again.place == world.state.place and again.place.exemptions["1"].who == "Ada (Ana)"


def test_new_plants_get_their_starts_by_day_under_a_recorded_exemption():
    """By day the site's night hours allow nothing; leave recorded by a person opens it, as leave in the file does."""
    nights = rule("Nights", hours=Hours(start=time(21), end=time(8)))
    sod = Establishment(kind="sod", first=date(2026, 6, 1), last=date(2026, 6, 21), start_share=1 / 3, starts_per_day=3)
    world = SmallWorld(site(zone(establishment=sod), restrictions=(nights,)))
    world.until(20.8)
    world.plan()
    assert not [item for item in world.state.openings if item.source == SOURCE]
    exempt(world)
    starts = [item for item in world.state.openings if item.source == SOURCE]
    assert len(starts) == 3
    world.until(42.0)
    assert len([run for run in world.runs() if run.cause.startswith(SOURCE)]) == 3


def test_leave_in_the_site_file_passes_over_no_complete_stop():
    leave = Exemption(reason="permit 7", until=date(2026, 6, 21))
    sod = Establishment(
        kind="sod", first=date(2026, 6, 1), last=date(2026, 6, 21), start_share=1 / 3, starts_per_day=3, exemption=leave
    )
    for restriction, count in ((rule(days=DayRule(kind="weekdays")), 3), (stop(), 0)):
        world = SmallWorld(site(zone(establishment=sod), restrictions=(restriction,)))
        world.until(20.8)
        world.plan()
        assert len([item for item in world.state.openings if item.source == SOURCE]) == count


def test_the_plan_table_drops_what_a_stage_forbids():
    world = SmallWorld(staged())
    world.until(20.8)
    world.plan()
    planned = {item.key for item in world.state.openings}
    world.ask("stage", stage="two", by="Ada", reason="letter")
    rows = [row for row in world.store.recorded(RecordPlan) if row.state == "dropped"]
    assert {(row.zone, row.source, row.window_date, row.start_no) for row in rows} == planned
