"""The table of an archive says what its captures say, and other programs read it."""

from __future__ import annotations

import multiprocessing
import os
import shutil
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest

from rig.capture import add_amendment, open_capture
from rig.errors import CaptureError
from rig.results import Asked, Workers, analyse_capture, archive, archive_frame, archive_table, column_values

EXAMPLES = Path(__file__).parents[2] / "captures"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Three captures, one of them in a folder below; and what is none."""
    # Captures that were just copied count as settled.
    monkeypatch.setattr(archive, "SETTLED_NS", 0)
    folder = tmp_path / "captures"
    for name, place in (("001", "float-a"), ("002", "float-b"), ("101", "week-1/float-c")):
        shutil.copytree(
            EXAMPLES / f"example-F-90-{name}", folder / place, ignore=shutil.ignore_patterns(".results")
        )
    (folder / "notes").mkdir()
    (folder / "README.md").write_text("no capture")
    shutil.copytree(folder / "float-a", folder / ".bin" / "deleted")
    return folder


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the captures whose headers were read."""
    seen: list[str] = []
    whole = archive._row

    def row(path: Path) -> Any:
        seen.append(path.name)
        return whole(path)

    monkeypatch.setattr(archive, "_row", row)
    return seen


def index(folder: Path) -> Path:
    return folder / ".results" / "captures.parquet"


def test_a_row_says_what_header_and_end_say(folder: Path) -> None:
    rows = archive_table(folder).to_pylist()
    assert [row["capture"] for row in rows] == ["float-a", "float-b", "week-1/float-c"]
    for row in rows:
        capture = open_capture(folder / row["capture"])
        assert row["specimen"] == capture.header.specimen
        assert row["batch"] == capture.header.batch
        assert row["started"] == capture.header.started
        assert row["samples"] == len(capture.samples())
        assert row["rig"] == "virtual"
        assert row["peak_force_n"] is row["cycles"] is row["problem"] is None


def test_a_capture_is_still_recording_until_its_recorder_is_gone(folder: Path) -> None:
    fcntl = pytest.importorskip("fcntl", reason="locks of a POSIX system")
    (folder / "float-b" / "end.yaml").unlink()
    with (folder / "float-b" / "samples-0001.arrow").open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        assert column_values(archive_table(folder), "how_it_ended")[1] == "still recording"
    # no file has changed since
    assert column_values(archive_table(folder), "how_it_ended")[1] == "killed: no end.yaml"


def test_only_what_has_changed_is_read_again(folder: Path, read: list[str]) -> None:
    first = archive_table(folder)
    assert sorted(read) == ["float-a", "float-b", "float-c"]
    read.clear()
    assert archive_table(folder).equals(first)
    assert read == []
    header = open_capture(folder / "float-b").header
    add_amendment(
        folder / "float-b",
        header,
        "amended",
        reason="a slip",
        fields={"batch": "autumn mould", "conditions": {"tags": "trial, for the sheet", "state": "aged"}},
    )
    shutil.rmtree(folder / "week-1")
    changed = archive_table(folder)
    assert read == ["float-b"]
    assert column_values(changed, "batch") == ["spring mould", "autumn mould"]
    assert column_values(changed, "tags") == [None, "trial, for the sheet"]
    assert column_values(changed, "state") == [None, "aged"]


def test_a_file_of_the_same_size_and_time_is_read_again(folder: Path, read: list[str]) -> None:
    archive_table(folder)
    read.clear()
    path = folder / "float-a" / "capture.yaml"
    about = path.stat()
    path.write_text(path.read_text(encoding="utf-8").replace("spring", "autumn"), encoding="utf-8")
    os.utime(path, ns=(about.st_atime_ns, about.st_mtime_ns))
    assert column_values(archive_table(folder), "batch")[0] == "autumn mould"
    assert read == ["float-a"]


def test_what_changed_a_moment_ago_is_not_trusted(
    folder: Path, read: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archive, "SETTLED_NS", 10**18)
    archive_table(folder)
    archive_table(folder)
    assert sorted(read) == ["float-a", "float-a", "float-b", "float-b", "float-c", "float-c"]


def test_key_figures_are_those_of_the_analysis(folder: Path) -> None:
    archive_table(folder)
    _, result = analyse_capture(folder / "float-a", Asked())
    analyse_capture(folder / "float-b", Asked(conditioning=1))
    rows = archive_table(folder).to_pylist()
    assert rows[0]["cycles"] == rows[0]["cycles_counted"] == len(result)
    for column, name in archive.FIGURES.items():
        numbers = result.summary[name]
        assert rows[0][column] == (numbers["mean"] if numbers["n"] else None), column
        assert rows[0][f"{column}_u"] == (numbers["u"] if numbers["n"] else None), column
    assert rows[0]["set_last_mm"] == result.columns["set_mm"][-1]
    assert rows[1]["cycles"] is None
    # figures go with a change of what they were measured from
    header = open_capture(folder / "float-a").header
    add_amendment(folder / "float-a", header, "excluded", reason="it slipped", cycles=[1])
    assert archive_table(folder).to_pylist()[0]["cycles"] is None


