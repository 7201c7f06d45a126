"""Force and position of the same instants, against springs whose force is known at every one."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from raw_tables import counted, fresh_every, scaled

from rig.calibration import Aligner, Calibration, Delay, Scale, Signals

STIFFNESS = 2.0
STEP_US = 2000
STEP_S = STEP_US / 1e6
SPEED = 10.0
DEPTH = 8.0


def triangle(presses=2):
    """Positions of a platen that goes to and fro between 0 and `DEPTH`, turning on samples."""
    steps = round(DEPTH / (SPEED * STEP_S))
    way = np.concatenate([np.linspace(0, DEPTH, steps, endpoint=False), np.linspace(DEPTH, 0, steps + 1)])
    return np.concatenate([np.zeros(600), np.tile(way, presses), np.zeros(100)])


def aligned(samples, calibration=None, cuts=()):
    aligner = Aligner(calibration or Calibration())
    edges = [0, *cuts, len(samples)]
    parts = [aligner.push(samples[a:b]) for a, b in pairwise(edges)]
    parts.append(aligner.finish())
    return Signals.concatenate([part for part in parts if part is not None])


def loop_mj(signals):
    """Work lost over the whole recording, from its samples."""
    return float(np.trapezoid(signals.force_n, signals.position_mm))


def delayed(delay_s):
    """A spring's force that is reported so much later than the position beside it."""
    position = triangle()
    time_s = np.arange(len(position)) * STEP_S
    return scaled(STIFFNESS * np.interp(time_s - delay_s, time_s, position), position, step_us=STEP_US)


def averaging(every):
    """A spring read by a converter that takes `every` steps and repeats its last value."""
    position = triangle()
    area = np.concatenate([[0.0], np.cumsum((position[1:] + position[:-1]) / 2)])
    held = np.arange(len(position)) // every * every
    mean = (area[held] - area[np.maximum(held - every, 0)]) / every
    return scaled(STIFFNESS * mean, position, step_us=STEP_US, status=fresh_every(len(position), every))


def test_a_delayed_force_shows_a_false_loss_of_twice_stiffness_speed_delay_and_depth():
    # the force is behind by stiffness times lag, but for the lag after each of two turns and one start
    lag_mm = SPEED * 0.02
    false_mj = 2 * (2 * STIFFNESS * lag_mm * DEPTH)
    assert loop_mj(aligned(delayed(0.02))) == pytest.approx(-false_mj, rel=1.2 * lag_mm / DEPTH)


def test_the_stated_delay_takes_the_false_loss_away():
    signals = aligned(delayed(0.02), Calibration(delay=Delay(0.02)))
    np.testing.assert_allclose(signals.force_n, STIFFNESS * signals.position_mm, atol=1e-9)


def test_a_delay_between_samples_is_taken_off_too():
    signals = aligned(delayed(0.025), Calibration(delay=Delay(0.025)))
    assert abs(loop_mj(signals)) < 0.01 * 2 * (2 * STIFFNESS * SPEED * 0.025 * DEPTH)


def test_a_delayed_forces_time_is_when_it_was_felt():
    signals = aligned(delayed(0.02), Calibration(delay=Delay(0.02)))
    np.testing.assert_allclose(signals.time_s, np.arange(len(signals)) * STEP_S - 0.02, atol=1e-12)


