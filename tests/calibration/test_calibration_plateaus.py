"""Plateaus: their means and uncertainties, and why one is refused."""

import numpy as np
import pytest
from scipy.signal import lfilter

from rig.calibration import PlateauRule, settled_plateau
from rig.errors import InputError
from rig.samples import Status

TIME_S = np.arange(2001) / 1000


def noise(seed, sd=4.0):
    return np.random.default_rng(seed).normal(0, sd, len(TIME_S))


def test_a_settled_load_reads_its_mean():
    counts = 50_000 + noise(1)
    plateau = settled_plateau(TIME_S, counts)
    assert plateau.counts == pytest.approx(counts.mean(), rel=1e-12)
    assert (plateau.samples, plateau.seconds) == (2001, pytest.approx(2.0))


def test_a_reading_that_stands_on_one_count_is_known_to_a_part_of_that_count():
    # anywhere within half a count: 1/sqrt(12)
    assert settled_plateau(TIME_S, np.full(2001, 700.0)).u_counts == pytest.approx(0.2887, abs=1e-4)


def test_the_uncertainty_of_the_mean_holds_for_filtered_noise():
    # A first-order filter of 10 ms: neighbours agree, so that 2000 samples are some 100 witnesses. The mean
    # of such noise varies as that of the white noise before the filter, whatever the filter's memory.
    keep = np.exp(-1 / 10)
    errors, stated = [], []
    for seed in range(300):
        white = np.random.default_rng(seed).normal(0, 40, len(TIME_S) + 500)
        values = lfilter([1 - keep], [1, -keep], white)[500:] + 9000
        plateau = settled_plateau(TIME_S, values)
        errors.append(plateau.counts - 9000)
        stated.append(plateau.u_counts)
    truth = 40 / np.sqrt(len(TIME_S))
    assert np.std(errors) == pytest.approx(truth, rel=0.15)
    assert np.sqrt(np.mean(np.square(stated))) == pytest.approx(truth, rel=0.15)


def test_a_plateau_that_drifts_is_refused_in_words():
    with pytest.raises(InputError, match=r"drifts by \+\d+\.\d+ counts in 2 s; expected at most 50\.0\d"):
        settled_plateau(TIME_S, 100_000 + 50 * TIME_S + noise(3), zero_counts=0.0)


def test_a_drift_that_is_small_beside_the_load_is_let_pass():
    # 20 counts on 100000 is a fifth of a thousandth; half a thousandth is allowed
    plateau = settled_plateau(TIME_S, 100_000 + 10 * TIME_S + noise(3), zero_counts=0.0)
    assert plateau.drift_counts == pytest.approx(20, abs=2)


def test_the_same_drift_is_refused_of_a_zero():
    with pytest.raises(InputError, match="drifts by"):
        settled_plateau(TIME_S, 10 * TIME_S + noise(3, sd=1.0))


def test_one_saturated_sample_spoils_a_plateau():
    status = np.zeros(len(TIME_S), np.uint8)
    status[1000] = Status.FORCE_SATURATED
    with pytest.raises(InputError, match=r"saturated: .* take a smaller load, or a smaller gain"):
        settled_plateau(TIME_S, 8_000_000 + noise(1), status)


@pytest.mark.parametrize("samples", [1, 15, 1500])
def test_a_short_plateau_is_refused(samples):
    with pytest.raises(InputError, match=f"plateau too short: found {samples} samples"):
        settled_plateau(TIME_S[:samples], noise(1)[:samples], rule=PlateauRule(2.0))


@pytest.mark.parametrize("samples", [3, 100, 180])
def test_a_load_that_was_moved_within_the_plateau_is_refused(samples):
    counts = 50_000 + noise(6)
    counts[:samples] -= 2_000
    with pytest.raises(InputError, match=r"plateau not steady|plateau drifts"):
        settled_plateau(TIME_S, counts, zero_counts=0.0)


def test_a_load_that_swings_out_is_refused():
    # rising, then back: a straight line through it hardly drifts
    counts = 50_000 + 3_000 * np.minimum(TIME_S, np.maximum(1.1 - TIME_S, 0)) + noise(6)
    with pytest.raises(InputError, match="plateau not steady"):
        settled_plateau(TIME_S, counts, zero_counts=0.0)


def test_the_noise_of_a_slow_board_is_no_unrest():
    """Twenty samples, two in each block: a noise of three counts still settles, and a step does not."""
    rng = np.random.default_rng(8)
    time_s = np.arange(21) / 10
    settled = 0
    for _ in range(50):
        counts = np.rint(rng.normal(8400, 3, 21))
        try:
            plateau = settled_plateau(time_s, counts)
        except InputError:
            continue
        settled += 1
        assert abs(plateau.counts - 8400) < 5 * plateau.u_counts
    assert settled > 40
    with pytest.raises(InputError):
        settled_plateau(time_s, np.rint(rng.normal(8400, 3, 21) + 40 * (time_s > 1.2)))
