"""One slow contact check read at two forces: synthetic contact checks of known contact, from a soft ball to
bare steel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.errors import InputError
from rig.methods import (
    HeightPlan,
    RigLimits,
    Stretch,
    check_height_plan,
    read_platen_contact,
    split_contact_checks,
    zero_drifts,
)

SPEED, RATE_HZ, STEP_MM, STEP_N = 0.2, 500.0, 0.005, 0.001
CONTACT_N, TOP_N = 0.05, 5.0
MET_MM = 21.2345


def pushed(force_of, *, noise_n: float = 0.005, seed: int = 0, zero_n: float = 0.3, back_mm: float = 1.0):
    """A slow approach from 1 mm before contact until 5 N, and back at once, in counts."""
    random = np.random.default_rng(seed)
    way_mm = np.arange(-1.0, 40.0, SPEED / RATE_HZ)
    reached = int(np.argmax(force_of(np.maximum(way_mm, 0.0)) >= 1.02 * TOP_N))
    deep_mm = way_mm[: reached + 1]
    depth_mm = np.concatenate([deep_mm, np.arange(deep_mm[-1], -back_mm, -0.01)])
    x_mm = MET_MM + depth_mm + 0.001 * random.standard_normal(len(depth_mm))
    force_n = force_of(np.maximum(depth_mm, 0.0)) + zero_n + noise_n * random.standard_normal(len(depth_mm))
    return Stretch(
        np.arange(len(depth_mm)) / RATE_HZ,
        np.rint(x_mm / STEP_MM) * STEP_MM,
        np.rint(force_n / STEP_N) * STEP_N,
        STEP_N,
        STEP_MM,
    )


SHAPES = {
    "steel": (lambda d: 2000.0 * d, lambda f: f / 2000.0),
    "spring": (lambda d: 3.0 * d, lambda f: f / 3.0),
    "sponge": (lambda d: 0.4 * d, lambda f: f / 0.4),
    "ball": (lambda d: 0.3 * d**1.5, lambda f: (f / 0.3) ** (2 / 3)),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_both_forces_are_read_where_they_were_passed(shape: str) -> None:
    force_of, depth_at = SHAPES[shape]
    errors = []
    for seed in range(12):
        reading = read_platen_contact(pushed(force_of, seed=seed), CONTACT_N, TOP_N)
        for passage, force_n in ((reading.at_contact, CONTACT_N), (reading.at_top, TOP_N)):
            u_mm = np.hypot(passage.position_mm.u, passage.rounding_mm)
            errors.append((passage.position_mm.value - MET_MM - depth_at(force_n)) / u_mm)
            assert u_mm < 0.02
    # of 24 readings none is off by more than four standard uncertainties, and most by less than two
    assert np.abs(errors).max() < 4.0
    assert np.mean(np.abs(errors) < 2.0) > 0.8


def test_a_drift_of_the_force_zero_is_told_from_the_contact_checks_and_taken_off() -> None:
    force_of, depth_at = SHAPES["ball"]
    drift_n_per_s, apart_s = 0.002, 60.0
    contact_checks = []
    for number in range(4):
        check = pushed(force_of, seed=number)
        time_s = check.time_s + apart_s * number
        contact_checks.append(replace(check, time_s=time_s, force_n=check.force_n + drift_n_per_s * time_s))
    first = [read_platen_contact(check, CONTACT_N, TOP_N) for check in contact_checks]
    drifts = zero_drifts(first)
    for drift in drifts:
        assert drift.n_per_s == pytest.approx(drift_n_per_s, abs=4 * drift.u_n_per_s)
        assert drift.u_n_per_s < 1e-4
    again = [
        read_platen_contact(check, CONTACT_N, TOP_N, drift=drift)
        for check, drift in zip(contact_checks, drifts, strict=True)
    ]
    truth_mm = MET_MM + depth_at(CONTACT_N)
    off = [abs(each.at_contact.position_mm.value - truth_mm) for each in again]
    assert max(off) < 4 * max(each.at_contact.position_mm.u for each in again)
    # the ball gives by 4 mm/N there, and the zero moves by some mN until then
    assert min(abs(each.at_contact.position_mm.value - truth_mm) for each in first) > 4 * max(off)


def test_slope_speed_zero_and_noise_come_with_it() -> None:
    force_of, _ = SHAPES["spring"]
    reading = read_platen_contact(pushed(force_of), CONTACT_N, TOP_N)
    assert reading.at_contact.position_mm.slope == pytest.approx(1 / 3, rel=0.1)
    assert reading.at_contact.speed_mm_per_s == pytest.approx(SPEED, rel=0.01)
    assert reading.zero_n.value == pytest.approx(0.3, abs=0.002)
    assert reading.noise_n == pytest.approx(0.005, rel=0.15)


def test_a_contact_force_below_three_standard_deviations_of_the_noise_is_refused() -> None:
    force_of, _ = SHAPES["spring"]
    assert read_platen_contact(pushed(force_of, noise_n=0.015), CONTACT_N, TOP_N)
    with pytest.raises(InputError, match=r"noise is 0\.02"):
        read_platen_contact(pushed(force_of, noise_n=0.02), CONTACT_N, TOP_N)


def test_a_contact_check_that_never_reached_its_force_is_refused() -> None:
    force_of, _ = SHAPES["spring"]
    with pytest.raises(InputError, match=r"expected 8 N"):
        read_platen_contact(pushed(force_of), CONTACT_N, 8.0)


def test_contact_checks_without_marks_are_split_where_the_force_is_gone() -> None:
    force_of, depth_at = SHAPES["spring"]
    parts = [pushed(force_of, seed=seed) for seed in range(3)]
    whole = Stretch(
        np.arange(sum(len(part) for part in parts)) / RATE_HZ,
        np.concatenate([part.position_mm for part in parts]),
        np.concatenate([part.force_n for part in parts]),
        STEP_N,
        STEP_MM,
    )
    found = [read_platen_contact(each, CONTACT_N, TOP_N) for each in split_contact_checks(whole, TOP_N)]
    assert len(found) == 3
    for reading in found:
        assert reading.at_contact.position_mm.value == pytest.approx(MET_MM + depth_at(CONTACT_N), abs=0.005)


def test_a_recording_without_a_contact_check_is_refused() -> None:
    quiet = Stretch(np.arange(500) / RATE_HZ, np.linspace(0, 1, 500), np.zeros(500))
    with pytest.raises(InputError, match="never reaches"):
        list(split_contact_checks(quiet, TOP_N))


def test_the_search_goes_no_faster_than_its_overshoot_on_bare_platens_allows() -> None:
    rig = RigLimits((1.0, 110.0), 30.0, (-5.0, 500.0), 200.0, 80.0, 0.025, 500.0)
    checked = check_height_plan(HeightPlan(platen_stiffness_n_per_mm=4000.0), rig)
    # a tenth of 500 N less 5 N on 4000 N/mm: 0.01125 mm = v (0.025 + 1/80 + 1/500) + v^2/400
    speed = checked.search_mm_per_s
    assert speed * 0.0395 + speed**2 / 400 == pytest.approx(0.01125)
