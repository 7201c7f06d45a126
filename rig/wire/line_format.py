"""The shape of a device's text lines, and the grammar that a good line obeys.

Problem: firmware that people already have prints its own columns. Plan: a validated value that says
what the columns are, from which one pattern is built that matches good lines only.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from rig.errors import InputError
from rig.samples import COUNTS

WHITESPACE = "whitespace"
MAX_LINE = 256
"""Bytes of a line without its end; the protocol's bound on a receiver's buffer."""

TIME_UNITS_US = {"time_us": 1, "time_ms": 1_000, "time_s": 1_000_000}

AUXILIARY_UNITS = {"specimen_temperature": "degC", "ambient_temperature": "degC", "humidity": "%"}
"""Slow quantities that a line may hold beside force and position, each with the unit it is recorded in."""

AUXILIARY_LIMIT = 1e6
"""No temperature or humidity is beyond this in any unit, and sums of such numbers stay exact enough."""

COLUMNS = (*TIME_UNITS_US, "seq", "status", "force", "position", *AUXILIARY_UNITS, "ignore")

TIME_LIMIT_US = 2**53
"""Times stay below this (285 years), where a float still holds each microsecond."""

MIN_TIME_BITS = 8
MAX_TIME_BITS = 53

_INTEGER = rb"[+-]?+\d++"
_DECIMAL = rb"[+-]?+(?:\d++(?:\.\d*+)?|\.\d++)(?:[eE][+-]?+\d++)?"


@dataclass(frozen=True, slots=True)
class LineFormat:
    """What the columns of a line are. The defaults are the example of the wire protocol.

    `separator`: one character, or "whitespace" for any run of blanks and tabs. Blanks around a field are
    allowed.
    `columns`: names out of `COLUMNS` in the order of the line. Force once; position once, but not in the
    lines of a scale, whose position is then zero; at most one time, and at most one of each other; "ignore"
    skips a column.
    `time_bits`: the time column wraps at 2 to this power, in its own unit; None if it does not wrap.
    `force_unit`, `position_unit`: "counts" for integers, otherwise the unit of values that may have decimals.
    `checksum`: "none", or "xor8" for lines that end in *HH.
    `comment`: lines that begin with this are text for a person; empty if there are none.
    `auxiliary_scales`: (zero, slope) of each auxiliary column that is printed in another unit than that of
    `AUXILIARY_UNITS`: the value is (printed - zero) * slope.

    Raises InputError if a key holds something that the protocol does not allow. The message names the key.
    """

    separator: str = ","
    columns: tuple[str, ...] = ("time_us", "force", "position")
    time_bits: int | None = 32
    force_unit: str = COUNTS
    position_unit: str = COUNTS
    checksum: str = "none"
    comment: str = "#"
    auxiliary_scales: Mapping[str, tuple[float, float]] = field(default_factory=dict, hash=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "columns", tuple(self.columns))
        for key, expected in _faults(self):
            raise InputError(f"wire.{key}: found {getattr(self, key)!r}, expected {expected}")

    @property
    def time_column(self) -> str | None:
        """Name of the time column, None if the lines carry no time."""
        return next((name for name in self.columns if name in TIME_UNITS_US), None)

    @property
    def auxiliary(self) -> tuple[str, ...]:
        """Names of the auxiliary columns, in the order of the line."""
        return tuple(name for name in self.columns if name in AUXILIARY_UNITS)

    @property
    def time_modulus_us(self) -> int | None:
        """Where the time wraps, in microseconds; None if it does not, or if there is no time."""
        if self.time_column is None or self.time_bits is None:
            return None
        return TIME_UNITS_US[self.time_column] << self.time_bits


def field_patterns(line_format: LineFormat) -> tuple[re.Pattern[bytes], ...]:
    """Return the pattern of each column's field, blanks around it included."""
    return tuple(re.compile(_padded(line_format, _field(line_format, name))) for name in line_format.columns)


