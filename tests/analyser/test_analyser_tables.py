"""Blocks, means, searches, fits and inverses of many strokes at once, against one stroke at a time."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.analyser.blocks import COARSE_BLOCKS, FINE_BLOCKS, Blocks, block_means, even_blocks, stroke_blocks
from rig.analyser.ragged import Nodes, first_above, means, polynomial_at, row_sums
from rig.analyser.symmetric import inverse_symmetric3, times_vector

LENGTHS = st.lists(st.integers(1, 900), min_size=1, max_size=8)


def stretches(lengths, apart=5):
    """Stretches of these lengths, one after another."""
    lengths = np.array(lengths)
    first = np.cumsum(lengths + apart) - lengths
    return first, first + lengths - 1


def ranges(blocks, row):
    count = int(blocks.lengths[row])
    return list(zip(blocks.start[row, :count].tolist(), blocks.stop[row, :count].tolist(), strict=True))


def samples_of(blocks, row):
    return [index for start, stop in ranges(blocks, row) for index in range(start, stop)]


@settings(max_examples=60, deadline=None)
@given(lengths=LENGTHS, most=st.integers(1, 90))
def test_even_blocks_hold_every_sample_once_and_are_at_most_so_many(lengths, most):
    first, last = stretches(lengths)
    blocks = even_blocks(first, last, most)
    for row in range(len(lengths)):
        assert samples_of(blocks, row) == list(range(first[row], last[row] + 1))
        assert len(ranges(blocks, row)) <= most


@settings(max_examples=60, deadline=None)
@given(lengths=LENGTHS, turn_last=st.booleans())
def test_stroke_blocks_hold_every_sample_once(lengths, turn_last):
    first, last = stretches(lengths)
    blocks = stroke_blocks(np.arange(last.max() + 1.0), first, last, turn_last=turn_last)
    for row in range(len(lengths)):
        assert samples_of(blocks, row) == list(range(first[row], last[row] + 1))


@pytest.mark.parametrize("length", [1, 20, COARSE_BLOCKS + FINE_BLOCKS])
def test_a_short_stroke_keeps_every_sample(length):
    blocks = stroke_blocks(np.arange(3.0 + length), np.array([3]), np.array([2 + length]), turn_last=True)
    assert ranges(blocks, 0) == [(3 + k, 4 + k) for k in range(length)]


@pytest.mark.parametrize("turn_last", [True, False])
def test_a_long_stroke_is_cut_finer_near_its_turn(turn_last):
    blocks = stroke_blocks(np.arange(10_000.0), np.array([0]), np.array([9_999]), turn_last=turn_last)
    sizes = [stop - start for start, stop in ranges(blocks, 0)]
    near, far = (sizes[-20:-1], sizes[:50]) if turn_last else (sizes[:20], sizes[40:-1])
    assert max(near) < min(far) / 2
    assert len(sizes) <= COARSE_BLOCKS + FINE_BLOCKS


@settings(max_examples=60, deadline=None)
@given(lengths=LENGTHS, apart=st.integers(0, 5), seed=st.integers(0, 99), turn_last=st.booleans())
def test_block_means_are_the_means_of_their_samples(lengths, apart, seed, turn_last):
    first, last = stretches(lengths, apart)
    columns = np.random.default_rng(seed).normal(size=(2, last[-1] + 1))
    blocks = stroke_blocks(np.arange(last.max() + 1.0), first, last, turn_last=turn_last)
    for values, table in zip(columns, block_means(list(columns), blocks), strict=True):
        for row in range(len(lengths)):
            expected = [values[start:stop].mean() for start, stop in ranges(blocks, row)]
            np.testing.assert_allclose(table[row, : len(expected)], expected, rtol=0, atol=1e-12)
            np.testing.assert_array_equal(table[row, len(expected) :], table[row, len(expected) - 1])


def test_strokes_that_share_samples_have_the_means_of_their_own():
    values = np.arange(40.0)
    blocks = even_blocks(np.array([0, 10]), np.array([19, 39]), 5)
    (table,) = block_means([values], blocks)
    np.testing.assert_allclose(table, [[1.5, 5.5, 9.5, 13.5, 17.5], [12.5, 18.5, 24.5, 30.5, 36.5]])


def test_padding_counts_nothing():
    blocks = even_blocks(np.array([0, 20]), np.array([2, 29]), 10)
    np.testing.assert_array_equal(blocks.count, [[1, 1, 1] + [0] * 7, [1] * 10])


def test_a_blocks_middle_lies_between_its_samples():
    blocks = Blocks(np.array([[4]]), np.array([[10]]), np.array([1]))
    assert blocks.middle[0, 0] == np.mean([4, 5, 6, 7, 8, 9])


def test_means_of_stretches_are_numpys_and_empty_ones_are_not_a_number():
    values = np.random.default_rng(1).normal(size=50)
    first, last = np.array([0, 7, 30, 9, 49]), np.array([5, 50, 30, 4, 50])
    expected = [values[:5].mean(), values[7:].mean(), np.nan, np.nan, values[49]]
    np.testing.assert_allclose(means(values, first, last), expected, atol=1e-14)


def test_row_sums_are_numpys():
    table = np.random.default_rng(2).normal(size=(5, 31))
    np.testing.assert_allclose(row_sums(table), table.sum(axis=1), atol=1e-13)


@settings(max_examples=100, deadline=None)
@given(
    steps=st.lists(st.integers(0, 4), min_size=2, max_size=60),
    level=st.integers(-5, 130),
    ends=st.tuples(st.integers(0, 59), st.integers(0, 59)),
)
def test_the_first_sample_above_a_level_is_found_in_a_rising_stretch(steps, level, ends):
    values = np.cumsum(steps).astype(float)
    low, high = sorted(min(each, len(values) - 1) for each in ends)
    reached = [k for k in range(low, high + 1) if values[k] >= level]
    found = first_above(values, np.array([low]), np.array([high]), np.array([float(level)]))
    assert found[0] == (reached[0] if reached else high)


def stroke_table(rows=6, nodes=30, seed=4, noise_n=0.02):
    """Nodes on parabolas, each the mean of a known number of samples."""
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(0, 10, (rows, nodes)), axis=1)
    count = rng.integers(1, 20, (rows, nodes)).astype(float)
    force = 1 + 2 * x + 0.1 * x**2 + rng.normal(0, noise_n, x.shape) / np.sqrt(count)
    return Nodes.of(x, force, count)


def by_numpy(nodes, row, *, centre, degree, noise_n, use=slice(None)):
    """Value, slope and standard uncertainties at a position, by numpy's own weighted fit."""
    x, f, w = nodes.x_mm[row][use] - centre, nodes.force_n[row][use], np.sqrt(nodes.count[row][use])
    fit, covariance = np.polyfit(x, f, degree, w=w, cov="unscaled")
    left = np.sum((w * (f - np.polyval(fit, x))) ** 2) / (len(x) - degree - 1)
    spread = noise_n * np.sqrt(np.maximum(left / noise_n**2, 1.0) * np.diag(covariance))
    return fit[-1], spread[-1], fit[-2], spread[-2]


