"""The cut of a recording into parts changes nothing of what is found."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from presses import path, signals, triangles, with_a_zero_that_jumps, with_two_wrong_rows

from rig.segmenter import Segmenter


def beam(*stops, gone_at_mm=None):
    """A beam that is fixed to both platens, and pulls between 3 and 5 mm; where it stands at a place, its
    force may go at once."""
    position = path((-2.5, 1.0), 9.0, (-2.5, 1.0), *stops, (-2.5, 1.0))
    x_mm = np.maximum(position, 0.0)
    force_n = x_mm * (x_mm - 3.0) * (x_mm - 5.0) / 5
    stood = np.flatnonzero(position == gone_at_mm)
    force_n[stood] *= np.linspace(1.0, 0.0, 100)[np.minimum(np.arange(len(stood)), 99)]
    return replace(
        signals(position),
        force_n=np.round((force_n + np.random.default_rng(3).normal(0, 0.005, len(x_mm))) / 0.001) * 0.001,
    )


RECORDINGS = {
    "triangles": signals(triangles(6)),
    "a beam that turns before it pulls": beam(9.0, 6.0, 9.0),
    "a beam that turns while it pulls": beam(9.0, 4.0, 9.0),
    "a beam that pulls late": beam((2.0, 2.0), (4.0, 4.0), 9.0, gone_at_mm=2.0),
    "drifting": signals(triangles(6), drift_n=0.4),
    "kept contact": signals(
        np.concatenate(
            [
                triangles(2),
                path(-2.5, 3.0),
                6 + 3 * np.sin(np.arange(3000) / 80 - np.pi / 2),
                path(3.0, (-2.5, 1.0)),
            ]
        )
    ),
    "unfinished": signals(np.concatenate([triangles(1), path(-2.5, (8.0, 0.5))])),
    "starts in contact": signals(path(4.0, 8.0, (-2.5, 1.0), 8.0, (-2.5, 1.0))),
    "clean": signals(triangles(4), force_noise=0, position_noise=0),
    "let go for one row": signals(
        path((-2.5, 1.0), *[stop for _ in range(4) for stop in (8.0, 0.0)], (-2.5, 1.0))
    ),
    "two wrong rows": with_two_wrong_rows(signals(triangles(4)), 1200, 12.0),
    "zero set anew": with_a_zero_that_jumps(signals(triangles(4, rest_s=1.0)), 7.7, 3.0),
    # one row a second; the windows that tell the zero disagree without end
    "noise alone": replace(
        signals(np.random.default_rng(126).normal(0, 2, 900), stiffness=20, force_noise=0.1),
        time_s=np.arange(900.0),
    ),
    "nothing": signals(path((-2.0, 1.0), -0.5, (-2.0, 1.0))),
}


def found(recording, cuts):
    segmenter = Segmenter()
    segments = [
        segmenter.push(recording[a:b]) for a, b in zip([0, *cuts], [*cuts, len(recording)], strict=True)
    ]
    segments.append(segmenter.finish())
    rows = []
    for segment in filter(None, segments):
        cycles, at = segment.cycles, segment.offset
        for row in range(len(cycles)):
            indices = (
                cycles.before,
                cycles.contact,
                cycles.load_end,
                cycles.unload_start,
                cycles.release,
                cycles.after,
            )
            rows.append(
                (
                    int(cycles.number[row]),
                    *(int(each[row]) + at for each in indices),
                    int(cycles.flags[row]),
                    float(cycles.zero_n[row]),
                )
            )
    return rows


@pytest.mark.parametrize("name", RECORDINGS)
@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_any_chopping_of_the_samples_gives_the_same_cycles(name, data):
    recording = RECORDINGS[name]
    cuts = sorted(data.draw(st.sets(st.integers(1, len(recording) - 1), max_size=40)))
    assert found(recording, cuts) == found(recording, [])


@pytest.mark.parametrize("name", RECORDINGS)
def test_single_samples_give_the_same_cycles_as_the_whole(name):
    recording = RECORDINGS[name][:2500]
    assert found(recording, list(range(1, len(recording)))) == found(recording, [])


def test_the_buffer_does_not_grow_with_the_number_of_cycles():
    longest = []
    for count in (40, 80):
        recording = signals(triangles(count))
        segmenter = Segmenter()
        held = []
        for start in range(0, len(recording), 100):
            segmenter.push(recording[start : start + 100])
            held.append(len(segmenter._buffer))
        longest.append(max(held))
    # the first ones wait for each other; behind them, three at the most are held
    assert longest[0] == longest[1]
    assert held[-1] < 3 * len(recording) / 80 + 4096
