"""What a press does is split right, or flagged: motions made here, truth from how they were made."""

from dataclasses import replace

import numpy as np
import pytest
from presses import RATE_HZ, path, signals, triangles, with_a_zero_that_jumps

from rig.samples import Status
from rig.segmenter import Flag, Segmenter


def segment(recording):
    segmenter = Segmenter()
    parts = [part for part in (segmenter.push(recording), segmenter.finish()) if part is not None]
    return segmenter, parts


def cycles_of(recording):
    """Rows of (contact, load end, unload start, release, flags), indices into the whole recording."""
    _, parts = segment(recording)
    return [
        (
            int(part.cycles.contact[row]) + part.offset,
            int(part.cycles.load_end[row]) + part.offset,
            int(part.cycles.unload_start[row]) + part.offset,
            int(part.cycles.release[row]) + part.offset,
            Flag(int(part.cycles.flags[row])),
        )
        for part in parts
        for row in range(len(part.cycles))
    ]


def test_each_triangle_is_one_unflagged_cycle_that_turns_at_its_deepest_point():
    position = triangles(5)
    rows = cycles_of(signals(position))
    assert len(rows) == 5
    for contact, load_end, unload_start, release, flags in rows:
        assert flags == 0
        assert load_end == unload_start
        assert position[load_end] > 9.97
        assert 0 < position[contact] < 0.1
        assert 0 <= position[release - 1] < 0.1


def test_a_dwell_lies_between_the_strokes():
    position = path((-2.5, 1.0), (8.0, 2.0), (-2.5, 1.0))
    ((_, load_end, unload_start, _, flags),) = cycles_of(signals(position))
    assert flags == 0
    assert (unload_start - load_end) / RATE_HZ == pytest.approx(2.0, abs=0.02)


def test_a_half_press_within_contact_is_a_cycle_of_its_own_and_marked():
    rows = cycles_of(signals(path((-2.5, 1.0), 5.0, 2.0, 10.0, (-2.5, 1.0))))
    assert [row[4] for row in rows] == [Flag.CONTACT_KEPT_AFTER, Flag.CONTACT_KEPT_BEFORE]


@pytest.mark.parametrize("by_n", [3.0, 0.2, -3.0])
@pytest.mark.parametrize("at_s", [4.8, 8.5])
def test_a_zero_that_is_set_anew_between_presses_is_no_contact(at_s, by_n):
    """Presses of 2.5 s with 1.5 s between them; the indicator is tared in the first or second pause."""
    position = path((-2.5, 2.0), *[stop for _ in range(4) for stop in (10.0, (-2.5, 1.5))])
    plain = cycles_of(signals(position))
    tared = cycles_of(with_a_zero_that_jumps(signals(position), at_s, by_n))
    assert [row[4] for row in tared] == [0] * 4
    assert [row[:4] for row in tared] == [row[:4] for row in plain]


def test_a_load_that_is_met_by_a_platen_and_then_stays_is_a_contact():
    """Pressed by a tenth of a millimetre, and held there."""
    rows = cycles_of(signals(path((-2.5, 1.0), (0.1, 5.0), (-2.5, 1.0), (0.1, 5.0), (-2.5, 1.0))))
    assert len(rows) == 2
    for contact, _, _, release, _ in rows:
        assert (release - contact) / RATE_HZ == pytest.approx(5.0, abs=0.05)


@pytest.mark.parametrize("at_s", [1.65, 3.65, 4.3, 9.35])
@pytest.mark.parametrize("seed", range(4))
def test_a_burst_of_noise_sets_no_zero(at_s, seed):
    """A fifth of a second of 0.8 N while the platen comes in, stands or goes back, out of contact."""
    position = path((-4.0, 1.5), *[stop for _ in range(4) for stop in (8.0, (-4.0, 1.5))])
    recording = signals(position)
    burst = slice(int(at_s * RATE_HZ), int((at_s + 0.2) * RATE_HZ))
    assert position[burst].max() < -0.3
    force_n = recording.force_n.copy()
    force_n[burst] += np.random.default_rng(seed).normal(0, 0.8, burst.stop - burst.start)
    _, parts = segment(replace(recording, force_n=force_n))
    cycles = [part.cycles for part in parts]
    assert np.abs(np.concatenate([each.zero_n for each in cycles])).max() < 0.2
    contact = np.concatenate([part.cycles.contact + part.offset for part in parts])
    assert np.abs(position[contact]).max() < 0.1
    assert len(contact) == 4


@pytest.mark.parametrize("drag_n", [0.05, 0.15, 0.5])
def test_the_drag_of_guides_on_the_way_in_is_no_contact(drag_n):
    """More force as soon as the platen moves in, and less as it moves back; the face is at 0 mm."""
    position = path((-15.0, 1.0), *[stop for _ in range(3) for stop in (8.0, (-15.0, 1.0))])
    recording = signals(position)
    dragged_n = recording.force_n + drag_n * np.sign(np.gradient(position))
    rows = cycles_of(replace(recording, force_n=dragged_n))
    assert [row[4] for row in rows] == [0] * 3
    for contact, _, _, release, _ in rows:
        assert -0.05 < position[contact] < 0.1
        # the drag on the way back takes some force away before the face does
        assert -0.05 < position[release] < 0.1 + 2 * drag_n / 2.5


