"""What rigs and parts do that the kinds of `recording_kinds.py` do not.

A force set to zero under load, guides whose friction stays at rest, a face that pulls for longer than a
release is waited for, a part that breaks between good presses, a crush with a sharp tip, positions in steps
that beat with the rows, a film over a block, a snap on the way back. The truth is arithmetic on dense
instants; rows are some of them with noise.
"""

import numpy as np
import pytest
from test_stepped_and_overshot import DENSE_HZ, course, cycles, hold, imported

SEEDS = range(4)
WORK = ("energy_absorbed_mj", "energy_returned_mj", "loss_mj")


def presses(*, gap_mm, depth_mm, mm_per_s, count, rest_s=1.0, lead_s=2.0):
    """A course of presses from above a face at 0 mm, and the instants of each: begin, turn and end."""
    way_s = (gap_mm + depth_mm) / mm_per_s
    legs = [leg for _ in range(count) for leg in ((way_s, depth_mm), (way_s, -gap_mm), (rest_s, -gap_mm))]
    begins = lead_s + np.arange(count) * (2 * way_s + rest_s)
    instants = [
        tuple(round(each * DENSE_HZ) for each in (begin, begin + way_s, begin + 2 * way_s))
        for begin in begins
    ]
    return course(-gap_mm, (lead_s, -gap_mm), *legs), instants


def with_loss(x_mm, loading_n, share, over_mm=0.5):
    """Less force on the way back, by a share that develops over a way behind the turn."""
    back_mm = np.maximum.accumulate(x_mm) - x_mm
    return loading_n * (1 - share * np.clip(back_mm / over_mm, 0, 1))


def work_mj(x_mm, force_n, begin, turn, end):
    into, out = (
        float(np.trapezoid(np.maximum(force_n[part], 0.0), x_mm[part]))
        for part in (slice(begin, turn + 1), slice(turn, end + 1))
    )
    return {"energy_absorbed_mj": into, "energy_returned_mj": -out, "loss_mj": into + out}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_zero_taken_under_load_is_seen_where_the_platen_is_clear(tmp_path, seed):
    """The platen stands 0.8 mm deep while the force is set to zero; then it goes away, and presses."""
    k = np.random.default_rng(seed).uniform(2.0, 6.0)
    x_mm = course(0.8, (3.0, 0.8), (0.5, -1.5), *[(2.5, 10.0), (2.5, -1.5), (0.5, -1.5)] * 3)
    force_n = k * np.clip(x_mm, 0, None) ** 1.3
    capture = imported(tmp_path, x_mm, force_n - force_n[0], every=20, seed=seed)
    found = cycles(capture)
    assert len(found) == 3
    for cycle in found:
        assert not cycle["flags"]
        hold(cycle, "contact_mm", 0.0)
        hold(cycle, "peak_force_n", k * 10.0**1.3)
        assert cycle["peak_force_n_u"] < 0.01 * cycle["peak_force_n"]
        hold(cycle, "energy_absorbed_mj", k * 10.0**2.3 / 2.3)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_preload_that_is_kept_stays_on_the_recorded_zero(tmp_path, seed):
    """The same start, but the force reads what it is, and no press goes clear of the part."""
    k = np.random.default_rng(seed).uniform(2.0, 6.0)
    x_mm = course(0.8, (3.0, 0.8), *[(2.0, 10.0), (2.0, 0.8)] * 3)
    for cycle in cycles(imported(tmp_path, x_mm, k * x_mm**1.3, every=20, seed=seed)):
        hold(cycle, "peak_force_n", k * 10.0**1.3)


