"""How often a stated mass holds the truth: seeded readings of a scale with noise and a creeping zero."""

from __future__ import annotations

import numpy as np
import pytest

from rig.calibration import PlateauRule
from rig.cli.weigh_taking import rest_of
from rig.jobs.weighing import RestFinder
from rig.population import by_difference

RATE_HZ, STEP_G = 20, 0.1
MASSES_G = (37.24, 36.87, 41.02, 35.55, 38.10)
EACH_S = 8.0
SERIES = 40


def weighed(noise_g, drift_g_per_s, seed):
    """Errors and uncertainties of pieces put on one after another, now quicker and now more slowly."""
    random = np.random.default_rng(seed)
    time_s = np.arange(0, EACH_S * (len(MASSES_G) + 1) + 2, 1 / RATE_HZ)
    grams = 0.35 + drift_g_per_s * time_s + random.uniform(-STEP_G / 2, STEP_G / 2)
    for place, mass_g in enumerate(MASSES_G, start=1):
        since_s = np.maximum(time_s - EACH_S * place - random.uniform(0, 2), 0.0)
        grams += mass_g * (1 - np.exp(-since_s / 0.1))
    shown_g = np.round(np.round((grams + random.normal(0, noise_g, len(time_s))) / STEP_G) * STEP_G, 6)
    finder = RestFinder(PlateauRule(2.0), STEP_G)
    changes = [
        change
        for change in finder.feed(time_s, shown_g, np.zeros(len(time_s), np.uint8))
        # a fast drift under much noise may once be a change of its own, of some tenths of a gram
        if change.g > min(MASSES_G) / 2
    ]
    assert len(changes) == len(MASSES_G)
    masses = [
        by_difference(rest_of(change.before), rest_of(change.after), resolution_g=STEP_G)
        for change in changes
    ]
    return [(found.mass_g - mass_g, found.u_g) for found, mass_g in zip(masses, MASSES_G, strict=True)]


@pytest.mark.parametrize("noise_g", [0.06, 0.15, 0.3])
@pytest.mark.parametrize("drift_g_per_s", [0.01, 0.03])
def test_masses_lie_within_twice_their_uncertainty_in_94_of_100_whatever_noise_and_drift(
    noise_g, drift_g_per_s
):
    found = np.array([each for seed in range(SERIES) for each in weighed(noise_g, drift_g_per_s, seed)])
    error_g, u_g = found.T
    assert np.mean(np.abs(error_g) <= 2 * u_g) >= 0.94
    # and not by stating far too much
    assert np.sqrt(np.mean(u_g**2)) < 2 * np.sqrt(np.mean(error_g**2))
