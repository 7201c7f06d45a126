"""Before a recording begins: the port of a rig, and on standard error, once, what is wrong with the rig."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.cli.output import say
from rig.reader import Reader
from rig.rigchecks import standing_of

if TYPE_CHECKING:
    from rig.rigfile import RigFile


def reader_of(rig: RigFile, port: str | None) -> Reader:
    """Return the reader of a rig, not yet entered.

    Raises InputError if neither names a port.

    `port`: instead of the rig file's.
    """
    return Reader(rig.address(port), rig.wire, rate_hz=rig.rate_hz, disagreement=rig.disagreement)


def say_how_it_stands(rig: RigFile) -> tuple[str, ...]:
    """Say what is overdue, uncalibrated or outside on a rig; the same sentences belong in the capture."""
    standing = standing_of(rig)
    for text in standing.alarms:
        say(f"pressrig: WARNING: {text}", err=True, fg="yellow")
    for text in standing.notes:
        say(f"pressrig: note: {text}", err=True)
    return standing.sentences
