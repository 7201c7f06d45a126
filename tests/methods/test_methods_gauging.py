"""Single readings from noisy stretches, against curves whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from rig.errors import InputError
from rig.methods import GaugedValue, Stretch
from rig.methods.gauging import end_of_hold, force_at, position_at, read_contact

NOISE_N = 0.02
STEP_MM = 0.005
STEP_N = 0.001
ZERO = GaugedValue(0.0, 0.001)
RUNS = 60


def stretch(position_mm, force_n, seed):
    rng = np.random.default_rng(seed)
    noisy = force_n + NOISE_N * rng.standard_normal(len(force_n))
    seen_mm = position_mm + 0.001 * rng.standard_normal(len(position_mm)) + STEP_MM * rng.random()
    counted = np.round(seen_mm / STEP_MM) * STEP_MM
    shift_mm = float(np.mean(counted - position_mm))
    return Stretch(
        np.arange(len(position_mm)) * 0.002,
        counted - shift_mm,
        np.round(noisy / STEP_N) * STEP_N,
        STEP_N,
        STEP_MM,
    )


def bowed_n(depth_mm):
    """F = 8 d + 0.5 d^2."""
    return np.where(depth_mm > 0, 8 * depth_mm + 0.5 * depth_mm**2, 0.0)


def covered(errors):
    """Share within two stated uncertainties, and how large the stated ones are beside the spread."""
    off, stated = np.array(errors).T
    return np.mean(np.abs(off) <= 2 * stated), np.sqrt(np.mean(stated**2)) / off.std()


def test_a_force_at_a_position_lies_within_its_uncertainty_of_the_truth():
    x_mm = np.arange(-2.0, 12.0, 0.0033)
    errors = []
    for seed in range(RUNS):
        found = force_at(stretch(x_mm, bowed_n(x_mm), seed), GaugedValue(6.0, 0.0), ZERO, falling=False)
        errors.append((found.value - float(bowed_n(np.array(6.0))), found.u))
        assert found.slope == pytest.approx(14.0, abs=0.5)
    share, ratio = covered(errors)
    assert share >= 0.9
    assert ratio < 3.0


def test_a_position_at_a_force_lies_within_its_uncertainty_on_both_ways():
    x_mm = np.concatenate([np.arange(-2.0, 12.0, 0.0033), np.arange(12.0, -2.0, -0.0033)])
    truth_mm = (-8 + np.sqrt(64 + 2 * 50.0)) / 1.0  # 0.5 d^2 + 8 d = 50
    for falling in (False, True):
        errors = []
        for seed in range(RUNS):
            whole = stretch(x_mm, bowed_n(x_mm), seed)
            part = whole.way_out() if falling else whole.way_in()
            found = position_at(part, 50.0, ZERO, falling=falling)
            errors.append((found.value - truth_mm, found.u))
        share, ratio = covered(errors)
        assert share >= 0.9
        assert ratio < 3.0


def contact_path():
    """An approach over 5 mm that stops where 2 N are reached, on a specimen that then relaxes a little."""
    end_mm = -8 + np.sqrt(64 + 2 * 2.0)
    x_mm = np.append(np.arange(-5.0, end_mm, 0.0033), np.full(200, end_mm))
    force_n = bowed_n(x_mm)
    force_n[-200:] = 2.0 * np.linspace(1.0, 0.9, 200)
    return end_mm, x_mm, force_n


def test_a_contact_check_is_read_where_it_reached_its_force_although_it_stopped_there():
    end_mm, x_mm, force_n = contact_path()
    errors = []
    for seed in range(RUNS):
        found = read_contact(stretch(x_mm, force_n + 0.3, seed), 2.0, None)
        errors.append((found.position_mm.value - end_mm, found.position_mm.u))
        assert found.zero_n.value == pytest.approx(0.3, abs=5 * found.zero_n.u)
    share, ratio = covered(errors)
    assert share >= 0.9
    assert ratio < 3.0


def test_a_contact_check_that_stayed_below_its_force_is_refused():
    _, x_mm, force_n = contact_path()
    with pytest.raises(InputError, match=r"contact check: reached 2.* expected 5 N"):
        read_contact(stretch(x_mm, force_n, 1), 5.0, None)


def test_a_contact_check_without_a_way_before_it_needs_the_zero_of_one_before():
    _, x_mm, force_n = contact_path()
    near = x_mm > 0.0
    short = stretch(x_mm[near], force_n[near], 1)
    with pytest.raises(InputError, match="stretch without load"):
        read_contact(short, 2.0, None)
    assert read_contact(short, 2.0, ZERO).zero_n == ZERO


def test_the_end_of_a_hold_is_read_at_its_end():
    time_s = np.arange(5000) * 0.002
    force_n = 100.0 + 10 * np.exp(-time_s / 3.0)
    rng = np.random.default_rng(3)
    held = Stretch(
        time_s, np.full(5000, 12.5), force_n + NOISE_N * rng.standard_normal(5000), STEP_N, STEP_MM
    )
    force, position = end_of_hold(held, ZERO, 10.0)
    assert force.value == pytest.approx(float(force_n[-1]), abs=3 * force.u)
    assert force.u < 0.01
    assert position.value == 12.5


def test_a_stroke_that_does_not_get_there_is_refused_in_words():
    x_mm = np.arange(0.0, 5.0, 0.01)
    short = stretch(x_mm, bowed_n(x_mm), 1)
    with pytest.raises(InputError, match=r"went to 4\.99 mm, short of 6\.00 mm|went to 5\.00 mm"):
        force_at(short, GaugedValue(6.0, 0.0), ZERO, falling=False)
    with pytest.raises(InputError, match="does not pass a force of 90 N"):
        position_at(short, 90.0, ZERO, falling=False)