@pytest.mark.parametrize("per_s", [0.05, 0.2, -0.2])
def test_a_zero_that_drifts_is_no_drag(per_s):
    recording = signals(path((-2.5, 3.0), *[stop for _ in range(3) for stop in (8.0, (-2.5, 1.0))]))
    drifting, _ = segment(replace(recording, force_n=recording.force_n + per_s * recording.time_s))
    assert drifting.noise.drag_n == 0.0


@pytest.mark.parametrize("end_mm", [9.6, 8.0])
def test_a_position_at_the_end_of_its_sensor_is_flagged(end_mm):
    """Presses of 10 mm whose positions are cut off: the force goes on, and comes back."""
    recording = signals(triangles(4))
    cut_off = replace(recording, position_mm=np.minimum(recording.position_mm, end_mm))
    assert [row[4] for row in cycles_of(cut_off)] == [Flag.READING_HELD_AT_PEAK] * 4


@pytest.mark.parametrize("step_mm", [0.1, 0.25])
def test_a_gentle_turn_of_a_sensor_coarser_than_it_says_is_no_end_of_it(step_mm):
    """Sines of 6.5 mm at 0.4 Hz whose positions come in steps far above the stated 0.005 mm."""
    moving_s = np.clip(np.arange(round(14 * RATE_HZ)) / RATE_HZ - 2.0, 0.0, 10.0)
    recording = signals(2.25 - 3.25 * np.cos(2 * np.pi * moving_s / 2.5))
    coarse = replace(recording, position_mm=np.round(recording.position_mm / step_mm) * step_mm)
    for every in (1, 2, 10):
        flags = [row[4] for row in cycles_of(coarse[::every])]
        assert len(flags) == 4
        assert not any("held" in flag.label for flag in flags)


@pytest.mark.parametrize("noise_mm", [0.0, 0.001])
def test_a_hold_of_a_force_that_lags_and_relaxes_is_no_end_of_a_sensor(noise_mm):
    """Stopped within a row, with a converter that averages over 20 rows and a third of the force relaxing."""
    position = path((-2.5, 1.0), *[stop for _ in range(3) for stop in ((8.0, 1.0), (-2.5, 1.0))])
    recording = signals(position, position_noise=noise_mm)
    row = np.arange(len(position))
    held = row - np.maximum.accumulate(np.where(position < 8.0, row, 0))
    fading_n = recording.force_n * (1 - 0.3 * (1 - np.exp(-held / 900)))
    lagging_n = np.convolve(fading_n, np.full(20, 1 / 20))[: len(position)]
    assert not any("held" in row[4].label for row in cycles_of(replace(recording, force_n=lagging_n)))