def good_lines(line_format: LineFormat) -> re.Pattern[bytes]:
    """Return the pattern of a run of good lines with their ends, and of the blank lines after each.

    Nothing within a line can be matched in two ways, so matching takes time in proportion to the run.
    """
    spaced = line_format.separator == WHITESPACE
    between = rb"[ \t]++" if spaced else re.escape(line_format.separator.encode())
    body = between.join(_padded(line_format, _field(line_format, name)) for name in line_format.columns)
    if spaced:
        body = rb"[ \t]*+" + body + rb"[ \t]*+"
    if line_format.checksum == "xor8":
        body += rb"\*[0-9A-F]{2}"
    comment = re.escape(line_format.comment.encode())
    not_comment = rb"(?![ \t]*+" + comment + rb")" if comment else b""
    not_long = rb"(?![^\r\n]{%d})" % (MAX_LINE + 1)
    # groups repeat without a possessive sign: before Python 3.11.5 one that failed halfway kept its half
    return re.compile(rb"(?:" + not_comment + not_long + body + rb"[\r\n]++)+")


def _field(line_format: LineFormat, column: str) -> bytes:
    units = {"force": line_format.force_unit, "position": line_format.position_unit}
    if column == "ignore":
        star = rb"*" if line_format.checksum == "xor8" else b""
        if line_format.separator == WHITESPACE:
            return rb"[^ \t\r\n" + star + rb"]++"
        return rb"[^\r\n" + star + re.escape(line_format.separator.encode()) + rb"]*+"
    if column in TIME_UNITS_US or column in AUXILIARY_UNITS or units.get(column, COUNTS) != COUNTS:
        return _DECIMAL
    return _INTEGER


def _padded(line_format: LineFormat, field: bytes) -> bytes:
    if line_format.separator == WHITESPACE:
        return field
    blanks = rb"[" + b" \t".replace(line_format.separator.encode(), b"") + rb"]*+"
    return blanks + field + blanks


def _faults(told: LineFormat) -> Iterator[tuple[str, str]]:
    """Yield each key that holds something wrong, and what was expected; whoever looks stops at the first, so
    that a rule may rely on those before it."""
    mark, comment, bits = told.separator, told.comment, told.time_bits
    if not isinstance(mark, str) or not (
        mark == WHITESPACE
        or (
            len(mark) == 1 and mark.isascii() and (mark in " \t" or mark.isprintable()) and not _numeric(mark)
        )
    ):
        yield "separator", f'one character that no number contains, or "{WHITESPACE}"'
    names = [name for name in told.columns if name != "ignore"]
    once = len(set(names)) == len(names) and sum(name in TIME_UNITS_US for name in names) <= 1
    if not (set(names) <= set(COLUMNS) and "force" in names and once):
        yield (
            "columns",
            "force once, and at most one time and one of each other, out of " + ", ".join(COLUMNS),
        )
    if bits is not None and not (
        isinstance(bits, int)
        and MIN_TIME_BITS <= bits <= MAX_TIME_BITS
        and (told.time_modulus_us or 0) <= TIME_LIMIT_US
    ):
        yield (
            "time_bits",
            f"a whole number of at least {MIN_TIME_BITS} that makes no more than 2^53 microseconds, "
            "or none if the time does not wrap",
        )
    if not told.force_unit:
        yield "force_unit", 'a unit of force, or "counts"'
    if not told.position_unit:
        yield "position_unit", 'a unit of length, or "counts"'
    if told.checksum not in ("none", "xor8"):
        yield "checksum", '"none" or "xor8"'
    if not isinstance(comment, str) or (
        comment and (comment[0].isspace() or comment[0] == mark or _numeric(comment[0]))
    ):
        yield "comment", "a mark that neither a number nor the separator begins with, or nothing"
    scales = told.auxiliary_scales
    if not set(scales) <= set(told.auxiliary) or not all(
        abs(zero) <= AUXILIARY_LIMIT and 0 < slope <= AUXILIARY_LIMIT for zero, slope in scales.values()
    ):
        yield "auxiliary_scales", "a zero and a slope above 0 for auxiliary names out of wire.columns"


def _numeric(character: str) -> bool:
    """Return whether a field, or the checksum after it, may begin with a character or contain it."""
    return character.isalnum() or character in "+-.*"
