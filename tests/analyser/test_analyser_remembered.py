"""Variances of fits under noise with memory, against the full covariance matrix of the samples."""

import numpy as np
import pytest

from rig.analyser.ragged import Nodes, polynomial_at
from rig.analyser.remembered import variance_of_sums


def sample_covariance(worth, samples):
    """Of an autoregression of first order of which so many samples are worth one: (1 + phi)/(1 - phi)."""
    phi = (worth - 1) / (worth + 1)
    return phi ** np.abs(np.subtract.outer(np.arange(samples), np.arange(samples)))


@pytest.mark.parametrize("worth", [1.0, 1.7, 9.0, 39.0, 199.0])
def test_a_sum_over_nodes_has_the_variance_of_the_sum_over_their_samples(worth):
    random = np.random.default_rng(7)
    count = random.integers(0, 9, (4, 13)).astype(float)
    pull = random.normal(size=(2, 4, 13)) * (count > 0)
    found = variance_of_sums(pull, count, np.full(4, worth))
    for row in range(4):
        samples = sample_covariance(worth, int(count[row].sum()))
        for which in range(2):
            weights = np.repeat(pull[which, row] / np.maximum(count[row], 1), count[row].astype(int))
            assert found[which, row] == pytest.approx(weights @ samples @ weights, rel=1e-9)


def test_noise_that_remembers_longer_than_a_window_moves_its_level_and_hardly_its_slope():
    """Least squares by hand: (X'X)^-1 X' R X (X'X)^-1 of a parabola through seven single samples."""
    x = np.linspace(1.0, 2.0, 7)
    nodes = Nodes.of(x[None], np.zeros((1, 7)), np.ones((1, 7)))
    inside, centre, worth = np.ones((1, 7), bool), np.array([1.5]), 99.0
    fit = polynomial_at(nodes, inside, centre, np.array([0.1]), 2, correlated=np.array([worth]))
    design = np.stack([np.ones(7), x - 1.5, (x - 1.5) ** 2], axis=1)
    solve = np.linalg.inv(design.T @ design) @ design.T
    level, slope, _ = 0.1 * np.sqrt(np.diag(solve @ sample_covariance(worth, 7) @ solve.T))
    white_slope = 0.1 * np.sqrt((solve @ solve.T)[1, 1])
    assert fit.value_u[0] == pytest.approx(level, rel=1e-6)
    assert slope < white_slope
    # what white noise would do is kept as the least
    assert fit.slope_u[0] == pytest.approx(white_slope, rel=1e-6)
