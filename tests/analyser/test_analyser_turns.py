"""Force zeros and turns, against motions whose zero and turn are known."""

import numpy as np
import pytest
from press_recordings import (
    FORCE_NOISE_N,
    POSITION_NOISE_MM,
    POSITION_STEP_MM,
    RATE_HZ,
    path,
    power,
    presses,
    segmented,
    signals_of,
)

from rig.analyser.baseline import baseline
from rig.analyser.peak import find_turns
from rig.analyser.settings import MeasuringNoise
from rig.calibration import Signals
from rig.segmenter import Cycles

NOISE = MeasuringNoise(FORCE_NOISE_N, np.hypot(POSITION_NOISE_MM, POSITION_STEP_MM / np.sqrt(12)),
                       0.001, POSITION_STEP_MM, 128)  # fmt: skip
DRIFT_N_PER_S = 0.05


def drifting_presses(specimen=None, **how):
    """Zeros of presses over a force zero that drifts, with their segment and true positions."""
    position = presses(12)
    signals = signals_of(position, (specimen or power())(position), drift_n_per_s=DRIFT_N_PER_S, **how)
    segment, segmenter = segmented(signals)
    zero = baseline(segment.signals, segment.cycles, NOISE, segmenter.detection_n)
    return zero, segment, position


def test_the_zero_at_contact_is_the_drift_that_was_put_in():
    zero, segment, _ = drifting_presses()
    truth = DRIFT_N_PER_S * segment.signals.time_s[segment.cycles.contact]
    inner = slice(1, -1)  # the first and the last have longer rests on one side
    assert (np.abs(zero.at_contact_n - truth)[inner] <= 3 * zero.u_n[inner]).all()


def test_the_zero_drifts_along_the_press_as_it_was_put_in():
    zero, _, _ = drifting_presses()
    np.testing.assert_allclose(zero.per_sample_n, DRIFT_N_PER_S / RATE_HZ, rtol=0.05)


def test_the_zero_is_read_off_at_any_sample():
    zero, segment, _ = drifting_presses()
    contact = segment.cycles.contact
    index = (contact + 100.0)[:, None]
    expected = zero.at_contact_n + 100 * zero.per_sample_n
    np.testing.assert_allclose(zero.at(index, contact)[:, 0], expected, rtol=1e-12)


@pytest.mark.parametrize(("k", "n"), [(2.5, 1.0), (0.4, 1.5), (0.3, 2.0)])
def test_the_samples_that_make_the_zero_are_clear_of_the_foot(k, n):
    zero, segment, position = drifting_presses(power(k, n))
    # noise of position lets a sample within a few of its standard deviations pass
    clear_mm = 4 * NOISE.position_mm
    assert (position[zero.loading_first + segment.offset] <= clear_mm).all()
    assert (position[zero.unloading_last + segment.offset] <= clear_mm).all()


def test_a_recording_that_ends_in_contact_has_a_zero_from_one_side_only():
    position = path((-2.5, 1.0), 8.0, 0.5)
    segment, segmenter = segmented(signals_of(position, power()(position)))
    zero = baseline(segment.signals, segment.cycles, NOISE, segmenter.detection_n)
    assert zero.one_sided.tolist() == [True]
    assert zero.per_sample_n.tolist() == [0.0]


def turns_of(x_mm, load_end, unload_start=None, *, deadband_mm=0.03, averaged=False):
    """Turns of presses that stand one after another in a table of positions, a row for each."""
    rows, columns = x_mm.shape
    start = np.arange(rows) * columns
    flat = x_mm.ravel()
    load_end = start + load_end
    unload_start = load_end if unload_start is None else start + unload_start
    none = np.zeros(len(flat), np.int64)
    signals = Signals(
        np.arange(len(flat)) / RATE_HZ,
        flat * 2.0,
        flat,
        none.astype(np.uint8),
        none,
        0.001,
        POSITION_STEP_MM,
        averaged,
    )
    stop = start + columns
    flags = np.zeros(rows, np.uint32)
    cycles = Cycles(
        np.arange(rows) + 1, start, start, load_end, unload_start, stop, stop, np.zeros(rows), flags
    )
    return find_turns(signals, cycles, NOISE, deadband_mm)


