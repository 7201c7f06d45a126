"""What is written to a capture is what is read from it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
import yaml
from capture_makers import HandClock, assert_same, made_header, made_samples

from rig.capture import CaptureWriter, list_captures, open_capture
from rig.errors import CaptureError, RecorderError
from rig.samples import RawChannel, Samples


@pytest.mark.parametrize(("unit", "clock"), [("counts", "device"), ("lbf", "none")])
def test_samples_events_and_header_come_back_exactly(tmp_path: Path, unit: str, clock: str) -> None:
    samples = made_samples(10_000, unit=unit, clock=clock)
    header = made_header(
        samples,
        rig={"name": "bench", "force": {"per_count": "1 mN"}},
        method={"strokes": [1, 2.5]},
        notes="µ\n- x",
    )
    with CaptureWriter.create(tmp_path, header) as writer:
        for first in range(0, 10_000, 333):
            writer.append(samples[first : first + 333])
        writer.event("gap", device_time_us=np.int64(5), missing=3, ratio=np.float64("nan"))
        writer.end("as asked", {"bad_crc": np.int64(2), "causes": {"short": 1}})
    capture = open_capture(writer.path)
    assert_same(capture.samples(), samples)
    assert capture.header == header
    assert capture.how_it_ended == "as asked"
    assert capture.ending is not None
    assert (capture.ending.samples, capture.ending.unwritten_samples) == (10_000, 0)
    assert capture.ending.tallies == {"bad_crc": 2, "causes": {"short": 1}}
    assert capture.ending.duration_s == (None if clock == "none" else pytest.approx(9.999))
    assert [event["kind"] for event in capture.events()] == ["started", "gap", "ended"]
    gap = capture.events()[1]
    assert (gap["device_time_us"], gap["missing"], gap["ratio"]) == (5, 3, "nan")
    assert capture.damage == ()


def test_any_arrow_reader_opens_an_undamaged_file(tmp_path: Path) -> None:
    samples = made_samples(9_000)
    with CaptureWriter.create(tmp_path, made_header()) as writer:
        writer.append(samples)
    with pa.ipc.open_stream((writer.path / "samples-0001.arrow").read_bytes()) as reader:
        table = reader.read_all()
    assert table.column_names == ["seq", "time_us", "force", "position", "status"]
    np.testing.assert_array_equal(table["force"].to_numpy(), samples.force)
    assert table.schema.field("force").metadata == {b"unit": b"counts", b"resolution": b"1.0"}
    assert table.schema.metadata[b"capture"].decode() == writer.header.id


def test_the_folder_holds_what_the_design_says(tmp_path: Path) -> None:
    with CaptureWriter.create(tmp_path, made_header()) as writer:
        writer.append(made_samples(10))
        assert (writer.path / "reserve").stat().st_size == 64 * 1024
        assert not (writer.path / "end.yaml").exists()
    assert writer.path.name == "2026-11-25T073944Z-F-90_no._3"
    names = {entry.name for entry in writer.path.iterdir()}
    assert names == {"capture.yaml", "samples-0001.arrow", "events.jsonl", "end.yaml"}
    fields = yaml.safe_load((writer.path / "capture.yaml").read_text("utf-8"))
    assert fields["specimen"] == "F-90 no. 3"
    assert len(bytes.fromhex(fields["id"])) == 16


def test_a_second_capture_in_the_same_second_gets_its_own_folder(tmp_path: Path) -> None:
    writers = [CaptureWriter.create(tmp_path, made_header()) for _ in range(3)]
    for writer in writers:
        writer.end("done")
    assert len({writer.path for writer in writers}) == 3
    assert len({writer.header.id for writer in writers}) == 3


@pytest.mark.parametrize("specimen", ["../../etc", "a/b\\c:d", "...", "µ", "x" * 200])
def test_no_specimen_name_leaves_the_folder(tmp_path: Path, specimen: str) -> None:
    with CaptureWriter.create(tmp_path / "captures", made_header(specimen=specimen)) as writer:
        pass
    assert writer.path.parent == tmp_path / "captures"
    assert open_capture(writer.path).header.specimen == specimen


def test_samples_reach_the_file_after_half_a_second_or_a_full_batch(tmp_path: Path) -> None:
    clock = HandClock()
    writer = CaptureWriter.create(tmp_path, made_header(), clock=clock)
    file = writer.path / "samples-0001.arrow"
    head = file.stat().st_size
    writer.append(made_samples(100))
    clock.now_s += 0.4
    writer.append(made_samples(100, first=100))
    assert file.stat().st_size == head
    clock.now_s += 0.1
    writer.tick()
    assert len(open_capture(writer.path).samples()) == 200
    writer.append(made_samples(4500, first=200))
    assert len(open_capture(writer.path).samples()) == 200 + 4096
    writer.flush()
    assert_same(open_capture(writer.path).samples(), made_samples_joined())
    assert open_capture(writer.path).how_it_ended == "still recording"
    assert open_capture(writer.path).damage == ()
    writer.end("done")


def made_samples_joined() -> Samples:
    parts = [made_samples(100), made_samples(100, first=100), made_samples(4500, first=200)]
    return Samples.concatenate(parts)


def test_leaving_by_an_exception_says_so_and_keeps_what_was_taken(tmp_path: Path) -> None:
    writer = CaptureWriter.create(tmp_path, made_header())
    with pytest.raises(ZeroDivisionError), writer:
        writer.append(made_samples(50))
        raise ZeroDivisionError("by the platen")
    capture = open_capture(writer.path)
    assert capture.how_it_ended == "error: ZeroDivisionError('by the platen')"
    assert len(capture.samples()) == 50


def test_an_ended_capture_takes_nothing_more(tmp_path: Path) -> None:
    writer = CaptureWriter.create(tmp_path, made_header())
    writer.end("done")
    writer.end("done twice")
    for call in (
        lambda: writer.append(made_samples(1)),
        writer.tick,
        writer.flush,
        lambda: writer.event("x"),
    ):
        with pytest.raises(RecorderError, match="has ended"):
            call()
    assert open_capture(writer.path).how_it_ended == "done"
    with pytest.raises(CaptureError, match="has ended"):
        CaptureWriter.resume(writer.path)


def test_samples_of_another_channel_or_clock_are_refused(tmp_path: Path) -> None:
    with CaptureWriter.create(tmp_path, made_header()) as writer:
        for odd in (made_samples(3, unit="lbf"), made_samples(3, clock="host")):
            with pytest.raises(ValueError, match="declares"):
                writer.append(odd)


def test_a_killed_capture_goes_on_in_a_second_file(tmp_path: Path) -> None:
    killed = CaptureWriter.create(tmp_path, made_header())
    killed.append(made_samples(5000))
    killed.flush()
    killed._opened.close()
    with CaptureWriter.resume(killed.path) as writer:
        assert writer.samples == 5000
        writer.append(made_samples(300, first=6000))
    capture = open_capture(killed.path)
    assert capture.ending is not None
    assert capture.ending.samples == 5300
    assert [index.path.name for index in capture.files] == ["samples-0001.arrow", "samples-0002.arrow"]
    both = Samples.concatenate([made_samples(5000), made_samples(300, first=6000)])
    assert_same(capture.samples(), both)
    assert capture.damage == ()


def test_a_capture_without_samples_is_a_capture(tmp_path: Path) -> None:
    with CaptureWriter.create(tmp_path, made_header()) as writer:
        pass
    capture = open_capture(writer.path)
    assert len(capture.samples()) == 0
    assert list(capture.batches()) == []
    assert capture.damage == ()


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("specimen", ""),
        ("free_height_mm", -3.0),
        ("free_height_mm", float("nan")),
        ("id", "xyz"),
        ("clock", "sundial"),
        ("started", datetime(2026, 11, 25)),
    ],
)
def test_a_header_that_could_not_be_read_back_is_refused_before_anything_is_made(
    tmp_path: Path, field: str, value: object
) -> None:
    with pytest.raises(CaptureError, match=rf"capture.yaml: field '{field}'"):
        CaptureWriter.create(tmp_path, made_header(**{field: value}))
    assert list(tmp_path.iterdir()) == []


def test_a_header_with_what_yaml_lacks_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="cannot be written"):
        CaptureWriter.create(tmp_path, made_header(rig={"odd": object()}))


def test_a_wrong_field_names_file_and_field(tmp_path: Path) -> None:
    with CaptureWriter.create(tmp_path, made_header()) as writer:
        pass
    path = writer.path / "capture.yaml"
    path.write_text(path.read_text("utf-8").replace("free_height_mm: 90.0", "free_height_mm: tall"), "utf-8")
    with pytest.raises(CaptureError, match=r"capture\.yaml: field 'free_height_mm': found 'tall'"):
        open_capture(writer.path)


def test_what_is_no_capture_is_refused_in_words(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "absent"):
        with pytest.raises(CaptureError, match="expected"):
            open_capture(path)


def test_captures_are_listed_by_time_and_bad_ones_with_the_reason(tmp_path: Path) -> None:
    for day, specimen in ((3, "late"), (1, "early")):
        header = made_header(specimen=specimen, started=datetime(2026, 11, day, tzinfo=UTC))
        with CaptureWriter.create(tmp_path, header) as writer:
            writer.append(made_samples(1001))
    bad = tmp_path / "bad"
    bad.mkdir()
    (bad / "capture.yaml").write_text("specimen: [\n")
    (tmp_path / "something else").mkdir()
    (tmp_path / "a file").touch()
    listed = list_captures(tmp_path)
    assert [summary.specimen for summary in listed] == [None, "early", "late"]
    assert listed[0].problem is not None
    assert "capture.yaml" in listed[0].problem
    assert (listed[1].samples, listed[1].duration_s, listed[1].problem) == (1001, 1.0, None)
    with pytest.raises(CaptureError, match="no such folder"):
        list_captures(tmp_path / "absent")


def test_resolution_and_unit_of_channels_come_back(tmp_path: Path) -> None:
    samples = made_samples(5, unit="lbf")
    with CaptureWriter.create(tmp_path, made_header(samples)) as writer:
        writer.append(samples)
    assert open_capture(writer.path).samples().force_channel == RawChannel("lbf", 0.01)
