"""Polynomials through readings: their terms, uncertainties, and the degree that is enough."""

import math

import numpy as np
import pytest
from scipy import stats

from rig.calibration import fit_polynomial, lack_of_fit, recommend_degree
from rig.calibration.scale_fitting import coverage_factor, fit_scale, half_interval, scale_budget
from rig.errors import InputError

COUNTS = np.repeat(np.linspace(8_000_000.0, 8_400_000.0, 7), 3)


def test_a_line_agrees_with_another_implementation():
    rng = np.random.default_rng(1)
    x = rng.uniform(0, 5, 30)
    y = 2.0 + 0.3 * x + rng.normal(0, 0.1, 30)
    other = stats.linregress(x, y)
    fit = fit_polynomial(x, y, 1)
    assert fit.coefficients == pytest.approx([other.intercept, other.slope], rel=1e-12)
    assert fit.standard_uncertainties == pytest.approx([other.intercept_stderr, other.stderr], rel=1e-12)


def test_terms_far_from_zero_keep_their_digits():
    # counts near eight million: powers of the raw numbers would leave seven digits of sixteen
    away = COUNTS - 8_200_000.0
    y = 3.0 + 2e-4 * away + 1e-11 * away**2 - 4e-17 * away**3
    terms, _ = fit_polynomial(COUNTS, y, 3).about(8_200_000.0)
    assert terms == pytest.approx([3.0, 2e-4, 1e-11, -4e-17], rel=1e-9)


def test_weights_count_like_readings_taken_more_than_once():
    x, y = np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.1, 0.9, 2.2, 2.9])
    often = fit_polynomial(np.append(x, [2.0, 2.0]), np.append(y, [2.2, 2.2]), 1)
    weighted = fit_polynomial(x, y, 1, weights=[1, 1, 3, 1])
    assert weighted.coefficients == pytest.approx(often.coefficients, rel=1e-12)


def test_runs_that_each_have_a_zero_of_their_own_give_one_slope():
    x = np.tile(np.arange(5.0), 3)
    runs = np.repeat(["a", "b", "c"], 5)
    y = 2.0 * x + np.repeat([0.0, 10.0, -4.0], 5)
    fit = fit_polynomial(x, y, 1, runs=runs)
    assert fit.coefficients == pytest.approx([2.0, 2.0], abs=1e-12)  # the mean zero is 2
    assert fit.degrees_of_freedom == 15 - 4


@pytest.mark.parametrize(
    ("x", "degree", "complaint"),
    [
        ([0, 0, 1, 1], 3, "degree 3 needs 4 different points at least, .* found 2"),
        ([0, 1], 1, "2 readings for 2 unknowns of degree 1 leave no scatter to judge by; expected 3"),
        ([0, 1, 2], 4, "degree: found 4, expected 1 to 3"),
        ([0, 1, math.inf], 1, "not a finite number"),
        ([], 1, "found 0 readings"),
    ],
)
def test_a_fit_that_readings_cannot_carry_is_refused(x, degree, complaint):
    with pytest.raises(InputError, match=complaint):
        fit_polynomial(x, list(range(len(x))), degree)


@pytest.mark.parametrize(
    ("bend", "twist", "degree"),
    [(0.0, 0.0, 1), (4e-12, 0.0, 2), (0.0, 3e-17, 3)],
    ids=["straight", "bent", "bent twice"],
)
def test_the_lowest_degree_that_is_enough_is_recommended_with_its_reason(bend, twist, degree):
    away = COUNTS - COUNTS.mean()
    noise = np.random.default_rng(3).normal(0, 0.004, len(away))
    choice = recommend_degree(COUNTS, 2e-4 * away + bend * away**2 + twist * away**3 + noise, unit="N")
    assert choice.degree == degree
    assert (" N" in choice.reason) and ("straight line" in choice.reason or degree == 3)


def test_a_curve_through_few_readings_is_not_believed_closer_than_each_of_them_is_known():
    # a straight sensor, six blocks, each the mean of 21 counts that jump by one: u is 0.3 count
    heights = -np.arange(60.0, 0.0, -10.0)
    rng = np.random.default_rng(8)
    bent = {0.0: 0, 0.3: 0}
    for u_counts in bent:
        for _ in range(300):
            counts = 1000 + (heights + 60) / 0.02 + rng.normal(0, 0.1, len(heights))
            fitted = fit_scale(heights, counts, unit="mm", zero_counts=0.0, u_counts=u_counts)
            bent[u_counts] += bool(fitted.scale.bends)
    assert bent[0.0] >= 10  # one in twenty, tried twice: without u the scatter alone has to tell
    assert bent[0.3] == 0
    # a bend of 5 counts in the middle is believed all the same
    away = (heights + 35) / 25
    counts = 1000 + (heights + 60) / 0.02 + 5 * away**2 + rng.normal(0, 0.1, len(heights))
    assert fit_scale(heights, counts, unit="mm", zero_counts=0.0, u_counts=0.3).scale.bends


