"""The captures of a folder as one table: what their headers say, and key figures where they were measured.

Problem: ten thousand headers take seconds to parse, and a person asks again and again. Plan: the table lies
as Parquet in `.results` of the folder, beside the captures. A row stays for as long as sizes and time stamps
of its capture's files do; other rows are read anew. The file is replaced as a whole, so that several
processes at once do no harm, holds a digest, and can be deleted at any time. Cost: one look at each
capture's files, a quarter of a second for ten thousand.
"""

from __future__ import annotations

import hashlib
import os
import re
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from rig.core import read_bytes
from rig.errors import CaptureError, InputError
from rig.results.derived import DIGEST_BYTES, FOLDER, arithmetic_version, replace_derived
from rig.results.progress import Progress, no_progress

if TYPE_CHECKING:
    from rig.results.many import Workers

INDEX = "captures.parquet"

LEVELS = 3
"""Captures may lie in folders of a folder, such as one for each week of each rig."""

MOST_BYTES = 1 << 28
"""Of the index; ten thousand captures take three million."""

SETTLED_NS = 3_000_000_000
"""A file that changed this short a time ago may change again within the same tick of the clock that stamps
files, two seconds on some disks: its row is not trusted next time."""

MOST_UNSEEN = 200
"""Headers that are read without showing how far that is: they take a fifth of a second."""

FIRST_ROWS = 400
"""Headers after which the first rows are handed on; then after each doubling, so that this costs little."""

LONGEST_TEXT = 1000
"""Characters of a text that are kept; a longer one is no name."""

FIGURES: Mapping[str, str] = {
    name: name
    for name in (
        "peak_force_n",
        "peak_deflection_mm",
        "secant_n_per_mm",
        "energy_absorbed_mj",
        "hysteresis_pct",
        "rate_mm_per_s",
        "force_retention_10s_pct",
    )
} | {f"force_at_{depth}pct_n": f"at {depth}%.loading_n" for depth in (10, 25, 40, 50, 65)}
"""Key figures by column: means over the cycles that count."""

LAST_SET = "set_last_mm"

TEXTS = (
    "specimen", "batch", "state", "method", "rig", "operator", "tags", "source", "how_it_ended", "left_out",
    "problem", "flags",
)  # fmt: skip

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_STAMPS = ("stamp", "kept_stamp")

_SCHEMA = pa.schema(
    [
        *((name, pa.string()) for name in ("capture", "id")),
        ("started", pa.timestamp("us", "UTC")),
        *((name, pa.string()) for name in TEXTS),
        *((name, pa.int64()) for name in ("samples", "cycles", "cycles_counted")),
        *((name, pa.float64()) for name in ("duration_s", "free_height_mm", "area_mm2")),
        *((name + end, pa.float64()) for name in (*FIGURES, LAST_SET) for end in ("", "_u")),
        *((name, pa.string()) for name in _STAMPS),
    ]
)

_OF_A_CAPTURE = re.compile(r"(capture|end)\.yaml|events\.jsonl|amendments\.jsonl|samples-\d{4,9}\.arrow")
_LENGTH_AND_MARK = 8
"""Bytes at the end of a Parquet file: the length of its footer, and a mark."""


def archive_table(
    folder: Path,
    *,
    workers: Workers | None = None,
    progress: Progress = no_progress,
    so_far: Callable[[pa.Table], None] | None = None,
) -> pa.Table:
    """Return a table with one row per capture in a folder and the folders below it, by their paths.

    Column `capture` is the path below the folder. A null says that a capture has no such value; key figures
    are null until the capture is measured. Only captures that have changed are read.

    Parameters
    ----------
    workers
        Who measures the captures that have no key figures yet; None to measure none.
    so_far
        Gets the rows that are there already, now and then while many headers are read.

    Raises
    ------
    CaptureError
        If the folder does not exist.
    """
    if not folder.is_dir():
        raise CaptureError(f"{folder}: no such folder; expected one that holds captures")
    if workers is not None:
        _measure(folder, archive_table(folder, progress=progress), workers, progress)
    known = _read(folder / FOLDER / INDEX)
    places = {name: place for place, name in enumerate(known["capture"].to_pylist())}
    stamps = list(
        zip(*(known[name].to_pylist() for name in _STAMPS), known["cycles"].to_pylist(), strict=True)
    )
    kept: list[int] = []
    changed: list[tuple[str, str, str, str]] = []
    for name, path, stamp, kept_stamp in _captures_below(str(folder)):
        # a row is as good as the stamps of its capture's files: sizes and times of change
        place = places.get(name)
        old_stamp, old_kept_stamp, cycles = ("", "", None) if place is None else stamps[place]
        # figures stay what they were; where there are none, the capture may have been measured since
        figures_stay = cycles is not None or kept_stamp == old_kept_stamp
        if place is not None and stamp and stamp == old_stamp and figures_stay:
            kept.append(place)
        else:
            changed.append((name, path, stamp, kept_stamp))
    if not changed and len(kept) == len(known):
        return known.drop_columns(list(_STAMPS))
    from rig.capture import STILL_RECORDING

    rows: list[dict[str, Any]] = []
    next_rows = FIRST_ROWS
    changed.reverse()  # a folder's name begins with its day: the newest are looked for first
    with (progress if len(changed) > MOST_UNSEEN else no_progress)("reading headers", len(changed)) as show:
        for done, (name, path, stamp, kept_stamp) in enumerate(changed):
            show(done, name)
            if so_far is not None and done == next_rows:
                so_far(_with_rows(known, kept, rows))
                next_rows *= 2
            row = {"capture": name, "stamp": stamp, "kept_stamp": kept_stamp} | _row(Path(path))
            if kept_stamp and "problem" not in row:
                row |= _figures(Path(path))
            # a recorder that is killed changes no file: such a row is not trusted next time
            rows.append(row | ({"stamp": ""} if row.get("how_it_ended") == STILL_RECORDING else {}))
    found = _with_rows(known, kept, rows)
    if len(found):
        with suppress(OSError):  # a folder that cannot be written costs only time
            sink = pa.BufferOutputStream()
            pq.write_table(found, sink)
            data = sink.getvalue().to_pybytes()
            # the digest lies in front of the footer, where no reader of Parquet looks
            end = _footer_start(data)
            replace_derived(folder / FOLDER / INDEX, data[:end], _digest(data), data[end:])
    return found.drop_columns(list(_STAMPS))


