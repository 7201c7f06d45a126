"""Limits of the charts of a study against the printed factors."""

import numpy as np
import pytest

from rig.errors import InputError
from rig.population import range_limits
from rig.population.charts import range_moments

# ISO 7870-2 and every textbook on control charts, table of factors (recalled): n, d2, d3.
PRINTED = [(2, 1.128, 0.853), (3, 1.693, 0.888), (5, 2.326, 0.864), (10, 3.078, 0.797)]


@pytest.mark.parametrize(("count", "mean", "sd"), PRINTED)
def test_mean_and_spread_of_ranges_are_the_printed_factors(count, mean, sd):
    assert range_moments(count) == pytest.approx((mean, sd), abs=6e-4)


def test_limits_are_those_of_the_printed_chart_factors():
    values = np.random.default_rng(1).normal(5, 0.1, (10, 2, 3))
    limits = range_limits(values)
    # the same tables: D3 = 0, D4 = 2.574 (2.575 in some), A2 = 1.023 for three values
    assert limits.mean_range == pytest.approx((values.max(2) - values.min(2)).mean())
    assert limits.range_low == 0
    assert limits.range_high == pytest.approx(2.574 * limits.mean_range, rel=1e-3)
    assert limits.mean_high == pytest.approx(values.mean() + 1.023 * limits.mean_range, rel=1e-3)
    assert limits.mean_low == pytest.approx(values.mean() - 1.023 * limits.mean_range, rel=1e-3)


@pytest.mark.parametrize("trials", [1, 51])
def test_too_few_or_too_many_trials_have_no_chart(trials):
    with pytest.raises(InputError, match=f"found {trials} trials"):
        range_limits(np.zeros((3, 1, trials)))
