"""What presses differ by, with wanders of a known size and length, and specimens that change from press to
press."""

import numpy as np
import pytest
from scipy.signal import lfilter

from rig.analyser.compared import compared
from rig.analyser.ragged import Nodes

PRESSES, NODES = 6, 110
IN_CONTACT_N = 0.5
NUMBER = np.arange(1, PRESSES + 1)
X_MM = np.linspace(0.3, 10.0, NODES)
STIFFENING_N = 15 * np.tanh(X_MM / 1.2) + 3 * X_MM + 20 * (X_MM / 10) ** 6


def wander(random, length):
    """Noise of standard deviation 1, shape (PRESSES, NODES), that forgets over a length in nodes."""
    near = np.exp(-1 / length)
    steps = np.sqrt(1 - near**2) * random.normal(size=(PRESSES, NODES + 1000))
    return lfilter([1.0], [1.0, -near], steps, axis=1)[:, 1000:]


def strokes(*forces_n, x_mm=X_MM):
    """Nodes of loading and unloading, single samples."""
    x_mm = np.broadcast_to(x_mm, (PRESSES, NODES))
    return tuple(Nodes.of(x_mm, force_n, np.ones((PRESSES, NODES))) for force_n in forces_n)


def told(random, noise_of_stroke, curve_n=STIFFENING_N, **how):
    return compared(
        NUMBER, strokes(*(curve_n + noise_of_stroke(random) for _ in range(2)), **how), IN_CONTACT_N
    )


def mean_u_n(variance_n2, length):
    """Standard deviation of a mean over the nodes of noise whose correlation falls off as exp(-t/l)."""
    share = length / NODES
    return np.sqrt(variance_n2 * 2 * share * (1 - share * (1 - np.exp(-1 / share))))


def told_mean_u_n(found):
    variance_n2 = found.steady_n2 + found.share2 * np.mean(STIFFENING_N**2)
    return mean_u_n(variance_n2, found.correlated / 2)


@pytest.mark.parametrize("length", [8.0, 25.0, 40.0])
def test_a_wander_too_long_for_one_press_is_told_from_several(length):
    random = np.random.default_rng(1)
    found = [
        told(
            random, lambda random: 0.1 * wander(random, length) + 0.01 * random.normal(size=(PRESSES, NODES))
        )
        for _ in range(20)
    ]
    assert all(found)
    usual_n = np.median([told_mean_u_n(each) for each in found])
    assert usual_n == pytest.approx(mean_u_n(0.1**2, length), rel=0.35)


def test_white_noise_is_hardly_ever_a_wander():
    random = np.random.default_rng(2)
    found = [told(random, lambda random: 0.05 * random.normal(size=(PRESSES, NODES))) for _ in range(100)]
    assert sum(each is not None for each in found) <= 5


@pytest.mark.parametrize("first", [0.0, 0.3])
def test_a_specimen_that_softens_and_sets_does_not_wander(first):
    """10 % a decade, 0.05 mm of set, and a first press that is stiffer than both say, by up to 30 %."""
    random = np.random.default_rng(3)
    strength = 1 - 0.1 * np.log10(NUMBER) + first * (NUMBER == 1)
    place_mm = X_MM - 0.05 * np.log(NUMBER)[:, None]
    curve_n = strength[:, None] * np.interp(place_mm, X_MM, STIFFENING_N, left=0.0)
    found = told(random, lambda random: 0.02 * random.normal(size=(PRESSES, NODES)), curve_n)
    assert found is None or told_mean_u_n(found) < 0.02


def test_presses_of_other_depths_are_not_compared():
    random = np.random.default_rng(4)
    deeper = 1 + 0.05 * np.arange(PRESSES)
    assert told(random, lambda random: 0.1 * wander(random, 25.0), x_mm=X_MM * deeper[:, None]) is None


def test_two_presses_tell_nothing():
    random = np.random.default_rng(5)
    both = tuple(
        Nodes.of(nodes.x_mm[:2], nodes.force_n[:2], nodes.count[:2])
        for nodes in strokes(*(STIFFENING_N + 0.1 * wander(random, 25.0) for _ in range(2)))
    )
    assert compared(NUMBER[:2], both, IN_CONTACT_N) is None
