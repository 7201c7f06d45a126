"""The captures of a folder as rows that can be searched, filtered and sorted.

Problem: ten thousand headers take a minute to parse, and a person types a letter every tenth of a second.
Plan: a row is kept until a file it came from changes, which their time stamps tell. Cost: under a kilobyte
and four looks at the disk for each capture.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Container, Iterator
from datetime import date
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from rig.capture import Capture, looks_like_capture, open_capture
from rig.core import visible
from rig.errors import CaptureError, InputError

MOST_ROWS = 50_000
"""Captures in a list; split a folder that holds more."""

LONGEST_TEXT = 200
"""Characters that are searched for."""

Column = Literal["started", "specimen", "batch", "state", "method", "rig", "operator", "samples", "id"]

NARROWING = ("batch", "state", "method", "rig", "operator")
"""Columns with few different values, offered as filters."""


class Row(BaseModel):
    """One capture in the list; a text is empty where the header has none."""

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
        self._rows: dict[str, tuple[tuple[int, ...], Row]] = {}
        self._lock = threading.Lock()

    def listing(self, query: Query) -> Listing:
        """Return the rows that match a query, one page of them."""
        rows = self.rows()
        matching = [row for row in rows if _matches(row, query)]
        matching.sort(key=lambda row: _sort_key(row, query.sort), reverse=query.newest_first)
        page = matching[query.start : query.start + query.count]
        choices = {column: sorted({getattr(row, column) for row in rows} - {""}) for column in NARROWING}
        return Listing(total=len(rows), matching=len(matching), rows=page, choices=choices)

    def rows(self) -> list[Row]:
        """Return a row for every capture; only what has changed is read again."""
        with self._lock:
            known, self._rows = self._rows, {}
            for name, path in _captures_below(str(self.folder), known):
                stamp = _stamp(path)
                before = known.get(name)
                self._rows[name] = before if before and before[0] == stamp else (stamp, _row(name, path))
                if len(self._rows) >= MOST_ROWS:
                    break
            return [row for _, row in self._rows.values()]

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


def _captures_below(
    folder: str, known: Container[str], above: str = "", levels: int = 3
) -> Iterator[tuple[str, str]]:
    """Yield names and paths of the captures in a folder and below it; known names are not checked again."""
    try:
        with os.scandir(folder) as entries:
            inside = sorted(entries, key=lambda entry: entry.name)
    except OSError:
        return
    for entry in inside:
        if entry.name.startswith(".") or not entry.is_dir(follow_symlinks=False):
            continue
        name = above + entry.name
        if name in known or looks_like_capture(Path(entry.path)):
            yield name, entry.path
        elif levels > 1:
            yield from _captures_below(entry.path, known, f"{name}/", levels - 1)


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


def _row(name: str, path: str) -> Row:
    try:
        capture = open_capture(path)
    except (InputError, CaptureError, OSError) as refusal:
        return Row(id=name, problem=visible(str(refusal)))
    header, ending, left_out = capture.header, capture.ending, capture.exclusions.capture
    texts: dict[str, Any] = {
        "specimen": header.specimen,
        "batch": header.batch,
        "state": header.conditions.get("state"),
        "method": (header.method or {}).get("name"),
        "rig": header.rig.get("name"),
        "operator": header.operator,
        "ended": capture.how_it_ended,
        "left_out": None if left_out is None else left_out.reason,
    }
    return Row(
        id=name,
        started=header.started.isoformat(timespec="seconds"),
        samples=ending.samples if ending else None,
        duration_s=ending.duration_s if ending else None,
        **{key: "" if text is None else visible(str(text)) for key, text in texts.items()},
    )


def _matches(row: Row, query: Query) -> bool:
    day = row.started[:10]
    searched = " ".join((row.id, row.specimen, row.batch, row.state, row.method, row.operator)).casefold()
    return (
        all(getattr(query, column) in ("", getattr(row, column)) for column in NARROWING)
        and (query.since is None or day >= query.since.isoformat())
        and (query.until is None or day <= query.until.isoformat())
        and all(word in searched for word in query.text.casefold().split())
    )


def _sort_key(row: Row, column: Column) -> Any:
    value = getattr(row, column)
    return (value is not None, value if value is not None else 0)
