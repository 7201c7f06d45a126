"""Line format: the text of firmware that people already have, to samples, and back.

Problem: text is easily cut or damaged into other text that still parses. Plan: one pattern, built from
the format, accepts whole runs of good lines; these are parsed column by column, and their ranges and
checksums checked as arrays. A line that the pattern or the checks decline is judged alone, only to name
the cause: nothing is ever accepted on that path. Cost: a decoder holds one unfinished line, never more
than `MAX_LINE` bytes; a good line costs one match and one conversion for each number.
"""

from __future__ import annotations

import re
from functools import reduce
from operator import xor
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from rig.errors import InputError
from rig.samples import COUNTS, BoolArray, FloatArray, IntArray, RawArray
from rig.wire.decoded import Decoded, Placed, Tally
from rig.wire.line_format import (
    AUXILIARY_LIMIT,
    AUXILIARY_UNITS,
    MAX_LINE,
    TIME_LIMIT_US,
    TIME_UNITS_US,
    WHITESPACE,
    LineFormat,
    field_patterns,
    good_lines,
)
from rig.wire.messages import Note
from rig.wire.sample_block import SampleBlock

_LINE_END = re.compile(rb"[\r\n]")
_LINE_ENDS = re.compile(rb"[\r\n]+")
_BLANKS = re.compile(rb"[ \t]+")
_CHECKSUM = re.compile(rb"\*[0-9A-F]{2}(?=[\r\n])")

_MODULUS = {"seq": 2**16, "status": 2**8}
_COUNTS = np.iinfo(np.int32)

_DECIMALS = 6
"""Of an auxiliary value printed in another unit: finer than any such sensor."""

Column = TypeVar("Column", IntArray, FloatArray)


def encode_lines(block: SampleBlock, line_format: LineFormat) -> bytes:
    r"""Return samples as text lines, each ended by \n.

    Parameters
    ----------
    block
        Samples with the columns that the format asks for. Seq and time may be unwrapped; they are
        printed modulo 2^16 and `line_format.time_modulus_us`. A skipped column is printed as 0, and an
        auxiliary one in the unit that `line_format.auxiliary_scales` tells.

    Raises
    ------
    InputError
        If the block lacks a column that the format names.

    Examples
    --------
    >>> import numpy as np
    >>> from rig.wire import LineFormat, SampleBlock, encode_lines
    >>> counts = np.array([7, 8], np.int32)
    >>> block = SampleBlock(None, np.array([0, 1000]), counts, -counts, np.zeros(2, np.uint8))
    >>> encode_lines(block, LineFormat())
    b'0,7,-7\n1000,8,-8\n'
    """
    separator = " " if line_format.separator == WHITESPACE else line_format.separator
    columns = [_printed(block, line_format, name) for name in line_format.columns]
    lines = [separator.join(fields) for fields in zip(*columns, strict=True)]
    if not lines:
        return b""
    if line_format.checksum == "xor8":
        lines = [f"{line}*{reduce(xor, line.encode(), 0):02X}" for line in lines]
    return ("\n".join(lines) + "\n").encode()


