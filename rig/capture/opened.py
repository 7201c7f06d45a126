"""Open a capture, whole or damaged, and read it with flat memory.

A capture that was killed is as good as one that ended, only shorter; a damaged one is as good as what
is left. So nothing here refuses for damage: it reads what is intact and lists what is not. Only a folder
that is no capture, or whose header says something impossible, is refused.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any

from rig.capture.amendments import (
    AMENDMENTS_FILE,
    Amendment,
    Exclusions,
    amended_header,
    exclusions,
    read_amendments,
)
from rig.capture.disk import file_checksum, parse_yaml, read_yaml
from rig.capture.ending import END_FILE, Ending, read_ending
from rig.capture.events import EVENTS_FILE, damaged_lines, each_event
from rig.capture.header import HEADER_FILE, CaptureHeader, parse_header
from rig.capture.intact_batches import Damage, FileIndex, header_copy, index_file, read_batches
from rig.capture.recorder_lock import is_held
from rig.capture.summary import SUMMARY_FILE, read_rows
from rig.core import keep_names
from rig.errors import CaptureError
from rig.samples import Samples

STILL_RECORDING = "still recording"
KILLED = "killed: no end.yaml"
NO_END = "no end.yaml: still recording, or killed"
"""Where the file system has no locks, it is unknown."""

TEXT_FILES = (HEADER_FILE, EVENTS_FILE, SUMMARY_FILE)

LAST_RUN = 999_999_999
"""The largest number that the name of a samples file holds."""

_SAMPLES_FILE = re.compile(r"samples-(\d{4,9})\.arrow")


class Capture:
    """A recording on disk. Opening reads the header and the end only; the samples are read when asked for.

    Parameters
    ----------
    path, header, ending
        The folder, what was recorded about it, and how it ended (None: the recorder was killed).
    known_damage
        What opening it found wrong already.
    amendments
        Records that mend the header or leave something out, oldest first.

    Attributes
    ----------
    header, recorded_header
        With the amendments applied, and as it was recorded.
    exclusions
        What is left out of results.
    """

    def __init__(
        self,
        path: Path,
        header: CaptureHeader,
        ending: Ending | None,
        known_damage: tuple[Damage, ...] = (),
        amendments: tuple[Amendment, ...] = (),
    ) -> None:
        self.path = path
        self.recorded_header = header
        self.amendments = amendments
        self.header = amended_header(header, amendments, f"{path}/{AMENDMENTS_FILE}")
        self.exclusions: Exclusions = exclusions(amendments)
        self.ending = ending
        self._known_damage = known_damage

    @property
    def how_it_ended(self) -> str:
        """Why the capture ended, in words."""
        if self.ending is not None:
            return self.ending.reason
        if any(damage.file == END_FILE for damage in self._known_damage):
            return f"unknown: {END_FILE} is damaged"
        files = _samples_files(self.path)
        held = bool(files) and is_held(files[-1][1])
        return NO_END if held is None else STILL_RECORDING if held else KILLED

    @property
    def last_run(self) -> int:
        """Number of the last samples file; 0 if there is none."""
        return max((run for run, _ in _samples_files(self.path)), default=0)

    @cached_property
    def files(self) -> tuple[FileIndex, ...]:
        """Where the intact batches are. Reads every sample once."""
        expected = self.ending.files if self.ending else {}
        return tuple(
            index_file(path, self.header, run, expected.get(path.name))
            for run, path in _samples_files(self.path)
            if path.is_file()
        )

    @cached_property
    def damage(self) -> tuple[Damage, ...]:
        """All that cannot be read or is not what it was, file by file. Reads every sample once."""
        found = [*self._known_damage, *self._absent_files(), *self._changed_texts()]
        for index in self.files:
            found += index.damage
        for name, what in ((EVENTS_FILE, "events"), (AMENDMENTS_FILE, "amendments")):
            with suppress(OSError):  # no such file: where it should be, `_absent_files` tells of it
                lines, first = damaged_lines(self.path / name)
                if lines:
                    found.append(Damage(name, first, 0, f"{lines} damaged lines of {what}"))
        path = self.path / SUMMARY_FILE
        rows = sum(row is None for row in read_rows(path)) if path.is_file() else 0
        if rows:
            found.append(Damage(SUMMARY_FILE, 0, 0, f"{rows} damaged rows of the summary"))
        return tuple(found)

    def batches(self, first: int = 0, last: int | None = None) -> Iterator[Samples]:
        """Yield the samples, batch by batch in the order they were taken, with flat memory.

        Parameters
        ----------
        first, last
            Places of the first batch and of the one after the last, counted over all files; all by default.

        Raises
        ------
        CaptureError
            If a file changes while it is read.
        """
        for index in self.files:
            here = index.offsets[max(first, 0) : None if last is None else max(last, 0)]
            for batch in read_batches(replace(index, offsets=here), self.header):
                yield batch.samples
            first -= len(index.offsets)
            last = None if last is None else last - len(index.offsets)

    def samples(self) -> Samples:
        """Return all intact samples in one table."""
        parts = list(self.batches())
        if not parts:
            return Samples.empty(self.header.force, self.header.position, self.header.clock)
        return Samples.concatenate(parts)

    def events(self) -> list[dict[str, Any]]:
        """Return all readable events, oldest first; each has at least `wall` and `kind`."""
        return list(self.each_event())

    def each_event(self) -> Iterator[dict[str, Any]]:
        """As `events`, one at a time: a long run has hundreds of thousands."""
        path = self.path / EVENTS_FILE
        return each_event(path) if path.is_file() else iter(())

    def summary_rows(self) -> Iterator[dict[str, Any]]:
        """Yield the intact rows that were worked out while recording."""
        path = self.path / SUMMARY_FILE
        return (row for row in read_rows(path) if row is not None) if path.is_file() else iter(())

    def _absent_files(self) -> Iterator[Damage]:
        runs = _samples_files(self.path)
        present = {path.name for _, path in runs}
        present |= {name for name in TEXT_FILES if (self.path / name).exists()}
        # From run to run that is there: a name may claim to be the last of a billion.
        for before, (run, _) in zip([0, *(number for number, _ in runs)], runs, strict=False):
            if self.ending is None and run > before + 1:
                last = "" if run == before + 2 else f" to samples-{run - 1:04d}.arrow"
                lost = "the whole file" if not last else f"whole files{last}"
                yield Damage(f"samples-{before + 1:04d}.arrow", 0, 0, lost)
        for name in TEXT_FILES:
            if (self.path / name).exists() and not (self.path / name).is_file():
                yield Damage(name, 0, 0, "its contents: it is no longer a file")
        for name, tally in (self.ending.files if self.ending else {}).items():
            if name not in present:
                yield Damage(name, 0, tally.bytes, f"the whole file, {tally.samples} samples")
        for _, path in runs:
            if not path.is_file():
                yield Damage(path.name, 0, 0, "the whole file: something else has its name")

    def _changed_texts(self) -> Iterator[Damage]:
        known = {damage.file for damage in self._known_damage}
        for name, tally in (self.ending.files if self.ending else {}).items():
            path = self.path / name
            if name not in TEXT_FILES or name in known or not path.is_file():
                continue
            if file_checksum(path) != tally.crc32c:
                yield Damage(name, 0, path.stat().st_size, "changed since the capture ended")


def open_capture(path: Path | str) -> Capture:
    """Open a capture's folder.

    Raises CaptureError if there is no capture, or a field of its header is wrong.
    """
    path = Path(path)
    keep_names(path.name)
    try:
        with os.scandir(path) as entries:
            names = {entry.name for entry in entries}
    except (FileNotFoundError, NotADirectoryError, ValueError):
        raise CaptureError(
            f"{path}: no such folder; expected a capture, a folder with {HEADER_FILE}"
        ) from None
    except OSError as refusal:
        raise CaptureError(f"{path}: cannot be opened ({refusal.strerror}); expected a capture") from None
    if HEADER_FILE not in names and not any(map(_SAMPLES_FILE.fullmatch, names)):
        raise CaptureError(f"{path}: not a capture; expected a folder with {HEADER_FILE}")
    header, damage = _header_or_copy(path)
    ending, end_path = None, path / END_FILE
    if END_FILE in names:
        try:
            ending = read_ending(end_path)
        except CaptureError as refusal:
            damage.append(Damage(END_FILE, 0, end_path.lstat().st_size, f"the end ({refusal})"))
    amendments = read_amendments(path) if AMENDMENTS_FILE in names else ()
    return Capture(path, header, ending, tuple(damage), amendments)


def _header_or_copy(path: Path) -> tuple[CaptureHeader, list[Damage]]:
    """Return the header, or its copy at the head of a samples file if it is gone or no YAML any more."""
    header_path = path / HEADER_FILE
    try:
        fields = read_yaml(header_path)
    except CaptureError:
        for _, samples_path in _samples_files(path):
            text = header_copy(samples_path)
            if text:
                header = parse_header(parse_yaml(text, str(samples_path)), str(samples_path))
                return header, [Damage(HEADER_FILE, 0, 0, f"the header; {samples_path.name} has a copy")]
        raise
    # A field that somebody changed to something wrong is refused: it is theirs to put right.
    return parse_header(fields, str(header_path)), []


def content_files(path: Path) -> list[Path]:
    """Return the files of a capture that decide what it says, in a fixed order."""
    with os.scandir(path) as entries:
        # opening a named pipe would wait for ever
        names = {entry.name for entry in entries if entry.is_file()}
    runs = sorted((int(match[1]), name) for name in names if (match := _SAMPLES_FILE.fullmatch(name)))
    texts = [name for name in (*TEXT_FILES, END_FILE, AMENDMENTS_FILE) if name in names]
    return [path / name for name in (*texts, *(name for _, name in runs))]


def _samples_files(path: Path) -> list[tuple[int, Path]]:
    found = ((_SAMPLES_FILE.fullmatch(entry.name), entry) for entry in path.iterdir())
    return sorted((int(match[1]), entry) for match, entry in found if match)
