"""Pulls are read as a virtual cap's closed form says; a cap that is not held straight is flagged."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from pull_recordings import RATE_HZ, pulled_cap

from rig.analyser import BEYOND, PullSettings, find_pulls, flagged_beyond
from rig.analyser.pulls import BENT, LOST, NOT_OFF, SATURATED
from rig.calibration import Calibration, Scale, ScaleUncertainty, Signals
from rig.errors import InputError
from rig.samples import Status
from rig.segmenter import Segmenter, SegmenterSettings
from rig.virtual import PressedCap

CAP = PressedCap()
"""18 N where it sits, 24 N over a bead 0.5 mm on, 12 N from 1.3 mm on, nothing after 8 mm; 4 % wear."""


def test_every_pull_has_the_peak_that_wear_leaves():
    pulls = find_pulls(pulled_cap(CAP, 4))
    # 24 N, and 0.96 of the one before each time; the sample beside the peak is 0.03 N lower at most
    assert [each.peak_n for each in pulls] == pytest.approx([24.0, 23.04, 22.1184, 21.2337], abs=0.03)
    assert all(not each.flags for each in pulls)


def test_slip_of_every_pull_is_that_of_the_bead_and_its_force_wears_with_it():
    pulls = find_pulls(pulled_cap(CAP, 4))
    assert [each.slip_mm for each in pulls] == pytest.approx([0.5] * 4, abs=0.004)
    assert [each.slip_n for each in pulls] == pytest.approx([18.6, 17.856, 17.1418, 16.4561], abs=0.03)


@pytest.mark.parametrize("name", ["peak_n", "slip_n", "slip_mm", "travel_mm", "work_mj"])
@pytest.mark.parametrize(("noise_n", "step_mm"), [(0.02, 0.005), (0.1, 0.0)])
def test_stated_uncertainties_hold_the_truth(name, noise_n, step_mm):
    # slip force, bead, engagement and area as in the tests here
    truth = {"peak_n": 24.0, "slip_n": 18.6, "slip_mm": 0.5, "travel_mm": 8.0, "work_mj": 65.1}[name]
    off = []
    for seed in range(16):
        signals = pulled_cap(CAP, 1, noise_n=noise_n, seed=seed)
        position_mm = signals.position_mm + 1e-3 * np.random.default_rng(seed + 99).standard_normal(
            len(signals)
        )
        if step_mm:
            position_mm = np.round(position_mm / step_mm) * step_mm
        (pull,) = find_pulls(replace(signals, position_mm=position_mm, position_resolution_mm=step_mm))
        off.append((getattr(pull, name) - truth) / getattr(pull, f"{name}_u"))
    assert np.abs(off).max() < 4
    assert np.mean(np.abs(off) < 2) > 0.8


def _measured(low_n, high_n, *, low_mm=-9.0):
    force = Scale(1e-3, 0.0, (), ScaleUncertainty(high_n / 1e-3, ((1e-6,),)), (low_n / 1e-3, high_n / 1e-3))
    position = Scale(5e-3, 0.0, (), ScaleUncertainty(10_000.0, ((1e-6,),)), (low_mm / 5e-3, 50.0 / 5e-3))
    return Calibration(force, position)


@pytest.mark.parametrize(
    ("calibration", "beyond", "reach_n"),
    [
        (_measured(-30.0, 150.0), [False, False], 30.0),
        (_measured(-23.5, 150.0), [True, False], 23.5),  # 24 N and then 23.04 N
        (_measured(0.0, 150.0), [True, True], 0.0),
        (_measured(-0.4, 150.0), [True, True], 0.0),  # a zero that reads a little low is no load that pulls
        (_measured(-30.0, 150.0, low_mm=1.0), [True, True], 30.0),  # the pull goes on to 0 mm
        (Calibration(Scale(1e-3), Scale(5e-3)), [False, False], math.inf),  # never measured: said elsewhere
    ],
)
def test_pulls_beyond_what_was_compared_are_flagged_and_do_not_count(calibration, beyond, reach_n):
    signals = pulled_cap(CAP, 2)
    pulls, reach = flagged_beyond(find_pulls(signals), signals, calibration)
    assert [BEYOND in each.flags for each in pulls] == beyond
    assert [not each.counts for each in pulls] == beyond
    assert reach == pytest.approx(reach_n)


def test_slip_begins_where_the_bead_begins_and_peaks_on_it():
    (pull,) = find_pulls(pulled_cap(CAP, 1))
    # 18 N and 12 N/mm x 0.05 mm; the bead's top after 0.5 mm; off after 8 mm, less where 0.05 N are passed
    assert pull.slip_n == pytest.approx(18.6, abs=0.03)
    assert pull.slip_mm == pytest.approx(0.5, abs=0.005)
    assert pull.travel_mm == pytest.approx(8.0, abs=0.04)
    assert pull.give_n_per_mm == pytest.approx(40.0, rel=1e-3)


def test_a_zero_that_wanders_far_is_followed_from_press_to_press():
    pulls = find_pulls(pulled_cap(CAP, 3, drift_n_per_s=0.02), PullSettings(threshold_n=1.0))
    # 0.02 N/s have brought it beyond 1 N by the third pull, a minute on
    assert [pull.flags for pull in pulls] == [()] * 3
    assert pulls[2].zero_n > 1.0
    for pull, peak_n in zip(pulls, (24.0, 23.04, 22.1184), strict=True):
        assert abs(pull.peak_n - peak_n) < 2 * pull.peak_n_u


def test_a_larger_offset_reads_the_first_slip_later():
    (pull,) = find_pulls(pulled_cap(CAP, 1), PullSettings(slip_offset_mm=0.25))
    assert pull.slip_n == pytest.approx(21.0, abs=0.03)  # 18 N and 12 N/mm x 0.25 mm


def test_work_of_a_pull_is_the_area_below_the_hold():
    (pull,) = find_pulls(pulled_cap(CAP, 1))
    # (18 + 24)/2 x 0.5 + (24 + 12)/2 x 0.8 + 12/2 x 6.7 = 10.5 + 14.4 + 40.2 mJ
    assert pull.work_mj == pytest.approx(65.1, rel=2e-3)


def test_a_drifting_zero_is_taken_off_where_the_pull_is():
    pulls = find_pulls(pulled_cap(CAP, 3, drift_n_per_s=0.01, zero_n=-7.0), PullSettings(threshold_n=1.0))
    # at the drift's pace the unloaded stretches on both sides tell the zero between them to a few hundredths
    assert [each.peak_n for each in pulls] == pytest.approx([24.0, 23.04, 22.1184], abs=0.12)
    assert [pulls[0].peak_n_u > 0.02, pulls[2].zero_n > pulls[0].zero_n] == [True, True]


@pytest.mark.parametrize("noise_n", [0.01, 0.1, 0.3])
def test_noise_makes_no_peak_too_large_beyond_its_uncertainty(noise_n):
    off = []
    for seed in range(12):
        (pull,) = find_pulls(pulled_cap(CAP, 1, noise_n=noise_n, seed=seed))
        off.append((pull.peak_n - 24.0) / pull.peak_n_u)
    assert abs(np.mean(off)) < 1.5
    assert np.mean(np.abs(off) < 3) > 0.9


def test_a_cap_that_stays_on_is_flagged_and_has_no_travel():
    pulls = find_pulls(pulled_cap(CAP, 1, off=False))
    assert NOT_OFF in pulls[0].flags
    assert math.isnan(pulls[0].travel_mm)
    assert pulls[0].peak_n == pytest.approx(24.0, abs=0.03)


def test_lost_samples_and_a_saturated_force_are_flagged():
    signals = pulled_cap(CAP, 2)
    first, second = find_pulls(signals)
    lost, status = signals.lost.copy(), signals.status.copy()
    lost[first.peak :] += 3
    status[second.peak] |= Status.FORCE_SATURATED
    first, second = find_pulls(replace(signals, lost=lost, status=status))
    assert (first.flags, second.flags) == ((LOST,), (SATURATED,))


def test_a_first_give_that_bends_is_flagged():
    # slips early, at 6 of 24 N: the line between a fifth and six tenths of the peak is none
    cap = PressedCap(first_slip_n=6.0, bead_mm=1.0, after_bead_mm=2.0)
    (pull,) = find_pulls(pulled_cap(cap, 1))
    assert BENT in pull.flags


def test_presses_alone_are_no_pulls():
    signals = pulled_cap(CAP, 2)
    assert find_pulls(replace(signals, force_n=np.abs(signals.force_n))) == ()


def test_a_recording_without_a_clock_is_refused():
    signals = pulled_cap(CAP, 1)
    with pytest.raises(InputError, match="no clock"):
        find_pulls(replace(signals, time_s=np.full(len(signals), np.nan)))


def test_a_clock_that_stands_still_takes_no_pull_away():
    signals = pulled_cap(CAP, 3)
    standing = find_pulls(replace(signals, time_s=np.zeros(len(signals))))
    peaks_n = [pull.peak_n for pull in find_pulls(signals)]
    assert len(peaks_n) == 3
    assert [pull.peak_n for pull in standing] == pytest.approx(peaks_n, abs=0.05)


def _read(way_mm, force_n):
    rows = np.zeros(len(way_mm), np.int64)
    return Signals(np.arange(len(way_mm)) / RATE_HZ, force_n, way_mm, rows.astype(np.uint8), rows)


def _course(*legs):
    """Ways from one position to the next at 1 mm/s; a number of seconds rests."""
    parts, at_mm = [], -3.0
    for to_mm, rest_s in legs:
        parts.append(np.linspace(at_mm, to_mm, round(abs(to_mm - at_mm) * RATE_HZ), endpoint=False))
        parts.append(np.full(round(rest_s * RATE_HZ), to_mm))
        at_mm = to_mm
    return np.concatenate(parts)


@pytest.mark.parametrize("noise_n", [0.005, 0.05])
def test_adhesion_behind_each_press_is_a_pull(noise_n):
    """It begins with the press that made it: 1.5 N as half a sine over 0.6 mm behind each release."""
    way_mm = _course((-3.0, 1.0), *[(4.0, 0.0), (-2.0, 1.0)] * 4)
    back = np.diff(way_mm, append=way_mm[-1]) < 0
    pulling = 1.5 * np.sin(np.pi * np.clip(-way_mm / 0.6, 0.0, 1.0))
    force_n = 5.0 * np.clip(way_mm, 0.0, None) - np.where(back, pulling, 0.0)
    noise = noise_n * np.random.default_rng(2).standard_normal(len(way_mm))
    pulls = find_pulls(_read(way_mm, 2.0 + force_n + noise))
    assert len(pulls) == 4
    for pull in pulls:
        assert pull.flags == ()
        assert abs(pull.peak_n - 1.5) < 2.5 * pull.peak_n_u
        assert abs(pull.work_mj - 1.5 * 0.6 * 2 / np.pi) < 2.5 * pull.work_mj_u


@pytest.mark.parametrize("rest_s", [1.0, 10.0])
def test_a_rest_under_pull_is_taken_for_no_zero(rest_s):
    on_mm = CAP.engagement_mm + CAP.going_on_n / CAP.grip_n_per_mm
    way_mm = _course((-3.0, 1.0), (on_mm, 0.0), (7.7, rest_s), (-3.0, 1.0), (on_mm, 0.0), (-3.0, 1.0))
    force_n, _ = CAP.respond(CAP.fresh(), way_mm, 1 / RATE_HZ)
    pulls = find_pulls(_read(way_mm, force_n))
    assert [pull.peak_n for pull in pulls] == pytest.approx([24.0, 23.04], abs=0.03)
    assert [pull.work_mj for pull in pulls] == pytest.approx([65.1, 62.5], rel=2e-3)
    assert [pull.flags for pull in pulls] == [(), ()]


def test_a_single_wrong_sample_is_no_peak():
    signals = pulled_cap(CAP, 1)
    (clean,) = find_pulls(signals)
    force_n = signals.force_n.copy()
    force_n[clean.peak + 200] -= 15.0
    (pull,) = find_pulls(replace(signals, force_n=force_n))
    assert pull.peak_n == pytest.approx(clean.peak_n)


@pytest.mark.parametrize("sign", [1, -1])
def test_pulls_in_tension_are_the_cycles_that_the_segmenter_finds(sign):
    way_mm = _course((-3.0, 1.0), *[(2.0, 0.0), (-3.0, 1.0)] * 3) + 3.0
    force_n = 4.0 * np.clip(way_mm - 1.0, 0.0, None)
    recorded = _read(sign * way_mm, sign * force_n)
    pulls = find_pulls(recorded.turned(-1) if sign > 0 else recorded, sense="tension")
    segmenter = Segmenter(SegmenterSettings(sense="tension"))
    parts = [part for part in (segmenter.push(recorded), segmenter.finish()) if part is not None]
    assert len(pulls) == sum(len(part.cycles) for part in parts) == 3
    assert [pull.peak_n for pull in pulls] == pytest.approx([16.0] * 3, abs=0.02)


def test_a_setting_that_makes_no_sense_is_refused():
    with pytest.raises(InputError, match="slip_offset_mm"):
        PullSettings(slip_offset_mm=0.0)
