"""A few fresh logs of the project's own simulator, and the pipe watch on them; the long trial is a command."""

from __future__ import annotations

import pytest

from dewpond_sim.flow_trial import log_of, outcome, remarks, repeats

# Seed and kind; the seed decides the site, its meter and whether there is a pressure sensor.
SAMPLE = [
    (9021, "lateral_break"),
    (9002, "clogged"),
    (3066, "stuck_closed"),  # zones before it close slowly, and their water hides that it passes none
    (3006, "stuck_closed"),  # the first of two that run together
    (9004, "main_leak"),
    (9005, "main_break"),
    (9006, "weep_hidden"),
    (9007, "supply_lost"),
    (9008, "meter_frozen"),
]


@pytest.mark.parametrize(("seed", "kind"), SAMPLE)
def test_the_pipe_watch_finds_a_fresh_fault_in_time_names_it_and_says_nothing_before(seed, kind):
    item = outcome(log_of(seed, kind))
    assert item.sound, f"{remarks(item)}; repeat with: {repeats(item)}"
