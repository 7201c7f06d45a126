"""Loggers that leave rows out, sensors at their limits, and parts that pull.

Rows written per step of travel, rows above a trigger alone, a force cut off before a filter, a force that
lags behind a stop, readings held in one part of a press, a beam fixed to both platens. The truth is a closed
form of the curve, or arithmetic on an instant a millisecond.
"""

import numpy as np
import pytest
from recording_scores import COLUMNS, pressrig
from scipy.signal import lfilter
from test_rigs_and_parts import presses, with_loss, work_mj
from test_stepped_and_overshot import DENSE_HZ, course, cycles, hold, imported

SEEDS = range(3)
WORK = ("energy_absorbed_mj", "energy_returned_mj", "loss_mj")
PLACES = {"in loading": 0.62, "in unloading": 1.4}
"""Where a reading is held, in strokes since the platen came in."""


def spring_presses(count=3, depth_mm=9.7, mm_per_s=2.0):
    """Positions and forces of presses on a curve k d^1.4 that gives back a fifth less, and their instants."""
    x_mm, instants = presses(gap_mm=1.0, depth_mm=depth_mm, mm_per_s=mm_per_s, count=count)
    force_n = 4.0 * np.clip(x_mm, 0, None) ** 1.4
    for begin, _, end in instants:
        part = slice(begin, end + 1)
        force_n[part] = with_loss(x_mm[part], force_n[part], 0.2)
    return x_mm, force_n, instants


def written(folder, x_mm, force_n, keep, seed):
    """The capture of a table that holds some instants only."""
    random = np.random.default_rng(seed)
    table = np.stack(
        [
            keep / DENSE_HZ,
            x_mm[keep] + random.normal(0, 0.0005, len(keep)),
            force_n[keep] + random.normal(0, 0.01, len(keep)),
        ],
        axis=1,
    )
    return table_imported(folder, table)


def table_imported(folder, table):
    path = folder / "table.csv"
    np.savetxt(path, table, fmt="%.4f", delimiter=",", header="time_s,position_mm,force_n", comments="")
    return pressrig("import", path, *COLUMNS, "--specimen", "F-90-001", "--out", folder / "captures")[
        0
    ].strip()


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("over_mm", [0.03, 0.09])
def test_a_row_per_tenth_of_a_millimetre_leaves_the_turn_in_a_long_interval(tmp_path, seed, over_mm):
    x_mm, force_n, instants = spring_presses(depth_mm=9.0 + over_mm)
    kept = [0]
    for at in range(1, len(x_mm)):
        if abs(x_mm[at] - x_mm[kept[-1]]) >= 0.1 - 1e-9:
            kept.append(at)
    found = cycles(written(tmp_path, x_mm, force_n, np.array(kept), seed))
    assert len(found) == len(instants)
    for cycle, instant in zip(found, instants, strict=True):
        hold(cycle, "peak_deflection_mm", 9.0 + over_mm)
        truth = work_mj(x_mm, force_n, *instant)
        for name in WORK[:2]:
            hold(cycle, name, truth[name])
            assert cycle[f"{name}_u"] < 0.01 * cycle[name]
        # what the loop does between the last row and the turn, no row says
        assert abs(cycle["loss_mj"] - truth["loss_mj"]) < 0.01 * truth["loss_mj"]


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("trigger_n", [0.06, 0.1])
def test_a_recording_triggered_below_the_detection_level_starts_in_contact(tmp_path, seed, trigger_n):
    """The zero of position is the face, so that deflections count from there."""
    x_mm, force_n, instants = spring_presses(count=2)
    begin = int(np.argmax(force_n > trigger_n))
    stop = instants[0][2] - int(np.argmax(force_n[instants[0][2] :: -1] > trigger_n))
    (cycle,) = cycles(written(tmp_path, x_mm, force_n, np.arange(begin, stop, 20), seed))
    assert "starts in contact" in cycle["flags"]
    assert cycle["contact_mm"] is None
    hold(cycle, "peak_deflection_mm", 9.7)
    hold(cycle, "peak_force_n", force_n.max())


