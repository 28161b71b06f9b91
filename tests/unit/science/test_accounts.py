"""Water accounts; the published worksheet and scores are in test_published_practice_cases.py."""

import numpy as np
import pytest

from dewpond.science import accounts


def test_one_millimetre_on_one_square_metre_is_one_litre() -> None:
    assert accounts.estimated_water_use(100.0, 1.0, 72.0) == 7200.0
    # Spray at 75 %: 0.8/0.75 is the worksheet's 1.067.
    assert accounts.et_adjustment_factor(0.8, 0.75) == pytest.approx(1.067, abs=0.0005)


def test_a_special_area_may_use_all_of_reference_et() -> None:
    assert accounts.maximum_applied_water_allowance(100.0, 0.55, 50.0, 50.0) == pytest.approx(5000.0)


def test_scores_of_a_time_without_need_or_water_are_missing() -> None:
    assert np.isnan(accounts.irrigation_adequacy(0.0, 0.0))
    assert np.isnan(accounts.scheduling_efficiency(np.array([0.0, 10.0]), 0.0)).tolist() == [True, False]
