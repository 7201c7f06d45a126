"""Slow quantities by cycle, against a loop over the readings."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.analyser import auxiliary_by_cycle

INSTANTS = st.integers(0, 400).map(lambda n: n / 8)


def one_cycle(time_s, values, start_s, end_s):
    """By the words of the definition; between two neighbours by similar triangles."""
    inside = [v for t, v in zip(time_s, values, strict=True) if start_s <= t <= end_s]
    if inside:
        return sum(inside) / len(inside)
    middle_s = (start_s + end_s) / 2
    before = [(t, v) for t, v in zip(time_s, values, strict=True) if t < middle_s]
    after = [(t, v) for t, v in zip(time_s, values, strict=True) if t >= middle_s]
    if not before or not after:
        return (before or after)[-1 if before else 0][1]
    (t1, v1), (t2, v2) = before[-1], after[0]
    return v1 + (v2 - v1) * (middle_s - t1) / (t2 - t1)


@settings(deadline=None, max_examples=200)
@given(
    st.lists(INSTANTS, min_size=1, max_size=30, unique=True).map(sorted),
    st.lists(st.tuples(INSTANTS, INSTANTS).map(sorted), max_size=20),
    st.randoms(use_true_random=False),
)
def test_each_cycle_gets_the_mean_of_its_readings_or_what_lies_between_its_neighbours(times, cycles, random):
    values = [random.uniform(15.0, 60.0) for _ in times]
    starts, ends = np.array(cycles).reshape(-1, 2).T
    found = auxiliary_by_cycle(np.array(times), np.array(values), starts, ends)
    expected = [one_cycle(times, values, start, end) for start, end in cycles]
    np.testing.assert_allclose(found, expected, rtol=1e-12)


def test_without_a_reading_no_cycle_has_a_value():
    found = auxiliary_by_cycle(np.empty(0), np.empty(0), np.array([1.0, 2.0]), np.array([2.0, 3.0]))
    assert np.isnan(found).tolist() == [True, True]


def test_one_typed_reading_holds_for_every_cycle():
    found = auxiliary_by_cycle(np.zeros(1), np.array([21.0]), np.array([1.0, 500.0]), np.array([2.0, 501.0]))
    assert found.tolist() == [21.0, 21.0]


def test_a_cycle_without_times_has_no_value():
    nan = float("nan")
    found = auxiliary_by_cycle(np.arange(9.0), np.arange(9.0), np.array([nan, 1.0]), np.array([2.0, nan]))
    assert np.isnan(found).all()


def test_a_hundred_thousand_readings_keep_their_last_digits():
    time_s = np.arange(100_000) + 0.5
    values = 21.0 + 1e-3 * (np.arange(100_000) % 2)
    starts = np.arange(0.0, 100_000.0, 2.0)
    found = auxiliary_by_cycle(time_s, values, starts, starts + 1.9)
    assert found == pytest.approx(np.full(50_000, 21.0005), rel=1e-13)