@pytest.mark.parametrize("seed", SEEDS)
def test_a_force_cut_off_before_a_filter_is_flagged_as_saturated(tmp_path, seed):
    x_mm, _, instants = spring_presses()
    sound_n = 4.0 * np.clip(x_mm, 0, None) ** 1.4
    for share, expected in ((0.9, True), (1.1, False)):
        cut_n = np.minimum(sound_n, share * sound_n.max())
        filtered_n = np.convolve(np.pad(cut_n, 10, "edge"), np.full(21, 1 / 21), "valid")
        folder = tmp_path / str(share)
        folder.mkdir()
        found = cycles(imported(folder, x_mm, filtered_n, every=20, seed=seed))
        assert [("force saturated" in cycle["flags"]) for cycle in found] == [expected] * len(instants)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_plateau_that_gives_way_behind_its_turn_is_no_cut_off_force(tmp_path, seed):
    x_mm, _, instants = spring_presses()
    force_n = 60.0 * np.clip(x_mm, 0, 1)
    for begin, _, end in instants:
        part = slice(begin, end + 1)
        force_n[part] = with_loss(x_mm[part], force_n[part], 0.1, over_mm=0.2)
    found = cycles(imported(tmp_path, x_mm, force_n, every=20, seed=seed))
    assert not any("force saturated" in cycle["flags"] for cycle in found)
    for cycle, instant in zip(found, instants, strict=True):
        hold(cycle, "energy_absorbed_mj", work_mj(x_mm, force_n, *instant)["energy_absorbed_mj"])


@pytest.mark.parametrize("tau_s", [0.1, 0.4])
def test_a_force_that_goes_on_rising_after_a_stop_lags(tmp_path, tau_s):
    x_mm = course(-1.0, (2.0, -1.0), (3.0, 8.0), (4.0, 8.0), (3.0, -1.0), (2.0, -1.0))
    force_n = 5.0 * np.clip(x_mm, 0, None) ** 1.3
    decay = np.exp(-1 / DENSE_HZ / tau_s)
    for share, expected in ((0.0, True), (1.0, False)):
        read_n = share * force_n + (1 - share) * lfilter([1 - decay], [1.0, -decay], force_n)
        folder = tmp_path / str(share)
        folder.mkdir()
        (cycle,) = cycles(imported(folder, x_mm, read_n, every=20))
        assert ("force lags" in cycle["flags"]) == expected
        truth_mj = 5.0 * 8.0**2.3 / 2.3
        if expected:
            # the filter moves work from loading to unloading
            assert abs(cycle["energy_absorbed_mj"] - truth_mj) > 0.01 * truth_mj
            assert {*WORK, "hysteresis_pct", "contact_mm"} <= set(cycle["spoilt"]["force lags"])
            assert "hold_s" not in cycle["spoilt"]["force lags"]
        else:
            hold(cycle, "energy_absorbed_mj", truth_mj)


@pytest.mark.parametrize("step_mm", [0.005, 0.01, 0.02])
def test_a_platen_that_brakes_into_a_hold_within_few_steps_of_its_position_does_not_lag(tmp_path, step_mm):
    """It comes to 2 mm as exp(-t/0.1 s): the force goes on by as much as the steps do not show."""
    braking_s = np.arange(1, 4000) / DENSE_HZ
    x_mm = course(-1.0, (2.0, -1.0), (1.4, 1.8))
    x_mm = np.concatenate([x_mm, 2.0 - 0.2 * np.exp(-braking_s / 0.1)])
    x_mm = np.concatenate([x_mm, course(x_mm[-1], (1.5, -1.0), (2.0, -1.0))])
    force_n = 5.0 * np.clip(x_mm, 0, None) ** 1.3
    (cycle,) = cycles(imported(tmp_path, x_mm, force_n, every=20, step_mm=step_mm))
    assert "force lags" not in cycle["flags"]
    hold(cycle, "peak_force_n", 5.0 * 2.0**1.3)


