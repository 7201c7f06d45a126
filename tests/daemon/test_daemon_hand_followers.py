"""Followers of a hand: when a stroke or a wait is over, whatever the hand does and however it is cut."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.jobs.hand_samples import HandSamples, SpeedMeter
from rig.jobs.hand_strokes import Aim, Stroke
from rig.jobs.hand_waits import HoldWait, Quiet, RestWait

RATE_HZ = 100.0
N_PER_MM = 3.0
DEEP = Aim(1, 4.0, 10.0)


def heard(*legs, start_mm=-2.0, rate_hz=RATE_HZ, tremor_mm=0.005):
    """A spring pressed in straight legs: (to where in mm, within how many seconds)."""
    corners_s = np.cumsum([0.0, *(took_s for _, took_s in legs)])
    corners_mm = [start_mm, *(to_mm for to_mm, _ in legs)]
    time_s = np.arange(0.0, corners_s[-1], 1 / rate_hz)
    # a hand trembles at some 9 Hz
    position_mm = np.interp(time_s, corners_s, corners_mm) + tremor_mm * np.sin(2 * np.pi * 9.0 * time_s)
    return HandSamples(time_s, position_mm, N_PER_MM * np.maximum(position_mm, 0.0))


PRESSED = heard((-2.0, 1.0), (10.3, 3.075), (10.3, 1.0), (-2.0, 2.0))
"""Waits a second, presses at 4 mm/s to 10.3 mm, stands a second, goes back."""


def fed(follower, samples, cuts=()):
    """Index at which a follower was done with samples that came in parts."""
    begin = 0
    for end in [*sorted(set(cuts)), len(samples)]:
        if end <= begin:
            continue
        over = follower.take(samples[begin:end])
        if over is not None:
            return begin + over
        begin = end
    return None


def test_a_press_is_over_when_the_platen_stands_and_its_overshoot_is_known():
    stroke = Stroke(DEEP, 0.0)
    over = fed(stroke, PRESSED)
    did = stroke.did()
    # 1 s of waiting and 3.075 s of way; 0.3 s of standing tell
    assert PRESSED.time_s[over] == pytest.approx(4.075 + 0.3, abs=0.05)
    assert did["over_mm"] == pytest.approx(0.3, abs=0.01)
    assert did["mean_mm_per_s"] == pytest.approx(4.0, rel=0.02)
    assert (did["pace"], did["reached"]) == ("right", True)


def test_a_long_wait_beforehand_leaves_the_mean_speed_as_it_is():
    patient = heard((-2.0, 600.0), (10.0, 3.0), (10.0, 1.0))
    stroke = Stroke(DEEP, 0.0)
    fed(stroke, patient, range(0, len(patient), 50))
    assert stroke.did()["mean_mm_per_s"] == pytest.approx(4.0, rel=0.02)


@given(st.lists(st.integers(1, len(PRESSED)), max_size=30))
def test_where_a_stroke_ends_does_not_depend_on_how_its_samples_are_cut(cuts):
    whole, cut = Stroke(DEEP, 0.0), Stroke(DEEP, 0.0)
    assert fed(whole, PRESSED) == fed(cut, PRESSED, cuts)
    assert whole.did() == cut.did()
    assert whole.stood_s == cut.stood_s


@given(st.lists(st.integers(1, len(PRESSED)), max_size=30))
def test_where_a_force_is_felt_does_not_depend_on_how_its_samples_are_cut(cuts):
    check = Stroke(Aim(1, 4.0, None, 1.5, stands=False), 0.0)
    fed(check, PRESSED, cuts)
    # 1.5 N of 3 N/mm are half a millimetre, whatever is between two samples
    assert check.passed_mm == pytest.approx(0.5, abs=1e-9)


def test_a_press_that_turns_at_once_is_over_without_standing():
    stroke = Stroke(DEEP, 0.0)
    over = fed(stroke, heard((10.5, 3.0), (-2.0, 3.0)))
    assert over is not None
    assert stroke.stood_s is None
    assert stroke.did()["went_to_mm"] == pytest.approx(10.5, abs=0.05)


def test_a_slow_press_is_not_taken_for_a_stop_before_its_depth():
    # slower than the slowest of the ready methods, 20 mm/min
    slow = Stroke(Aim(1, 0.2, 3.0), 0.0)
    fed(slow, heard((3.0, 25.0), (3.0, 1.0), tremor_mm=0.002))
    assert slow.did()["went_to_mm"] == pytest.approx(3.0, abs=0.01)


def test_a_press_given_up_half_way_goes_on_and_is_noted():
    stroke = Stroke(DEEP, 0.0)
    tried = heard((5.0, 2.0), (0.0, 2.0), (10.0, 2.5), (10.0, 1.0))
    assert fed(stroke, tried, range(0, len(tried), 10)) is not None
    did = stroke.did()
    assert did["went_back"] == 1
    # the speed is that of the second way, 10 mm in 2.5 s
    assert did["mean_mm_per_s"] == pytest.approx(4.0, rel=0.03)


def test_one_wild_value_is_no_contact():
    still = heard((-2.0, 1.0))
    force_n = still.force_n.copy()
    force_n[50] = 5.0
    check = Stroke(Aim(1, 4.0, None, 1.5, stands=False), 0.0)
    assert fed(check, HandSamples(still.time_s, still.position_mm, force_n)) is None


def test_a_press_to_a_force_that_comes_too_late_stops_at_its_deepest():
    stroke = Stroke(Aim(1, 4.0, 10.0, 1000.0), 0.0)
    assert fed(stroke, PRESSED) is not None
    assert not stroke.did()["reached"]


def test_a_wider_gap_than_asked_for_is_a_gap_too():
    back = Stroke(Aim(-1, 4.0, -2.0), 0.0)
    assert fed(back, heard((-5.0, 1.0), start_mm=-5.0)) is not None


def test_a_hold_notes_its_drift_and_how_long_it_was_outside():
    hold = HoldWait(4.0, 0.0, 0.0)
    # drifts by 1 mm within a second and comes back within another: outside 0.2 mm for 1.6 s of them
    fed(hold, heard((10.0, 1.0), (9.0, 1.0), (10.0, 1.0), (10.0, 2.0), start_mm=10.0, tremor_mm=0.0))
    did = hold.did()
    assert did["held_s"] == pytest.approx(4.0, abs=0.011)
    assert did["drift_mm"] == pytest.approx(1.0, abs=0.02)
    assert did["outside_s"] == pytest.approx(1.6, abs=0.05)


def test_a_rest_on_a_pressed_specimen_is_noted():
    rest = RestWait(2.0, 0.0, 1.0)
    fed(rest, heard((5.0, 3.0), start_mm=5.0))
    assert rest.did()["pressed_s"] == pytest.approx(2.0, abs=0.02)


def test_a_wait_whose_time_is_past_is_over_at_once_and_says_how_late():
    late = RestWait(2.0, 3.5, 1.0)
    assert late.take(heard((-2.0, 4.0))[-1:]) == 0
    assert late.did()["late_s"] == 1.5


def test_nothing_is_still_while_the_force_wanders():
    time_s = np.arange(0.0, 3.0, 0.01)
    wandering = HandSamples(time_s, np.zeros(300), 2.0 * time_s)
    assert fed(Quiet(1.0), wandering) is None
    assert fed(Quiet(1.0), heard((-2.0, 3.0))) is not None


def test_a_slow_rig_needs_as_many_samples_for_its_zero_as_a_quick_one():
    slow = heard((-2.0, 20.0), rate_hz=2.0, tremor_mm=0.0)
    # eight samples at two a second: index 7
    assert fed(Quiet(1.0), slow, range(1, 40)) == 7


def test_the_speed_shown_is_that_of_the_last_moment():
    meter = SpeedMeter()
    meter.take(heard((-2.0, 1.0), (2.0, 1.0), tremor_mm=0.0))
    assert meter.speed_mm_per_s == pytest.approx(4.0, rel=0.01)
