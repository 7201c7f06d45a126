"""`pressrig exclude`: leave a capture or some of its cycles out of results, with a reason."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.capture import add_amendment, open_capture
from rig.cli.amend import by_option, reason_option
from rig.cli.capture_arguments import captures_argument
from rig.cli.output import say
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.capture.amendments import Kind

LONGEST_RANGE = 100_000
"""Cycles in one range of `--cycles`; more of them are left out with the whole capture."""

cycles_option = click.option(
    "--cycles", metavar="LIST", help='Cycle numbers, "3,5-7".  [default: the whole capture]'
)


@click.command("exclude")
@captures_argument(once=False)
@cycles_option
@reason_option
@by_option
def command(captures: tuple[Path, ...], *, cycles: str | None, reason: str, by: str) -> None:
    """Leave CAPTURES, or some of their cycles, out of every result.

    Nothing is deleted: `pressrig restore` takes them back, and every command reports what it leaves out.
    """
    record_choice(captures, "excluded", cycles, reason=reason, by=by)


def record_choice(
    captures: tuple[Path, ...], kind: Kind, cycles: str | None, *, reason: str, by: str
) -> None:
    """Add the same record to captures, all of which must be captures."""
    numbers = cycle_numbers(cycles)
    opened = [open_capture(path) for path in captures]
    for capture in opened:
        record = add_amendment(capture.path, capture.header, kind, reason=reason, by=by, cycles=numbers)
        say(f"{capture.path}: {record.sentence}")


def cycle_numbers(text: str | None) -> tuple[int, ...]:
    """Return the cycle numbers of a list such as "3,5-7"; none where nothing was given.

    Raises InputError if it is no such list.
    """
    if text is None:
        return ()
    found: list[int] = []
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        if not first.strip().isdecimal() or (dash and not last.strip().isdecimal()):
            raise InputError(f"--cycles: found {text!r:.60}, expected numbers and ranges such as 3,5-7")
        low, high = int(first), int(last) if dash else int(first)
        if not 1 <= low <= high or high - low >= LONGEST_RANGE:
            raise InputError(
                f"--cycles: found {part.strip()!r:.40}, expected a rising range from 1 of at most "
                f"{LONGEST_RANGE} cycles"
            )
        found += range(low, high + 1)
    return tuple(sorted(set(found)))
