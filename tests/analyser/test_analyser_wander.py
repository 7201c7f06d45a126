"""Doubts about a force zero that wanders, against random walks, drifts and knocks that were put in."""

import numpy as np
import pytest
from press_recordings import FORCE_NOISE_N, RATE_HZ, path, power, presses, segmented, signals_of
from scipy.stats import binom

from rig.analyser.baseline import baseline
from rig.analyser.settings import MeasuringNoise
from rig.analyser.wander import Changes, ZeroRecord
from rig.core.measured import coverage_factor

NOISE = MeasuringNoise(FORCE_NOISE_N, 0.002, 0.001, 0.005, 128)
DRIFT_N_PER_S = 0.01
WALK_N = 0.003
"""Standard deviation of the walk over one second."""

DEPTH_MM = 10.0
SHORT_RECORDINGS = 100


def walk(count, seed):
    return np.cumsum(WALK_N / np.sqrt(RATE_HZ) * np.random.default_rng(seed).standard_normal(count))


def zeros_of(position, zero_n=0.0, **how):
    """Zeros of presses whose force zero goes as told, and their cycles, counted from the first sample."""
    signals = signals_of(position, power()(position) + zero_n, **how)
    segment, segmenter = segmented(signals)
    found = baseline(segment.signals, segment.cycles, NOISE, segmenter.detection_n)
    return found, segment


def false_loops_n(found, segment, position, zero_n):
    """What the true zero adds to each cycle's loop beside the stated one, over the stroke."""
    errors = []
    for row, (start, stop) in enumerate(zip(segment.cycles.contact, segment.cycles.release, strict=True)):
        index = np.arange(start, stop)
        straight_n = found.at_contact_n[row] + found.per_sample_n[row] * (index - start)
        off_n = zero_n[index + segment.offset] - straight_n
        errors.append((off_n[:-1] * np.diff(position[index + segment.offset])).sum() / DEPTH_MM)
    return np.array(errors)


def test_a_loop_is_as_uncertain_as_a_walk_makes_it():
    position = presses(150)
    zero_n = walk(len(position), 1) + DRIFT_N_PER_S * np.arange(len(position)) / RATE_HZ
    found, segment = zeros_of(position, zero_n)
    settled = slice(20, None)
    errors, stated = (
        each[settled] for each in (false_loops_n(found, segment, position, zero_n), found.tilt_u_n)
    )
    # a root mean square over 130 is known to 6 %; three times that, and what the middles of means round
    assert np.sqrt(np.mean((errors / stated) ** 2)) == pytest.approx(1.0, abs=0.25)


def test_ends_that_agree_by_chance_are_no_proof_of_a_steady_zero():
    position = presses(60)
    found, _ = zeros_of(position, walk(len(position), 2))
    # 2 s in contact: a walk with both ends known leaves a twelfth of its variance in a loop
    expected_n = WALK_N * np.sqrt(2.0 / 12)
    assert (found.tilt_u_n[20:] > 0.75 * expected_n).all()


def test_a_steady_drift_makes_no_loop_uncertain():
    position = presses(12)
    still, drifting = (zeros_of(position, drift_n_per_s=each)[0] for each in (0.0, 0.05))
    # 0.1 N in each contact; what noise leaves of a walk differs between the two
    assert drifting.tilt_u_n[-1] < 2 * still.tilt_u_n[-1] < 0.002


def test_a_zero_that_was_knocked_is_doubted_in_that_cycle():
    position = presses(30)
    step_n = 0.05
    deepest = np.flatnonzero(position == position.max())[15]
    found, _ = zeros_of(position, np.where(np.arange(len(position)) > deepest, step_n, 0.0))
    assert np.argmax(found.u_n) == 15
    assert found.u_n[15] >= 0.2 * step_n


def test_two_presses_are_doubted_enough_for_how_little_they_tell():
    position = presses(2)
    held = []
    for seed in range(SHORT_RECORDINGS):
        zero_n = walk(len(position), seed)
        found, segment = zeros_of(position, zero_n, seed=seed)
        error_n = false_loops_n(found, segment, position, zero_n)[-1]
        held.append(abs(error_n) <= coverage_factor(np.inf) * found.tilt_u_n[-1])
    assert len(segment.cycles) == 2
    assert sum(held) >= binom.ppf(1e-3, SHORT_RECORDINGS, 0.95)


def test_a_dwell_adds_to_what_a_walk_does_to_a_loop():
    position = path((-2.5, 1.0), *[stop for _ in range(40) for stop in ((DEPTH_MM, 2.0), (-2.5, 0.4))])
    zero_n = walk(len(position), 5)
    found, _ = zeros_of(position, zero_n)
    # 1 s in, 2 s of rest, 1 s out: 2/3 + 2 less (1 + 2)^2 over 4 s and the 0.6 s that the ends are apart
    assert np.median(found.tilt_u_n[10:]) == pytest.approx(WALK_N * np.sqrt(2 / 3 + 2 - 9 / 4.3), rel=0.25)


def test_a_record_in_parts_is_the_record_of_the_whole():
    random = np.random.default_rng(3)

    def changes(columns):
        count = np.full((9, columns), 100.0)
        return Changes(random.standard_normal((9, columns)), 10 * count, count, count)

    those = changes(1), changes(2), changes(2)
    whole = ZeroRecord().take(*those, 0.1)
    record = ZeroRecord()
    for rows in (slice(0, 1), slice(1, 5), slice(5, 9)):
        part = record.take(*(rows_of(each, rows) for each in those), 0.1)
        np.testing.assert_allclose(part.walk_n2, whole.walk_n2[rows], rtol=1e-12)
        np.testing.assert_allclose(part.drift_n, whole.drift_n[rows], rtol=1e-12)


def rows_of(changes, rows):
    return Changes(changes.change_n[rows], changes.lag[rows], changes.early[rows], changes.late[rows])


def test_one_change_tells_nothing_of_a_walk():
    one = Changes(np.full((1, 1), 0.4), np.full((1, 1), 500.0), np.full((1, 1), 50.0), np.full((1, 1), 50.0))
    none = Changes(*(np.full((1, 1), each) for each in (np.nan, 1.0, 1.0, 1.0)))
    found = ZeroRecord().take(one, none, none, 0.005)
    assert np.isnan(found.walk_n2[0])
    assert found.drift_n[0] == 0.0