class LineDecoder:
    r"""Text lines in, samples and notes out.

    Lines end with \n, \r\n or \r. A comment becomes a `Note`. It never raises on any bytes, and any
    chopping of a stream gives the same samples and the same tally.

    Attributes
    ----------
    tally
        Counts since the start, of accepted lines and of those thrown away, by cause.
    first_rejected, last_rejected
        The first and the last line thrown away, without its end, cut at `MAX_LINE` bytes.

    Examples
    --------
    >>> from rig.wire import LineDecoder, LineFormat
    >>> decoder = LineDecoder(LineFormat(columns=("force", "position")))
    >>> decoder.feed(b"10,200\n11,nan\n12,2").samples.force
    array([10], dtype=int32)
    >>> decoder.tally.not_a_number, decoder.last_rejected, decoder.pending_bytes
    (1, b'11,nan', 4)
    """

    def __init__(self, line_format: LineFormat) -> None:
        self.format = line_format
        self.tally = Tally()
        self.first_rejected: bytes | None = None
        self.last_rejected: bytes | None = None
        self._good_lines = good_lines(line_format)
        self._patterns = field_patterns(line_format)
        self._pending = b""
        self._skipping = False  # inside a line that has been counted already

    @property
    def pending_bytes(self) -> int:
        """Bytes of the line that is not finished yet."""
        return len(self._pending)

    def restart(self) -> None:
        """Drop an unfinished line, and skip to the next line end where no checksum guards.

        For a port opened in mid-stream: the rest of a cut line can look like a whole one with other
        numbers. The line that is skipped is counted as cut.
        """
        guarded = self.format.checksum != "none"
        if self._pending or not guarded:
            self.tally.reject("cut", len(self._pending))
        self._pending = b""
        self._skipping = not guarded

    def feed(self, data: bytes) -> Decoded:
        """Decode what `data` completes."""
        buffer = self._pending + data
        position = 0
        if self._skipping:
            end = _LINE_END.search(buffer)
            position = end.end() if end else len(buffer)
            self.tally.bytes_discarded += position
            self._skipping = end is None
        finished = max(position, buffer.rfind(b"\n") + 1, buffer.rfind(b"\r") + 1)
        # A block without samples comes first: it has the columns of the format even where no line is good.
        blocks = [_to_block(self.format, _values(self.format, b""))]
        messages: list[Placed] = []
        count = 0
        while position < finished:
            run = self._good_lines.match(buffer, position, finished)
            if run:
                block = self._accept(run.group())
                blocks.append(block)
                count += len(block)
                position = run.end()
            else:
                end = _LINE_END.search(buffer, position, finished)
                stop = end.start() if end else finished
                note = self._judge(buffer[position:stop])
                messages += [Placed(count, note)] if note else []
                position = stop + 1
        rest = buffer[finished:]
        if len(rest) > MAX_LINE:
            # Counted now, and what is still to come of it is skipped: noise must not fill the memory.
            self._reject("too_long", rest, len(rest))
            self._skipping = True
        self._pending = b"" if self._skipping else rest
        return Decoded(SampleBlock.concatenate(blocks), tuple(messages))

    def _accept(self, run: bytes) -> SampleBlock:
        values = _values(self.format, run)
        good = _within_range(self.format, values)
        if self.format.checksum == "xor8":
            good &= _checksums_hold(run)
        refused = 0
        if not good.all():
            lines = _LINE_ENDS.split(run)
            for place in np.flatnonzero(~good).tolist():
                self._judge(lines[place])  # only to name the cause
                refused += len(lines[place]) + 1
            values = {name: column[good] for name, column in values.items()}
        self.tally.accepted += int(np.count_nonzero(good))
        self.tally.bytes_accepted += len(run) - refused
        return _to_block(self.format, values)

    def _judge(self, line: bytes) -> Note | None:
        """Count a line that is not a good sample: a comment (returned), nothing at all, or a cause."""
        text = line.strip(b" \t")
        comment = self.format.comment.encode()
        if len(line) > MAX_LINE:
            self._reject("too_long", line, len(line) + 1)
        elif not text:
            self.tally.bytes_accepted += len(line) + 1
        elif comment and text.startswith(comment):
            self.tally.accepted += 1
            self.tally.bytes_accepted += len(line) + 1
            return Note(text[len(comment) :].strip().decode(errors="replace"))
        else:
            self._reject(self._cause(line), line, len(line) + 1)
        return None

    def _cause(self, line: bytes) -> str:
        if self.format.checksum == "xor8":
            line, star, stated = line.rpartition(b"*")
            if not star or stated != b"%02X" % reduce(xor, line, 0):
                return "bad_checksum"
        if self.format.separator == WHITESPACE:
            fields = _BLANKS.split(line.strip(b" \t"))
        else:
            fields = line.split(self.format.separator.encode())
        if len(fields) != len(self._patterns):
            return "wrong_columns"
        if not all(p.fullmatch(field) for p, field in zip(self._patterns, fields, strict=True)):
            return "not_a_number"
        return "out_of_range"

    def _reject(self, cause: str, line: bytes, size_bytes: int) -> None:
        self.tally.reject(cause, size_bytes)
        self.last_rejected = line[:MAX_LINE]
        if self.first_rejected is None:
            self.first_rejected = self.last_rejected