@pytest.mark.parametrize("degree", [1, 2])
def test_a_local_fit_is_numpys_weighted_polynomial(degree):
    nodes = stroke_table()
    window = (nodes.x_mm > 2) & (nodes.x_mm < 9)
    centre = np.full(6, 8.5)
    # a straight line through parabolas leaves a lot over, which is not to be taken for stray nodes
    noise = np.full(6, 0.02 if degree == 2 else 2.0)
    fit = polynomial_at(nodes, window, centre, noise, degree)
    for row in range(6):
        expected = by_numpy(nodes, row, centre=8.5, degree=degree, noise_n=noise[row], use=window[row])
        found = [each[row] for each in (fit.value, fit.value_u, fit.slope, fit.slope_u)]
        np.testing.assert_allclose(found, expected, rtol=1e-7)


def test_what_the_curve_leaves_over_widens_the_uncertainty():
    nodes = stroke_table(noise_n=0.0)
    nodes.count[:] = 1.0
    # evenly spread errors, none of which stands out
    nodes.force_n[:] += np.random.default_rng(7).uniform(-0.3, 0.3, nodes.force_n.shape)
    fit = polynomial_at(nodes, nodes.real, np.full(6, 5.0), np.full(6, 0.02), 2)
    expected = [by_numpy(nodes, row, centre=5.0, degree=2, noise_n=0.02)[3] for row in range(6)]
    np.testing.assert_allclose(fit.slope_u, expected, rtol=1e-7)


