"""What a press shows of its own roughness, with noise of a known size, length and share of the load."""

import numpy as np
import pytest
from scipy.signal import lfilter

from rig.analyser.ragged import Nodes
from rig.analyser.roughness import RoughnessRecord
from rig.analyser.settings import MeasuringNoise

PRESSES = 40
NODES = 100
IN_CONTACT_N = 0.5
QUIET = MeasuringNoise(0.001, 0.0)
CURVES = {
    "spring": lambda x: 4.0 * x,
    "sphere": lambda x: 1.5 * x**1.5,
    "stiffening": lambda x: 15 * np.tanh(x / 1.2) + 3 * x + 20 * (x / 10) ** 6,
}


def wander(random, length):
    """Noise of standard deviation 1 whose neighbours correlate by exp(-1/length)."""
    near = np.exp(-1 / length)
    steps = np.sqrt(1 - near**2) * random.normal(size=(PRESSES, NODES + 500))
    return lfilter([1.0], [1.0, -near], steps, axis=1)[:, 500:]


def told(curve, noise, *, speed=1.0):
    """Roughness of presses of a curve, with noise of either stroke by its load; single samples as nodes."""
    x = np.linspace(0.3, 10.0, NODES) ** speed * 10.0 ** (1 - speed)
    x_mm = np.broadcast_to(x, (PRESSES, NODES))
    strokes = tuple(
        Nodes.of(x_mm, CURVES[curve](x_mm) + noise(CURVES[curve](x_mm)), np.ones((PRESSES, NODES)))
        for _ in range(2)
    )
    return RoughnessRecord().take(strokes, QUIET, IN_CONTACT_N)


@pytest.mark.parametrize("speed", [1.0, 1.3])
@pytest.mark.parametrize("curve", CURVES)
def test_white_noise_is_told_as_such_whatever_the_curve(curve, speed):
    random = np.random.default_rng(1)
    found = told(curve, lambda load_n: 0.05 * random.normal(size=load_n.shape), speed=speed)
    assert found.at(np.full(PRESSES, 20.0))[-1] == pytest.approx(0.05, rel=0.2)
    assert found.correlated[-1] < 1.5


@pytest.mark.parametrize("length", [2.0, 5.0])
@pytest.mark.parametrize("curve", CURVES)
def test_a_wander_is_told_with_its_size_and_length(curve, length):
    random = np.random.default_rng(2)
    found = told(curve, lambda load_n: 0.05 * wander(random, length))
    near = np.exp(-1 / length)
    mean_u = 0.05 * np.sqrt((1 + near) / (1 - near))
    assert found.at(np.full(PRESSES, 20.0))[-1] * np.sqrt(found.correlated[-1]) == pytest.approx(
        mean_u, rel=0.5
    )


def test_noise_in_proportion_to_the_load_is_told_as_a_share():
    random = np.random.default_rng(3)
    found = told("spring", lambda load_n: 0.005 * load_n * random.normal(size=load_n.shape))
    assert found.at(np.full(PRESSES, 40.0))[-1] == pytest.approx(0.2, rel=0.2)
    assert found.at(np.full(PRESSES, 4.0))[-1] < 0.1


def test_a_curve_without_noise_has_that_of_the_opening():
    for curve in CURVES:
        found = told(curve, np.zeros_like)
        assert found.at(np.full(PRESSES, 20.0))[-1] < 3 * QUIET.force_n


def test_parts_of_a_recording_tell_the_same_as_the_whole():
    random = np.random.default_rng(4)
    x_mm = np.broadcast_to(np.linspace(0.3, 10.0, NODES), (PRESSES, NODES))
    force_n = 4 * x_mm + 0.05 * wander(random, 3.0)
    stroke = Nodes.of(x_mm, force_n, np.ones_like(x_mm))
    whole = RoughnessRecord().take((stroke, stroke), QUIET, IN_CONTACT_N)
    record = RoughnessRecord()
    parts = []
    for rows in (slice(0, 1), slice(1, 7), slice(7, PRESSES)):
        part = Nodes.of(x_mm[rows], force_n[rows], np.ones_like(x_mm[rows]))
        parts.append(record.take((part, part), QUIET, IN_CONTACT_N))
    for name in ("force_n", "share", "correlated"):
        np.testing.assert_allclose(
            np.concatenate([getattr(part, name) for part in parts]), getattr(whole, name), rtol=1e-9
        )
