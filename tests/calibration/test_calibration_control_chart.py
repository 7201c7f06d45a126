"""The chart of individual values and moving ranges of a check standard."""

from __future__ import annotations

import numpy as np
import pytest

from rig.calibration import Known, judge, learnt_limits

STEADY = [10.0, 10.1, 10.0, 10.1, 10.0, 10.1, 10.0, 10.1]
"""Mean 10.05, every moving range 0.1."""


def test_limits_lie_2_66_mean_ranges_from_the_mean_and_ranges_reach_3_267_of_them() -> None:
    limits = learnt_limits(STEADY)
    assert limits is not None
    assert limits.mean == pytest.approx(10.05)
    assert limits.upper - limits.mean == pytest.approx(0.266, abs=5e-4)
    assert limits.mean - limits.lower == pytest.approx(0.266, abs=5e-4)
    assert limits.largest_range == pytest.approx(0.3267, abs=5e-5)


def test_limits_rest_on_the_baseline_alone() -> None:
    assert learnt_limits([*STEADY, 99.0]) == learnt_limits(STEADY)


def test_there_are_no_limits_before_the_baseline_is_whole() -> None:
    assert learnt_limits(STEADY[:7]) is None


def test_values_that_are_all_the_same_teach_no_limits() -> None:
    assert learnt_limits([10.0] * 8) is None


def test_few_normal_values_are_called_outside() -> None:
    # with limits that were known, 1 value in 370; limits from eight values call a few more
    rng = np.random.default_rng(4)
    outside = [judge(values[:-1], values[-1]).outside for values in rng.normal(5.0, 0.1, (2000, 20)).tolist()]
    assert np.mean(outside) < 0.08


def test_a_step_of_ten_standard_deviations_is_always_outside() -> None:
    rng = np.random.default_rng(5)
    steps = [
        judge(values, values[-1] + 1.0 + 1.0).outside for values in rng.normal(5.0, 0.1, (200, 8)).tolist()
    ]
    assert all(steps)


def test_a_value_beyond_the_limits_is_outside_with_its_reason() -> None:
    judgement = judge(STEADY, 10.33, unit="N/mm")
    assert judgement.outside
    assert judgement.reasons == ("10.33 N/mm is outside the chart's limits of 9.7841 to 10.316 N/mm",)


def test_a_leap_within_the_limits_is_outside_by_its_moving_range() -> None:
    # 9.8 and 10.3 are both inside, 0.5 apart with 0.327 allowed
    judgement = judge([*STEADY, 9.8], 10.3)
    assert len(judgement.reasons) == 1
    assert "moved by 0.5" in judgement.reasons[0]


def test_a_value_inside_has_no_reason() -> None:
    assert not judge(STEADY, 10.2).outside


def test_while_limits_are_learnt_only_the_known_value_is_tested() -> None:
    known = Known(10.0, 0.2)
    assert not judge([10.0], 10.15, known=known).outside
    judgement = judge([10.0], 10.25, known=known, unit="N/mm")
    assert judgement.reasons == (
        "10.25 N/mm is 0.25 N/mm off the piece's known 10 N/mm; 0.2 N/mm are allowed",
    )
    assert "being learnt: 6 more readings" in judgement.notes[0]


def test_that_nothing_is_tested_yet_is_said() -> None:
    assert "nothing is tested" in " ".join(judge([], 10.0).notes)


def test_eight_readings_on_one_side_are_worth_a_word() -> None:
    drifting = [*STEADY, *[10.12] * 7]
    judgement = judge(drifting, 10.12)
    assert not judgement.outside
    assert "lie above the mean" in " ".join(judgement.notes)
