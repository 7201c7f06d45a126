"""A calibration's file: written by the commands that calibrate, read by rig files and analyses.

In: a YAML file. Out: a `Calibration`, or a file that reads back as the same one. Must not depend on: ports,
captures. A file says which content it has: `identity` is computed from all the rest, so that a number that
was changed by hand is found out, and an older version is never written over.
"""

from __future__ import annotations

import contextlib
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import yaml

from rig.calibration import Calibration
from rig.core import load_yaml, read_text
from rig.errors import InputError
from rig.renamed import CALIBRATION_KEYS

FORMAT = 1
"""Of the file; a later one is refused."""

_HEADING = (
    "# Written by pressrig calibrate. Changed by hand it is refused: calibrate again, or drop `identity`.\n"
)


def read_calibration(path: Path) -> Calibration:
    """Read a calibration's file.

    Raises InputError if it cannot be read, a field is wrong, or its content is not the one that it was
    written with.
    """
    text = read_text(path, what="calibration", hint="`pressrig calibrate` writes one")
    content = load_yaml(text, str(path), expected="force, position, delay ...")
    stated = content.pop("identity", None)
    if (version := content.pop("format", FORMAT)) != FORMAT:
        raise InputError(f"{path}: format: found {version!r}, expected {FORMAT}; a newer pressrig wrote it?")
    parts = ("force", "position", "delay", "frame", "backlash")
    unknown = sorted(set(content) - {"name", *parts, *CALIBRATION_KEYS})
    if unknown:
        raise InputError(f"{path}: {unknown[0]} is not part of a calibration; {', '.join(parts)} are")
    calibration = Calibration.from_dict(content, where=str(path))
    if stated is not None and stated != calibration.identity:
        raise InputError(
            f"{path}: identity: found {stated}, but the content is {calibration.identity}: it was changed "
            "after it was written; calibrate again, or drop the line `identity` to own the change"
        )
    return calibration


def write_calibration(path: Path, calibration: Calibration) -> Path | None:
    """Write a calibration's file; an older one of that name with another content is kept beside it.

    Returns
    -------
    Where the older one is kept now; None if there was none.

    Raises
    ------
    InputError
        If there is something else at `path`, or it cannot be written.
    """
    kept = _kept_aside(path, calibration) if path.exists() else None
    text = calibration_text(calibration)
    new = path.with_name(f".{path.name}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with new.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    except OSError as problem:
        with contextlib.suppress(OSError):
            new.unlink()
        raise InputError(f"{path}: cannot be written ({problem.strerror})") from None
    return kept


def calibration_text(calibration: Calibration) -> str:
    """Return what a calibration's file holds."""
    fields = {"format": FORMAT, "identity": calibration.identity} | calibration.as_dict()
    return _HEADING + yaml.safe_dump(fields, sort_keys=False, allow_unicode=True, default_flow_style=None)


def with_part(path: Path, **parts: Any) -> Calibration:
    """Return the calibration of a file, or an empty one, with parts of it replaced; nothing is written.

    `**parts`: `force`, `position`, `delay`, `frame`, `backlash`, `name`.
    """
    before = read_calibration(path) if path.exists() else Calibration()
    return replace(before, **parts)


def _kept_aside(path: Path, calibration: Calibration) -> Path | None:
    before = read_calibration(path)
    if before.identity == calibration.identity:
        return None
    aside = path.with_name(f"{path.stem}-{before.identity}{path.suffix}")
    try:
        aside.write_bytes(path.read_bytes())
    except OSError as problem:
        raise InputError(f"{aside}: the older calibration cannot be kept ({problem.strerror})") from None
    return aside