def read(true_mm, seed=0):
    noisy = true_mm + np.random.default_rng(seed).normal(0, POSITION_NOISE_MM, true_mm.shape)
    return np.round(noisy / POSITION_STEP_MM) * POSITION_STEP_MM


ROWS = 300


def test_a_sharp_turn_between_coarse_samples_is_found_within_its_uncertainty():
    peak = np.random.default_rng(1).uniform(9, 10, ROWS)
    away = np.arange(-20, 21) + np.random.default_rng(2).uniform(-0.5, 0.5, (ROWS, 1))
    x = read(peak[:, None] - 0.2 * np.abs(away))
    turn = turns_of(x, np.argmax(x, axis=1))
    error = turn.x_mm - peak
    assert np.mean(np.abs(error) <= 2 * turn.u_mm) >= 0.93
    # half of what an even turn adds is put on: a quarter of a step is the most that can be left
    assert np.abs(error).max() < 0.2 / 4 + 4 * NOISE.position_mm


def test_a_braking_platens_turn_is_the_top_of_its_parabola():
    peak = np.random.default_rng(1).uniform(9, 10, ROWS)
    time_s = (np.arange(-60, 61) + np.random.default_rng(2).uniform(-0.5, 0.5, (ROWS, 1))) / RATE_HZ
    x = read(peak[:, None] - 100.0 * time_s**2)
    turn = turns_of(x, np.full(ROWS, 60))
    error = turn.x_mm - peak
    assert np.mean(np.abs(error) <= 2 * turn.u_mm) >= 0.93
    assert np.abs(error).max() < 0.03 / 4


def test_a_dense_sharp_turn_is_found_within_three_of_its_uncertainties():
    peak = np.random.default_rng(1).uniform(9, 10, ROWS)
    away = np.arange(-60, 61) + np.random.default_rng(2).uniform(-0.5, 0.5, (ROWS, 1))
    x = read(peak[:, None] - 0.003 * np.abs(away))
    turn = turns_of(x, np.full(ROWS, 60))
    # a parabola falls short of a sharp turn: by what is stated as twice the uncertainty
    assert np.mean(np.abs(turn.x_mm - peak) <= 3 * turn.u_mm) >= 0.99
    assert turn.u_mm.max() < 0.03 / 8


def test_a_dwells_depth_is_the_mean_of_its_samples():
    peak = np.random.default_rng(1).uniform(9, 10, ROWS)
    away = np.maximum(np.abs(np.arange(-140, 141)) - 100, 0)
    x = read(peak[:, None] - 0.02 * away)
    turn = turns_of(x, np.full(ROWS, 40), np.full(ROWS, 240))
    # standing still the steps are dithered by a fifth of one only: they leave most of their bias
    assert np.mean(np.abs(turn.x_mm - peak) <= 2 * turn.u_mm) >= 0.93
    assert turn.u_mm.max() < 1.1 * POSITION_STEP_MM / np.sqrt(12)


def test_a_mean_that_holds_the_turn_lies_a_quarter_to_half_a_step_below_it():
    peak = np.random.default_rng(1).uniform(9, 10, ROWS)
    centre = np.arange(-20, 21)[:, None] + np.random.default_rng(2).uniform(-0.5, 0.5, (ROWS, 1, 1))
    within = np.linspace(-0.5, 0.5, 201)
    x = peak[:, None] - 0.2 * np.abs(centre + within).mean(axis=2)
    turn = turns_of(x, np.argmax(x, axis=1), averaged=True)
    assert np.mean(np.abs(turn.x_mm - peak) <= 2 * turn.u_mm) >= 0.93


def test_each_side_of_a_turn_holds_its_own_samples_within_the_deadband():
    x = 10.0 - 0.01 * np.abs(np.arange(-20, 21))[None, :]
    turn = turns_of(x, np.array([20]), deadband_mm=0.0251)
    assert (turn.loading.count[0], turn.unloading.count[0]) == (3, 3)
    assert turn.loading.x_mm[0] == pytest.approx((10.0 + 9.99 + 9.98) / 3, rel=1e-12)
    assert turn.loading.force_n[0] == pytest.approx(2 * turn.loading.x_mm[0], rel=1e-12)
