"""`amendments.jsonl`: dated records that mend what a capture says about itself, and what of it is left out.

Problem: a wrong batch or a forgotten free height should not cost a new measurement, and no one may change a
recording without a trace. Plan: the capture stays as it was recorded; each correction is a line with its day,
its author and its reason, and the header that every command reads is the recorded one with the corrections
applied in order. Cost: one small file that is read with the header.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal, get_args

from rig.capture.events import each_event, event_line
from rig.capture.header import CaptureHeader, parse_header
from rig.core import append_whole, load_json, open_lines
from rig.errors import CaptureError, InputError

AMENDMENTS_FILE = "amendments.jsonl"

Kind = Literal["amended", "excluded", "restored"]
KINDS: dict[object, Kind] = {kind: kind for kind in get_args(Kind)}

AMENDABLE = ("specimen", "batch", "free_height_mm", "area_mm2", "operator", "notes", "conditions")
"""Fields of the header that a person may have got wrong. What the rig itself recorded cannot be amended."""

MOST_CYCLES = 1_000_000
"""A longer list of cycles is a typing error; leave the whole capture out instead."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Amendment:
    """One record.

    `wall`: when it was made, ISO 8601.
    `kind`: whether fields were amended, or cycles (all of them if none is named) excluded or restored.
    `reason`, `by`: why, and who says so.
    `fields`: new values by field of the header; conditions are merged into those that are there, notes are
    added.
    `cycles`: numbers of cycles; empty for the whole capture.
    """

    wall: str
    kind: Kind
    reason: str
    by: str = ""
    fields: Mapping[str, Any] = field(default_factory=dict)
    cycles: tuple[int, ...] = ()

    @property
    def sentence(self) -> str:
        """Return what was done, when, by whom and why."""
        who = f" by {self.by}" if self.by else ""
        if self.kind == "amended":
            what = "amended " + ", ".join(f"{name} to {value!r}" for name, value in self.fields.items())
        else:
            which = f"cycles {', '.join(map(str, self.cycles[:12]))}" if self.cycles else "the capture"
            what = f"{self.kind} {which}"
        return f"{self.wall[:10]}{who}: {what}: {self.reason}"


@dataclass(frozen=True, slots=True)
class Exclusions:
    """What of a capture is left out of results.

    `capture`: the record that left out the whole capture; None if none holds.
    `cycles`: by cycle number: the record that left it out.
    """

    capture: Amendment | None = None
    cycles: Mapping[int, Amendment] = field(default_factory=dict)


def read_amendments(folder: Path) -> tuple[Amendment, ...]:
    """Return the readable records of a capture, oldest first; none if it was never amended."""
    path = folder / AMENDMENTS_FILE
    if not path.is_file():
        return ()
    found = []
    for event in each_event(path):
        # Somebody may have edited the file: a record that says something impossible costs itself only.
        kind, fields, cycles = event.get("kind"), event.get("fields") or {}, event.get("cycles") or []
        if kind not in KINDS or not isinstance(fields, dict) or not isinstance(cycles, list):
            continue
        if any(not isinstance(number, int) for number in cycles) or not set(fields) <= set(AMENDABLE):
            continue
        texts = {name: str(event.get(name) or "") for name in ("wall", "reason", "by")}
        found.append(Amendment(kind=KINDS[kind], fields=fields, cycles=tuple(cycles[:MOST_CYCLES]), **texts))
    return tuple(found)


def amended_header(header: CaptureHeader, amendments: Sequence[Amendment], where: str) -> CaptureHeader:
    """Return a header with amendments applied in order.

    Raises CaptureError if a value is none that the field can have.
    """
    amended = [record for record in amendments if record.kind == "amended"]
    if not amended:
        return header
    fields = asdict(header)
    for record in amended:
        for name, value in record.fields.items():
            if name == "conditions":
                fields[name] = {**fields[name], **value} if isinstance(value, dict) else value
            elif name == "notes":
                fields[name] = "\n".join(text for text in (fields[name], str(value)) if text)
            else:
                fields[name] = value
    return parse_header(fields, where)


def exclusions(amendments: Sequence[Amendment]) -> Exclusions:
    """Return what records leave out, the later ones overruling the earlier."""
    capture: Amendment | None = None
    cycles: dict[int, Amendment] = {}
    for record in amendments:
        if record.kind == "amended":
            continue
        out = record if record.kind == "excluded" else None
        if not record.cycles:
            capture = out
            cycles = cycles if out else {}
        for number in record.cycles:
            if out is None:
                cycles.pop(number, None)
            else:
                cycles[number] = out
    return Exclusions(capture, cycles)


def add_amendment(
    folder: Path,
    header: CaptureHeader,
    kind: Kind,
    *,
    reason: str,
    by: str = "",
    fields: Mapping[str, Any] | None = None,
    cycles: Sequence[int] = (),
) -> Amendment:
    """Append a record to a capture, down to the disk.

    Parameters
    ----------
    folder, header
        Of the capture; the header with all amendments so far.
    kind, reason, by, fields, cycles
        See `Amendment`.

    Raises
    ------
    InputError
        If no reason is given, a field cannot be amended, or a value is none that it can have.
    CaptureError
        If the record cannot be written.
    """
    fields = dict(fields or {})
    if not reason.strip():
        raise InputError("reason: empty; give it with --reason")
    unknown = [name for name in fields if name not in AMENDABLE]
    if unknown:
        raise InputError(f"field {unknown[0]!r}: cannot be amended; expected one of {', '.join(AMENDABLE)}")
    if any(number < 1 for number in cycles):
        raise InputError(f"cycles: found {min(cycles)}, expected numbers from 1 on")
    content = {"reason": reason.strip(), "by": by, "fields": fields, "cycles": list(cycles)}
    line = event_line(kind, content)
    load_json(line, "amendment")  # what cannot be read again is refused, not written
    probe = Amendment(wall="", kind=kind, reason=reason, fields=fields)
    amended_header(header, [probe], f"{folder}: amendment")
    path = folder / AMENDMENTS_FILE
    try:
        with open_lines(path) as file:
            append_whole(file, line)
            os.fsync(file.fileno())
    except OSError as problem:
        raise CaptureError(
            f"{path}: cannot be written ({problem.strerror}); nothing was amended"
        ) from problem
    return read_amendments(folder)[-1]
