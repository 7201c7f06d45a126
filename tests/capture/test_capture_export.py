"""A capture as CSV or Parquet holds the samples, and further columns where they are given."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from capture_makers import assert_same, made_header, made_samples

from rig.capture import Capture, CaptureWriter, export_samples, import_table, open_capture, parse_column
from rig.errors import InputError, RecorderError
from rig.samples import Samples


def captured(folder: Path, samples: Samples) -> Capture:
    with CaptureWriter.create(folder / "captures", made_header(samples)) as writer:
        writer.append(samples)
    return open_capture(writer.path)


def in_newtons(samples: Samples) -> dict[str, np.ndarray]:
    force_n = samples.force * 0.001
    force_n[samples.force == 0] = np.nan
    return {"force_n": force_n}


def test_a_csv_holds_every_sample_under_the_agreed_headings(tmp_path: Path) -> None:
    samples = made_samples(150_000)
    to = tmp_path / "out.csv"
    export_samples(captured(tmp_path, samples), to, calibrated=in_newtons)
    with to.open(newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == ["seq", "time_us", "force_counts", "position_counts", "status", "force_n"]
    whole = np.array([row[:5] for row in rows[1:]], np.int64)
    for place, name in enumerate(("seq", "time_us", "force", "position", "status")):
        np.testing.assert_array_equal(whole[:, place], getattr(samples, name))
    force_n = [row[5] for row in rows[1:]]
    assert {cell == "" for cell, raw in zip(force_n, samples.force, strict=True) if raw == 0} == {True}
    assert {float(cell) for cell in force_n if cell} == {-0.002, -0.001, 0.001}


def test_a_parquet_holds_every_sample(tmp_path: Path) -> None:
    samples = made_samples(70_000, unit="lbf")
    to = tmp_path / "out.parquet"
    export_samples(captured(tmp_path, samples), to)
    table = pq.read_table(to)
    assert table.column_names == ["seq", "time_us", "force_lbf", "position_in", "status"]
    np.testing.assert_array_equal(table["force_lbf"].to_numpy(), samples.force)
    np.testing.assert_array_equal(table["seq"].to_numpy(), samples.seq)


def test_an_exported_csv_can_be_imported_again(tmp_path: Path) -> None:
    samples = made_samples(5000, unit="lbf")
    to = tmp_path / "out.csv"
    export_samples(captured(tmp_path, samples), to)
    again = import_table(
        to,
        time=parse_column("time_us:us"),
        position=parse_column("position_in:in"),
        force=parse_column("force_lbf:lbf"),
    ).samples
    for name in ("time_us", "force", "position"):
        np.testing.assert_array_equal(getattr(again, name), getattr(samples, name))


def test_without_a_clock_the_time_is_left_empty(tmp_path: Path) -> None:
    to = tmp_path / "out.csv"
    export_samples(captured(tmp_path, made_samples(2, unit="lbf", clock="none")), to)
    assert [line.split(",")[1] for line in to.read_text().splitlines()] == ["time_us", "", ""]


def test_an_empty_capture_gives_the_headings_alone(tmp_path: Path) -> None:
    to = tmp_path / "out.csv"
    export_samples(captured(tmp_path, made_samples(0)), to, calibrated=in_newtons)
    assert to.read_text() == "seq,time_us,force_counts,position_counts,status,force_n\n"


def test_a_file_is_not_overwritten_unasked(tmp_path: Path) -> None:
    capture = captured(tmp_path, made_samples(5))
    to = tmp_path / "out.csv"
    to.write_text("somebody's")
    with pytest.raises(InputError, match="already exists"):
        export_samples(capture, to)
    assert to.read_text() == "somebody's"
    export_samples(capture, to, overwrite=True)
    assert to.read_text().startswith("seq,")


def test_an_unknown_suffix_or_absent_folder_is_refused_in_words(tmp_path: Path) -> None:
    capture = captured(tmp_path, made_samples(5))
    with pytest.raises(InputError, match=r"\.csv or \.parquet"):
        export_samples(capture, tmp_path / "out.xlsx")
    for suffix in (".csv", ".parquet"):
        with pytest.raises(RecorderError, match="cannot be written"):
            export_samples(capture, tmp_path / "absent" / f"out{suffix}")


def test_an_export_that_fails_leaves_nothing_behind(tmp_path: Path) -> None:
    def failing(samples: Samples) -> dict[str, np.ndarray]:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        export_samples(captured(tmp_path, made_samples(5)), tmp_path / "out.csv", calibrated=failing)
    assert [entry.name for entry in tmp_path.iterdir()] == ["captures"]


def test_a_capture_is_read_whole_or_by_batches_alike(tmp_path: Path) -> None:
    samples = made_samples(20_000)
    capture = captured(tmp_path, samples)
    batches = list(capture.batches())
    assert max(map(len, batches)) <= 4096
    assert_same(Samples.concatenate(batches), samples)
