"""Batches over time: limits, batches beyond them, and trends."""

import math

import numpy as np
import pytest
from made_pieces import STIFFNESS, pieces
from scipy import stats

from rig.errors import InputError
from rig.population import batch_drift, batch_figures

SPREAD = np.array([-0.1, 0.0, 0.1])
"""Standard deviation 0.1."""


def drift(means, spread=SPREAD):
    return batch_drift(
        [
            (f"batch {number}", batch_figures(pieces(mean + spread, batch=str(number)), STIFFNESS))
            for number, mean in enumerate(means)
        ]
    )


def test_limits_stand_three_standard_errors_from_the_middle():
    found = drift([2.0, 2.1, 1.9, 2.0])
    assert (found.middle, found.sd_within) == (pytest.approx(2.0), pytest.approx(0.1))
    assert found.high == pytest.approx([2.0 + 3 * 0.1 / math.sqrt(3)] * 4)
    assert found.outside == ()


def test_a_batch_that_stands_out_is_named():
    assert drift([2.0, 2.0, 2.0, 2.6, 2.0]).outside == ("batch 3",)


def test_batches_that_creep_have_a_trend_with_its_slope():
    found = drift([2.00, 2.02, 2.04, 2.06, 2.08, 2.10])
    # six in order: chance puts them so, either way, in two of 6! cases
    assert found.trend_p == pytest.approx(2 / math.factorial(6))
    assert found.slope == pytest.approx(0.02)
    assert (found.slope_low, found.slope_high) == pytest.approx((0.02, 0.02))


def test_three_batches_are_too_few_for_a_trend():
    found = drift([2.0, 2.1, 2.2])
    assert (found.trend_p, found.slope) == (None, None)


def test_how_unlike_batches_are_is_judged_by_the_spread_of_pieces():
    means = [2.0, 2.1, 2.3]
    expected = stats.f_oneway(*(mean + SPREAD for mean in means)).pvalue
    assert drift(means).batches_p == pytest.approx(expected)


def test_single_pieces_have_no_limits():
    with pytest.raises(InputError, match="one of two pieces"):
        drift([2.0, 2.1], spread=np.zeros(1))
