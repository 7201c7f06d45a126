"""Captures as arguments, the same for every command: capture folders, folders of captures, and patterns."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.cli.output import say

if TYPE_CHECKING:
    from rig.capture import FoundCaptures


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
        return tuple(captures_in(paths, once=once).paths) if paths else ()

    return click.argument(
        "captures", nargs=-1, required=required, type=click.Path(path_type=Path), callback=expand
    )


def captures_in(paths: Sequence[Path], *, once: bool = True, leave_out: bool = False) -> FoundCaptures:
    """Find captures as `rig.capture.find_captures` does, and say in one line what was passed over."""
    from rig.capture import find_captures

    found = find_captures(paths, once=once, leave_out=leave_out)
    if found.others:
        shown = ", ".join(map(str, found.others[:5])) + (" ..." if len(found.others) > 5 else "")
        say(f"pressrig: skipped, not a capture: {shown}", err=True)
    return found
