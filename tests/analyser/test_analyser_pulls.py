"""Pulls are read as a virtual cap's closed form says; a cap that is not held straight is flagged."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from pull_recordings import pulled_cap

from rig.analyser import BEYOND, PullSettings, find_pulls, flagged_beyond
from rig.analyser.pulls import BENT, LOST, NO_ZERO, NOT_OFF, SATURATED
from rig.calibration import Calibration, Scale, ScaleUncertainty
from rig.errors import InputError
from rig.samples import Status
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


def test_a_zero_that_has_wandered_off_is_flagged():
    pulls = find_pulls(pulled_cap(CAP, 3, drift_n_per_s=0.02), PullSettings(threshold_n=1.0))
    # 0.02 N/s have brought it beyond 1 N by the third pull, a minute on
    assert [NO_ZERO in each.flags for each in pulls] == [False, False, True]


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


def test_a_recording_that_is_too_short_is_refused():
    with pytest.raises(InputError, match="unloaded"):
        find_pulls(pulled_cap(CAP, 1)[:100])


def test_a_setting_that_makes_no_sense_is_refused():
    with pytest.raises(InputError, match="slip_offset_mm"):
        PullSettings(slip_offset_mm=0.0)
