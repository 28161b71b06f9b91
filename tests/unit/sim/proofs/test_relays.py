"""What an outside recorder saw, and the questions asked of it."""

from __future__ import annotations

import math

from dewpond_sim.proofs import relays
from dewpond_sim.proofs.relays import Opened


def changes(text: str) -> list[Opened]:
    return relays.openings(line.split() for line in text.strip().splitlines())


def test_openings_are_read_from_changes_and_repeated_words_change_nothing():
    seen = changes("0 1 off\n2.5 1 on\n3 1 on\n9 1 off\n9.5 1 off\n9 2 on")
    assert seen == [Opened(1, 2.5, 9.0), Opened(2, 9.0, math.inf)]


def test_an_opening_counts_within_a_span_only():
    opened = Opened(1, 10.0, 50.0)
    assert opened.seconds() == 40.0
    assert opened.seconds(20.0, 30.0) == 10.0
    assert opened.seconds(60.0) == 0.0


def test_the_longest_opening_after_a_fault_counts_what_was_on_at_it_until_help_came():
    seen = [Opened(1, 0.0, 90.0), Opened(2, 20.0, 30.0), Opened(3, 50.0, 400.0)]
    assert relays.longest_after(seen, 25.0) == 65.0
    assert relays.longest_after(seen, 25.0, helped_s=40.0) == 15.0
    assert relays.longest_after(seen, 500.0) == 0.0


def test_one_that_opens_as_another_closes_is_not_together_with_it():
    assert relays.most_together([Opened(1, 0.0, 10.0), Opened(2, 10.0, 20.0)]) == 1
    assert relays.most_together([Opened(1, 0.0, 10.1), Opened(2, 10.0, 20.0)]) == 2
    assert relays.most_together([]) == 0


def test_a_master_is_alone_before_between_and_after_its_zones():
    master, zones = 9, [Opened(1, 3.0, 10.0), Opened(2, 17.0, 20.0)]
    assert relays.alone_s([Opened(master, 0.0, 20.0), *zones], master) == 7.0
    assert relays.alone_s([Opened(master, 0.0, 31.0), *zones], master) == 11.0
    assert relays.alone_s([Opened(master, 0.0, 5.0)], master) == 5.0
    assert relays.alone_s(zones, master) == 0.0


def test_the_time_after_a_fault_is_left_out_of_a_master_alone():
    seen = [Opened(9, 0.0, 500.0), Opened(1, 0.0, 100.0)]
    assert relays.alone_s(seen, 9, [150.0], 120.0) == 50.0 + 230.0
    assert relays.alone_s(seen, 9, [90.0, 200.0, 300.0], 120.0) == 80.0
    assert relays.alone_s(seen, 9, [600.0], 120.0) == 400.0


def test_a_zone_is_dry_while_its_master_is_shut():
    master, zone = 9, Opened(1, 10.0, 100.0)
    assert relays.dry_s([Opened(master, 0.0, 100.0), zone], master) == 0.0
    assert relays.dry_s([Opened(master, 0.0, 40.0), Opened(master, 45.0, 90.0), zone], master) == 10.0
    assert relays.dry_s([zone], master) == 90.0
    assert relays.dry_s([], master) == 0.0
    assert relays.dry_s([Opened(master, 0.0, 40.0), zone], master, [30.0], 50.0) == 20.0
