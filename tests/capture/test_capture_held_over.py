"""Tables in which a channel repeats its last value between updates: what is taken from them."""

import numpy as np
import pytest

from rig.capture import import_table

RATE_HZ, DEEP_MM, K_N_PER_MM = 100.0, 12.0, 2.5


def strokes(speed_mm_per_s=4.0):
    """Time, position and force of three presses on a spring 2 mm below, with rests."""
    times = np.cumsum([0.0, *[1.0, DEEP_MM / speed_mm_per_s, DEEP_MM / speed_mm_per_s] * 3, 1.0])
    places = [0.0, *[0.0, DEEP_MM, 0.0] * 3, 0.0]
    time_s = np.arange(0.0, times[-1], 1 / RATE_HZ)
    # out of step with the rows, and at a speed that changes
    position_mm = np.interp(time_s + 0.0031, times, places) + 0.3 * np.sin(time_s)
    force_n = K_N_PER_MM * np.clip(position_mm - 2.0, 0.0, None)
    return time_s, position_mm, force_n


def held(values, every):
    return values[np.arange(len(values)) // every * every]


def imported(tmp_path, time_s, position_mm, force_n):
    table = tmp_path / "table.csv"
    rows = [f"{t:.4f},{x:.4f},{f:.4f}" for t, x, f in zip(time_s, position_mm, force_n, strict=True)]
    table.write_text("\n".join(["Time (s),Position (mm),Force (N)", *rows]) + "\n")
    return import_table(table, keep_signs=True)


@pytest.mark.parametrize("every", [2, 5, 10])
def test_a_position_that_is_held_between_updates_does_not_lag(tmp_path, every):
    time_s, position_mm, force_n = strokes()
    found = imported(tmp_path, time_s, held(position_mm, every), force_n)
    assert f"new only in every {every} rows" in " ".join(found.notes)
    off_mm = found.samples.position - position_mm
    lag_mm = np.abs(held(position_mm, every) - position_mm).max()
    # the tips are put back by the force of the spring; what a start between two updates costs remains
    assert np.abs(off_mm[: -2 * every]).max() < (1.0 if every == 2 else 0.25) * lag_mm
    assert np.mean(np.abs(off_mm)) < 0.01 * lag_mm


def test_of_a_force_that_is_held_only_rows_of_updates_are_taken(tmp_path):
    time_s, position_mm, force_n = strokes()
    noisy_n = force_n + np.random.default_rng(1).normal(0.0, 0.02, len(force_n))
    found = imported(tmp_path, time_s, position_mm, held(noisy_n, 4))
    assert "force is new only in every 4 rows" in " ".join(found.notes)
    np.testing.assert_allclose(found.samples.force, noisy_n[::4], atol=1e-4)
    np.testing.assert_allclose(found.samples.position, position_mm[::4], atol=1e-4)


@pytest.mark.parametrize(
    ("position_step", "force_step"), [(0.05, 1e-4), (0.2, 1e-4), (1e-4, 0.5), (0.05, 0.5)]
)
def test_coarse_converters_are_not_taken_for_held_channels(tmp_path, position_step, force_step):
    time_s, position_mm, force_n = strokes(2.0)
    position_mm, force_n = (
        np.rint(values / step) * step
        for values, step in ((position_mm, position_step), (force_n, force_step))
    )
    found = imported(tmp_path, time_s, position_mm, force_n)
    assert "new only" not in " ".join(found.notes)
    assert len(found.samples) == len(time_s)


def test_a_platen_that_goes_in_steps_is_not_taken_for_a_held_channel(tmp_path):
    time_s, position_mm, _ = strokes()
    position_mm = held(position_mm, 5)
    found = imported(
        tmp_path, time_s, position_mm, K_N_PER_MM * np.clip(position_mm - 2.0, 0.0, None) + 0.01 * time_s
    )
    assert "new only" not in " ".join(found.notes)


@pytest.mark.parametrize("every", [4.27, 6.31, 9.62])
def test_a_sensor_with_a_clock_of_its_own_is_read_half_a_row_before_the_row_that_shows_it(tmp_path, every):
    """Updates come at multiples of `every` rows, and a row shows the last one: half a row is 0.02 mm."""
    rows = np.arange(1000)
    way_mm = 0.04 * (500.0 - np.abs(rows - 500)) + 0.3 * np.sin(rows / 70)
    shown_mm = np.interp(np.floor(rows / every) * every, rows, way_mm)
    found = imported(tmp_path, rows / RATE_HZ, shown_mm, 5.0 * way_mm**1.2)
    off_mm = found.samples.position - way_mm
    for stroke in (slice(50, 480), slice(520, 950)):
        assert abs(off_mm[stroke].mean()) < 0.003