def _with_rows(known: pa.Table, kept: Sequence[int], rows: Sequence[dict[str, Any]]) -> pa.Table:
    """Return some rows of the index and new ones, by their paths."""
    found = pa.concat_tables([taken(known, kept), _new_table(rows)]).combine_chunks()
    names = found["capture"].to_pylist()
    return taken(found, sorted(range(len(names)), key=names.__getitem__))


def column_values(table: pa.Table, name: str) -> list[Any]:
    """Return a column as Python's own values, None for a null."""
    column = table[name]
    if pa.types.is_timestamp(column.type):
        # not by pyarrow, which imports pandas for a time with a zone
        times_us = column.combine_chunks().view(pa.int64()).to_pylist()
        return [None if time_us is None else _EPOCH + timedelta(microseconds=time_us) for time_us in times_us]
    values: list[Any] = column.to_pylist()
    return values


def taken(table: pa.Table, rows: Sequence[int]) -> pa.Table:
    """Return some rows of a table, in the order given."""
    first = rows[0] if rows else 0
    if list(rows) == list(range(first, first + len(rows))):
        return table.slice(first, len(rows))  # `take` imports all of `pyarrow.compute`
    # not a list, which makes pyarrow import pandas
    buffer = pa.py_buffer(np.array(rows, np.int64))
    return table.take(pa.Array.from_buffers(pa.int64(), len(rows), [None, buffer]))


def _measure(folder: Path, table: pa.Table, workers: Workers, progress: Progress) -> None:
    from rig.results.analysing import Asked
    from rig.results.many import keep_measured, measure_ahead

    columns = [column_values(table, name) for name in ("capture", "cycles", "problem")]
    tasks = [
        (folder / name, Asked())
        for name, cycles, problem in zip(*columns, strict=True)
        if cycles is None and problem is None
    ]
    measure_ahead(tasks, workers, progress=progress)
    with progress("measuring", len(tasks)) as show:  # what was not worth several processes
        for done, task in enumerate(tasks):
            show(done, task[0].name)
            keep_measured(*task)


def _captures_below(
    folder: str, above: str = "", levels: int = LEVELS
) -> Iterator[tuple[str, str, str, str]]:
    """Yield name, path and stamps of each capture."""
    try:
        with os.scandir(folder) as entries:
            inside = [(entry.name, entry.path) for entry in entries if not entry.name.startswith(".")]
    except OSError:
        return
    for bare_name, path in sorted(inside):
        stamps = _stamps_of(path)
        if stamps is not None:
            yield above + _text(bare_name), path, *stamps
        elif levels > 1 and not os.path.islink(path):  # noqa: PTH114  a `Path` for each takes longer
            yield from _captures_below(path, f"{above}{_text(bare_name)}/", levels - 1)


def _stamps_of(path: str) -> tuple[str, str] | None:
    """Return what changes with the files of a capture, and with its kept results; None for other folders."""
    found, kept, newest_ns = [], "", 0
    try:
        with os.scandir(path) as entries:
            files = [
                entry for entry in entries if _OF_A_CAPTURE.fullmatch(entry.name) or entry.name == FOLDER
            ]
    except OSError:
        return None
    for entry in files:
        try:
            about = entry.stat()
        except OSError:  # a link to nothing, or to itself
            found.append((entry.name, 0, 0, 0))
            continue
        if entry.name == FOLDER:
            kept = str(about.st_mtime_ns)
        else:
            newest_ns = max(newest_ns, about.st_mtime_ns, about.st_ctime_ns)
            found.append((entry.name, about.st_size, about.st_mtime_ns, about.st_ctime_ns))
    if not any(name.startswith(("capture", "samples")) for name, *_ in found):
        return None
    if time.time_ns() - newest_ns < SETTLED_NS:
        return "", kept
    return hashlib.blake2b(repr(sorted(found)).encode(), digest_size=16).hexdigest(), kept


