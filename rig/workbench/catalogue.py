"""The captures of a folder as rows that can be searched, filtered and sorted.

Problem: a person types a letter every tenth of a second, and ten thousand captures take a quarter of a second
to look at. Plan: what the archive's index said a moment ago is searched in memory at once, while one thread
looks at the folder again; the answer says so, and the page asks once more. Cost: where there are thousands, a
new capture appears a second late.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from rig import results
from rig.capture import Capture, content_files, looks_like_capture, open_capture
from rig.core import visible
from rig.errors import InputError

if TYPE_CHECKING:
    import pyarrow as pa

LONGEST_TEXT = 200
"""Characters that are searched for."""

PATIENCE_S = 0.5
"""A first answer that takes longer holds the rows so far, and says how far it is."""

GLANCE_S = 0.05
"""For so long an answer from what is known waits for the look at the folder; a thousand take half."""

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


class CatalogueRow(BaseModel):
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
    """One page of the rows that match, and the values that filters can take.

    `headers`: how many of how many headers were read so far, where the list is not whole yet. `looking`: the
    folder is being looked at, and the next answer may hold more.
    """

    total: int
    matching: int
    rows: list[CatalogueRow]
    choices: dict[str, list[str]]
    headers: tuple[int, int] | None = None
    looking: bool = False


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


@dataclass(frozen=True, slots=True)
class _Found:
    """The columns of all rows, and the words that each is searched by."""

    columns: dict[str, list[Any]]
    searched: list[str]

    def matches(self, place: int, query: Query) -> bool:
        """Return whether the row at a place is one that is asked for."""
        columns = self.columns
        day = columns["started"][place][:10]
        return (
            all(getattr(query, name) in ("", columns[name][place]) for name in NARROWING)
            and (not query.flagged or (query.flagged == "yes") == bool(columns["flags"][place]))
            and (query.since is None or day >= query.since.isoformat())
            and (query.until is None or day <= query.until.isoformat())
            and all(word in self.searched[place] for word in query.text.casefold().split())
        )


class Catalogue:
    """The captures of a folder.

    `folder`: holds captures, each a folder; captures in folders two levels below it count too.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self._found = _Found({}, [])
        self._table: pa.Table | None = None
        self._whole = False
        self._looked_s = -FRESH_S
        self._look: Future[None] | None = None
        self._headers = (0, 0)
        self._lock = threading.Lock()

    def listing(self, query: Query) -> Listing:
        """Return the rows that match a query, one page of them.

        An archive that was never listed takes seconds: until it is read, the answer holds the rows so far and
        how far that is. After that it holds what is known, and says if the folder is still being looked at.
        """
        with self._lock:
            if self._look is None and time.monotonic() - self._looked_s >= FRESH_S:
                self._look = Future()
                threading.Thread(target=self._read, args=(self._look,), daemon=True).start()
            look = self._look
        looking = False
        if look is not None:
            try:
                look.result(GLANCE_S if self._found.columns else PATIENCE_S)
            except TimeoutError:
                looking = True
        headers = self._headers if looking and not self._whole else None
        # One value, read once: the thread that looks puts another in its place, and never changes it.
        found = self._found
        if not found.columns:
            nothing: dict[str, list[str]] = {name: [] for name in NARROWING}
            return Listing(total=0, matching=0, rows=[], choices=nothing, headers=headers, looking=looking)
        matching = [place for place in range(len(found.searched)) if found.matches(place, query)]
        values = found.columns[query.sort]
        # A capture without a value comes first, or last with the newest first.
        matching.sort(
            key=lambda place: (values[place] is not None, 0 if values[place] is None else values[place]),
            reverse=query.newest_first,
        )
        page = matching[query.start : query.start + query.count]
        return Listing(
            total=len(found.searched),
            matching=len(matching),
            rows=[
                CatalogueRow(**{name: column[place] for name, column in found.columns.items()})
                for place in page
            ],
            choices={name: sorted(set(found.columns[name]) - {""}) for name in NARROWING},
            headers=headers,
            looking=looking,
        )

    def _read(self, look: Future[None]) -> None:
        """Ask the index what is there now."""
        try:
            # Kept here: whoever asked may have gone, and the next one finds it.
            self._keep(results.archive_table(self.folder, progress=self._progress, so_far=self._keep_first))
            self._whole = True
            self._looked_s = time.monotonic()
            look.set_result(None)
        except Exception as problem:  # whoever asked gets it
            look.set_exception(problem)
        with self._lock:
            self._look = None  # only now may another look begin: there is one thread at a time

    def _keep_first(self, table: pa.Table) -> None:
        """Keep the first rows of an archive that was never listed."""
        if not self._whole:
            self._keep(table)

    def _keep(self, table: pa.Table) -> None:
        """Keep the rows of a table. A link could lead out of the folder, so none is listed."""
        if self._table is not None and table.equals(self._table):
            return
        columns = {
            name: results.column_values(table, OF_INDEX.get(name, name)) for name in CatalogueRow.model_fields
        }
        inside = [
            place
            for place, name in enumerate(columns["id"])
            if not os.path.islink(self.folder / name)  # noqa: PTH114  ten thousand paths are slow
        ][:MOST_ROWS]
        shown = {
            name: [_shown(column[place], CatalogueRow.model_fields[name].default) for place in inside]
            for name, column in columns.items()
        } | {"id": [columns["id"][place] for place in inside]}
        words = zip(*(shown[name] for name in SEARCHED), strict=True)
        self._found = _Found(shown, [" ".join(texts).casefold() for texts in words])
        self._table = table

    @contextmanager
    def _progress(self, _: str, total: float) -> Iterator[Callable[[float, str], None]]:
        def show(done: float, _: str) -> None:
            self._headers = (int(done), int(total))

        yield show

    def path_of(self, name: str) -> Path:
        """Return the folder of a capture by its name in the list.

        Raises InputError if there is none of that name below this folder.
        """
        try:
            path = (self.folder / name).resolve()
            known = path.is_relative_to(self.folder) and path != self.folder and looks_like_capture(path)
        except (OSError, ValueError):  # a name that no file can have
            known = False
        if not known:
            raise InputError(f"capture: found {visible(name)[:80]!r}, expected one from the list")
        return path

    def open(self, name: str) -> Capture:
        """Open a capture by its name in the list.

        Raises InputError if there is none, or it cannot be read.
        """
        return open_capture(self.path_of(name))

    def stamp(self, name: str) -> tuple[tuple[str, int, int], ...]:
        """Return what changes whenever a capture does, and not when results are kept beside it."""
        abouts = [(path.name, path.stat()) for path in content_files(self.path_of(name))]
        return tuple((file, about.st_size, about.st_mtime_ns) for file, about in abouts)


def _shown(value: Any, default: Any) -> Any:
    """Return a value of the index as a row has it: no control characters, an empty text for none."""
    if value is None:
        return default
    if hasattr(value, "isoformat"):
        return value.isoformat(timespec="seconds")
    return visible(value) if isinstance(value, str) else value