@pytest.mark.parametrize("channel", ["position", "force"])
@pytest.mark.parametrize("place", PLACES)
def test_a_reading_held_in_one_stroke_spoils_what_rests_on_that_stroke(tmp_path, channel, place):
    x_mm, force_n, instants = spring_presses()
    begin, turn, _ = instants[1]
    first = round((begin + PLACES[place] * (turn - begin)) / 20)
    rows = np.arange(0, len(x_mm), 20)
    row_mm, row_n = x_mm[rows], force_n[rows]
    random = np.random.default_rng(5)
    row_mm, row_n = row_mm + random.normal(0, 5e-4, len(rows)), row_n + random.normal(0, 0.01, len(rows))
    held = row_mm if channel == "position" else row_n
    held[first : first + 15] = held[first]
    found = cycles(table_imported(tmp_path, np.stack([rows / DENSE_HZ, row_mm, row_n], axis=1)))
    assert [cycle["flags"] for cycle in found] == [[], [f"reading held {place}"], []]
    cycle, truth = found[1], work_mj(x_mm, force_n, *instants[1])
    spoilt = set(cycle["spoilt"][f"reading held {place}"])
    whole, bent = WORK[:2] if place == "in unloading" else WORK[1::-1]
    assert {bent, "loss_mj", "hysteresis_pct"} <= spoilt
    assert spoilt.isdisjoint({"peak_force_n", "peak_deflection_mm", "contact_mm", "set_mm", whole})
    hold(cycle, "peak_force_n", force_n.max())
    hold(cycle, "peak_deflection_mm", 9.7)
    hold(cycle, whole, truth[whole])


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("back", [4.5, 5.0, 6.5])
def test_a_beam_fixed_to_both_platens_pulls_within_a_stroke_and_is_one_press(tmp_path, seed, back):
    """F = k x (x - 3) (x - back) / 10: the beam pulls between 3 mm and there; over 9 mm."""
    x_mm, instants = presses(gap_mm=0.0, depth_mm=9.0, mm_per_s=2.0, count=3)
    a, b, k = 3.0, back, 2.0
    force_n = k * x_mm * (x_mm - a) * (x_mm - b) / 10
    found = cycles(imported(tmp_path, x_mm, force_n, every=20, seed=seed))
    assert len(found) == len(instants)
    work = k * (9.0**4 / 4 - (a + b) * 9.0**3 / 3 + a * b * 9.0**2 / 2) / 10
    for cycle in found:
        assert "break" not in cycle["flags"]
        hold(cycle, "peak_force_n", k * 9.0 * (9.0 - a) * (9.0 - b) / 10)
        hold(cycle, "peak_deflection_mm", 9.0)
        hold(cycle, "energy_absorbed_mj", work)
        hold(cycle, "energy_returned_mj", work)
        assert cycle["energy_absorbed_mj_u"] < 0.05 * cycle["energy_absorbed_mj"]


@pytest.mark.parametrize("seed", SEEDS)
def test_the_teeth_of_a_crush_do_not_swamp_what_it_returns(tmp_path, seed):
    """A serrated crush whose spring-back is over within 0.4 mm: a triangle of 0.2 mm times the last force."""
    x_mm = course(-2.0, (1.0, -2.0), (16.0, 30.0), (8.0, -2.0), (1.0, -2.0))
    phase = (x_mm / 2.3) % 1
    teeth_n = 1400 + 500 * np.where(phase < 0.25, 1 - 3.2 * phase, 0.2 + 0.8 * (phase - 0.25) / 0.75)
    force_n = np.minimum(4000 * np.clip(x_mm, 0, None), teeth_n)
    top = int(np.argmax(x_mm))
    force_n[top:] = np.maximum(force_n[top] - 4000 * (x_mm[top] - x_mm[top:]), 0)
    (cycle,) = cycles(imported(tmp_path, x_mm, force_n, every=10, seed=seed))
    returned = force_n[top] ** 2 / (2 * 4000)
    hold(cycle, "energy_returned_mj", returned)
    assert cycle["energy_returned_mj_u"] < returned