def _row(path: Path) -> dict[str, Any]:
    """Return what a capture says about itself."""
    from rig.capture import open_capture

    try:
        capture = open_capture(path)
    except (InputError, OSError) as refusal:
        return {"problem": _text(refusal)}
    header, ending, left_out = capture.header, capture.ending, capture.exclusions.capture
    typed = header.typed_conditions
    texts: dict[str, Any] = {
        "id": header.id,
        "specimen": header.specimen,
        "batch": header.batch,
        "state": typed.get("state"),
        "method": header.ordered.title or None,
        "rig": header.rig.get("name"),
        "operator": header.operator,
        "tags": typed.get("tags"),
        "source": header.source,
        "how_it_ended": capture.how_it_ended,
        "left_out": None if left_out is None else left_out.reason,
    }
    return {
        **{name: None if text is None else _text(text) for name, text in texts.items()},
        "started": header.started,
        "samples": ending.samples if ending and ending.samples < 1 << 63 else None,
        "duration_s": ending.duration_s if ending else None,
        "free_height_mm": header.free_height_mm,
        "area_mm2": header.area_mm2,
    }


def _figures(path: Path) -> dict[str, Any]:
    """Return key figures from the result that was kept when the capture was measured without options."""
    # the capture's bytes are read for the name of a result: only where there may be one
    if not any((path / FOLDER).glob("*.arrow")):
        return {}
    from rig.analyser import flag_labels
    from rig.calibration import Calibration
    from rig.results.analysing import Asked, last_set_row

    try:
        result = Asked().kept_at(path).read(Calibration())
    except OSError:
        result = None
    if result is None:
        return {}
    figures: dict[str, Any] = {}
    for column, name in FIGURES.items():
        numbers = result.summary.get(name, {"n": 0})
        if numbers["n"]:
            figures |= {column: numbers["mean"], f"{column}_u": numbers["u"]}
    flags = Counter(label for found in result.columns.get("flags", ()) for label in flag_labels(int(found)))
    row = last_set_row(result)
    if row is not None:
        figures |= {f"{LAST_SET}{end}": float(result.columns[f"set_mm{end}"][row]) for end in ("", "_u")}
    return figures | {
        "cycles": len(result),
        "cycles_counted": int(result.summary.get("peak_force_n", {"n": 0})["n"]),
        "flags": "; ".join(f"{label} ({count})" for label, count in flags.items()) or None,
    }


def _new_table(rows: Sequence[Mapping[str, Any]]) -> pa.Table:
    """Return rows as a table; nulls where they have no value."""
    columns = [_new_column(field.type, [row.get(field.name) for row in rows]) for field in _SCHEMA]
    return pa.Table.from_arrays(columns, schema=_SCHEMA)


def _new_column(kind: pa.DataType, values: list[Any]) -> pa.Array:
    """Return values as an array by its buffers: pyarrow's own ways import pandas, a third of a second."""
    # Arrow's layout: a bit per value that is there, then the values end to end
    is_known = np.array([value is not None for value in values], bool)
    valid = pa.py_buffer(np.packbits(is_known, bitorder="little"))
    if pa.types.is_string(kind):
        texts = [b"" if value is None else value.encode() for value in values]
        ends = np.cumsum([0, *map(len, texts)], dtype=np.int32)
        return pa.Array.from_buffers(
            kind, len(values), [valid, pa.py_buffer(ends), pa.py_buffer(b"".join(texts))]
        )
    if pa.types.is_timestamp(kind):
        values = [None if at is None else (at - _EPOCH) // timedelta(microseconds=1) for at in values]
    numbers = np.array(
        [0 if value is None else value for value in values],
        np.float64 if pa.types.is_floating(kind) else np.int64,
    )
    return pa.Array.from_buffers(kind, len(values), [valid, pa.py_buffer(numbers)])


def _text(value: object) -> str:
    """Return a text that UTF-8 can hold; bytes of a file name that it cannot become escapes."""
    return str(value)[:LONGEST_TEXT].encode("utf-8", "backslashreplace").decode()


def _read(path: Path) -> pa.Table:
    """Return the index; an empty table if there is none that this version wrote, or it is damaged."""
    try:
        sealed = read_bytes(path, most=MOST_BYTES)
        end = _footer_start(sealed)
        data = sealed[: end - DIGEST_BYTES] + sealed[end:]
        if _digest(data) == sealed[end - DIGEST_BYTES : end]:
            return pq.ParquetFile(pa.BufferReader(data)).read(use_threads=False)
    except (InputError, OSError, ValueError):
        pass
    return _new_table([])


def _footer_start(data: bytes) -> int:
    return len(data) - _LENGTH_AND_MARK - int.from_bytes(data[-_LENGTH_AND_MARK:][:4], "little")


def _digest(data: bytes) -> bytes:
    return hashlib.blake2b(arithmetic_version().encode() + data, digest_size=DIGEST_BYTES).digest()
