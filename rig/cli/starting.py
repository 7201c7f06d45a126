"""What is printed once, on standard error, before a recording begins."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.cli.output import say
from rig.rigchecks import standing_of

if TYPE_CHECKING:
    from rig.rigfile import RigFile


def say_how_it_stands(rig: RigFile) -> tuple[str, ...]:
    """Say what is overdue, uncalibrated or outside on a rig; the same sentences belong in the capture."""
    standing = standing_of(rig)
    for text in standing.alarms:
        say(f"pressrig: WARNING: {text}", err=True, fg="yellow")
    for text in standing.notes:
        say(f"pressrig: note: {text}", err=True)
    return standing.sentences
