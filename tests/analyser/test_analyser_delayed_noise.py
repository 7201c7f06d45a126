"""Noise of position where a delay is taken off, so that positions stand between those that were taken."""

from dataclasses import replace

import numpy as np
import pytest
from press_recordings import CALIBRATION, RATE_HZ, analysed, counts, power, presses

from rig.calibration import Delay

NOISE_MM = 0.03
RECORDINGS = 16
WITHIN = 0.15
"""Of 128 samples, the noise is told to some 15 %; the mean of 16 to 4 %."""

DEPTH_MM = 8.0
STIFFNESS = 2.5


def noisy(seed, delay_s):
    """Presses of a spring whose force comes late, read with a loud position sensor."""
    position_mm = presses(2, DEPTH_MM)
    time_s = np.arange(len(position_mm)) / RATE_HZ
    force_n = power(STIFFNESS)(np.interp(time_s - delay_s, time_s, position_mm))
    loud = np.random.default_rng([seed, 5]).normal(0, NOISE_MM, len(position_mm))
    samples = counts(position_mm + loud, force_n, seed=seed)
    return analysed(samples, calibration=replace(CALIBRATION, delay=Delay(delay_s)))


@pytest.mark.parametrize("steps", [0.0, 2.0, 2.25, 2.5])
def test_the_noise_of_position_is_that_of_single_readings_whatever_the_delay(steps):
    found_mm = [noisy(seed, steps / RATE_HZ).noise.position_mm for seed in range(RECORDINGS)]
    assert np.mean(found_mm) == pytest.approx(NOISE_MM, rel=WITHIN)


@pytest.mark.parametrize("steps", [2.0, 2.5])
def test_the_spread_of_the_work_is_no_more_than_is_stated_whatever_the_delay(steps):
    results = [noisy(seed, steps / RATE_HZ) for seed in range(2 * RECORDINGS)]
    work_mj = np.array([result.columns["energy_absorbed_mj"][1] for result in results])
    stated_mj = np.array([result.columns["energy_absorbed_mj_u"][1] for result in results])
    # of 32 values, three standard deviations above their own spread
    assert np.std(work_mj, ddof=1) < 1.4 * np.sqrt(np.mean(stated_mj**2))
