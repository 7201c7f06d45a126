"""Times of day, dates with times, and clocks that were rounded until several rows say the same.

The problem: "10:41:07.25", "2025-04-16T10:41:07,25+02:00" and "16.04.2025 10:41:07" are times; a clock of
whole seconds gives fifty rows one stamp. The plan: one strict form, days from the few different dates, and
equal stamps spread evenly up to the next one, which is what a rounded clock had hidden. Both are reported.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from rig.samples import IntArray
from rig.tables.cells import BoolArray, Cells

_DAY_US = 86_400_000_000
_HALF_DAY_US = _DAY_US // 2

_FORM = (
    r"^(?:(?P<date>\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[./-]\d{1,2}[./-]\d{4})[T ]+)?"
    r"(?P<first>\d{1,4}):(?P<second>\d{2})(?::(?P<third>\d{2}))?(?:[.,:](?P<part>\d{1,9}))?"
    r"\s?(?P<half>[AaPp][Mm])?\s?(?P<zone>[Zz]|[+-]\d{2}:?\d{2})?$"
)
_CLOCK = re.compile(_FORM)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTH = rf"(?P<month>{'|'.join(_MONTHS)})[a-z]*"
_OTHER_FORMS = tuple(
    re.compile(form)
    for form in (
        # 20260416T104107, the basic format of ISO 8601
        r"(?P<year>\d{4})(?P<month>\d\d)(?P<day>\d\d)T(?P<hour>\d\d)(?P<minute>\d\d)(?P<second>\d\d)(?P<rest>.*)",
        # PT1M5.5S, a duration of ISO 8601
        r"PT(?=\d)(?:(?P<hour>\d{1,9})H)?(?:(?P<minute>\d{1,9})M)?(?:(?P<second>\d{1,9})(?P<rest>[.,]\d+)?S)?",
        rf"(?i)(?P<day>\d{{1,2}})[- ]{_MONTH}[-, ]+(?P<year>\d{{4}})[T ]+(?P<rest>\d.*)",
        rf"(?i)(?:[a-z]{{3,9}},? +)?{_MONTH} +(?P<day>\d{{1,2}}),? +"
        r"(?P<rest>\d+:[\d:.,]*(?: ?[ap]m)?) +(?P<year>\d{4})",
    )
)


def _in_one_form(cell: str) -> str:
    """Return a time or a duration as ISO 8601 writes it with its marks; any other text as it stands.

    Examples
    --------
    >>> [_in_one_form(cell) for cell in ("16-Apr-2026 10:41:07", "Thu Apr 16 10:41:07 2026", "PT65.5S")]
    ['2026-4-16T10:41:07', '2026-4-16T10:41:07', '00:01:05.5']
    """
    found = next((found for form in _OTHER_FORMS if (found := form.fullmatch(cell))), None)
    if found is None:
        return cell
    said = {name: value or "" for name, value in found.groupdict().items()}
    clock = said["rest"]
    if "year" in said and "second" in said:
        clock = f"{said['hour']}:{said['minute']}:{said['second']}{clock}"
    elif "second" in said:
        seconds = int(said["second"] or 0) + 60 * (int(said["minute"] or 0) + 60 * int(said["hour"] or 0))
        clock = f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{clock}"
    if "year" not in said:
        return clock
    month = said["month"].lower()
    return f"{said['year']}-{_MONTHS.index(month) + 1 if month in _MONTHS else month}-{said['day']}T{clock}"


def is_clock(cell: str) -> bool:
    """Return whether a cell holds a time of day, a date with one, or a duration with its letters."""
    return _CLOCK.match(cell) is not None or _CLOCK.match(_in_one_form(cell)) is not None


@dataclass(frozen=True, slots=True)
class Stamps:
    """Times of rows.

    Parameters
    ----------
    time_us
        Shape (n,); from the first row where there is a date, else as written.
    start
        When the first row was taken, where a date says it; without a zone it is taken for UTC.
    notes
        What had to be guessed.
    """

    time_us: IntArray
    start: datetime | None
    notes: tuple[str, ...]


def looks_like_clock(column: Cells) -> bool:
    """Return whether a column holds hh:mm:ss or dates with times instead of numbers."""
    head = [cell for cell in column.text[:50].to_pylist() if cell]
    return bool(head) and sum(map(is_clock, head)) > len(head) / 2


def read_clock(column: Cells) -> tuple[Stamps, BoolArray]:
    """Read a column of clock times; rows whose cell is blank are False in the second value.

    Raises
    ------
    InputError
        Naming the first cell that is none, or dates whose day and month cannot be told apart.
    """
    filled = np.array([bool(cell) for cell in column.text.to_pylist()], bool)
    kept = column if filled.all() else column.take(filled)
    said = [_CLOCK.match(cell) or _CLOCK.match(_in_one_form(cell)) for cell in kept.text.to_pylist()]
    found = [time for time in said if time is not None]
    if len(found) < len(said):
        raise kept.refuse(said.index(None), "expected a time such as '10:41:07.25'")
    if not any(time["third"] or time["part"] for time in found):
        raise kept.refuse(0, "hours and minutes, or minutes and seconds? expected hh:mm:ss or mm:ss.0")
    late = next(
        (row for row, time in enumerate(found) if max(time["second"], time["third"] or "") > "59"), None
    )
    if late is not None:
        raise kept.refuse(late, "expected at most 59 minutes or seconds")
    clock_us = np.array([_clock_us(time) for time in found], np.int64)
    days, notes = _days(kept, [time["date"] or "" for time in found])
    if days is None:
        rolled = np.cumsum(np.diff(clock_us, prepend=clock_us[0]) < -_HALF_DAY_US)
        if rolled.any():
            notes.append(f"{column.where}: the clock passes midnight; a day was added there")
        return Stamps(clock_us + rolled * _DAY_US, None, tuple(notes)), filled
    time_us = days * _DAY_US + clock_us
    start = None if any("month" in note for note in notes) else _date_of(int(time_us[0]))
    return Stamps(time_us - time_us[0], start, tuple(notes)), filled


def _clock_us(time: re.Match[str]) -> int:
    """Return the microseconds since midnight in Greenwich; mm:ss.f has no third part."""
    first, second = int(time["first"]), int(time["second"])
    minutes, seconds = (60 * first + second, int(time["third"])) if time["third"] else (first, second)
    half, zone = (time["half"] or "").lower(), (time["zone"] or "Z").upper().replace(":", "")
    minutes += 720 if half == "pm" and first < 12 else -720 if half == "am" and first == 12 else 0
    if zone != "Z":
        minutes -= int(zone[0] + "1") * (60 * int(zone[1:3]) + int(zone[3:]))
    return (60 * minutes + seconds) * 1_000_000 + int((time["part"] or "")[:6].ljust(6, "0"))


def _days(column: Cells, dates: list[str]) -> tuple[IntArray | None, list[str]]:
    """Return the days since 1970 of each row; None where no row has a date."""
    different = list(dict.fromkeys(dates))
    if different == [""]:
        return None, []
    if "" in different:
        raise column.refuse(dates.index(""), "expected a date here too, as in other rows")
    split = [[int(part) for part in re.split(r"[-/.]", text)] for text in different]
    notes: list[str] = []
    if all(parts[0] > 31 for parts in split):
        order = (0, 1, 2)
    else:
        day_first = any("." in text for text in different) or any(parts[0] > 12 for parts in split)
        month_first = any(parts[1] > 12 for parts in split)
        if not day_first and not month_first:
            if len(split) > 1:
                raise column.refuse(0, "day or month first? expected dates as in 2026-04-16")
            notes.append(
                f"{column.where}: {different[0]!r} may begin with the day or the month; its date is not kept"
            )
        order = (2, 0, 1) if month_first else (2, 1, 0)
    days = {}
    for text, parts in zip(different, split, strict=True):
        try:
            moment = datetime(parts[order[0]], parts[order[1]], parts[order[2]], tzinfo=UTC)
        except (ValueError, OverflowError):
            raise column.refuse(dates.index(text), "expected a date that exists") from None
        days[text] = (moment - datetime(1970, 1, 1, tzinfo=UTC)).days
    return np.array([days[text] for text in dates], np.int64), notes


def _date_of(time_us: int) -> datetime | None:
    try:
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time_us)
    except OverflowError:
        return None


def spread_equal(time_us: IntArray) -> tuple[IntArray, int]:
    """Return times in which equal ones are spread evenly up to the next, and how many were moved.

    Parameters
    ----------
    time_us
        Shape (n,); never falling.

    Notes
    -----
    A run of k equal stamps t before the next stamp t' becomes t + i (t' - t) / k. The first run began
    somewhere before its rows were written, and the last ends before its second is over: both take the
    spacing of the run beside them where that is smaller.
    """
    n = len(time_us)
    begins = np.flatnonzero(np.diff(time_us, prepend=time_us[0] - 1) > 0)
    if len(begins) in (n, 1):
        return time_us, 0 if len(begins) == n else n - 1
    stamps = time_us[begins].astype(np.float64)
    counts = np.diff(np.append(begins, n))
    step = np.empty(len(begins))
    step[:-1] = np.diff(stamps) / counts[:-1]
    step[-1] = step[-2]
    run = np.repeat(np.arange(len(begins)), counts)
    within = np.arange(n) - begins[run]
    spread = stamps[run] + within * step[run]
    if len(begins) > 2 and counts[0] > 1 and step[1] < step[0]:
        # The first rows are the end of their second.
        rows = np.arange(counts[0])
        spread[: counts[0]] = stamps[1] - (counts[0] - rows) * step[1]
    return np.rint(spread).astype(np.int64), int(n - len(begins))
