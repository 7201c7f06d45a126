"""The measuring chain does to force and position what it says, and no more."""

import numpy as np
import pytest

from rig.errors import InputError
from rig.virtual import Chain
from rig.virtual.chain import ChainReader

PERIOD_S = 0.002
STEPS = 4
QUIET = {"force_noise_n": 0.0, "position_noise_mm": 0.0}


def _read(chain, position_mm, force_n, *, seconds=2.0, seed=1, samples_at_once=10**9):
    """Readings of functions of time, sampled 500 times a second."""
    count = round(seconds / PERIOD_S)
    reader = ChainReader(chain, seed, float(position_mm(np.zeros(1))[0]))
    parts = []
    for first in range(0, count, samples_at_once):
        last = min(first + samples_at_once, count)
        grid_s = np.arange(first * STEPS + 1, last * STEPS + 1) * (PERIOD_S / STEPS)
        parts.append(
            reader.read(grid_s, position_mm(grid_s), force_n(grid_s), grid_s[STEPS - 1 :: STEPS], PERIOD_S)
        )
    columns = ("taken_s", "force", "position", "fresh", "saturated")
    return reader, {name: np.concatenate([getattr(part, name) for part in parts]) for name in columns}


def _still(value):
    return lambda time_s: np.full(len(time_s), float(value))


def _ramp(rate):
    return lambda time_s: rate * time_s


def test_quantisation_is_within_half_a_count_of_value_zero_and_phase() -> None:
    chain = Chain(**QUIET, force_zero_counts=250, position_zero_counts=-40)
    reader, got = _read(chain, _ramp(7.0), _ramp(11.0))
    exact_position = 7.0 * got["taken_s"] / 0.005 + reader.position_zero_counts
    assert np.abs(got["position"] - exact_position).max() <= 0.5 + 1e-6
    assert abs(reader.position_zero_counts + 40) <= 0.5
    assert np.abs(got["force"] - 11.0 * got["taken_s"] / 0.001 - 250).max() <= 1.0 + 1e-6


def test_the_phase_of_quantisation_differs_between_seeds() -> None:
    zeros = {ChainReader(Chain(), seed, 0.0).position_zero_counts for seed in range(20)}
    assert len(zeros) == 20
    assert max(zeros) - min(zeros) > 0.5


def test_noise_has_the_stated_spread() -> None:
    _, got = _read(Chain(force_noise_n=0.2, position_noise_mm=0.05), _still(3), _still(4), seconds=20)
    assert got["force"].std() == pytest.approx(200, rel=0.03)
    assert got["position"].std() == pytest.approx(10, rel=0.03)
    assert abs(np.corrcoef(got["force"], got["position"])[0, 1]) < 0.05


def test_drift_is_steady_and_wandering_grows_with_the_root_of_time() -> None:
    _, got = _read(Chain(**QUIET, force_drift_n_per_s=0.5), _still(0), _still(0), seconds=4)
    assert got["force"][-1] - got["force"][0] == pytest.approx(0.5 * 4 / 0.001, abs=3)
    ends = [
        _read(Chain(**QUIET, force_wander_n=1.0), _still(0), _still(0), seconds=4, seed=seed)[1]["force"][-1]
        for seed in range(200)
    ]
    assert np.std(ends) == pytest.approx(2000, rel=0.15)


def test_backlash_lags_only_on_the_way_back() -> None:
    def there_and_back(time_s):
        return 10 - np.abs(10 - 10 * time_s)

    _, got = _read(Chain(**QUIET, backlash_mm=0.5), there_and_back, _still(0))
    ahead_mm = got["position"] * 0.005 - there_and_back(got["taken_s"])
    rising = got["taken_s"] <= 1.0
    assert np.abs(ahead_mm[rising]).max() < 0.006
    np.testing.assert_allclose(ahead_mm[got["taken_s"] > 1.06], 0.5, atol=0.006)


def test_a_delay_makes_the_force_older_than_the_position() -> None:
    _, got = _read(Chain(**QUIET, force_delay_s=0.0253), _ramp(1.0), _ramp(20.0))
    late = got["taken_s"] > 0.1
    np.testing.assert_allclose(
        got["force"][late] * 0.001, 20.0 * (got["taken_s"][late] - 0.0253), atol=0.0011
    )


def test_jitter_moves_samples_and_their_times_together() -> None:
    _, got = _read(Chain(**QUIET, timing_jitter_us=900), _ramp(50.0), _still(0))
    early_us = (PERIOD_S * np.arange(1, len(got["taken_s"]) + 1) - got["taken_s"]) * 1e6
    assert early_us.min() >= -1e-6 and early_us.max() <= 900
    assert early_us.std() == pytest.approx(900 / np.sqrt(12), rel=0.1)
    np.testing.assert_allclose(got["position"] * 0.005, 50.0 * got["taken_s"], atol=0.006)


def test_a_slow_converter_repeats_the_mean_over_its_conversion() -> None:
    _, got = _read(Chain(**QUIET, conversions_per_s=50.0), _still(0), _ramp(30.0))
    fresh = np.flatnonzero(got["fresh"])
    np.testing.assert_array_equal(np.diff(fresh), 10)
    middle_s = got["taken_s"][fresh[2:]] - 0.5 / 50.0
    np.testing.assert_allclose(got["force"][fresh[2:]] * 0.001, 30.0 * middle_s, atol=0.0011)
    changes = np.flatnonzero(np.diff(got["force"])) + 1
    assert set(changes) <= set(fresh)


def test_a_converter_as_fast_as_the_samples_is_new_in_each() -> None:
    for chain in (Chain(), Chain(conversions_per_s=500.0), Chain(conversions_per_s=5000.0)):
        assert _read(chain, _still(0), _ramp(1.0))[1]["fresh"].all()


def test_beyond_its_range_the_converter_saturates_and_says_so() -> None:
    _, got = _read(Chain(**QUIET), _still(0), _ramp(6000.0))
    beyond = 6000.0 * got["taken_s"] / 0.001 > 2**23
    np.testing.assert_array_equal(got["saturated"], beyond)
    assert (got["force"][beyond] == 2**23 - 1).all()


def test_counts_do_not_depend_on_how_a_run_is_cut() -> None:
    everything = Chain(
        force_drift_n_per_s=0.01,
        force_wander_n=0.02,
        backlash_mm=0.03,
        timing_jitter_us=400,
        force_delay_s=0.013,
        conversions_per_s=90.0,
    )

    def swinging(time_s):
        return 5 * np.sin(9 * time_s)

    whole = _read(everything, swinging, swinging)[1]
    for size in (1, 3, 64):
        cut = _read(everything, swinging, swinging, samples_at_once=size)[1]
        for name, column in whole.items():
            np.testing.assert_array_equal(cut[name], column)


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ({"force_noise_n": -1.0}, "chain.force_noise_n: found -1.0"),
        ({"force_n_per_count": 0.0}, "above 0"),
        ({"conversions_per_s": 0.0}, "conversions_per_s"),
        ({"force_delay_s": 0.8, "conversions_per_s": 2.0}, "at most 1.0 s together"),
        ({"force_drift_n_per_s": float("inf")}, "force_drift_n_per_s"),
    ],
)
def test_a_chain_that_makes_no_sense_is_refused_in_words(setting, words) -> None:
    with pytest.raises(InputError, match=words):
        Chain(**setting)
