"""What `calibrate delay` and `calibrate frame` share: captures of presses in, a part of a calibration out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.calibration import Calibration
from rig.calibrationfile import read_calibration, with_part, write_calibration
from rig.capture import open_capture
from rig.cli.calibrate_showing import say_where, show_cautions
from rig.cli.capture_arguments import captures_argument
from rig.cli.options import FILE, later, made_options, together
from rig.cli.output import json_option, print_json, say
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.calibration import Provenance
    from rig.capture import Capture
    from rig.samples import Samples

MOST_SAMPLES = 20_000_000
"""In all captures together; eleven hours at 500 a second, and less than a gigabyte while they are read."""


press_options = together(
    captures_argument(),
    click.option("--into", type=FILE, help="Calibration file for the result."),
    click.option(
        "--calibration", "calibration_file", type=FILE,
        help="Read the counts with this calibration.  [default: FILE of --into if it exists, else "
            "the captures' own]",
    ),
    made_options("measurement.  [default: that of the last capture]"),
    click.option("--out", type=FILE, help="Plot of the result, PNG or SVG."),
    json_option,
)  # fmt: skip
"""Argument and options of both commands."""


@dataclass(frozen=True, slots=True)
class PressOptions:
    """The options of `press_options`, as click gives them."""

    captures: tuple[Path, ...]
    into: Path | None
    calibration_file: Path | None
    by: str
    made: datetime | None
    expires_after: str
    out: Path | None
    as_json: bool


@dataclass(frozen=True, slots=True)
class Recordings:
    """Captures, read whole.

    `samples`: of each.
    `calibration`: with which they are read: the one so far.
    `day`: of the last one.
    `expires`: last day on which the result holds.
    """

    samples: tuple[Samples, ...]
    calibration: Calibration
    day: date
    expires: date


def recordings_of(given: PressOptions) -> Recordings:
    """Read the captures of a command, and find the calibration they are read with.

    Raises InputError if one is no capture, or they are too long, or they hold different calibrations and none
    was named.
    """
    if given.out is not None and given.out.suffix.lower() not in (".png", ".svg"):
        raise InputError(f"--out: found {given.out}, expected a file name that ends in .png or .svg")
    captures = [open_capture(path) for path in given.captures]
    total = sum(file.samples for capture in captures for file in capture.files)
    if total > MOST_SAMPLES:
        raise InputError(f"the captures hold {total} samples; expected at most {MOST_SAMPLES}")
    calibration = _calibration(given, captures)
    samples = []
    for path, capture in zip(given.captures, captures, strict=True):
        if capture.damage:
            raise InputError(
                f"{path}: {len(capture.damage)} parts could not be read; a calibration needs an undamaged "
                "capture"
            )
        taken = capture.samples()
        if taken.clock == "none":
            raise InputError(f"{path}: has no time column; a calibration needs one")
        samples.append(taken)
    last = max(capture.header.started for capture in captures).date()
    day = last if given.made is None else given.made.date()
    return Recordings(tuple(samples), calibration, day, later(day, given.expires_after))


def dated(record: Provenance, recordings: Recordings, given: PressOptions, reference: str) -> Provenance:
    """Return a record with its day, its maker and the captures it rests on."""
    details = dict(record.details) | {
        "captures": [path.name or path.resolve().name for path in given.captures],
        "read_with": recordings.calibration.identity,
    }
    return replace(
        record,
        made=recordings.day,
        expires=recordings.expires,
        by=given.by,
        references=(reference,),
        details=details,
    )


def written(given: PressOptions, recordings: Recordings, **parts: Any) -> Path | None:
    """Write parts into the file of --into, if one was named; where the older one is kept now.

    A file that is new starts from the calibration that the captures were read with, since the parts belong
    to its scales.
    """
    if given.into is None:
        return None
    if given.into.exists():
        return write_calibration(given.into, with_part(given.into, **parts))
    return write_calibration(given.into, replace(recordings.calibration, **parts))


def say_result(
    document: dict[str, Any], cautions: Sequence[str], given: PressOptions, kept: Path | None
) -> None:
    """Print the document where JSON was asked for, else the cautions and what was written."""
    if given.as_json:
        where = {} if given.into is None else {"written": given.into, "older": kept}
        print_json(document | where)
        return
    show_cautions(cautions)
    if given.into is not None:
        say_where(given.into, kept, None)
    else:
        say("No calibration was written. Keep it with `--into FILE.yaml`.")


def _calibration(given: PressOptions, captures: list[Capture]) -> Calibration:
    if given.calibration_file is not None:
        return read_calibration(given.calibration_file)
    own = [
        Calibration.from_dict(capture.header.calibration, where=f"{path}/capture.yaml: calibration")
        for path, capture in zip(given.captures, captures, strict=True)
    ]
    if given.into is not None and given.into.exists():
        known = read_calibration(given.into)
        return replace(known, force=known.force or own[0].force, position=known.position or own[0].position)
    for path, calibration in zip(given.captures, own, strict=True):
        if calibration.identity != own[0].identity:
            raise InputError(
                f"{path}: was recorded with a different calibration than {given.captures[0]}; give one "
                "for all with --calibration"
            )
    return own[0]