@pytest.mark.parametrize("every", [2, 5, 50])
def test_only_new_conversions_are_kept(every):
    samples = averaging(every)
    assert len(aligned(samples)) == -(-len(samples) // every)


@pytest.mark.parametrize("every", [2, 5, 50])
def test_a_slow_converter_gets_the_mean_position_of_each_conversion(every):
    signals = aligned(averaging(every))[1:]
    np.testing.assert_allclose(signals.force_n, STIFFNESS * signals.position_mm, atol=1e-9)


def test_a_springs_loop_closes_over_a_slow_converter():
    assert abs(loop_mj(aligned(averaging(50)))) < 1e-9


def test_a_conversion_counts_for_its_middle():
    signals = aligned(averaging(50))
    np.testing.assert_allclose(signals.time_s, (np.arange(len(signals)) * 50 - 25) * STEP_S, atol=1e-12)


def test_signals_say_that_they_are_means():
    assert aligned(averaging(5)).averaged
    assert not aligned(delayed(0.0)).averaged


def test_a_converter_that_is_new_in_every_sample_keeps_every_sample_where_it_is():
    position = triangle()
    samples = scaled(STIFFNESS * position, position, status=fresh_every(len(position), 1))
    signals = aligned(samples)
    np.testing.assert_array_equal(signals.position_mm, position)
    np.testing.assert_allclose(signals.time_s, np.arange(len(position)) * 1e-3, rtol=1e-15)


def test_a_status_that_marks_nothing_keeps_every_sample():
    assert len(aligned(delayed(0.0))) == len(triangle())


def test_host_times_are_moved_by_the_delay_as_well():
    samples = delayed(0.02)
    host = scaled(samples.force, samples.position, step_us=STEP_US, clock="host")
    signals = aligned(host, Calibration(delay=Delay(0.02)))
    np.testing.assert_allclose(signals.force_n, STIFFNESS * signals.position_mm, atol=1e-9)


def test_without_a_clock_nothing_is_moved():
    samples = delayed(0.02)
    rows = scaled(samples.force, samples.position, step_us=STEP_US, clock="none")
    signals = aligned(rows, Calibration(delay=Delay(0.02)))
    np.testing.assert_array_equal(signals.position_mm, samples.position)
    assert np.isnan(signals.time_s).all()


def test_samples_lost_before_each_one_are_counted():
    seq = [5, 6, 9, 10, 20]
    signals = aligned(counted(np.zeros(5), np.zeros(5), seq=seq), Calibration(Scale(1.0), Scale(1.0)))
    np.testing.assert_array_equal(signals.lost, [0, 0, 2, 2, 11])


def test_nothing_gives_nothing():
    aligner = Aligner(Calibration())
    assert aligner.push(scaled([], [])) is None
    assert aligner.finish() is None


def test_a_recording_shorter_than_the_decision_comes_whole_at_its_end():
    assert len(aligned(scaled(np.zeros(20), np.zeros(20)))) == 20


GAPPED = counted(
    np.arange(1500) % 90,
    (1000 + 600 * np.sin(np.arange(1500) / 70)).astype(np.int32),
    seq=np.arange(1500) + 7 * (np.arange(1500) > 800),
    time_us=2000 * (np.arange(1500) + 7 * (np.arange(1500) > 800)),
    status=fresh_every(1500, 6),
)
COUNTED = Calibration(Scale(0.001, 3.0), Scale(0.005, -20.0), delay=Delay(0.013))


@settings(max_examples=60, deadline=None)
@given(cuts=st.lists(st.integers(0, len(GAPPED)), max_size=25).map(sorted))
def test_any_chopping_of_the_samples_gives_the_same_signals(cuts):
    whole, chopped = aligned(GAPPED, COUNTED), aligned(GAPPED, COUNTED, cuts)
    np.testing.assert_array_equal(chopped.force_n, whole.force_n)
    np.testing.assert_array_equal(chopped.lost, whole.lost)
    np.testing.assert_array_equal(chopped.time_s, whole.time_s)
    np.testing.assert_array_equal(chopped.position_mm, whole.position_mm)


def test_single_samples_give_the_same_signals_as_the_whole():
    part = GAPPED[:800]
    chopped = aligned(part, COUNTED, range(1, len(part)))
    np.testing.assert_array_equal(chopped.position_mm, aligned(part, COUNTED).position_mm)


def test_what_is_remembered_does_not_grow_with_the_recording():
    aligner, kept = Aligner(COUNTED), []
    for start in range(0, len(GAPPED), 50):
        aligner.push(GAPPED[start : start + 50])
        kept.append(len(aligner._past_time_s))
    assert max(kept[12:]) <= (0.013 + 0.012) / 0.002 + 3


@pytest.mark.parametrize("cuts", [(), (7, 300), (511, 513)])
def test_positions_that_a_delay_is_taken_off_are_remembered_as_they_were_taken(cuts):
    samples = delayed(0.021)
    aligner = Aligner(Calibration(delay=Delay(0.021)))
    for a, b in pairwise([0, *cuts, len(samples)]):
        aligner.push(samples[a:b])
    np.testing.assert_array_equal(aligner.taken_mm, Calibration().position_mm(samples)[:512])


@pytest.mark.parametrize(("samples", "delay_s"), [(delayed(0.02), 0.0), (averaging(50), 0.021)])
def test_positions_that_stay_or_become_means_are_not(samples, delay_s):
    aligner = Aligner(Calibration(delay=Delay(delay_s)))
    aligner.push(samples)
    assert aligner.taken_mm is None
