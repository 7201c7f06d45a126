"""A recording is counted while it is made as an analysis of its file counts it, whatever is recorded."""

import numpy as np
import pytest
from recording_kinds import KINDS

from rig.calibration import Signals
from rig.segmenter import Segmenter, SegmenterSettings

SEEDS = 2
PIECE_S, AFTER_S = 0.25, 0.25
WANTED = 3
ENDS_WITHIN_S = 2.0
ENDS_WITHIN_ROWS = 12
"""A press has ended for a live count after this time, or this many rows where a logger is slow: eight rows
behind it are waited for."""

LATE = {"many_contact_checks_before_the_first_press", "force_is_gone_for_one_row_between_presses"}
"""Kinds whose first presses are held back: for a main press, or since the platen never rests behind one."""


def signals_of(recording):
    count = len(recording.row_n)
    places = recording.decimals or (9, 9, 9)
    columns = (recording.row_s, recording.row_n, recording.row_mm)
    time_s, force_n, mm = (
        np.round(column, each)
        for column, each in zip(columns, (places[0], places[2], places[1]), strict=True)
    )
    return Signals(
        time_s,
        force_n,
        mm,
        np.zeros(count, np.uint8),
        np.zeros(count, np.int64),
        10.0 ** -places[2],
        10.0 ** -places[1],
        force_in_newtons=True,
    )


def count(segment):
    return 0 if segment is None else len(segment.cycles)


def count_of_file(signals, sense):
    segmenter = Segmenter(SegmenterSettings(sense=sense))
    return count(segmenter.push(signals)) + count(segmenter.finish())


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "few_rows_read_by_eye"])
def test_presses_count_alike_while_they_are_made_and_from_the_file(kind):
    for seed in range(SEEDS):
        recording = KINDS[kind].recording(seed)
        signals = signals_of(recording)
        live = Segmenter(SegmenterSettings(sense=recording.sense, after_s=AFTER_S))
        piece = max(round(PIECE_S / float(np.median(np.diff(recording.row_s)))), 1)
        closed, stops = 0, None
        for start in range(0, len(signals), piece):
            segment = live.push(signals[start : start + piece])
            ended_s = live.waiting_s
            if segment is not None:
                ended_s = np.concatenate([segment.signals.time_s[segment.cycles.after - 1], ended_s])
            if stops is None and closed + len(ended_s) >= WANTED:
                now_s = float(signals.time_s[min(start + piece, len(signals)) - 1])
                stops = float(ended_s[WANTED - closed - 1]), now_s
            closed += count(segment)
        assert closed + count(live.finish()) == count_of_file(signals, recording.sense)
        if stops is None:
            continue
        # what `record --cycles 3` leaves on the disk
        recorded = signals[: int(np.searchsorted(signals.time_s, stops[0], side="right"))]
        assert count_of_file(recorded, recording.sense) == WANTED
        if len(recording.presses) >= WANTED and kind not in LATE:
            row_s = float(np.median(np.diff(recording.row_s)))
            within_s = max(ENDS_WITHIN_S, ENDS_WITHIN_ROWS * row_s)
            assert stops[1] <= recording.presses[WANTED - 1].end_s + within_s
