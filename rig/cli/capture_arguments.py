"""Captures as arguments, the same for every command: capture folders, folders of captures, and patterns."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.capture import find_captures, looks_like_capture
from rig.cli.options import PATH
from rig.cli.output import say
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.capture import FoundCaptures


def captures_argument(
    *, required: bool = True, once: bool = True, whole_folders: bool = True
) -> Callable[..., Any]:
    """`CAPTURES...`: the captures that the arguments name, in their order.

    `once`: whether a copy of a capture would count twice, and so is refused.
    `whole_folders`: whether a folder stands for all captures in it; otherwise a pattern must say so.
    """

    def expand(_: click.Context, __: click.Parameter, paths: tuple[Path, ...]) -> tuple[Path, ...]:
        for path in paths:
            if not whole_folders and path.is_dir() and not looks_like_capture(path):
                raise InputError(
                    f"{path}: is a folder of captures; name each capture, or write {path}/* to mean them all"
                )
        return tuple(captures_in(paths, once=once).paths) if paths else ()

    return click.argument("captures", nargs=-1, required=required, type=PATH, callback=expand)


def captures_in(paths: Sequence[Path], *, once: bool = True, leave_out: bool = False) -> FoundCaptures:
    """Find captures as `rig.capture.find_captures` does, and say in one line what was passed over."""
    found = find_captures(paths, once=once, leave_out=leave_out)
    if found.others:
        shown = ", ".join(map(str, found.others[:5])) + (" ..." if len(found.others) > 5 else "")
        say(f"pressrig: skipped, not a capture: {shown}", err=True)
    return found
