"""Whatever happens to a samples file, only the batches that were damaged are lost."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from capture_makers import assert_same, made_header, made_samples
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.capture import CaptureWriter, open_capture
from rig.samples import Samples

Whole = tuple[Path, bytes, list[tuple[int, int]], list[Samples]]

SIZES = [700, 4096, 64, 1, 500, 4096, 33, 257, 1000, 2000, 8, 4096]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Whole:
    """A capture, the bytes of its samples file, and where each of its known batches begins and ends."""
    writer = CaptureWriter.create(tmp_path_factory.mktemp("whole"), made_header())
    file = writer.path / "samples-0001.arrow"
    places, parts, first = [], [], 0
    for size in SIZES:
        begin = file.stat().st_size
        parts.append(made_samples(size, first=first))
        writer.append(parts[-1])
        writer.flush()
        places.append((begin, file.stat().st_size))
        first += size
    writer.end("done")
    return writer.path, file.read_bytes(), places, parts


def read_back(path: Path, data: bytes) -> tuple[list[Samples], str]:
    (path / "samples-0001.arrow").write_bytes(data)
    capture = open_capture(path)
    return list(capture.batches()), "\n".join(map(str, capture.damage))


def assert_only_damaged_are_lost(
    whole: Whole, data: bytes, damaged_there: Callable[[int, int], bool]
) -> None:
    path, original, places, parts = whole
    found, damage = read_back(path, data)
    by_first = {int(part.seq[0]): part for part in found}
    assert len(by_first) == len(found)
    assert [int(part.seq[0]) for part in found] == sorted(by_first)
    for (begin, end), part in zip(places, parts, strict=True):
        survivor = by_first.pop(int(part.seq[0]), None)
        if survivor is not None:
            assert_same(survivor, part)
        else:
            assert damaged_there(begin, end), f"batch at {begin} was not damaged"
    assert not by_first
    if data == original:
        assert damage == ""
    if len(found) < len(parts):
        assert "batch" in damage


@pytest.mark.parametrize("how", ["zeroed", "overwritten", "cut out", "cut off", "inserted"])
@given(data=st.data())
@settings(max_examples=150, deadline=None)
def test_a_damaged_stretch_costs_the_batches_it_reaches_and_no_other(
    how: str, whole: Whole, data: st.DataObject
) -> None:
    original, places = whole[1], whole[2]
    # Places near the joints are where a reader goes wrong, so they are drawn as often as the others.
    joints = [
        edge + near for begin, end in places for edge in (begin, end) for near in (-9, -1, 0, 1, 7, 300)
    ]
    near_joint = st.sampled_from([place for place in joints if 0 <= place < len(original)])
    begin = data.draw(st.one_of(st.integers(0, len(original) - 1), near_joint))
    length = data.draw(st.one_of(st.integers(1, 64), st.integers(1, len(original) // 3)))
    end = len(original) if how == "cut off" else min(begin + length, len(original))
    noise = np.random.default_rng(data.draw(st.integers(0, 999))).bytes(end - begin)
    filling = {"zeroed": bytes(end - begin), "overwritten": noise, "cut out": b"", "cut off": b""}
    kept_from = begin if how == "inserted" else end
    damaged = original[:begin] + filling.get(how, noise) + original[kept_from:]

    def damaged_there(first: int, last: int) -> bool:
        return first < begin < last if how == "inserted" else begin < last and end > first

    assert_only_damaged_are_lost(whole, damaged, damaged_there)


def test_flipped_bits_in_the_marks_never_give_wrong_samples(whole: Whole) -> None:
    original, places = whole[1], whole[2]
    rng = np.random.default_rng(5)
    begin, end = places[4]
    for place in rng.integers(begin, begin + 760, 300):
        damaged = bytearray(original)
        damaged[place] ^= 1 << int(rng.integers(8))
        assert_only_damaged_are_lost(whole, bytes(damaged), lambda first, last: (first, last) == (begin, end))


def test_a_batch_repeated_elsewhere_is_read_once_and_in_its_place(whole: Whole) -> None:
    path, original, places, parts = whole
    begin, end = places[8]
    at = places[2][0]
    found, damage = read_back(path, original[:at] + original[begin:end] + original[at:])
    assert_same(Samples.concatenate(found), Samples.concatenate(parts))
    assert "samples-0001.arrow" in damage


def test_damage_says_file_place_and_batches(whole: Whole) -> None:
    path, original, places, _ = whole
    begin, end = places[2][0], places[4][1]
    found, _ = read_back(path, original[:begin] + bytes(end - begin) + original[end:])
    (damage,) = open_capture(path).damage
    assert (damage.file, damage.offset, damage.length) == ("samples-0001.arrow", begin, end - begin)
    assert damage.lost == "batches 3 to 5"
    assert len(found) == len(SIZES) - 3


def test_the_last_batches_cut_off_exactly_are_missed(whole: Whole) -> None:
    path, original, places, _ = whole
    read_back(path, original[: places[9][1]])
    assert open_capture(path).damage[0].lost == "batches 11 to 12"


def test_a_batch_of_another_run_is_not_taken_for_one_of_this(tmp_path: Path) -> None:
    first = CaptureWriter.create(tmp_path, made_header())
    first.append(made_samples(100))
    first.flush()
    first._opened.close()
    with CaptureWriter.resume(first.path) as second:
        second.append(made_samples(100, first=100))
    strayed = (first.path / "samples-0001.arrow").read_bytes()
    (first.path / "samples-0002.arrow").write_bytes(strayed)
    assert_same(open_capture(first.path).samples(), made_samples(100))
    assert any(damage.lost == "batch 1" for damage in open_capture(first.path).damage)


def test_a_lost_header_is_read_from_its_copy(tmp_path: Path) -> None:
    with CaptureWriter.create(tmp_path, made_header(notes="kept")) as writer:
        writer.append(made_samples(100))
    path = writer.path / "capture.yaml"
    for damaged in (b"", bytes(path.stat().st_size), b"\xff\xfe\x00: : ["):
        path.write_bytes(damaged)
        capture = open_capture(writer.path)
        assert capture.header == writer.header
        assert capture.damage[0].file == "capture.yaml"
    path.unlink()
    assert_same(open_capture(writer.path).samples(), made_samples(100))


def test_damaged_event_lines_are_counted_and_the_others_read(tmp_path: Path) -> None:
    with CaptureWriter.create(tmp_path, made_header()) as writer:
        writer.event("gap", missing=2)
    path = writer.path / "events.jsonl"
    path.write_bytes(path.read_bytes() + b'[1]\n\xff\xfe\n{"kind": "torn", "ga')
    capture = open_capture(writer.path)
    assert [event["kind"] for event in capture.events()] == ["started", "gap", "ended"]
    assert "3 damaged lines of events" in {damage.lost for damage in capture.damage}


def test_a_damaged_end_is_said_and_costs_no_samples(tmp_path: Path) -> None:
    with CaptureWriter.create(tmp_path, made_header()) as writer:
        writer.append(made_samples(100))
    (writer.path / "end.yaml").write_bytes(bytes(100))
    capture = open_capture(writer.path)
    assert capture.how_it_ended == "unknown: end.yaml is damaged"
    assert len(capture.samples()) == 100


def test_a_samples_file_that_is_gone_is_said(tmp_path: Path) -> None:
    with CaptureWriter.create(tmp_path, made_header()) as writer:
        writer.append(made_samples(100))
    (writer.path / "samples-0001.arrow").unlink()
    capture = open_capture(writer.path)
    assert len(capture.samples()) == 0
    assert any("100 samples" in str(damage) for damage in capture.damage)


def test_a_file_larger_than_the_window_is_searched_across_its_edges(tmp_path: Path) -> None:
    samples = made_samples(400_000)
    with CaptureWriter.create(tmp_path, made_header()) as writer:
        writer.append(samples)
    file = writer.path / "samples-0001.arrow"
    data = bytearray(file.read_bytes())
    assert len(data) > 9 << 20
    data[0:5_000_000] = np.random.default_rng(2).bytes(5_000_000)
    file.write_bytes(data)
    found = open_capture(writer.path).samples()
    assert_same(found, samples[400_000 - len(found) :])
    lost_bytes = (400_000 - len(found)) * 25
    assert 5_000_000 - 150_000 < lost_bytes < 5_000_000 + 150_000


def test_a_foreign_batch_with_impossible_lengths_is_refused(tmp_path: Path) -> None:
    with CaptureWriter.create(tmp_path, made_header()) as writer:
        writer.append(made_samples(100))
    file = writer.path / "samples-0001.arrow"
    schema = pa.ipc.open_stream(file.read_bytes()).schema
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, schema) as stream:
        short = pa.record_batch([pa.array([7], field.type) for field in schema], schema=schema)
        mark = {"capture": writer.header.id, "run": "1", "number": "2", "crc32c": "not hexadecimal"}
        stream.write_batch(short, custom_metadata=mark)
    file.write_bytes(file.read_bytes() + sink.getvalue().to_pybytes())
    assert len(open_capture(writer.path).samples()) == 100


def test_a_batch_whose_number_was_damaged_is_lost_rather_than_misplaced(whole: Whole) -> None:
    original, places = whole[1], whole[2]
    begin, end = places[4]
    number, other = b"\x01\0\0\x005\0", b"\x01\0\0\x007\0"
    damaged = original[:begin] + original[begin:end].replace(number, other, 1) + original[end:]
    assert damaged != original
    assert_only_damaged_are_lost(whole, damaged, lambda first, last: (first, last) == (begin, end))


def test_a_mark_across_the_edge_of_the_search_window_is_found(tmp_path: Path) -> None:
    with CaptureWriter.create(tmp_path, made_header()) as writer:
        head = (writer.path / "samples-0001.arrow").stat().st_size
        writer.append(made_samples(10))
    file = writer.path / "samples-0001.arrow"
    message = file.read_bytes()[head:]
    half_mark = message.index(writer.header.id.encode()) + 16
    for edge in (1 << 20, 4 << 20):
        file.write_bytes(bytes(edge - half_mark) + message)
        assert_same(open_capture(writer.path).samples(), made_samples(10))