def _printed(block: SampleBlock, line_format: LineFormat, name: str) -> list[str]:
    """Return one column as text, a field for each sample."""
    if name == "ignore":
        return ["0"] * len(block)
    if name in TIME_UNITS_US:
        time_us = _present(block.time_us, name)
        modulus = line_format.time_modulus_us
        wrapped = time_us if modulus is None else time_us % modulus
        unit = TIME_UNITS_US[name]
        decimals = len(str(unit)) - 1
        if not decimals:
            return [str(value) for value in wrapped.tolist()]
        return [f"{value // unit}.{value % unit:0{decimals}d}" for value in wrapped.tolist()]
    if name == "seq":
        return [str(value) for value in (_present(block.seq, name) % _MODULUS[name]).tolist()]
    if name in AUXILIARY_UNITS:
        printed = _present(block.auxiliary.get(name), name)
        if name in line_format.auxiliary_scales:
            zero, slope = line_format.auxiliary_scales[name]
            printed = np.round(printed / slope + zero, _DECIMALS)
        return [repr(number) for number in printed.tolist()]
    column = {"status": block.status, "force": block.force, "position": block.position}[name]
    return [repr(number) for number in column.tolist()]


def _present(column: Column | None, name: str) -> Column:
    if column is None:
        raise InputError(f"samples to print: no data for column {name}, which wire.columns names")
    return column


def _values(line_format: LineFormat, run: bytes) -> dict[str, FloatArray]:
    """Return the numbers of a run of good lines by column. Floats hold every number within range exactly."""
    if line_format.checksum == "xor8":
        run = _CHECKSUM.sub(b"", run)
    if line_format.separator == WHITESPACE:
        fields = run.split()
    else:
        separator = line_format.separator.encode()
        fields = separator.join(_LINE_ENDS.split(run)).split(separator)[:-1]
    width = len(line_format.columns)
    return {
        name: np.array([float(field) for field in fields[place::width]], np.float64)
        for place, name in enumerate(line_format.columns)
        if name != "ignore"
    }


def _within_range(line_format: LineFormat, values: dict[str, FloatArray]) -> BoolArray:
    """Return which lines hold only numbers that their columns can have."""
    good = np.ones(len(values["force"]), np.bool_)
    for name, column in values.items():
        if name in TIME_UNITS_US:
            limit_us = line_format.time_modulus_us or TIME_LIMIT_US
            good &= (column >= 0) & (column <= (limit_us - 1) / TIME_UNITS_US[name])
        elif name in _MODULUS:
            good &= (column >= 0) & (column < _MODULUS[name])
        elif name in AUXILIARY_UNITS:
            good &= np.abs(column) <= AUXILIARY_LIMIT
        elif _unit(line_format, name) == COUNTS:
            good &= (column >= _COUNTS.min) & (column <= _COUNTS.max)
        else:
            good &= np.isfinite(column)
    return good


def _to_block(line_format: LineFormat, values: dict[str, FloatArray]) -> SampleBlock:
    time = line_format.time_column
    count = len(values["force"])

    def raw(name: str) -> RawArray:
        column = values.get(name, np.zeros(count))  # a scale has no position
        return column.astype(np.int32) if _unit(line_format, name) == COUNTS else column

    def auxiliary(name: str) -> FloatArray:
        zero, slope = line_format.auxiliary_scales.get(name, (0.0, 1.0))
        return (values[name] - zero) * slope

    return SampleBlock(
        seq=values["seq"].astype(np.int64) if "seq" in values else None,
        time_us=None if time is None else np.rint(values[time] * TIME_UNITS_US[time]).astype(np.int64),
        force=raw("force"),
        position=raw("position"),
        status=values.get("status", np.zeros(count)).astype(np.uint8),
        has_status="status" in values,
        auxiliary={name: auxiliary(name) for name in line_format.auxiliary},
    )


def _unit(line_format: LineFormat, name: str) -> str:
    return line_format.force_unit if name == "force" else line_format.position_unit


def _checksums_hold(run: bytes) -> BoolArray:
    """Return whether each line of a run is closed by the XOR of the bytes before its only star."""
    text = np.frombuffer(run, np.uint8)
    stars = np.flatnonzero(text == ord("*"))
    ends = (text == ord("\n")) | (text == ord("\r"))
    # A line begins after an end, and the first one where the run does.
    starts = np.flatnonzero(~ends & np.concatenate([[True], ends[:-1]]))
    # The XOR of a stretch is that of all up to its end, with that of all before its start taken out.
    passed = np.concatenate([np.zeros(1, np.uint8), np.bitwise_xor.accumulate(text)])
    stated = _nibble(text[stars + 1]) << 4 | _nibble(text[stars + 2])
    holds: BoolArray = (passed[stars] ^ passed[starts]) == stated
    return holds


def _nibble(digit: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    return np.where(digit >= ord("A"), digit - (ord("A") - 10), digit - ord("0")).astype(np.uint8)
