"""Contact and exponent of the toe region, on springs, spheres and cones that are met at a known place."""

from dataclasses import replace

import numpy as np
import pytest
from press_recordings import (
    FORCE_NOISE_N,
    FORCE_STEP_N,
    POSITION_NOISE_MM,
    POSITION_STEP_MM,
    power,
)

from rig.analyser.roughness import Roughness
from rig.analyser.settings import MeasuringNoise
from rig.analyser.toe import ToeZone, fit_toes
from rig.calibration import Frame

ROWS = 150
DETECTION_N = 0.03
CONTACT_FORCE_N = 0.05
NOISE = MeasuringNoise(
    np.hypot(FORCE_NOISE_N, FORCE_STEP_N / np.sqrt(12)),
    np.hypot(POSITION_NOISE_MM, POSITION_STEP_MM / np.sqrt(12)),
    FORCE_STEP_N,
    POSITION_STEP_MM,
    128,
)
WITHIN_2U = 0.9
"""Of a normal distribution 95.4 % lie within two standard deviations; of 150 rows, 90 % nearly always."""


def fitted(
    force, *, step_mm=0.02, before_mm=1.0, depth_mm=8.0, exponent=None, compliance=0.0, zero_n=0.0, seed=0
):
    """Feet of many loading strokes of one specimen, each met at a place of its own; and those places."""
    rng = np.random.default_rng(seed)
    contact = rng.uniform(-0.5, 0.5, ROWS)
    x = np.arange(-before_mm, depth_mm, step_mm)
    true_n = force(x - contact[:, None])
    shown = x + compliance * true_n + rng.normal(0, POSITION_NOISE_MM, true_n.shape)
    x_mm = np.round(shown / POSITION_STEP_MM) * POSITION_STEP_MM
    noisy = true_n + rng.normal(0, FORCE_NOISE_N, true_n.shape) + rng.normal(0, zero_n, (ROWS, 1))
    force_n = np.round(noisy / FORCE_STEP_N) * FORCE_STEP_N
    row_start = np.arange(ROWS) * len(x)
    # the last sample that is clean for sure, and the first that is in contact for sure
    clean = np.searchsorted(x, contact - 0.1) - 1
    detected = np.argmax(true_n > DETECTION_N, axis=1)
    zone = ToeZone(
        x_mm.ravel(),
        force_n.ravel(),
        row_start + clean,
        row_start + detected,
        row_start + len(x) - 1,
        np.zeros(ROWS),
        np.zeros(ROWS),
        np.full(ROWS, np.hypot(zero_n, FORCE_NOISE_N / np.sqrt(128))),
        Roughness.of_opening(NOISE, ROWS),
        Frame.straight(compliance),
    )
    toe = fit_toes(
        zone,
        true_n[:, -1],
        NOISE,
        detection_n=DETECTION_N,
        contact_force_n=CONTACT_FORCE_N,
        exponent=exponent,
    )
    return toe, contact


def share_within_2u(found, u, truth):
    return np.mean(np.abs(found - truth) <= 2 * u)


SHAPES = {"spring": (2.5, 1.0), "sphere": (0.4, 1.5), "cone": (0.3, 2.0)}


@pytest.mark.parametrize("shape", SHAPES)
def test_the_contact_lies_within_two_stated_uncertainties(shape):
    toe, contact = fitted(power(*SHAPES[shape]))
    assert share_within_2u(toe.contact_mm, toe.contact_u_mm, contact) >= WITHIN_2U


@pytest.mark.parametrize("shape", SHAPES)
def test_the_stated_uncertainty_of_the_contact_is_no_more_than_three_times_its_spread(shape):
    toe, contact = fitted(power(*SHAPES[shape]))
    assert np.median(toe.contact_u_mm) < 3 * np.std(toe.contact_mm - contact)


@pytest.mark.parametrize("shape", ["sphere", "cone"])
def test_the_exponent_lies_within_two_stated_uncertainties(shape):
    k, n = SHAPES[shape]
    toe, _ = fitted(power(k, n))
    assert share_within_2u(toe.exponent, toe.exponent_u, n) >= WITHIN_2U


def test_a_springs_exponent_comes_to_its_bound_of_one():
    toe, _ = fitted(power(2.5, 1.0))
    assert toe.exponent.min() >= 1.0
    assert np.median(toe.exponent) == pytest.approx(1.0, abs=0.01)


def test_a_springs_contact_is_not_drawn_early_by_an_exponent_that_noise_may_only_raise():
    found = [fitted(power(2.5, 1.0), before_mm=2.0, seed=seed) for seed in range(3)]
    off_mm = np.concatenate([toe.contact_mm - contact for toe, contact in found])
    # single contacts scatter by 0.7 um: the mean of 450 by 0.035
    assert abs(np.mean(off_mm)) < 0.23e-3


