"""Growth of force with the rate against lines that were drawn by hand."""

from __future__ import annotations

from math import log

import numpy as np
import pytest

from rig.aids import ForceAtRate, rate_trend
from rig.errors import InputError


def grown(piece: str, at_ten_n: float, pct: float, rates=(1.0, 10.0, 100.0)) -> list[ForceAtRate]:
    return [ForceAtRate(piece, rate, at_ten_n * (1 + pct / 100) ** (np.log10(rate) - 1)) for rate in rates]


def test_pieces_of_unlike_stiffness_share_one_growth():
    trend = rate_trend([*grown("a", 80.0, 7.0), *grown("b", 50.0, 7.0)])
    assert trend.growth_pct == pytest.approx(7.0)
    assert (trend.pieces, trend.degrees_of_freedom) == (2, 3)
    assert trend.u == pytest.approx(0.0, abs=1e-9)


def test_force_at_another_rate_follows_the_line():
    factor = rate_trend(grown("a", 80.0, 7.0)).factor(1000.0, 10.0)
    assert factor.value == pytest.approx(1.07**2)


def test_what_is_left_over_gives_the_interval():
    # ln F = 0, 0.2, 0.1 over decades -1, 0, 1: slope 0.05; left -0.05, 0.1, -0.05, squares 0.015; one degree
    # of freedom; sum of x^2 is 2: u = sqrt(0.015 / 2) = 0.0866; t(1) = 12.706
    made = [ForceAtRate("a", rate, np.exp(y)) for rate, y in ((1.0, 0.0), (10.0, 0.2), (100.0, 0.1))]
    trend = rate_trend(made)
    assert trend.per_decade == pytest.approx(0.05)
    assert trend.u == pytest.approx(0.0866025, rel=1e-5)
    low, high = trend.interval_pct
    assert log(1 + high / 100) - 0.05 == pytest.approx(12.7062 * 0.0866025, rel=1e-4)
    assert log(1 + low / 100) == pytest.approx(0.05 - 12.7062 * 0.0866025, rel=1e-4)
    factor = trend.factor(100.0, 10.0)
    low, high = factor.interval()
    assert (high - low) / 2 / factor.value == pytest.approx(12.7062 * 0.0866025, rel=1e-4)


def test_intervals_hold_the_truth_as_often_as_they_say():
    rng = np.random.default_rng(11)
    rates, held, runs = (1.0, 10.0, 100.0), 0, 2000
    for _ in range(runs):
        made = [
            ForceAtRate(piece, rate, 80 * np.exp(0.06 * np.log10(rate) + rng.normal(0, 0.01)))
            for piece in "abc"
            for rate in rates
        ]
        low, high = rate_trend(made).interval_pct
        held += low < 100 * np.expm1(0.06) < high
    # 95 % give or take three standard deviations of a count of 2000
    assert 0.935 < held / runs < 0.965


def test_two_rates_leave_nothing_to_judge_the_growth_by():
    trend = rate_trend(grown("a", 80.0, 7.0, rates=(1.0, 10.0)))
    assert trend.u is None
    assert trend.interval_pct is None


def test_rates_that_are_nearly_alike_show_no_growth():
    assert rate_trend(grown("a", 80.0, 7.0, rates=(10.0, 12.0))) is None
    assert rate_trend([]) is None


def test_how_far_a_rate_lies_outside_is_told_in_powers_of_ten():
    trend = rate_trend(grown("a", 80.0, 7.0))
    assert trend.beyond_decades(1000.0) == pytest.approx(1.0)
    assert trend.beyond_decades(0.1) == pytest.approx(1.0)
    assert trend.beyond_decades(50.0) == 0.0


def test_a_force_of_nothing_is_refused_with_its_piece():
    with pytest.raises(InputError, match="piece a"):
        rate_trend([ForceAtRate("a", 10.0, 0.0)])
