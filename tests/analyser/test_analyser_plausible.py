"""Whatever the shape of a recording, no value lies outside what it can hold, and numpy warns of nothing."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from press_recordings import CALIBRATION, analysed, counts, power, presses

from rig.analyser import AnalysisSettings, CaptureAnalysis
from rig.samples import Samples

SHAPES = ("noise", "steps", "walk", "constant", "ramp", "sine", "spikes", "presses")


def shape(kind, count, rng):
    """Counts of any shape."""
    shapes = {
        "noise": lambda: rng.normal(0, 1000, count),
        "steps": lambda: np.repeat(rng.integers(-3000, 3000, count // 7 + 1), 7)[:count],
        "walk": lambda: np.cumsum(rng.normal(0, 30, count)),
        "constant": lambda: np.full(count, rng.integers(-5000, 5000)),
        "ramp": lambda: np.linspace(rng.integers(-3000, 3000), rng.integers(-3000, 3000), count),
        "sine": lambda: 2000 * np.sin(np.linspace(0, rng.uniform(1, 60), count)),
        "spikes": lambda: np.where(rng.random(count) < 0.02, rng.integers(-30_000, 30_000, count), 0),
        "presses": lambda: np.maximum(3000 * np.sin(np.linspace(0, rng.uniform(1, 40), count)), -500),
    }
    return shapes[kind]()


def analysed_shape(force, position, count, seed, noise):
    rng = np.random.default_rng(seed)
    counts = [
        np.rint(shape(kind, count, rng) + noise * rng.normal(0, 5, count)).astype(np.int32)
        for kind in (force, position)
    ]
    number = np.arange(count, dtype=np.int64)
    samples = Samples(number, number * 2000, *counts, np.zeros(count, np.uint8))
    analysis = CaptureAnalysis(CALIBRATION, AnalysisSettings(free_height_mm=90.0))
    analysis.push(samples)
    return analysis.finish(), CALIBRATION.force_n(samples), CALIBRATION.position_mm(samples)


# numpy's warnings are errors in these tests, as all are
@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(SHAPES),
    st.sampled_from(SHAPES),
    st.integers(1, 1500),
    st.integers(0, 2**32 - 1),
    st.sampled_from([0.0, 1.0, 20.0]),
)
def test_no_value_lies_outside_what_the_recording_holds(force, position, count, seed, noise):
    result, force_n, position_mm = analysed_shape(force, position, count, seed, noise)
    reach_mm, reach_n = np.ptp(position_mm), np.ptp(force_n)
    for name in result.quantities():
        u = result.columns[f"{name}_u"]
        assert not (u < 0).any(), (name, u)
        assert not np.isinf(u).any(), (name, u)
        assert not np.isinf(result.columns[name]).any(), name
    if not len(result):
        return
    contact = result.columns["contact_mm"]
    known = np.isfinite(contact)
    assert (contact[known] >= position_mm.min() - 0.5 * reach_mm - 1e-9).all(), contact
    assert (contact[known] <= position_mm.max() + 0.5 * reach_mm + 1e-9).all(), contact
    assert not (result.columns["contact_mm_u"] > 1.5 * reach_mm).any()
    peak = result.columns["peak_force_n"]
    assert not (np.abs(peak) > 1.5 * max(reach_n, np.abs(force_n).max()) + 1e-9).any(), peak


@pytest.mark.parametrize("count", [1, 2, 3, 5])
def test_a_handful_of_samples_is_no_error(count):
    result, *_ = analysed_shape("ramp", "ramp", count, 1, 0.0)
    assert result.warnings


def test_noise_of_a_force_sensor_makes_no_crest():
    """A peak of 1 N: its rows reach three noises above it, as those of a sensor at rest do about zero."""
    position = presses(6)
    force = power(k=10**-0.5, n=0.5)(position)
    for seed in range(3):
        noise = np.random.default_rng(seed).normal(0, 0.06, len(position))
        columns = analysed(counts(position, force + noise, seed=seed)).columns
        off_u = (columns["peak_force_n"] - 1.0) / columns["peak_force_n_u"]
        assert (np.abs(off_u) < 3).all() and np.sqrt(np.mean(off_u**2)) < 1.3
