"""One record of the register: a fact about one piece, with its date.

Problem: a piece is followed for months, by several people, and what was believed when a batch was judged must
still be there when it turns out wrong. Plan: each fact is a value of one kind with the day or time at which
it held; a correction is a further record with a reason. What a piece is now follows from its records alone.
Cost: some hundred bytes a fact.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

from rig.core import keep_names
from rig.errors import InputError
from rig.population import STATES

BATCH, MODEL, DRAWING_SIZE, MOULDED = "batch", "model", "drawing_size", "moulded"
STATE, ORIENTATION, SQUEEZED, NOTES = "state", "orientation", "squeezed", "notes"
MASS, SIZE, CAPTURE = "mass", "size", "capture"
REGISTERED, WITHDRAWN = "registered", "withdrawn"

FIXED = (BATCH, MODEL, DRAWING_SIZE, MOULDED)
"""A piece has one of each for its whole life: another value is a correction, and needs a reason."""

UNITS = {MASS: "g", SIZE: "mm", DRAWING_SIZE: "mm"}
"""Of kinds whose value is a number."""

KINDS = (REGISTERED, *FIXED, STATE, ORIENTATION, SQUEEZED, NOTES, MASS, SIZE, CAPTURE, WITHDRAWN)

LONGEST_TEXT = 2_000
LONGEST_ID = 100

_DATED = (MOULDED, SQUEEZED)
_ID = re.compile(r"[^\W_][^\x00-\x1f\x7f,;\"]*")
_AHEAD = timedelta(days=1)
"""Clocks and time zones differ by so much; what is later is a slip."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A fact about a piece.

    Parameters
    ----------
    kind
        One of `KINDS`.
    text
        Value of a kind in words; the capture's id; a day or time in ISO form.
    value, u
        Value of a kind in numbers, in the unit that `UNITS` says, and its standard uncertainty.
    detail
        Direction of a size, folder of a capture.
    how
        How it was had: "typed", "scale", "caliper", a capture.
    at
        Day or time at which it held, in ISO form.
    corrects
        Number of the record that this one stands for; None for a new fact.

    Raises
    ------
    InputError
        Naming the field that is wrong.
    """

    specimen: str
    kind: str
    text: str | None = None
    value: float | None = None
    u: float | None = None
    detail: str | None = None
    force_n: float | None = None
    how: str | None = None
    at: str
    who: str | None = None
    reason: str | None = None
    corrects: int | None = None
    number: int = 0
    written: str = ""

    def __post_init__(self) -> None:
        keep_names(self.specimen, self.text if self.kind == "batch" else None)
        checked_id(self.specimen)
        if self.kind not in KINDS:
            raise InputError(f"kind: found {self.kind!r:.40}, expected one of {', '.join(KINDS)}")
        read_day_or_time(self.at, "at")
        for name in ("text", "detail", "how", "who", "reason"):
            text: str | None = getattr(self, name)
            if text is not None and (len(text) > LONGEST_TEXT or "\0" in text):
                raise InputError(
                    f"{name}: found {len(text)} characters, expected at most {LONGEST_TEXT} of text"
                )
        if self.corrects is not None and not (self.reason or "").strip():
            raise InputError(f"reason: is missing; say why record {self.corrects} is corrected")
        _check_numbers(self)
        _check_words(self)

    @property
    def unit(self) -> str:
        """Of `value`; empty for a kind in words."""
        return UNITS.get(self.kind, "")

    @property
    def instant(self) -> datetime:
        """When it held, for putting records in order; a bare day counts from its beginning."""
        return instant(self.at)


def corrected(record: Record, reason: str, **fields: str | float | None) -> Record:
    """Return a record that stands for another one.

    Parameters
    ----------
    fields
        What is right: of `Record`, such as value=37.4.

    Raises
    ------
    InputError
        If a field is wrong, or the record has no number yet.
    """
    if record.number <= 0:
        raise InputError("correction: the record is not in the register yet; write it right at once")
    blank = {"number": 0, "written": "", "reason": reason, "corrects": record.number}
    return replace(record, **(fields | blank))  # type: ignore[arg-type]


def checked_id(specimen: str) -> str:
    """Return the id of a specimen as it may be used in files, tables and commands.

    Raises InputError if it may not.
    """
    if len(specimen) > LONGEST_ID or specimen != specimen.strip() or not _ID.fullmatch(specimen):
        raise InputError(
            f"id: found {specimen!r:.60}, expected a letter or digit and up to {LONGEST_ID - 1} more "
            "characters without comma, semicolon or quote, such as F-90-017"
        )
    return specimen


def read_day_or_time(text: str, field: str) -> str:
    """Return a day or time as records keep it.

    Parameters
    ----------
    text
        "2026-03-14", or "2026-03-14 09:30", in the local time zone where it names none.

    Raises
    ------
    InputError
        If it is neither, or lies ahead.

    Examples
    --------
    >>> read_day_or_time("2026-03-14", "moulded")
    '2026-03-14'
    >>> read_day_or_time("2026-03-14T09:30+01:00", "moulded")
    '2026-03-14T09:30:00+01:00'
    """
    text = text.strip()
    try:
        if len(text) == len("2026-03-14"):
            found = date.fromisoformat(text).isoformat()
        else:
            moment = datetime.fromisoformat(text)
            moment = moment if moment.tzinfo else moment.astimezone()
            found = moment.isoformat(timespec="seconds")
        ahead = instant(found) > datetime.now(UTC) + _AHEAD
    except (ValueError, OverflowError, OSError):
        raise InputError(
            f"{field}: found {text!r:.60}, expected a day such as 2026-03-14, or a time such as "
            "'2026-03-14 09:30'"
        ) from None
    if ahead:
        raise InputError(f"{field}: {text} is in the future; expected a day or time that has passed")
    return found


def instant(at: str) -> datetime:
    """Return the moment of a day or time in ISO form; a bare day counts from its beginning in UTC."""
    moment = datetime.fromisoformat(at)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def now() -> str:
    """Return this moment as records keep it."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def _check_numbers(record: Record) -> None:
    numeric = record.kind in UNITS
    if numeric != (record.value is not None):
        expected = f"a number of {record.unit}" if numeric else "words"
        raise InputError(f"{record.kind}: found {record.value}, expected {expected}")
    for name in ("value", "u", "force_n"):
        number: float | None = getattr(record, name)
        if number is None:
            continue
        if not math.isfinite(number) or number < 0 or (name == "value" and number == 0):
            least = "more than zero" if name == "value" else "zero or more"
            raise InputError(f"{record.kind} {name}: found {number:g}, expected {least}")


def _check_words(record: Record) -> None:
    kind, text = record.kind, record.text
    if kind == STATE and text not in STATES:
        raise InputError(f"state: found {text!r:.40}, expected {', '.join(STATES)}")
    if kind in _DATED:
        read_day_or_time(text or "", kind)
    if kind in (BATCH, MODEL, ORIENTATION, NOTES, CAPTURE) and not (text or "").strip():
        raise InputError(f"{kind}: found nothing, expected words")
    if kind == SIZE and not (record.detail or "").strip():
        raise InputError("size: found no direction; expected one, such as 'diameter A' or 'height'")
    if kind == WITHDRAWN and record.corrects is None:
        raise InputError("withdrawn: names no record that it withdraws")
