"""``prove_zones``: off where nothing is said, and true or false where something is."""

from __future__ import annotations


def test_zones_need_no_proof_unless_the_site_says_so(load, whole):
    assert load(whole).site.prove_zones is False
    assert load(whole.replace("[site]", "[site]\nprove_zones = true")).site.prove_zones is True


def test_anything_but_true_or_false_is_refused(load, whole):
    [problem] = load(whole.replace("[site]", '[site]\nprove_zones = "yes"')).errors
    assert problem.key == "prove_zones" and problem.limit == "it must be true or false"
