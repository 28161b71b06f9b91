"""Time stands still for the dead, and goes no further than a proof lets it."""

from __future__ import annotations

import math

from dewpond_sim.proofs.gate import Gate


def test_time_goes_to_the_limit_and_no_further():
    gate = Gate(frozenset({"daemon"}))
    gate.seated = lambda: frozenset({"daemon", "keeper"})
    gate.until_s = 50.0
    assert gate.allowed_s(10.0) == 50.0
    assert gate.allowed_s(60.0) == 60.0
    gate.until_s = math.inf
    assert gate.allowed_s(60.0) == math.inf


def test_a_daemon_that_dies_stops_the_time_until_the_proof_lets_some_pass():
    gate = Gate(frozenset({"daemon"}))
    gate.seated = lambda: frozenset({"keeper"})
    gate.until_s = math.inf
    assert gate.allowed_s(10.0) == 10.0
    gate.absent_s = 25.0
    assert gate.allowed_s(10.0) == 25.0