def test_a_hands_tremor_does_not_split_a_press():
    rng = np.random.default_rng(3)
    press = path((-2.5, 1.0), 10.0, (-2.5, 1.0))
    tremor = np.interp(
        np.arange(len(press)), np.arange(0, len(press) + 20, 20), rng.normal(0, 0.05, len(press) // 20 + 2)
    )
    tremor[:450] = 0
    assert len(cycles_of(signals(press + tremor))) == 1


def test_a_double_contact_is_two_presses():
    rows = cycles_of(signals(path((-2.5, 1.0), 1.0, (-1.0, 0.2), 9.0, (-2.5, 1.0))))
    assert len(rows) == 2


def test_cycles_that_never_lose_contact_are_split_at_every_inner_turn():
    motion = np.concatenate(
        [path((-2.5, 1.0), 2.0), 6 - 4 * np.cos(np.arange(0, 20 * 2 * np.pi, 0.05)), path(2.0, (-2.5, 1.0))]
    )
    rows = cycles_of(signals(motion))
    assert len(rows) == 20
    assert all(row[4] & (Flag.CONTACT_KEPT_AFTER | Flag.CONTACT_KEPT_BEFORE) for row in rows)


def test_a_press_that_is_not_released_says_so():
    rows = cycles_of(signals(path((-2.5, 1.0), 8.0, 6.0)))
    assert rows[-1][4] == Flag.NOT_RELEASED


def test_a_press_that_ends_under_the_load_that_it_began_with_is_whole():
    kept = Flag.CONTACT_KEPT_BEFORE | Flag.CONTACT_KEPT_AFTER
    whole = cycles_of(signals(path((-2.5, 1.0), 8.0, 2.0, 8.0, 2.0)))
    assert [row[4] for row in whole] == [Flag.CONTACT_KEPT_AFTER, kept]
    half = cycles_of(signals(path((-2.5, 1.0), 8.0, 2.0, 8.0, 4.0)))
    assert half[-1][4] == Flag.CONTACT_KEPT_BEFORE | Flag.NOT_RELEASED


@pytest.mark.parametrize("reversals", [(), (0.2,), (0.2, 0.3, 0.25)])
def test_a_preload_at_which_the_platen_waits_begins_the_press(reversals):
    waited = [(each, 1.0) for each in (0.3, *reversals)]
    position = path((-2.5, 1.0), *waited, 8.0, 1.0, 8.0, (-2.5, 1.0))
    recording = signals(position)
    rows = cycles_of(recording)
    assert [row[4] for row in rows] == [Flag.CONTACT_KEPT_AFTER, Flag.CONTACT_KEPT_BEFORE]
    assert position[rows[0][0]] < 0.1
    segmenter = Segmenter()
    found = []
    for first in range(0, len(recording), 37):
        found.append(segmenter.push(recording[first : first + 37]))
    found = [part for part in (*found, segmenter.finish()) if part is not None]
    contacts = [contact + part.offset for part in found for contact in part.cycles.contact]
    assert contacts == [row[0] for row in rows]
    assert segmenter.check_count == 0


def test_a_light_press_that_is_let_go_stays_a_contact_check():
    segmenter, parts = segment(signals(path((-2.5, 1.0), (0.3, 1.0), (-1.0, 1.0), 8.0, (-2.5, 1.0))))
    assert sum(len(part.cycles) for part in parts) == 1
    assert segmenter.check_count == 1


def test_a_recording_that_starts_in_contact_says_so():
    rows = cycles_of(signals(path((3.0, 0.0), 8.0, (-2.5, 1.0), 8.0, (-2.5, 1.0))))
    assert rows[0][4] & Flag.STARTS_IN_CONTACT


@pytest.mark.parametrize("drift_n", [-3.0, 3.0])
def test_a_zero_that_drifts_by_many_times_the_contact_force_is_followed(drift_n):
    position = triangles(60)
    rows = cycles_of(signals(position, drift_n=drift_n))
    assert len(rows) == 60
    assert all(row[4] == 0 for row in rows)
    assert max(position[row[0]] for row in rows) < 0.15


def test_a_zero_that_drifts_in_a_long_rest_is_not_taken_for_contact():
    recording = signals(path((-2.5, 60.0), 8.0, (-2.5, 60.0)), drift_n=2.0)
    assert len(cycles_of(recording)) == 1


@pytest.mark.parametrize(
    ("bit", "flag"),
    [
        (Status.FORCE_SATURATED, Flag.FORCE_SATURATED),
        (Status.POSITION_FAULT, Flag.POSITION_FAULT),
        (Status.FORCE_TRIP, Flag.FORCE_TRIP),
    ],
)
def test_a_status_bit_within_a_press_flags_that_press_alone(bit, flag):
    position = triangles(3)
    status = np.zeros(len(position), np.uint8)
    status[np.argmax(position > 9)] = bit
    assert [row[4] for row in cycles_of(signals(position, status=status))] == [flag, 0, 0]


def test_a_gap_that_may_hide_the_turn_flags_the_press():
    position = triangles(3)
    whole = signals(position)
    keep = np.ones(len(position), bool)
    at = np.argmax(position > 9.5)
    keep[at : at + 40] = False
    lost = np.cumsum(~keep)[keep]
    cut = signals(position[keep], lost=lost)
    assert len(whole) - len(cut) == 40
    assert [row[4] for row in cycles_of(cut)] == [Flag.SAMPLES_LOST, 0, 0]


def test_knocks_and_contact_checks_below_the_contact_force_are_counted_but_are_no_cycles():
    from rig.segmenter import SegmenterSettings

    recording = signals(path((-2.5, 1.0), 0.4, (-2.5, 1.0), 8.0, (-2.5, 1.0)))
    knocked = recording.force_n.copy()
    knocked[100:103] += 5.0
    recording.force_n[:] = knocked
    segmenter = Segmenter(SegmenterSettings(contact_force_n=2.0))
    parts = [part for part in (segmenter.push(recording), segmenter.finish()) if part]
    assert sum(len(part.cycles) for part in parts) == 1
    assert segmenter.check_count == 1


@pytest.mark.parametrize("noise_n", [0.0, 0.005], ids=["without noise", "with noise"])
def test_a_force_that_is_cut_off_at_its_top_is_flagged_as_saturated(noise_n):
    whole = signals(triangles(3), force_noise=noise_n)
    top_n = round(0.6 * float(whole.force_n.max()), 3)
    for recording, expected in ((whole, 0), (replace(whole, force_n=np.minimum(whole.force_n, top_n)), 3)):
        flags = np.array([int(row[-1]) for row in cycles_of(recording)])
        assert len(flags) == 3
        assert np.count_nonzero(flags & Flag.FORCE_SATURATED) == expected
        assert not any("held" in row[-1].label for row in cycles_of(recording))


def test_a_plateau_of_force_is_not_taken_for_a_force_that_is_cut_off():
    position_mm = triangles(3)
    flat = signals(position_mm, stiffness=0.0, force_noise=0.0)
    plateau_n = 10 * np.tanh(np.maximum(position_mm, 0) / 1.0)
    recording = replace(flat, force_n=np.round(plateau_n / 0.05) * 0.05, force_resolution_n=0.05)
    assert not any(row[-1] & Flag.FORCE_SATURATED for row in cycles_of(recording))
