"""Coils on a meter; the published case is in test_published_practice_cases.py."""

from dewpond.science import wiring


def test_two_like_coils_in_parallel_read_half_and_below_a_sound_one() -> None:
    reading = wiring.parallel_ohm([30.0, 30.0])
    assert reading == 15.0
    assert reading < wiring.COIL_OHM[0]


def test_rows_are_circuits_of_their_own() -> None:
    assert wiring.parallel_ohm([[30.0, 30.0], [40.0, 40.0]]).tolist() == [15.0, 20.0]