@pytest.mark.parametrize("drag_n", [0.3, 0.8])
def test_friction_that_stays_while_the_platen_rests_is_no_contact(tmp_path, drag_n):
    """Guides add to the force on the way in and take it off on the way out, and at rest behind that."""
    x_mm, instants = presses(gap_mm=3.0, depth_mm=10.0, mm_per_s=5.0, count=4)
    moved = np.sign(np.diff(x_mm, prepend=x_mm[0]))
    last_moved = np.maximum.accumulate(np.where(moved != 0, np.arange(len(moved)), 0))
    force_n = 3.0 * np.clip(x_mm, 0, None) ** 1.3 + drag_n * moved[last_moved]
    found = cycles(imported(tmp_path, x_mm, force_n, every=20))
    assert len(found) == len(instants)
    for cycle, (begin, *_) in zip(found, instants, strict=True):
        # with the drag a contact of 3 N/mm is passed late, not three millimetres early
        assert cycle["start_s"] > (begin + 0.55 * 1000) / DENSE_HZ
        hold(cycle, "contact_mm", 0.0)
        assert abs(cycle["peak_force_n"] - 3.0 * 10.0**1.3) <= drag_n + 2 * cycle["peak_force_n_u"]


@pytest.mark.parametrize("seed", SEEDS)
def test_a_face_that_pulls_for_longer_than_a_second_moves_no_zero(tmp_path, seed):
    random = np.random.default_rng(seed)
    k, pull_n = random.uniform(0.8, 1.2), random.uniform(0.3, 0.6)
    x_mm, instants = presses(gap_mm=2.0, depth_mm=3.0, mm_per_s=0.5, count=3)
    force_n = k * np.clip(x_mm, 0, None) ** 1.5
    for _, turn, end in instants:
        beyond = np.clip(-x_mm[turn:end] / 0.9, 0.0, 1.0)
        force_n[turn:end] -= pull_n * np.sin(np.pi * beyond)
    first, *later = cycles(imported(tmp_path, x_mm, force_n, every=20, seed=seed))
    hold(first, "peak_force_n", k * 3.0**1.5)
    assert len(later) == 2
    for cycle in later:
        hold(cycle, "contact_mm", 0.0)
        hold(cycle, "peak_force_n", k * 3.0**1.5)
        assert cycle["peak_force_n_u"] < 0.01 * cycle["peak_force_n"]


@pytest.mark.parametrize("seed", SEEDS)
def test_a_part_that_breaks_leaves_the_presses_before_it_as_sure_as_they_are(tmp_path, seed):
    """Four presses, of which the third breaks the part."""
    at_mm = np.random.default_rng(seed).uniform(5.0, 7.0)
    x_mm, instants = presses(gap_mm=1.0, depth_mm=8.0, mm_per_s=4.0, count=4)
    force_n = 60.0 * np.clip(x_mm, 0, None)
    begin, turn, _ = instants[2]
    force_n[begin + int(np.argmax(x_mm[begin:turn] >= at_mm)) :] *= 0.35
    found = cycles(imported(tmp_path, x_mm, force_n, every=20, seed=seed))
    assert [cycle["flags"] for cycle in found] == [[], [], ["break"], []]
    for cycle in found[:2]:
        for name, truth in {
            "peak_force_n": 480.0,
            "chord_n_per_mm": 60.0,
            "energy_absorbed_mj": 1920.0,
        }.items():
            hold(cycle, name, truth)
            assert cycle[f"{name}_u"] < 0.02 * truth
    broken = found[2]
    for name, truth in {"peak_force_n": 60.0 * at_mm, "deflection_at_peak_force_mm": at_mm}.items():
        assert abs(broken[name] - truth) <= max(2.5 * broken[f"{name}_u"], 0.02 * truth)
    hold(broken, "secant_n_per_mm", 60.0)


