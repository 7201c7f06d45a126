"""The captures of a folder as rows that can be searched, filtered and sorted.

Problem: a person types a letter every tenth of a second, and ten thousand captures take a quarter of a second
to look at. Plan: the archive's index says what has changed; what it said a moment ago is searched in memory.
Cost: a new capture appears a second late.
"""

from __future__ import annotations

import os
import threading
import time
from datetime import date
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from rig import results
from rig.capture import Capture, looks_like_capture, open_capture
from rig.core import visible
from rig.errors import InputError

LONGEST_TEXT = 200
"""Characters that are searched for."""

FRESH_S = 1.0
"""For so long the index is believed without another look at the folder."""

MOST_ROWS = 50_000
"""Captures in a list; split a folder that holds more."""

Column = Literal[
    "started", "specimen", "batch", "state", "method", "rig", "operator", "samples", "id", "secant_n_per_mm"
]

NARROWING = ("batch", "state", "method", "rig", "operator")
"""Columns with few different values, offered as filters."""

SEARCHED = ("id", "specimen", "batch", "state", "method", "operator")
"""Columns whose words are searched."""

OF_INDEX = {"id": "capture", "ended": "how_it_ended"}
"""Columns of the index under other names."""


class Row(BaseModel):
    """One capture in the list; a text is empty where there is none, a figure until it was measured once."""

    id: str
    started: str = ""
    specimen: str = ""
    batch: str = ""
    state: str = ""
    method: str = ""
    rig: str = ""
    operator: str = ""
    samples: int | None = None
    duration_s: float | None = None
    ended: str = ""
    left_out: str = ""
    problem: str = ""
    flags: str = ""
    secant_n_per_mm: float | None = None
    secant_n_per_mm_u: float | None = None


class Listing(BaseModel):
    """One page of the rows that match, and the values that filters can take."""

    total: int
    matching: int
    rows: list[Row]
    choices: dict[str, list[str]]


class Query(BaseModel):
    """Search words, exact values of columns, a range of days, the order, and which page."""

    model_config = ConfigDict(extra="forbid")

    text: str = Field("", max_length=LONGEST_TEXT)
    batch: str = Field("", max_length=LONGEST_TEXT)
    state: str = Field("", max_length=LONGEST_TEXT)
    method: str = Field("", max_length=LONGEST_TEXT)
    rig: str = Field("", max_length=LONGEST_TEXT)
    operator: str = Field("", max_length=LONGEST_TEXT)
    flagged: Literal["", "yes", "no"] = ""
    since: date | None = None
    until: date | None = None
    sort: Column = "started"
    newest_first: bool = True
    start: int = Field(0, ge=0, le=MOST_ROWS)
    count: int = Field(100, ge=1, le=500)


class Catalogue:
    """The captures of a folder.

    Parameters
    ----------
    folder
        Holds captures, each a folder; captures in folders two levels below it count too.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self._columns: dict[str, list[Any]] = {}
        self._searched: list[str] = []
        self._looked_s = -FRESH_S
        self._lock = threading.Lock()

    def listing(self, query: Query) -> Listing:
        """Return the rows that match a query, one page of them."""
        with self._lock:
            if time.monotonic() - self._looked_s >= FRESH_S:
                self._look()
                self._looked_s = time.monotonic()
            columns, searched = self._columns, self._searched
        total = len(searched)
        matching = [place for place in range(total) if _matches(columns, searched, place, query)]
        values = columns[query.sort]
        # a capture without a value comes first, or last with the newest first
        matching.sort(
            key=lambda place: (values[place] is not None, 0 if values[place] is None else values[place]),
            reverse=query.newest_first,
        )
        page = matching[query.start : query.start + query.count]
        return Listing(
            total=total,
            matching=len(matching),
            rows=[Row(**{name: column[place] for name, column in columns.items()}) for place in page],
            choices={name: sorted(set(columns[name]) - {""}) for name in NARROWING},
        )

    def _look(self) -> None:
        """Ask the index what is there now. A link could lead out of the folder, so none is listed."""
        table = results.archive_table(self.folder)
        columns = {name: results.column_values(table, OF_INDEX.get(name, name)) for name in Row.model_fields}
        inside = [
            place
            for place, name in enumerate(columns["id"])
            if not os.path.islink(self.folder / name)  # noqa: PTH114  ten thousand paths are slow
        ][:MOST_ROWS]
        self._columns = {
            name: [_shown(column[place], Row.model_fields[name].default) for place in inside]
            for name, column in columns.items()
        } | {"id": [columns["id"][place] for place in inside]}
        words = zip(*(self._columns[name] for name in SEARCHED), strict=True)
        self._searched = [" ".join(texts).casefold() for texts in words]

    def path_of(self, name: str) -> Path:
        """Return the folder of a capture by its name in the list.

        Raises
        ------
        InputError
            If there is none of that name below this folder.
        """
        try:
            path = (self.folder / name).resolve()
            known = path.is_relative_to(self.folder) and path != self.folder and looks_like_capture(path)
        except (OSError, ValueError):  # a name that no file can have
            known = False
        if not known:
            raise InputError(f"capture: found {visible(name)[:80]!r}, expected one of the list")
        return path

    def open(self, name: str) -> Capture:
        """Open a capture by its name in the list.

        Raises
        ------
        InputError
            If there is none, or it cannot be read.
        """
        return open_capture(self.path_of(name))

    def stamp(self, name: str) -> tuple[int, ...]:
        """Return what changes whenever a capture does."""
        return _stamp(str(self.path_of(name)))


def _stamp(path: str) -> tuple[int, ...]:
    """Return time stamps and sizes of the folder, which changes with its files, and of the small files."""
    stamps: list[int] = []
    for part in ("", "/capture.yaml", "/end.yaml", "/amendments.jsonl"):
        try:
            about = os.stat(path + part)  # noqa: PTH116  four for each of ten thousand captures: paths are slow
        except OSError:
            stamps += (0, 0)
        else:
            stamps += (about.st_mtime_ns, about.st_size)
    return tuple(stamps)


def _shown(value: Any, default: Any) -> Any:
    """Return a value of the index as a row has it: no control characters, an empty text for none."""
    if value is None:
        return default
    if hasattr(value, "isoformat"):
        return value.isoformat(timespec="seconds")
    return visible(value) if isinstance(value, str) else value


def _matches(columns: dict[str, list[Any]], searched: list[str], place: int, query: Query) -> bool:
    day = columns["started"][place][:10]
    return (
        all(getattr(query, name) in ("", columns[name][place]) for name in NARROWING)
        and (not query.flagged or (query.flagged == "yes") == bool(columns["flags"][place]))
        and (query.since is None or day >= query.since.isoformat())
        and (query.until is None or day <= query.until.isoformat())
        and all(word in searched[place] for word in query.text.casefold().split())
    )
