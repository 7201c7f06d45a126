"""500 seeded studies: intervals hold the truth as often as they say, and verdicts are as seldom wrong."""

import math

import numpy as np
import pytest
from made_pieces import STIFFNESS, pieces
from scipy import stats

from rig.population import (
    BEYOND,
    UNDECIDED,
    WITHIN,
    batch_figures,
    compare_groups,
    hedges_g,
    judge_margin,
    mean_difference,
    paired_g,
)

STUDIES = 500
SE_PCT = 100 * math.sqrt(0.05 * 0.95 / STUDIES)
"""Standard error of a share of 5 % among so many studies: 0.97 %."""


def groups(seed, *, difference, counts=(8, 8), spreads=(0.1, 0.1)):
    rng = np.random.default_rng(seed)
    first = rng.normal(2.0, spreads[0], (STUDIES, counts[0]))
    second = rng.normal(2.0 + difference, spreads[1], (STUDIES, counts[1]))
    return list(zip(first, second, strict=True))


def share_pct(marks):
    return 100 * np.mean(marks)


def holding(estimates, truth):
    ends = [each.interval() for each in estimates]
    return share_pct([low <= truth <= high for low, high in ends])


def test_the_interval_of_a_mean_holds_the_truth_in_93_to_97_per_cent():
    values = np.random.default_rng(1).normal(2.0, 0.1, (STUDIES, 8))
    found = [batch_figures(pieces(each), STIFFNESS) for each in values]
    assert 93 <= share_pct([each.low <= 2.0 <= each.high for each in found]) <= 97


def test_the_interval_of_a_mean_holds_it_too_where_the_calibration_is_off():
    rng = np.random.default_rng(2)
    values = rng.normal(2.0, 0.1, (STUDIES, 8)) + rng.normal(0, 0.04, (STUDIES, 1))
    found = [batch_figures(pieces(each, shared=0.04), STIFFNESS) for each in values]
    assert 93 <= share_pct([each.low <= 2.0 <= each.high for each in found]) <= 97
    without = [batch_figures(pieces(each), STIFFNESS) for each in values]
    assert share_pct([each.low <= 2.0 <= each.high for each in without]) < 91


def test_the_interval_of_a_mean_holds_it_where_few_readings_told_how_well_the_calibration_is_known():
    """The calibration's part is estimated from four degrees of freedom, anew in each study."""
    rng = np.random.default_rng(16)
    values = rng.normal(2.0, 0.05, (STUDIES, 30)) + rng.normal(0, 0.1, (STUDIES, 1))
    stated = 0.1 * np.sqrt(rng.chisquare(4, STUDIES) / 4)

    def held(freedom):
        found = [
            batch_figures(pieces(each, shared=u, freedom=freedom), STIFFNESS)
            for each, u in zip(values, stated, strict=True)
        ]
        return share_pct([each.low <= 2.0 <= each.high for each in found])

    assert 93 <= held(4.0) <= 97
    assert held(None) < 91


@pytest.mark.parametrize(
    ("counts", "spreads"), [((8, 8), (0.1, 0.1)), ((8, 8), (0.05, 0.2)), ((6, 15), (0.2, 0.1))]
)
def test_the_interval_of_a_difference_holds_the_truth_in_93_to_97_per_cent(counts, spreads):
    studies = groups(3, difference=-0.2, counts=counts, spreads=spreads)
    assert 93 <= holding([mean_difference(*each) for each in studies], -0.2) <= 97


def test_the_interval_of_a_paired_difference_holds_the_truth_in_93_to_97_per_cent():
    rng = np.random.default_rng(4)
    before = rng.normal(2.0, 0.3, (STUDIES, 6))
    after = before - 0.2 + rng.normal(0, 0.05, before.shape)
    found = [mean_difference(*each, paired=True) for each in zip(before, after, strict=True)]
    assert 93 <= holding(found, -0.2) <= 97


def test_a_scale_error_of_the_common_calibration_is_in_the_interval_of_the_difference():
    """Both batches are read with a scale that is off by 10 % (standard deviation)."""
    rng, margin = np.random.default_rng(5), []
    for first, second in groups(6, difference=-0.5, spreads=(0.02, 0.02)):
        off = 1 + rng.normal(0, 0.10)
        both = {
            name: pieces(off * values, batch=name, shared=0.10 * values.mean())
            for name, values in (("spring", first), ("autumn", second))
        }
        (found,) = compare_groups(both, [STIFFNESS]).differences
        margin.append(found.low <= -0.5 <= found.high)
    assert 93 <= share_pct(margin) <= 97