def test_flags_are_counted(folder: Path) -> None:
    add_amendment(
        folder / "float-a", open_capture(folder / "float-a").header, "excluded", reason="slip", cycles=[2, 3]
    )
    analyse_capture(folder / "float-a", Asked())
    row = archive_table(folder).to_pylist()[0]
    assert "(2)" in row["flags"]
    assert row["cycles_counted"] == row["cycles"] - 2


def test_all_that_lack_figures_are_measured_on_request(folder: Path) -> None:
    assert None not in column_values(archive_table(folder, workers=Workers(processes=1)), "peak_force_n")


def test_a_capture_that_cannot_be_opened_says_why(folder: Path) -> None:
    (folder / "float-a" / "capture.yaml").write_text("specimen: [", encoding="utf-8")
    next((folder / "float-a").glob("samples-*.arrow")).unlink()
    row = archive_table(folder).to_pylist()[0]
    assert "capture.yaml" in row["problem"]
    assert row["specimen"] is None


@pytest.mark.parametrize(
    "damage",
    [
        lambda data: b"",
        lambda data: data[:-1],
        lambda data: data[: len(data) // 2],
        lambda data: data[:100] + bytes([data[100] ^ 1]) + data[101:],
        lambda data: data[:-20] + bytes([data[-20] ^ 1]) + data[-19:],
        lambda data: bytes(len(data)),
        lambda data: data + data,
    ],
    ids=["empty", "cut by one", "halved", "one bit", "one bit of the footer", "zeros", "twice"],
)
def test_a_damaged_table_is_worked_out_anew(folder: Path, read: list[str], damage: Any) -> None:
    first = archive_table(folder)
    whole = index(folder).read_bytes()
    index(folder).write_bytes(damage(whole))
    read.clear()
    assert archive_table(folder).equals(first)
    assert len(read) == 3
    assert index(folder).read_bytes() == whole


def test_a_table_of_another_version_is_worked_out_anew(
    folder: Path, read: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    archive_table(folder)
    read.clear()
    monkeypatch.setattr(archive, "arithmetic_version", lambda: "another")
    archive_table(folder)
    assert len(read) == 3


def test_a_table_that_cannot_be_written_costs_only_time(folder: Path) -> None:
    # A file where the folder should be; a folder without rights would not stop an administrator.
    (folder / ".results").write_text("in the way")
    assert len(archive_table(folder)) == 3


def test_a_folder_without_captures_stays_as_it_is(tmp_path: Path) -> None:
    assert len(archive_table(tmp_path)) == 0
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(CaptureError, match="no such folder"):
        archive_table(tmp_path / "absent")


@pytest.mark.skipif(os.name != "posix", reason="names of bytes, and links")
def test_odd_names_and_links_in_circles_are_listed_or_passed_over(folder: Path) -> None:
    odd = os.fsencode(folder) + b"/float-\xff[red]"
    shutil.copytree(os.fsencode(folder / "float-a"), odd)
    (folder / "circle").symlink_to(folder, target_is_directory=True)
    (folder / "knot").symlink_to("knot")
    names = column_values(archive_table(folder), "capture")
    assert names == [r"float-\udcff[red]", "float-a", "float-b", "week-1/float-c"]


def _list_often(folder: Path) -> None:
    for number in range(20):
        (folder / "float-a" / "events.jsonl").write_bytes(b"\n" * number)
        assert len(archive_table(folder)) == 3


def test_two_processes_at_once_do_no_harm(folder: Path) -> None:
    context = multiprocessing.get_context("spawn")
    both = [context.Process(target=_list_often, args=(folder,)) for _ in range(2)]
    for process in both:
        process.start()
    for process in both:
        process.join()
    assert [process.exitcode for process in both] == [0, 0]
    assert len(archive_table(folder)) == 3
    assert sorted(path.name for path in (folder / ".results").iterdir()) == [".gitignore", "captures.parquet"]


def test_other_programs_read_the_table_in_one_line(folder: Path) -> None:
    analyse_capture(folder / "float-a", Asked())
    own = archive_frame(folder)
    read_by_pandas = pd.read_parquet(index(folder))
    pd.testing.assert_frame_equal(read_by_pandas[own.columns], own)
    found = duckdb.sql(
        f"SELECT specimen, started, peak_force_n FROM '{index(folder)}' WHERE peak_force_n > 0"
    ).fetchall()
    assert found == [(own.specimen[0], own.started[0].to_pydatetime(), own.peak_force_n[0])]
