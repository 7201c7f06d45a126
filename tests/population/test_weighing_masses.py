"""Masses by differences, their uncertainty, and what is said of odd ones."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from rig.errors import InputError
from rig.population import (
    RestingStretch,
    Weighing,
    by_difference,
    mass_in_g,
    resolution_note,
    slope_u,
    spread_note,
    told_by_few,
    typed_weighing,
    zero_drift_g_per_s,
)

STEP_G = 0.1


def rest(g, at_s, *, until_s=None, last_g=None, u_g=0.02, slope=0.0, slope_u=0.0):
    end_s = at_s if until_s is None else until_s
    return RestingStretch(g, u_g, at_s, g if last_g is None else last_g, u_g, end_s, slope, slope_u)


def test_a_mass_is_the_step_from_the_end_of_one_rest_to_the_begin_of_the_next():
    # the zero crept from 0.3 to 0.5 g while the pan was empty
    weighing = by_difference(rest(0.3, 0, until_s=20, last_g=0.5), rest(37.7, 24), resolution_g=STEP_G)
    assert weighing.mass_g == pytest.approx(37.2)


def test_the_uncertainty_is_made_of_both_readings_the_drift_and_the_scale():
    # 0.01 g/s over the 4 s between: 0.04 g; with readings of 0.02 and 0.03 g and the scale's 0.05 g; the pace
    # is a difference of two readings of 0.02 g over 20 s
    weighing = by_difference(
        rest(0.3, 0, until_s=20, last_g=0.5),
        rest(37.7, 24, u_g=0.03, slope_u=0.1),
        resolution_g=STEP_G,
        scale_u_g=0.05,
    )
    pace_g = 4 * math.sqrt(2) * 0.02 / 20
    assert dict(weighing.parts) == pytest.approx(
        {
            "reading before": 0.02,
            "reading after": 0.03,
            "drift in between": 0.04,
            "pace of the drift": pace_g,
            "scale": 0.05,
        }
    )
    assert weighing.u_g == pytest.approx(math.sqrt(0.02**2 + 0.03**2 + 0.04**2 + 0.05**2 + pace_g**2))


def test_a_short_rest_tells_its_pace_by_the_slope_within_it_where_that_is_known_better():
    # over half a second two readings of 0.02 g leave 0.057 g/s
    short = rest(0.3, 0, until_s=0.5, last_g=0.4, slope=0.01, slope_u=0.03)
    assert short.pace_g_per_s == (0.01, 0.03)
    assert replace(short, last_s=20.0).pace_g_per_s == pytest.approx((0.005, math.sqrt(2) * 0.02 / 20))


def test_the_slope_of_scattered_readings_is_as_uncertain_as_a_line_through_them_says():
    time_s, noise = np.linspace(0, 2, 400), 0.1
    # closed form of ordinary least squares
    line_u = noise / math.sqrt(float(((time_s - 1) ** 2).sum()))
    assert slope_u(noise / math.sqrt(400), 2.0) == pytest.approx(line_u, rel=0.01)


def test_a_scatter_that_few_readings_told_is_widened_to_that_of_students_distribution():
    assert told_by_few(0.02, 9) == pytest.approx(0.02 * stats.t(9).std())


def test_a_zero_that_was_seen_to_move_counts_where_rests_are_too_short_to_tell():
    still = by_difference(rest(0, 0), rest(37, 5), resolution_g=STEP_G, zero_drift_g_per_s=0.02)
    assert dict(still.parts)["drift in between"] == pytest.approx(0.1)
    sloping = by_difference(rest(0, 0, slope=0.03), rest(37, 5), resolution_g=STEP_G)
    assert dict(sloping.parts)["drift in between"] == pytest.approx(0.15)


def test_the_drift_of_the_zero_is_that_of_its_fastest_return():
    zeros = [rest(0.0, 0, until_s=10), rest(0.3, 40, until_s=50), rest(0.2, 60)]
    # 0.3 g in 30 s, then 0.1 g in 10 s
    assert zero_drift_g_per_s(zeros) == pytest.approx(0.01)
    assert zero_drift_g_per_s(zeros[:1]) is None


@pytest.mark.parametrize(
    ("text", "mass_g", "step_g"),
    [
        ("37.2 g", 37.2, 0.1),
        ("0.0372 kg", 37.2, 0.1),
        ("1.31 oz", 1.31 * 28.349523125, 0.01 * 28.349523125),
        ("0.082 lb", 0.082 * 453.59237, 0.001 * 453.59237),
        ("2 1/8 oz", 2.125 * 28.349523125, 28.349523125 / 8),
        ("12 lb 3 oz", 195 * 28.349523125, 28.349523125),
    ],
)
def test_a_typed_mass_steps_by_its_last_digit_in_any_unit(text, mass_g, step_g):
    weighing = typed_weighing(text)
    assert (weighing.mass_g, weighing.resolution_g) == pytest.approx((mass_g, step_g))
    # reading and zero are each anywhere within a step
    assert weighing.u_g == pytest.approx(step_g * math.sqrt(2 / 12))


def test_what_is_no_mass_is_refused():
    for text in ("37.2", "37.2 N", "37.2 mm", "heavy"):
        with pytest.raises(InputError, match="mass: "):
            mass_in_g(text, "mass")
    with pytest.raises(InputError, match="more than zero"):
        typed_weighing("-1 g")


def weighed(mass_g, u_g=0.04, step_g=STEP_G):
    return Weighing(mass_g, u_g, (), step_g)


def test_a_mass_within_a_step_or_twice_its_uncertainty_is_told():
    assert "distinguished from zero" in resolution_note(weighed(0.09))
    assert "distinguished from zero" in resolution_note(weighed(0.3, u_g=0.2))
    assert "steps by 0.1 g, 3.3 %" in resolution_note(weighed(3.0))
    assert resolution_note(weighed(37.2)) is None


def test_of_normal_batches_one_next_piece_in_a_hundred_is_asked_about():
    random = np.random.default_rng(12)
    trials, n = 4000, 6
    draws = random.normal(37.0, 0.4, (trials, n + 1))
    asked = sum(spread_note(row[-1], row[:-1]) is not None for row in draws)
    # binomial limits that chance leaves once in ten thousand
    low, high = stats.binom.ppf([5e-5, 1 - 5e-5], trials, 0.01)
    assert low <= asked <= high


def test_three_pieces_say_nothing_of_a_spread():
    assert spread_note(99.0, [37.0, 37.1, 37.2]) is None