def test_too_few_references_offer_no_higher_degree():
    choice = recommend_degree([0, 0, 1, 1, 2, 2], [0.0, 0.1, 1.5, 1.4, 3.9, 4.1])
    assert choice.degree == 1
    assert "too few readings to judge a higher degree" in choice.reason


def test_lack_of_fit_is_seen_beside_repeats():
    x = np.repeat(np.arange(6.0), 4)
    noise = np.random.default_rng(5).normal(0, 0.01, len(x))
    assert lack_of_fit(fit_polynomial(x, 0.02 * x**2 + noise, 1), x).p < 1e-3
    assert lack_of_fit(fit_polynomial(x, 0.02 * x**2 + noise, 2), x).p > 0.05
    assert lack_of_fit(fit_polynomial(np.arange(6.0), np.arange(6.0) ** 2, 1), np.arange(6.0)) is None


@pytest.mark.parametrize("degrees", [1, 5.0, 40, math.inf])
def test_coverage_factors_are_those_of_students_t(degrees):
    assert coverage_factor(degrees) == pytest.approx(stats.t.ppf(0.975, degrees), rel=1e-9)


def test_the_interval_of_a_scale_holds_the_truth_as_often_as_it_says():
    # 1000 calibrations, each with three runs whose zeros differ, read with white noise of 3 counts
    rng = np.random.default_rng(11)
    loads = np.tile([0.0, 20.0, 40.0, 60.0, 80.0, 100.0], 3)
    runs = [str(run) for run in np.repeat(range(3), 6)]
    held = 0
    for _ in range(1000):
        zeros = np.repeat(rng.normal(5000, 50, 3), 6)
        counts = loads / 1e-3 + zeros + rng.normal(0, 3, len(loads))
        fitted = fit_scale(loads, counts, unit="N", degree=1, runs=runs)
        end = scale_budget(fitted.scale)[0]  # the scatter alone: the cell is straight, as was asked for
        reach = fitted.scale.uncertainty.unit_counts
        error = float(fitted.scale.value(fitted.scale.zero_counts + reach)) - 1e-3 * reach
        held += abs(error) <= half_interval(end)
    assert 930 <= held <= 970


def test_a_bend_that_readings_can_hardly_show_does_not_leave_the_interval():
    # F = 1e-3 c + 2e-12 c^2: 5 mN off a straight line in mid-range, beside a scatter of 3 mN
    rng = np.random.default_rng(12)
    loads = np.tile([0.0, 20.0, 40.0, 60.0, 80.0, 100.0], 3)
    bent = (-1e-3 + np.sqrt(1e-6 + 8e-12 * loads)) / 4e-12
    held = straight = 0
    for _ in range(200):
        scale = fit_scale(loads, bent + rng.normal(0, 3, len(loads)), unit="N").scale
        known = scale.uncertainty
        powers = (5e4 / known.unit_counts) ** np.arange(1, 1 + len(scale.terms))
        value = float(scale.value(scale.zero_counts + 5e4))
        shared = sum((share.relative_u * value) ** 2 for share in known.shares)
        u = math.sqrt(powers @ np.array(known.covariance) @ powers + shared)
        held += abs(value - (50 + 2e-12 * 25e8)) <= u * coverage_factor(known.degrees_of_freedom)
        straight += not scale.bends
    assert 20 <= straight <= 100  # so that it is about those that do not see the bend
    assert held >= 186


def test_references_too_few_to_see_a_bend_are_said_to_be():
    few = fit_scale([0.0, 50.0, 100.0] * 2, [0.0, 50_001.0, 99_999.0, 2.0, 50_000.0, 100_000.0], unit="N")
    assert any("too few references to see a further bend" in caution for caution in few.cautions)
    assert few.scale.uncertainty.shares == ()


def test_readings_without_any_scatter_give_a_straight_line():
    loads = [0.0, 10.0, 20.0, 30.0, 40.0]
    fitted = fit_scale(loads, [1000 * load for load in loads], unit="N")
    assert fitted.scale.terms == pytest.approx((1e-3,), rel=1e-12)
    assert scale_budget(fitted.scale)[-1].u < 1e-9


def test_scatter_that_grows_with_the_load_is_weighted():
    rng = np.random.default_rng(2)
    loads = np.repeat([0.0, 25.0, 50.0, 75.0, 100.0], 6)
    counts = loads * 1000 + rng.normal(0, 1, len(loads)) * (1 + loads / 2)
    fitted = fit_scale(loads, counts, unit="N", degree=1)
    assert fitted.fit.weights[0] > 5 * fitted.fit.weights[-1]
    assert any("weighted" in caution for caution in fitted.cautions)
    even = fit_scale(loads, loads * 1000 + rng.normal(0, 1, len(loads)), unit="N", degree=1)
    assert (even.fit.weights == 1).all()
