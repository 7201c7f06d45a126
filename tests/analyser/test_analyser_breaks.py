"""Breaks known in closed form: the tip before the drop is the peak, and a relaxing force is not a break."""

import numpy as np
import pytest
from press_recordings import analysed, counts

from rig.analyser.baseline import Baseline
from rig.analyser.breaks import Breaks
from rig.analyser.measure import _energy_to_break
from rig.analyser.roughness import Roughness
from rig.segmenter import Flag


def one(result, name):
    return float(result.columns[name][-1]), float(result.columns.get(f"{name}_u", np.array([0.0]))[-1])


def broke(result):
    return bool(Flag(int(result.columns["flags"][-1])) & Flag.BREAK)


def crushed(rate_hz, *, tip_mm=3.0, tip_n=200.0, left_n=60.0, depth_mm=14.0, slow_mm_per_s=0.5):
    """A platen that comes in evenly, and a brittle foam that falls to its plateau at the tip."""
    position = np.arange(-1.0, depth_mm, slow_mm_per_s / rate_hz)
    rising = tip_n * (np.clip(position, 0, None) / tip_mm) ** 1.1
    return position, np.where(position < tip_mm, rising, left_n + 8 * (position - tip_mm))


@pytest.mark.parametrize("rate_hz", [10, 50, 1000])
@pytest.mark.parametrize("seed", range(4))
def test_the_tip_before_a_drop_is_the_peak_at_any_rate(rate_hz, seed):
    tip_mm = 3.0 + seed * 0.0137
    result = analysed(counts(*crushed(rate_hz, tip_mm=tip_mm), rate_hz=rate_hz, seed=seed))
    assert broke(result)
    value, u = one(result, "peak_force_n")
    assert abs(value - 200.0) <= 2.5 * u
    assert u < 6.0  # a rise between two samples at 10 Hz is 4 N
    place, place_u = one(result, "break_mm")
    assert place == pytest.approx(tip_mm, abs=0.1)  # a step at 10 Hz is 0.05 mm
    assert abs(place - tip_mm) <= 2.5 * place_u
    energy, energy_u = one(result, "energy_to_break_mj")
    assert abs(energy - 200.0 * tip_mm / 2.1) <= 2.5 * energy_u  # of F = a x^1.1
    assert energy_u < 0.05 * energy
    # what came before the break counts, though the stroke as a whole does not
    assert result.summary["energy_to_break_mj"]["n"] == result.summary["break_mm"]["n"] == 1
    assert result.summary["energy_absorbed_mj"]["n"] == 0


def test_a_part_that_tears_at_the_end_of_a_slow_pull_has_its_peak():
    position = np.arange(-2.0, 130.0, 0.5)
    force = np.where(position <= 120.0, 0.5 * np.clip(position, 0, None), 0.0)
    result = analysed(counts(position, force, rate_hz=10))
    assert broke(result)
    value, u = one(result, "peak_force_n")
    assert abs(value - 60.0) <= 2.5 * u
    assert u < 0.5


def test_a_single_spike_before_the_drop_is_not_the_tip():
    position, force = crushed(50)
    top = int(np.argmax(force))
    force[top - 3] += 40.0
    value, u = one(analysed(counts(position, force, rate_hz=50)), "peak_force_n")
    assert abs(value - 200.0) <= 2.5 * u


@pytest.mark.parametrize("begins", [0.45, 0.6, 0.75, 0.9])
def test_a_fall_that_straddles_two_rows_may_have_begun_in_the_first(begins):
    """A part that loses its force in 0.6 of a row: two steps fall, and neither at the rate of the fall."""
    step_mm, tip_n = 0.1, 60.0
    tip_mm = 6.0 + begins * step_mm
    position = np.arange(-2.0, 9.0, step_mm)
    fallen = np.clip((position - tip_mm) / (0.6 * step_mm), 0.0, 1.0)
    force = tip_n / tip_mm * np.clip(position, 0, None) * (1 - 0.7 * fallen)
    result = analysed(counts(position, force, rate_hz=50))
    assert broke(result)
    for name, true in (("break_mm", tip_mm), ("energy_to_break_mj", tip_n * tip_mm / 2)):
        value, u = one(result, name)
        assert abs(value - true) <= 2 * u


def relaxing_steps(rate_hz=20, *, steps=6, hold_s=10.0, step_mm=2.0, tau_s=3.0):
    """A Maxwell branch beside a spring, stepped in within half a second and held ten, again and again."""
    time_s = np.arange(0, 5 + hold_s * steps, 1 / rate_hz)
    since_s = time_s[:, None] - 5 - hold_s * np.arange(steps)
    ramps = np.clip(since_s / 0.5, 0, 1)
    # a ramp of 0.5 s convolved with the branch's decay
    during = tau_s * (1 - np.exp(-np.clip(since_s, 0, 0.5) / tau_s))
    branch = 2.0 * step_mm / 0.5 * (during * np.exp(-np.clip(since_s - 0.5, 0, None) / tau_s)).sum(axis=1)
    position = step_mm * ramps.sum(axis=1)
    return position, 3.0 * position + branch


def test_a_force_that_relaxes_on_a_resting_platen_is_not_a_break():
    result = analysed(counts(*relaxing_steps(), rate_hz=20))
    assert len(result.columns["flags"]) >= 1
    assert not any(Flag(int(flags)) & Flag.BREAK for flags in result.columns["flags"])


def test_a_break_behind_an_unknown_contact_has_no_energy():
    one_row, none = np.ones(1), np.zeros(1)
    first, true = np.zeros(1, np.int64), np.ones(1, bool)
    zero = Baseline(none, none, none, none, first, first + 9, ~true, ~true)
    breaks = Breaks(0.3 * one_row, 0.1 * one_row, 3 * one_row, 0.1 * one_row, first + 3, true)
    rough = Roughness(0.01 * one_row, none, one_row)
    way_mm = np.linspace(0.0, 0.3, 4)
    columns = _energy_to_break(
        breaks, lambda row, part: (way_mm, 10 * way_mm), zero, np.full(1, np.nan), rough
    )
    assert np.isnan([*columns.values()]).all()
