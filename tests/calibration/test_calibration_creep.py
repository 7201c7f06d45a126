"""Creep under a held load and zero return, from recordings made by a formula."""

from __future__ import annotations

import json

import numpy as np
import pytest

from rig.calibration import creep_and_return
from rig.errors import InputError

RATE_HZ = 20
LOAD_N = 100.0
PER_DECADE_N = 0.05
"""Invented: 0.05 % of the load per tenfold time."""

SIDE_S = 20.0


def recording(
    *,
    hold_s: float = 300.0,
    before_s: float = SIDE_S,
    after_s: float = SIDE_S,
    back_n: float = 0.02,
    seed: int = 3,
) -> tuple[np.ndarray, np.ndarray]:
    """A load that creeps by the logarithm of time and leaves `back_n` behind, with white noise."""
    time_s = np.arange(0, before_s + hold_s + after_s, 1 / RATE_HZ)
    since_s = time_s - before_s
    loaded = (since_s >= 0) & (since_s < hold_s)
    crept = PER_DECADE_N * np.log10(np.maximum(since_s, 0.1))
    force = np.where(loaded, LOAD_N + crept, np.where(since_s >= hold_s, back_n, 0.0))
    return time_s, force + 3.0 + np.random.default_rng(seed).normal(0, 0.002, len(time_s))


def test_creep_over_the_hold_agrees_with_the_formula() -> None:
    result = creep_and_return(*recording())
    # means over two seconds from 2 s on and up to 298 s: decades between their middles
    true_pct = 100 * PER_DECADE_N * np.log10(297.0 / 3.0) / LOAD_N
    assert result.creep.value == pytest.approx(true_pct, abs=result.creep.reach() + 2e-4)
    assert result.creep.reach() < 0.01


def test_creep_per_decade_agrees_with_the_formula() -> None:
    found = creep_and_return(*recording()).per_decade
    assert found is not None
    assert found.value == pytest.approx(100 * PER_DECADE_N / LOAD_N, abs=found.reach())


def test_the_zero_return_agrees_with_what_was_left_behind() -> None:
    found = creep_and_return(*recording(back_n=0.02)).zero_return
    assert found is not None
    assert found.value == pytest.approx(0.02, abs=found.reach())


def test_the_stated_interval_holds_the_truth_in_most_of_many_recordings() -> None:
    inside = [
        abs(change.value - 0.02) <= change.reach()
        for seed in range(200)
        if (change := creep_and_return(*recording(hold_s=30.0, seed=seed)).zero_return) is not None
    ]
    assert 0.9 <= np.mean(inside) <= 0.99


def test_counts_give_the_same_per_cent_as_newtons() -> None:
    time_s, force_n = recording()
    in_newtons, in_counts = creep_and_return(time_s, force_n), creep_and_return(time_s, force_n * 1000)
    assert in_counts.creep.value == pytest.approx(in_newtons.creep.value)


def test_a_short_hold_says_that_five_minutes_are_usual() -> None:
    assert "300 s are usual" in " ".join(creep_and_return(*recording(hold_s=60.0)).notes)


def test_without_a_stretch_after_the_load_the_zero_return_is_empty_with_a_reason() -> None:
    result = creep_and_return(*recording(after_s=0.0))
    assert result.zero_return is None
    assert "No zero return" in " ".join(result.notes)


def test_the_result_is_json() -> None:
    assert json.loads(json.dumps(creep_and_return(*recording()).as_dict(), allow_nan=False))["hold_s"] > 299


@pytest.mark.parametrize(
    ("made", "words"),
    [
        ({"hold_s": 10.0}, "longest stretch under load lasts 9.9 s|10.0 s"),
        ({"before_s": 1.0}, "begins under load"),
    ],
)
def test_a_recording_that_shows_no_creep_is_refused_in_words(made, words) -> None:
    with pytest.raises(InputError, match=words):
        creep_and_return(*recording(**made))


def test_a_force_that_never_rises_is_refused() -> None:
    with pytest.raises(InputError, match="never rises"):
        creep_and_return(np.arange(100.0), np.zeros(100))