@pytest.mark.parametrize("seed", range(8))
def test_a_sharp_tip_of_few_rows_is_the_peak(tmp_path, seed):
    """A tube folds: 4 N/um up to a tip at 2 mm, from there on less and less in waves."""
    wave_mm = np.random.default_rng(seed).uniform(6.0, 10.0)
    x_mm = course(-2.0, (1.0 + 0.013 * seed, -2.0), (31.0, 60.0))
    d = np.clip(x_mm, 0, None)
    folds_n = 5000 + 1500 * np.cos(2 * np.pi * (d - 2) / wave_mm) + 1500 * np.exp(-(d - 2) / 1.5)
    force_n = np.where(d < 2, 4000 * d, folds_n)
    (cycle,) = cycles(imported(tmp_path, x_mm, force_n, every=50, seed=seed))
    hold(cycle, "peak_force_n", 8000.0)
    assert cycle["peak_force_n_u"] < 0.01 * 8000
    hold(cycle, "deflection_at_peak_force_mm", 2.0)
    hold(cycle, "secant_n_per_mm", 4000.0)
    last_mm = x_mm[::50][-1]
    low_n, high_n = (np.interp(share * last_mm, d, force_n) for share in (0.25, 0.75))
    hold(cycle, "chord_n_per_mm", (high_n - low_n) / (0.5 * last_mm))


@pytest.mark.parametrize("seed", range(6))
def test_positions_in_steps_that_beat_with_the_rows_are_in_the_uncertainty_of_energies(tmp_path, seed):
    """Tenths of a millimetre, of which a row goes on by one and a half: their errors do not average out."""
    depth_mm = np.random.default_rng(seed).uniform(14.0, 18.0)
    x_mm, instants = presses(gap_mm=3.0, depth_mm=depth_mm, mm_per_s=6.0, count=3)
    force_n = np.clip(x_mm, 0, None) ** 1.5
    for begin, _, end in instants:
        press = slice(begin, end + 1)
        force_n[press] = with_loss(x_mm[press], force_n[press], 0.2)
    found = cycles(imported(tmp_path, x_mm, force_n, every=25, seed=seed, step_mm=0.1))
    for cycle, press in zip(found, instants, strict=True):
        for name, truth in work_mj(x_mm, force_n, *press).items():
            hold(cycle, name, truth)


@pytest.mark.parametrize("film_mm", [0.2, 0.35, 0.5, 0.8])
def test_a_film_over_a_block_is_in_the_uncertainty_of_the_contact(tmp_path, film_mm):
    """1 N/mm first, thirteen times that behind: no power of the deflection goes through both."""
    x_mm, instants = presses(gap_mm=2.0, depth_mm=10.0, mm_per_s=4.0, count=3)
    d = np.clip(x_mm, 0, None)
    force_n = d + 12.0 * np.clip(d - film_mm, 0, None)
    found = cycles(imported(tmp_path, x_mm, force_n, every=10))
    assert len(found) == len(instants)
    for cycle in found:
        for name, truth in {"contact_mm": 0.0, "peak_deflection_mm": 10.0}.items():
            hold(cycle, name, truth)
            assert cycle[f"{name}_u"] < 1.5 * film_mm
        hold(cycle, "peak_force_n", 10.0 + 12.0 * (10.0 - film_mm))


@pytest.mark.parametrize("seed", range(6))
def test_a_jump_between_two_rows_on_the_way_back_is_in_the_uncertainty_of_energies(tmp_path, seed):
    random = np.random.default_rng(seed)
    at_mm, left = random.uniform(3.0, 6.0), random.uniform(0.2, 0.6)
    x_mm, instants = presses(gap_mm=2.0, depth_mm=10.0, mm_per_s=8.0, count=3)
    force_n = 6.0 * np.clip(x_mm, 0, None)
    for _, turn, end in instants:
        back = slice(turn, end + 1)
        d = np.clip(x_mm[back], 0, None)
        force_n[back] = np.where(d > at_mm, d * (5.2 + 0.8 * np.exp(-(10.0 - d) / 0.4)), left * 5.2 * d)
    found = cycles(imported(tmp_path, x_mm, force_n, every=(50, 40, 25)[seed % 3], seed=seed))
    for cycle, press in zip(found, instants, strict=True):
        for name, truth in work_mj(x_mm, force_n, *press).items():
            hold(cycle, name, truth)
