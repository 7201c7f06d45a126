"""Captures by name: their folders, folders of them, and patterns.

The problem: people name captures/*, which holds a README too, or the folder itself, or a pattern that their
shell left as it was; and a job that measures for minutes must not fail at the last name. The plan: all names
are looked through before anything is measured; all that cannot be used, and all that is given twice, is named
at once. Cost: the header of each capture is read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from rig.capture.listing import CaptureSummary, capture_summary, list_captures, looks_like_capture
from rig.errors import InputError

_MARKS = "*?["


@dataclass(frozen=True, slots=True)
class FoundCaptures:
    """Captures that were found.

    `optional`: those of them that were not named one by one.
    `others`: what was named, and is no capture and holds none.
    """

    paths: list[Path]
    optional: set[Path]
    others: list[Path]


@dataclass(slots=True)
class _Found:
    """Captures by where they really are, what is known of them, and what else was named."""

    paths: dict[Path, Path] = field(default_factory=dict)
    listed: dict[Path, CaptureSummary] = field(default_factory=dict)
    named: set[Path] = field(default_factory=set)
    others: list[Path] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


def find_captures(paths: Sequence[Path], *, once: bool = True, leave_out: bool = False) -> FoundCaptures:
    """Find the captures that paths name or hold.

    Parameters
    ----------
    paths
        Captures, folders of captures, and patterns such as captures/F-90*.
    leave_out
        Whether a damaged capture that was not named is kept for the caller to leave out.

    Raises
    ------
    InputError
        Naming every capture that cannot be opened or is given twice, or if there is none at all.
    """
    found = _Found()
    for path in paths:
        if path.exists() or not any(mark in path.name for mark in _MARKS):
            _take(path, found, named=True)
            continue
        try:
            matching = sorted(path.parent.glob(path.name)) if path.parent.is_dir() else []
        except ValueError:  # such as two stars beside letters
            matching = []
        if not matching:
            found.problems.append(f"{path}: no such file or folder")
        for match in matching:
            _take(match, found, named=False)
    optional = {path for whole, path in found.paths.items() if whole not in found.named}
    found.problems += _unusable(found, once=once, kept=optional if leave_out else set())
    if found.problems:
        count = len(found.problems)
        intro = "" if count == 1 else f"{count} captures cannot be used:\n  "
        raise InputError(intro + "\n  ".join(found.problems))
    if not found.paths:
        shown = ", ".join(map(str, paths[:5]))
        raise InputError(f"{shown}: holds no captures; expected a capture's folder, or a folder of them")
    return FoundCaptures(list(found.paths.values()), optional, found.others)


def _take(path: Path, found: _Found, *, named: bool) -> None:
    try:
        whole = path.resolve()
    except (RuntimeError, OSError):  # links in a circle, a name too long
        found.problems.append(f"{path}: cannot be opened; expected a capture's folder, or a folder of them")
        return
    if looks_like_capture(path):
        if named and whole in found.named:
            found.problems.append(f"{path}: the same capture as {found.paths[whole]}; give it once")
        found.paths.setdefault(whole, path)
        if named:
            found.named.add(whole)
        return
    if not path.exists():
        found.problems.append(f"{path}: no such capture")
        return
    listed = list_captures(path) if path.is_dir() else []
    if not listed:
        found.others.append(path)
    for summary in listed:
        whole = summary.path.resolve()
        found.paths.setdefault(whole, summary.path)
        found.listed.setdefault(whole, summary)


def _unusable(found: _Found, *, once: bool, kept: set[Path]) -> list[str]:
    """Return what is wrong with captures that cannot be opened, or are copies of others."""
    problems: list[str] = []
    seen: dict[str, Path] = {}
    for whole, path in found.paths.items():
        summary = found.listed.get(whole) or capture_summary(path)
        if summary.id is None:
            if path not in kept:
                problems.append(str(summary.problem))
            continue
        if once and summary.id in seen:
            problems.append(f"{path}: the same capture as {seen[summary.id]}, a copy; give it once")
        seen.setdefault(summary.id, path)
    return problems
