"""A tacky face holds on to the platen that leaves it: no force zero is read from its pull."""

import numpy as np
import pytest
from press_recordings import FORCE_NOISE_N, analysed, counts, path, power, presses

PULL_N, PULL_MM = 1.5, 0.6


def tacky(position_mm):
    """A spring that pulls with a half sine over the first 0.6 mm behind each release."""
    going = np.diff(position_mm, append=position_mm[-1]) < 0
    beyond = np.clip(-position_mm / PULL_MM, 0.0, 1.0)
    return power()(position_mm) - np.where(going, PULL_N * np.sin(np.pi * beyond), 0.0)


def test_a_pull_at_release_moves_no_zero():
    position_mm = presses(4)
    sticky = analysed(counts(position_mm, tacky(position_mm))).columns
    clean = analysed(counts(position_mm, power()(position_mm))).columns
    assert np.abs(sticky["zero_n"]).max() < FORCE_NOISE_N
    # a mean over the pull would doubt the zero by a tenth of a newton
    assert np.all(sticky["zero_n_u"] < 3 * clean["zero_n_u"].max())
    assert sticky["contact_mm_u"] == pytest.approx(clean["contact_mm_u"], rel=0.5)


def test_a_zero_that_drifts_fast_is_not_taken_for_a_pull():
    """0.05 N/s beside a detection level of some 0.03 N: the stretch begins well below where it ends."""
    position_mm = presses(4, rest_s=2.0)
    drifting = analysed(counts(position_mm, power()(position_mm), drift_n_per_s=0.05)).columns
    steady = analysed(counts(position_mm, power()(position_mm))).columns
    # the place at the contact force leans on the zero alone, not on how the toe region begins
    assert drifting["contact_at_force_mm_u"] == pytest.approx(steady["contact_at_force_mm_u"], rel=1.0)
    assert drifting["loss_mj"] == pytest.approx(steady["loss_mj"], abs=0.02)


def test_a_toe_region_of_another_shape_than_a_power_cancels_from_the_permanent_set():
    """A face that meets with one edge first, and then flat: the same misfit in each cycle."""
    position_mm = presses(4)
    depth = np.maximum(position_mm, 0.0)
    tilted_n = np.where(depth < 0.5, 2.5 * depth**2, 2.5 * (depth - 0.25))
    cycles = analysed(counts(position_mm, tilted_n)).columns
    each_u = cycles["contact_at_force_mm_u"]
    independent = np.hypot(each_u[1:], each_u[0])
    assert np.all(np.abs(cycles["set_mm"][1:]) < 3 * cycles["set_mm_u"][1:])
    assert np.median(cycles["set_mm_u"][1:] / independent) < 1.0


def test_a_press_that_begins_while_its_face_still_pulls_has_a_contact():
    """A gel that took a set of 2 mm holds on at 1 mm, with 0.4 N, and is pressed again."""
    position_mm = path((-2.5, 1.0), 8.0, (1.0, 0.5), 8.0, (1.0, 0.5), 8.0, (-2.5, 1.0), speed_mm_per_s=4.0)
    pressed = np.maximum.accumulate(position_mm) > 7.9
    left_mm = position_mm - 2.0 * pressed
    pulling_n = np.where(pressed & (position_mm > -0.5), np.maximum(-0.4, 0.8 * left_mm), 0.0)
    columns = analysed(
        counts(position_mm, np.where(left_mm > 0, power(3.0, 1.2)(left_mm), pulling_n))
    ).columns
    # beside that pull the force rises from where it is as large: 0.5 mm before it is none
    away_mm = columns["contact_mm"][1:] - 21.5
    assert (np.abs(away_mm) <= 2 * columns["contact_mm_u"][1:]).all()
    assert np.isfinite(columns["peak_deflection_mm"]).all()