@pytest.mark.parametrize("exponent", [1.01, 1.02, 1.05, 1.1])
@pytest.mark.parametrize("noise_mm", [0.001, 0.01, 0.03])
def test_a_toe_region_that_is_nearly_straight_keeps_its_contact_within_two_uncertainties(
    monkeypatch, exponent, noise_mm
):
    worth_mm = float(np.hypot(noise_mm, POSITION_STEP_MM / np.sqrt(12)))
    monkeypatch.setattr("test_analyser_toe.POSITION_NOISE_MM", noise_mm)
    monkeypatch.setattr("test_analyser_toe.NOISE", replace(NOISE, position_mm=worth_mm))
    toe, contact = fitted(power(2.5, exponent), before_mm=2.0)
    assert share_within_2u(toe.contact_mm, toe.contact_u_mm, contact) >= WITHIN_2U


@pytest.mark.parametrize("shape", SHAPES)
def test_the_place_of_the_contact_force_lies_within_two_stated_uncertainties(shape):
    k, n = SHAPES[shape]
    toe, contact = fitted(power(k, n))
    truth = contact + (CONTACT_FORCE_N / k) ** (1 / n)
    assert share_within_2u(toe.at_force_mm, toe.at_force_u_mm, truth) >= WITHIN_2U


@pytest.mark.parametrize("shape", SHAPES)
def test_a_stated_exponent_is_kept_and_narrows_the_contact(shape):
    k, n = SHAPES[shape]
    stated, contact = fitted(power(k, n), exponent=n)
    free, _ = fitted(power(k, n))
    np.testing.assert_array_equal(stated.exponent, n)
    assert np.isnan(stated.exponent_u).all()
    assert share_within_2u(stated.contact_mm, stated.contact_u_mm, contact) >= WITHIN_2U
    assert np.median(stated.contact_u_mm) <= np.median(free.contact_u_mm) * 1.01


def test_no_contact_lies_before_the_last_clean_sample():
    toe, contact = fitted(power(0.05, 2.5), seed=3)
    step_mm = 0.02
    assert (toe.contact_mm >= contact - 0.1 - 2 * step_mm - 4 * NOISE.position_mm).all()


def test_strokes_of_few_samples_have_a_straight_toe_and_a_wide_uncertainty():
    toe, contact = fitted(power(2.5, 1.0), step_mm=1.5, before_mm=4.0)
    np.testing.assert_array_equal(toe.exponent, 1.0)
    assert share_within_2u(toe.contact_mm, toe.contact_u_mm, contact) >= WITHIN_2U


def test_where_the_power_law_ends_early_the_toe_is_shortened():
    # a spring that becomes three times as stiff after half a millimetre: at 12 % of the peak force
    def stiffening(x):
        return power(2.5)(x) + 5.0 * np.maximum(x - 0.5, 0.0)

    toe, contact = fitted(stiffening, depth_mm=2.5)
    assert share_within_2u(toe.contact_mm, toe.contact_u_mm, contact) >= WITHIN_2U
    assert np.median(toe.contact_u_mm) < POSITION_STEP_MM


@pytest.mark.parametrize("tilt_mm", [0.2, 0.3])
def test_a_face_that_meets_with_an_edge_first_is_as_uncertain_as_that_edge(tilt_mm):
    """A few rows wide, the edge is hidden in the rows beside the contact of a line."""

    def tilted(x):
        depth = np.maximum(x, 0.0)
        return 7.0 * np.where(depth < tilt_mm, depth**2 / (2 * tilt_mm), depth - tilt_mm / 2)

    toe, contact = fitted(tilted, step_mm=0.05, depth_mm=6.0)
    assert share_within_2u(toe.contact_mm, toe.contact_u_mm, contact) >= WITHIN_2U
    assert np.median(toe.contact_u_mm) < tilt_mm


@pytest.mark.parametrize("shape", SHAPES)
def test_an_uncertain_zero_makes_the_contact_as_uncertain(shape):
    toe, contact = fitted(power(*SHAPES[shape]), zero_n=0.01)
    assert share_within_2u(toe.contact_mm, toe.contact_u_mm, contact) >= WITHIN_2U


def test_a_frame_that_gives_way_does_not_move_the_contact():
    toe, contact = fitted(power(2.5), compliance=0.02)
    assert share_within_2u(toe.contact_mm, toe.contact_u_mm, contact) >= WITHIN_2U
