"""Intervals of combinations of mean squares meet the exact ones where there are exact ones."""

import numpy as np
import pytest
from scipy.stats import bartlett, chi2, f

from rig.population.gauge import unlike_repeats_p
from rig.population.intervals import Term, combination_interval, degrees_of_freedom, share_interval


def difference(above, below, df_above, df_below):
    terms = [Term(0.5, np.asarray(above), df_above), Term(-0.5, np.asarray(below), df_below)]
    return combination_interval(terms, 0.95)


@pytest.mark.parametrize(("one", "two"), [(9, 18), (2, 18), (18, 60), (1, 1)])
def test_a_difference_begins_at_zero_just_where_the_ratio_becomes_significant(one, two):
    # the exact interval of the ratio of both begins at 1 just there, and then their difference at 0
    at = f.isf(0.025, one, two)
    assert difference(at, 1.0, one, two)[0] == pytest.approx(0, abs=1e-7 * at)
    assert difference(1.01 * at, 1.0, one, two)[0] > 0
    assert difference(0.99 * at, 1.0, one, two)[0] == 0


@pytest.mark.parametrize(("one", "two"), [(9, 18), (2, 18), (18, 60)])
def test_a_difference_ends_at_zero_just_where_the_ratio_is_significantly_small(one, two):
    at = f.ppf(0.025, one, two)
    assert difference(at, 1.0, one, two)[1] == pytest.approx(0, abs=1e-7)
    assert difference(1.01 * at, 1.0, one, two)[1] > 0


def test_a_difference_from_nothing_has_the_exact_interval_of_the_one():
    low, high, how = difference(4.0, 1e-12, 7, 20)
    assert (low, high) == pytest.approx((2 * 7 / chi2.isf(0.025, 7), 2 * 7 / chi2.ppf(0.025, 7)), rel=1e-6)
    assert how == "modified large-sample"


def test_a_sum_with_nothing_has_the_exact_interval_of_the_one():
    low, high, _ = combination_interval([Term(2.0, np.asarray(3.0), 11), Term(1.0, np.asarray(0.0), 4)], 0.9)
    assert (low, high) == pytest.approx((6 * 11 / chi2.isf(0.05, 11), 6 * 11 / chi2.ppf(0.05, 11)))


def test_degrees_of_freedom_of_a_sum_of_equals_add_up():
    # Satterthwaite: (1 + 1)^2 / (1/5 + 1/5) = 10
    terms = [Term(1.0, np.asarray(1.0), 5), Term(1.0, np.asarray(1.0), 5)]
    assert degrees_of_freedom(terms) == pytest.approx(10)


def test_pivots_of_a_ratio_of_two_variances_have_the_exact_interval():
    squares = {"one": (np.asarray(3.0), 12), "two": (np.asarray(1.5), 20)}
    low, high = share_interval(squares, lambda each: each["one"] / each["two"], 0.95)
    exact = (2 / f.isf(0.025, 12, 20), 2 / f.ppf(0.025, 12, 20))
    assert (low, high) == pytest.approx(exact, rel=0.01)


def test_unlike_repeats_are_found_as_by_another_implementation():
    values = np.random.default_rng(3).normal(0, [[[1.0], [1.5], [3.0]]], (1, 3, 12))
    assert unlike_repeats_p(values) == pytest.approx(bartlett(*values[0]).pvalue)
