"""Hand pushing beside the driven rig: ratio of repeats and bias, against other arithmetic."""

import json

import numpy as np
import pytest
from made_studies import columns_of, study_values
from scipy.stats import f, ttest_rel

from rig.errors import InputError
from rig.population import arrange_trials, compare_kinds


def made(kinds, *, shape=(8, None, 4), hand_sd=0.2, seed=3):
    p, _, r = shape
    values = study_values(np.random.default_rng(seed), (p, len(kinds), r), appraisers=0.1, repeat=0.05)
    noise = np.random.default_rng(seed + 1).normal(0, hand_sd, values.shape)
    values += noise * np.array([kind == "hand" for kind in kinds])[:, np.newaxis]
    return values, arrange_trials(columns_of(values, kinds=kinds))


def test_the_ratio_of_repeats_is_the_variance_ratio_of_the_textbook():
    values, table = made(("hand", "hand", "driven"))
    found = compare_kinds(table)
    hand, rig = values[:, :2].var(axis=2, ddof=1).mean(), values[:, 2].var(axis=1, ddof=1).mean()
    assert found.degrees_of_freedom == (48, 24)
    assert found.ratio == pytest.approx((hand / rig) ** 0.5)
    assert found.ratio_low == pytest.approx((hand / rig / f.ppf(0.975, 48, 24)) ** 0.5)
    assert found.ratio_high == pytest.approx((hand / rig * f.ppf(0.975, 24, 48)) ** 0.5)
    assert found.p == pytest.approx(2 * f.sf(hand / rig, 48, 24))


def test_the_bias_of_these_people_is_a_paired_comparison_over_pieces():
    values, table = made(("hand", "hand", "driven"))
    theirs = ttest_rel(values[:, :2].mean((1, 2)), values[:, 2].mean(1))
    low, high = theirs.confidence_interval(0.95)
    found = compare_kinds(table)
    assert (found.bias_low, found.bias_high) == pytest.approx((low, high))
    assert found.bias == pytest.approx(
        theirs.statistic * (high - low) / 2 / 2.364624, rel=1e-5
    )  # t(0.975, 7)


def test_other_people_widen_the_interval_of_the_bias():
    _, table = made(("hand", "hand", "hand", "driven"))
    found = compare_kinds(table)
    assert found.others_low < found.bias_low
    assert found.bias_high < found.others_high
    assert found.others_why == ""


def test_one_hand_says_nothing_of_other_hands():
    _, table = made(("hand", "driven"))
    found = compare_kinds(table)
    assert (found.others_low, found.others_high) == (None, None)
    assert "one appraiser of kind 'hand'" in found.others_why


def test_a_rig_that_repeats_to_the_last_digit_has_no_ratio():
    values, _ = made(("hand", "driven"))
    values[:, 1] = np.round(values[:, 1, :1], 3)
    found = compare_kinds(arrange_trials(columns_of(values, kinds=("hand", "driven"))))
    assert (found.sd_second, found.ratio, found.p) == (0.0, None, None)
    json.dumps(found.as_dict(), allow_nan=False)


def test_one_trial_is_refused():
    _, table = made(("hand", "driven"), shape=(8, None, 1))
    with pytest.raises(InputError, match="8 pieces and 1 trials, expected two or more of both"):
        compare_kinds(table)


def test_a_study_without_a_driven_rig_is_refused():
    _, table = made(("hand", "hand"))
    with pytest.raises(InputError, match="no appraiser is 'driven'; found hand"):
        compare_kinds(table)
