"""`pressrig delete`: move captures into a bin folder beside them; nothing is erased."""

from __future__ import annotations

import time
from pathlib import Path

import click

from rig.capture import open_capture
from rig.cli.capture_arguments import captures_argument
from rig.cli.output import say
from rig.errors import CaptureError, InputError

SETTLED_S = 60.0
"""A capture without an end that was written more recently may still be recording."""

BIN = ".bin"
"""Folder below the one that holds the capture. Its name begins with a dot, so that no listing takes it."""


@click.command("delete")
@captures_argument(once=False, whole_folders=False)
def command(captures: tuple[Path, ...]) -> None:
    """Move CAPTURES into the folder .bin beside them.

    Nothing is erased: to restore a capture, move its folder back. Remove the bin yourself.
    """
    moves: dict[Path, Path] = {}
    for capture in [open_capture(path) for path in captures]:
        path = capture.path.resolve()
        newest = max((file.stat().st_mtime for file in path.iterdir() if file.is_file()), default=0.0)
        if capture.ending is None and time.time() - newest < SETTLED_S:
            raise InputError(f"{path}: was written less than {SETTLED_S:g} s ago and may still be recording")
        moves[path] = path.parent / BIN / path.name
        if moves[path].exists():
            raise InputError(f"{moves[path]}: already exists; move it away first. Nothing was moved")
    for path, target in moves.items():
        try:
            target.parent.mkdir(exist_ok=True)
            path.rename(target)
        except OSError as problem:
            raise CaptureError(f"{path}: cannot be moved to {target} ({problem.strerror})") from problem
        say(f"Moved {path} to {target}")
