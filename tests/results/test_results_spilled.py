"""Rows that are written to a temporary file come back as they were, and nothing of them stays."""

import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest

# captures are made as for the tests of these
sys.path.append(str(Path(__file__).parents[1] / "sheets"))

from made_results import made_header, made_result, made_samples

from rig.analyser import AnalysisSettings, CaptureAnalysis, Depth, part_of
from rig.calibration import Calibration
from rig.errors import RecorderError
from rig.results import SpilledRows, capture_document, cycle_frames, cycles_frame
from rig.results.spilled import IN_MEMORY_BYTES
from rig.sheets import cycle_table, summary_table

NAMES = ("cycle", "flags", "force")


def block(first, count):
    cycle = np.arange(first, first + count, dtype=np.float64)
    return {
        "cycle": cycle,
        "flags": np.zeros(count),
        "force": np.sqrt(cycle) * np.where(cycle % 7, 1, np.nan),
    }


WHOLE = block(1, 100)
SIZES = (1, 60, 0, 30, 9)


@pytest.fixture
def stored():
    with SpilledRows() as store:
        first = 1
        for size in SIZES:
            store.add(block(first, size))
            first += size
        yield store


def test_columns_come_back_bit_by_bit(stored):
    assert tuple(stored) == NAMES
    for name in NAMES:
        np.testing.assert_array_equal(stored[name], WHOLE[name])
    assert "work" not in stored
    assert stored.get("work") is None


@pytest.mark.parametrize(
    "rows",
    [slice(0, 100), slice(0, 1), slice(1, 61), slice(60, 62), slice(95, 300), slice(40, 40), slice(70, None)],
    ids=str,
)
def test_some_rows_come_back_across_blocks(stored, rows):
    found = part_of(stored, rows)
    for name in NAMES:
        np.testing.assert_array_equal(found[name], WHOLE[name][rows])


def test_rows_beyond_a_megabyte_come_back_too():
    rows = IN_MEMORY_BYTES // 8
    with SpilledRows() as store:
        for part in range(3):
            store.add({"cycle": np.arange(rows) + float(part * rows)})
        np.testing.assert_array_equal(store["cycle"], np.arange(3.0 * rows))


def test_a_store_without_rows_is_a_table_without_columns():
    with SpilledRows() as store:
        assert dict(store.table()) == {}
        assert part_of(store, slice(0, 10)) == {}


def test_a_folder_without_room_is_said_in_words(monkeypatch):
    def refused(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tempfile, "TemporaryFile", refused)
    with SpilledRows() as store, pytest.raises(RecorderError, match=r"No space left.*TMPDIR"):
        store.add({"cycle": np.zeros(IN_MEMORY_BYTES)})


def analysed(store, cycles=40):
    settings = AnalysisSettings(free_height_mm=40.0, at=(Depth.of("20%"), Depth.of("5 mm")))
    analysis = CaptureAnalysis(Calibration(), settings, store=store)
    samples = made_samples(cycles)
    for start in range(0, len(samples), 2000):
        analysis.push(samples[start : start + 2000])
    return analysis.finish()


def test_what_is_shown_of_stored_rows_is_what_is_shown_of_rows_in_memory():
    memory = analysed(None)
    with SpilledRows() as store:
        stored = analysed(store)
        assert not isinstance(stored.columns, dict)
        documents = [capture_document("one", made_header(), each) for each in (stored, memory)]
        assert documents[0] == documents[1]
        for make in (cycle_table, summary_table):
            shown = [list(make(each, "title", plain=True).columns) for each in (stored, memory)]
            assert [list(each.cells) for each in shown[0]] == [list(each.cells) for each in shown[1]]


def test_frames_in_parts_are_the_whole_frame_cut(monkeypatch):
    monkeypatch.setattr("rig.results.document.PART_ROWS", 7)
    result = made_result(20)
    parts = list(cycle_frames(result))
    assert [len(part) for part in parts] == [7, 7, 6]
    texts = [part.to_csv(index=False, header=not number) for number, part in enumerate(parts)]
    assert "".join(texts) == cycles_frame(result).to_csv(index=False)


def test_frames_of_no_cycles_are_one_with_its_head():
    assert [list(part.columns) for part in cycle_frames(made_result(0))] == [["cycle", "flags", "spoilt"]]
