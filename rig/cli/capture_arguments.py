"""Captures as arguments, the same for every command: capture folders, folders of captures, and patterns.

The problem: people type captures/*, which holds a README too, or the folder itself, or a pattern that their
shell left as it was; and a command that measures for minutes must not fail at the last name. The plan: all
names are looked through before anything is measured. What is not a capture is passed over in one line; all
that cannot be used, and all that is given twice, is named at once.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import click

from rig.cli.output import say
from rig.errors import CaptureError, InputError

_MARKS = "*?["


def captures_argument(*, required: bool = True, once: bool = True) -> Callable[..., Any]:
    """`CAPTURES...`: the captures that the arguments name, in their order.

    Parameters
    ----------
    required
        Whether at least one must be given.
    once
        Whether a copy of a capture would count twice, and so is refused.
    """

    def expand(_: click.Context, __: click.Parameter, paths: tuple[Path, ...]) -> tuple[Path, ...]:
        return tuple(captures_in(paths, once=once)[0]) if paths else ()

    return click.argument(
        "captures", nargs=-1, required=required, type=click.Path(path_type=Path), callback=expand
    )


@dataclass(slots=True)
class _Found:
    """Captures by where they really are, and what else was named."""

    paths: dict[Path, Path] = field(default_factory=dict)
    named: set[Path] = field(default_factory=set)
    others: list[Path] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


def captures_in(
    paths: Sequence[Path], *, once: bool = True, leave_out: bool = False
) -> tuple[list[Path], set[Path]]:
    """Return the captures that paths name or hold, and which of them nobody named one by one.

    Parameters
    ----------
    paths
        Captures, folders of captures, and patterns such as captures/F-90*.
    once
        Whether copies are refused.
    leave_out
        Whether a damaged capture that nobody named is kept for the caller to leave out.

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
            found.problems.append(f"{path}: nothing has such a name")
        for each in matching:
            _take(each, found, named=False)
    optional = {path for whole, path in found.paths.items() if whole not in found.named}
    found.problems += _unusable(found, once=once, kept=optional if leave_out else set())
    if found.problems:
        count = len(found.problems)
        intro = "" if count == 1 else f"{count} captures cannot be used:\n  "
        raise InputError(intro + "\n  ".join(found.problems))
    if not found.paths:
        shown = ", ".join(map(str, paths[:5]))
        raise InputError(f"{shown}: holds no captures; expected a capture's folder, or a folder of them")
    if found.others:
        shown = ", ".join(map(str, found.others[:5])) + (" ..." if len(found.others) > 5 else "")
        say(f"pressrig: passed over, since it is no capture: {shown}", err=True)
    return list(found.paths.values()), optional


def _take(path: Path, found: _Found, *, named: bool) -> None:
    from rig.capture import list_captures, looks_like_capture

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
    for each in listed:
        found.paths.setdefault(each.path.resolve(), each.path)


def _unusable(found: _Found, *, once: bool, kept: set[Path]) -> list[str]:
    """What is wrong with captures that cannot be opened, or are copies of others."""
    from rig.capture import open_capture

    problems: list[str] = []
    seen: dict[str, Path] = {}
    for path in found.paths.values():
        try:
            header = open_capture(path).header
        except CaptureError as problem:
            if path not in kept:
                problems.append(str(problem))
            continue
        if once and header.id in seen:
            problems.append(f"{path}: the same capture as {seen[header.id]}, a copy; give it once")
        seen.setdefault(header.id, path)
    return problems
