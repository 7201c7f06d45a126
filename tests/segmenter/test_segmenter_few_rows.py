"""What only one or two rows show: disturbances, a release, the noise of a slow logger."""

from dataclasses import replace

import numpy as np
import pytest
from presses import path, signals, triangles, with_two_wrong_rows

from rig.segmenter import Flag, Segmenter
from rig.segmenter.noise import noise_beside_motion


def segmented(recording):
    segmenter = Segmenter()
    parts = [part for part in (segmenter.push(recording), segmenter.finish()) if part is not None]
    flags = [Flag(int(each)) for part in parts for each in part.cycles.flags]
    return segmenter, parts, flags


@pytest.mark.parametrize("off_n", [12.0, -12.0])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_two_rows_of_a_wrong_force_are_replaced(off_n, share):
    recording = signals(triangles(3))
    # during loading: the first press begins after a second of rest, and takes 625 rows to its depth
    at = 500 + int(625 * (0.2 + 0.8 * share))
    _, parts, flags = segmented(with_two_wrong_rows(recording, at, off_n))
    assert flags == [Flag.SPIKE, Flag(0), Flag(0)]
    place = at - parts[0].offset
    force_n = parts[0].signals.force_n
    assert np.abs(force_n[place : place + 2] - recording.force_n[at : at + 2]).max() < 0.05


def test_two_rows_in_which_the_platen_moved_as_well_are_no_spike():
    position = triangles(2)
    position[900:902] += 1.5
    _, _, flags = segmented(signals(position))
    assert not any(flag & Flag.SPIKE for flag in flags)


def test_a_press_that_is_let_go_for_one_row_is_released():
    # a path begins with its first stop twice
    in_and_out = np.concatenate([path(0.0, 8.0)[2:], path(8.0, 0.0)[2:]])
    ends = path((-2.5, 1.0), 0.0), path(0.0, (-2.5, 1.0))[2:]
    _, _, flags = segmented(signals(np.concatenate([ends[0], *[in_and_out] * 3, ends[1]])))
    assert flags == [Flag(0)] * 3


def test_a_press_that_comes_back_to_a_small_load_keeps_its_contact():
    # 0.3 mm of a spring of 2.5 N/mm, fifteen rows above nothing
    _, _, flags = segmented(signals(path((-2.5, 1.0), 8.0, 0.3, 8.0, (-2.5, 1.0))))
    assert flags == [Flag.CONTACT_KEPT_AFTER, Flag.CONTACT_KEPT_BEFORE]


def test_noise_of_a_few_rows_before_and_behind_a_press_is_told():
    """Six rows of rest and some dozen a stroke, as a logger of two rows a second writes them."""
    told = []
    for seed in range(40):
        whole = signals(triangles(3), force_noise=0.05, position_noise=0.0, seed=seed)
        rows = whole[400::30]
        rows = replace(rows, time_s=np.arange(len(rows)) / 2.0)
        segmenter, _, flags = segmented(rows)
        assert len(flags) == 3
        told.append(segmenter.noise.rest_force_n)
    assert 0.04 < np.median(told) < 0.1
    assert min(told) > 0.01


def test_bends_of_a_stroke_of_few_rows_are_not_taken_for_noise():
    rng = np.random.default_rng(2)
    way = 5.0 * (1 - np.cos(2 * np.pi * np.arange(60) / 15.0))
    assert noise_beside_motion(way) < 0.02
    noisy = [noise_beside_motion(way + rng.normal(0, 0.3, 60)) for _ in range(50)]
    assert 0.2 < np.median(noisy) < 0.6
