"""A capture as one table for other programs, written block by block with flat memory.

The file appears under its name only when it is whole: it is written beside it and renamed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, suppress
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from rig.capture.opened import Capture
from rig.errors import CaptureError, InputError, RecorderError
from rig.samples import FloatArray, Samples

Calibrated = Callable[[Samples], Mapping[str, FloatArray]]
"""Further columns for a stretch of samples, by name; always the same names, each as long as the samples."""

_BLOCK_ROWS = 1 << 16


def export_samples(
    capture: Capture, to: Path, *, calibrated: Calibrated | None = None, overwrite: bool = False
) -> None:
    """Write the samples of a capture to a CSV or Parquet file.

    Parameters
    ----------
    to
        The file; its suffix, .csv or .parquet, says which kind.
    calibrated
        Gives further columns, such as `time_s`, `force_n` and `position_mm`, for each block of samples.
        Where a value is nan, the cell is left empty.
    overwrite
        Whether a file of that name may be replaced.

    Raises
    ------
    InputError
        If the suffix is another one, or the file exists and must not be replaced.
    RecorderError
        If the disk refuses; nothing is then left behind.

    Notes
    -----
    The columns are seq, time_us, force, position, status and those of `calibrated`. Raw columns bear their
    unit in their names (`force_counts`, `force_lbf`). Without a clock, `time_us` is left empty.
    """
    openers: dict[str, Callable[..., Any]] = {".csv": _CsvWriter, ".parquet": pa.parquet.ParquetWriter}
    opener = openers.get(to.suffix.lower())
    if opener is None:
        raise InputError(f"{to}: unknown suffix {to.suffix!r}; give a name that ends in .csv or .parquet")
    if to.exists() and not overwrite:
        raise CaptureError(f"{to}: already exists and is not overwritten; choose another name")
    temporary = to.with_name(f".{to.name}.tmp")
    try:
        tables = (_table(block, calibrated) for block in _blocks(capture))
        first = next(tables)  # there is one even of an empty capture: it says which columns there are
        with closing(opener(temporary, first.schema)) as writer:
            for table in chain([first], tables):
                writer.write_table(table)
        temporary.replace(to)
    except OSError as refusal:
        raise RecorderError(
            f"{to}: cannot be written ({refusal.strerror or refusal}); choose a folder with room"
        ) from refusal
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


class _CsvWriter:
    """Arrow's CSV writer with a header line of bare names."""

    def __init__(self, path: Path, schema: pa.Schema) -> None:
        self._file = path.open("wb")
        self._file.write((",".join(schema.names) + "\n").encode())
        options = pyarrow.csv.WriteOptions(include_header=False)
        self._writer = pyarrow.csv.CSVWriter(self._file, schema, write_options=options)

    def write_table(self, table: pa.Table) -> None:
        self._writer.write_table(table)

    def close(self) -> None:
        with self._file:
            self._writer.close()


def _blocks(capture: Capture) -> Iterator[Samples]:
    """Yield the samples in blocks of some size; at least one, empty for an empty capture."""
    header = capture.header
    gathered, rows = [Samples.empty(header.force, header.position, header.clock)], 0
    for batch in capture.batches():
        gathered.append(batch)
        rows += len(batch)
        if rows >= _BLOCK_ROWS:
            yield Samples.concatenate(gathered)
            gathered, rows = [gathered[0]], 0
    yield Samples.concatenate(gathered)


def _table(samples: Samples, calibrated: Calibrated | None) -> pa.Table:
    timeless = samples.clock == "none"
    columns: dict[str, Any] = {
        "seq": pa.array(samples.seq),
        "time_us": pa.nulls(len(samples), pa.int64()) if timeless else pa.array(samples.time_us),
        f"force_{samples.force_channel.unit.lower()}": pa.array(samples.force),
        f"position_{samples.position_channel.unit.lower()}": pa.array(samples.position),
        "status": pa.array(samples.status),
    }
    for name, values in (calibrated(samples) if calibrated else {}).items():
        # from_pandas makes nan an empty cell
        columns[name] = pa.array(np.asarray(values, np.float64), from_pandas=True)
    return pa.table(columns)