@pytest.mark.parametrize(("counts", "spread"), [((8, 8), 0.1), ((8, 8), 0.04), ((20, 20), 0.1)])
def test_a_pair_that_differs_by_the_margin_passes_in_at_most_5_per_cent(counts, spread):
    studies = groups(7, difference=0.15, counts=counts, spreads=(spread, spread))
    passed = [judge_margin(mean_difference(*each), 0.15).verdict == WITHIN for each in studies]
    assert share_pct(passed) <= 5 + 2 * SE_PCT


def test_at_the_margin_and_well_powered_the_pass_rate_is_near_5_per_cent():
    studies = groups(8, difference=-0.15, counts=(15, 15), spreads=(0.05, 0.05))
    verdicts = [judge_margin(mean_difference(*each), 0.15).verdict for each in studies]
    assert abs(share_pct([each == WITHIN for each in verdicts]) - 5) <= 2 * SE_PCT
    assert abs(share_pct([each == BEYOND for each in verdicts]) - 5) <= 2 * SE_PCT


def test_over_ten_thousand_studies_the_pass_rate_at_the_margin_is_5_per_cent():
    rng = np.random.default_rng(15)
    first, second = rng.normal(2.0, 0.05, (10_000, 15)), rng.normal(2.15, 0.05, (10_000, 15))
    found = [mean_difference(*each) for each in zip(first, second, strict=True)]
    # three standard errors of a share of 5 % among 10000
    assert share_pct([judge_margin(each, 0.15).verdict == WITHIN for each in found]) == pytest.approx(
        5, abs=0.65
    )


def test_a_pair_truly_beyond_the_margin_passes_in_far_less_than_5_per_cent():
    studies = groups(9, difference=0.25)
    passed = [judge_margin(mean_difference(*each), 0.15).verdict == WITHIN for each in studies]
    assert share_pct(passed) <= 1


def test_a_tiny_margin_does_not_call_alike_batches_beyond_it_too_often():
    studies = groups(10, difference=0.0)
    beyond = [judge_margin(mean_difference(*each), 0.001).verdict == BEYOND for each in studies]
    assert share_pct(beyond) <= 5 + 2 * SE_PCT


@pytest.mark.parametrize(("difference", "wanted"), [(0.03, WITHIN), (0.28, BEYOND)])
def test_the_number_of_pieces_that_would_decide_does_so_in_four_of_five_trials(difference, wanted):
    few = (
        np.array([-1.0, 1.0]) * 0.1 / math.sqrt(2),
        np.array([-1.0, 1.0]) * 0.1 / math.sqrt(2) + difference,
    )
    spring, autumn = (pieces(2.0 + each, batch=name) for name, each in zip("sa", few, strict=True))
    (found,) = compare_groups({"s": spring, "a": autumn}, [STIFFNESS], margins={STIFFNESS: 0.15}).differences
    assert found.outcome.verdict == UNDECIDED
    count = found.outcome.pieces_needed
    for pieces_of_each, low, high in ((count, 76, 88), (count // 2, 0, 70)):
        studies = groups(11, difference=difference, counts=(pieces_of_each, pieces_of_each))
        verdicts = [judge_margin(mean_difference(*each), 0.15).verdict for each in studies]
        assert low <= share_pct([each == wanted for each in verdicts]) <= high


@pytest.mark.parametrize("truth", [0.0, 1.0, 3.0])
def test_the_interval_of_the_effect_size_holds_the_truth_in_93_to_97_per_cent(truth):
    studies = groups(12, difference=truth, spreads=(1.0, 1.0))
    found = [hedges_g(*each) for each in studies]
    # the interval belongs to the uncorrected size; the correction for 14 degrees of freedom is 0.945
    assert 93 <= share_pct([each.low <= 0.945 * truth <= each.high for each in found]) <= 97


def test_the_paired_effect_size_holds_the_truth_in_92_to_98_per_cent():
    rng = np.random.default_rng(13)
    before = rng.normal(0, 1, (STUDIES, 20))
    after = 0.6 + 0.8 * before + 0.6 * rng.normal(0, 1, before.shape)  # again of spread 1
    found = [paired_g(*each) for each in zip(before, after, strict=True)]
    assert 92 <= share_pct([each.low <= 0.6 <= each.high for each in found]) <= 98
    assert np.mean([each.g for each in found]) == pytest.approx(0.6, abs=0.03)


def test_welch_and_not_student_is_used_where_the_small_group_spreads_more():
    """Student's interval would hold the truth far less often here."""
    studies = groups(14, difference=0.0, counts=(6, 30), spreads=(0.3, 0.05))
    assert 93 <= holding([mean_difference(*each) for each in studies], 0.0) <= 97
    student = [stats.ttest_ind(*each).confidence_interval() for each in studies]
    assert share_pct([ends.low <= 0 <= ends.high for ends in student]) < 80