def test_one_knock_does_not_tilt_the_slope():
    nodes = stroke_table()
    nodes.force_n[:, 12] += 5.0
    fit = polynomial_at(nodes, nodes.real, np.full(6, 5.0), np.full(6, 0.02), 2)
    others = np.arange(30) != 12
    expected = [by_numpy(nodes, row, centre=5.0, degree=2, noise_n=0.02, use=others)[2] for row in range(6)]
    np.testing.assert_allclose(fit.slope, expected, rtol=1e-7)


def test_fewer_than_six_nodes_get_a_straight_line():
    nodes = stroke_table(nodes=5)
    fit = polynomial_at(nodes, nodes.real, np.full(6, 5.0), np.full(6, 2.0), 2)
    expected = [by_numpy(nodes, row, centre=5.0, degree=1, noise_n=2.0)[2] for row in range(6)]
    np.testing.assert_allclose(fit.slope, expected, rtol=1e-7)


def test_two_nodes_give_the_line_through_them():
    nodes = Nodes.of(np.array([[1.0, 3.0]]), np.array([[2.0, 8.0]]), np.ones((1, 2)))
    fit = polynomial_at(nodes, nodes.real, np.array([2.0]), np.array([0.1]), 2)
    assert (fit.value[0], fit.slope[0]) == pytest.approx((5.0, 3.0), rel=1e-9)
    assert fit.slope_u[0] == pytest.approx(0.1 * np.sqrt(2) / 2, rel=1e-9)


@pytest.mark.parametrize("members", [0, 1])
def test_fewer_than_two_nodes_give_nothing(members):
    nodes = stroke_table(rows=2)
    window = np.arange(30) < members
    fit = polynomial_at(nodes, np.stack([window, nodes.real[1]]), np.full(2, 5.0), np.full(2, 0.1), 1)
    columns = (fit.value, fit.value_u, fit.slope, fit.slope_u)
    assert np.isnan([each[0] for each in columns]).all()
    assert np.isfinite([each[1] for each in columns]).all()


def symmetric_matrices(rows=200, seed=5):
    roots = np.random.default_rng(seed).normal(size=(rows, 3, 3))
    return roots @ roots.transpose(0, 2, 1) + 0.1 * np.eye(3)


def test_inverses_are_numpys():
    matrices = symmetric_matrices()
    np.testing.assert_allclose(inverse_symmetric3(matrices), np.linalg.inv(matrices), rtol=1e-8, atol=1e-9)


def test_a_singular_matrix_does_not_stop_the_others():
    matrices = symmetric_matrices(3)
    matrices[1] = 0.0
    found = inverse_symmetric3(matrices)
    np.testing.assert_allclose(found[[0, 2]], np.linalg.inv(matrices[[0, 2]]), rtol=1e-8)


def test_products_with_vectors_are_numpys():
    matrices, vectors = symmetric_matrices(), np.random.default_rng(6).normal(size=(200, 3))
    np.testing.assert_allclose(
        times_vector(matrices, vectors), (matrices @ vectors[:, :, None])[:, :, 0], rtol=1e-12
    )
