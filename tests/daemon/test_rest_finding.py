"""Settled readings of a stream of a scale: rests, changes, knocks, whatever the parts in which it comes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.calibration import Calibration, Gravity, PlateauRule, Scale, Share
from rig.calibration.scales import ScaleUncertainty
from rig.errors import InputError
from rig.jobs.weighing import Pan, RestFinder
from rig.samples import RawChannel, Samples

RATE_HZ = 20
STEP_G = 0.1
MASSES_G = (37.24, 36.87, 41.02, 35.55)
PUT_ON_S = (6.0, 12.0, 18.0, 24.0)
KNOCKED_S = 9.0
DRIFT_G_PER_S = 0.01


def stream(*, noise_g=0.06, seed=3, knocked=True):
    """Readings of a scale with a creeping zero and noise, on which pieces are put one after another."""
    time_s = np.arange(0, 30, 1 / RATE_HZ)
    load_g = sum(
        (mass * np.clip((time_s - at) / 0.5, 0, 1) for mass, at in zip(MASSES_G, PUT_ON_S, strict=True)),
        np.zeros(len(time_s)),
    )
    load_g = load_g + 0.35 + DRIFT_G_PER_S * time_s
    if knocked:
        after_s = time_s - KNOCKED_S
        load_g += np.where(after_s >= 0, 60 * np.exp(-np.abs(after_s) / 0.15) * np.cos(40 * after_s), 0.0)
    noise = np.random.default_rng(seed).normal(0, noise_g, len(time_s))
    return time_s, np.round(np.round((load_g + noise) / STEP_G) * STEP_G, 6)


def changes(time_s, grams, parts=1, step_g=None):
    finder = RestFinder(PlateauRule(1.5), step_g)
    found = []
    for piece in np.array_split(np.arange(len(time_s)), parts):
        found += finder.feed(time_s[piece], grams[piece], np.zeros(len(piece), np.uint8))
    return found, finder


def test_each_piece_put_on_is_a_change_of_its_mass_within_a_step():
    found, _ = changes(*stream())
    assert [change.g for change in found] == pytest.approx(MASSES_G, abs=STEP_G)


def test_without_noise_the_display_alone_leaves_less_than_a_step():
    found, _ = changes(*stream(noise_g=0.0))
    assert [change.g for change in found] == pytest.approx(MASSES_G, abs=STEP_G)
    # both readings anywhere within half a step: at least a standard uncertainty of step / sqrt(12) each
    assert min(change.after.first.u_counts for change in found) >= 1 / np.sqrt(12) * 0.99


def test_a_zero_that_crept_far_while_the_pan_was_empty_is_not_in_the_mass():
    time_s = np.arange(0, 60, 1 / RATE_HZ)
    # 0.02 g/s for 50 s: a gram, ten steps of the display
    grams = np.round(0.02 * time_s + 37.24 * (time_s >= 50), 1)
    (change,), _ = changes(time_s, grams)
    assert change.g == pytest.approx(37.24, abs=STEP_G)


def test_readings_that_go_back_in_time_begin_a_new_window():
    finder = RestFinder(PlateauRule(1.5), STEP_G)
    time_s, status = np.arange(0, 1, 1 / RATE_HZ), np.zeros(RATE_HZ, np.uint8)
    for _ in range(4):
        assert list(finder.feed(time_s, np.full(RATE_HZ, 37.2), status)) == []
    assert finder.level is None


def test_a_knock_is_no_piece():
    found, _ = changes(*stream())
    assert len(found) == len(MASSES_G)
    assert [change.before.knocks for change in found] == [0, 1, 0, 0]


def test_the_step_of_the_display_is_told_from_what_it_prints():
    _, finder = changes(*stream())
    assert finder.step_g == pytest.approx(STEP_G)


@settings(max_examples=15, deadline=None)
@given(st.integers(2, 300))
def test_the_parts_in_which_readings_come_make_no_difference(parts):
    whole, _ = changes(*stream())
    assert changes(*stream(), parts=parts)[0] == whole


def test_a_load_that_goes_on_swinging_is_no_rest():
    time_s = np.arange(0, 10, 1 / RATE_HZ)
    _, finder = changes(time_s, np.round(37 + 5 * np.sin(3 * time_s), 1))
    assert finder.level is None
    assert finder.moving


def test_after_a_reset_what_lies_on_the_pan_is_the_new_zero():
    time_s, grams = stream(knocked=False)
    finder = RestFinder(PlateauRule(1.5), STEP_G)
    half = len(time_s) // 2
    status = np.zeros(half, np.uint8)
    list(finder.feed(time_s[:half], grams[:half], status))
    finder.restart(zero_lost=True)
    found = list(finder.feed(time_s[half:], grams[half:], status))
    assert [change.g for change in found] == pytest.approx(MASSES_G[2:], abs=STEP_G)


def counts(*values):
    raw = np.array(values, np.int32)
    numbers = np.arange(len(raw))
    return Samples(numbers, numbers * 1000, raw, raw, np.zeros(len(raw), np.uint8))


def test_the_rigs_own_cell_weighs_as_a_scale_set_with_steel_masses():
    # 1 kg of steel presses with 9.81 (1 - 1.2/8000) = 9.8085285 N
    pan = Pan.of(counts(), Calibration(force=Scale(0.001)), gravity=Gravity.stated("9.81 m/s^2"))
    assert pan.grams(counts(0, 9808)) == pytest.approx([0, 9808 / 9.8085285])
    assert pan.step_g == pytest.approx(1 / 9.8085285)


def test_the_calibration_and_gravity_leave_their_share_in_a_mass():
    known = ScaleUncertainty(10_000, ((0.01**2,),), 5, (Share("references", 0.002),))
    pan = Pan.of(
        counts(),
        Calibration(force=Scale(0.001, uncertainty=known)),
        gravity=Gravity(9.81, 0.001, "stated"),
    )
    # a thousandth of the slope, two of the references, one of gravity: sqrt(1 + 4 + 1) thousandths
    assert pan.scale_u_g(100.0, 600.0) == pytest.approx(500 * np.sqrt(6) * 1e-3, rel=1e-6)


def test_a_cell_without_gravity_is_refused_and_a_scale_in_grams_needs_none():
    with pytest.raises(InputError, match="gravity is missing"):
        Pan.of(counts(), Calibration(force=Scale(0.001)))
    assert Pan.of(Samples.empty(RawChannel("oz", 0.0)), Calibration()).g_per_unit == pytest.approx(
        28.349523125
    )
