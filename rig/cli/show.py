"""`pressrig show`: one capture's header, how it ended, and what happened while it was recorded."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich import box
from rich.table import Table

from rig.capture import Amendment, open_capture, recorded_channels
from rig.cli.options import PATH
from rig.cli.output import console, is_plain, json_option, print_json

if TYPE_CHECKING:
    from rig.capture import Capture


@click.command("show")
@click.argument("capture", type=PATH)
@json_option
def command(capture: Path, *, as_json: bool) -> None:
    """Show the facts recorded with CAPTURE. The exit code is 1 if it is damaged."""
    opened = open_capture(capture)
    document = _document(opened)
    if as_json:
        print_json(document)
    else:
        _print(document)
    if opened.damage:
        raise click.exceptions.Exit(1)


def _document(capture: Capture) -> dict[str, Any]:
    header = asdict(capture.header)
    readable = sum(len(batch) for batch in capture.batches())
    ending = capture.ending
    return {
        "capture": str(capture.path),
        "header": header | {"started": capture.header.started.isoformat()},
        "ended": capture.how_it_ended,
        "samples": readable,
        "duration_s": None if ending is None else ending.duration_s,
        "tallies": {} if ending is None else dict(ending.tallies),
        "channels": {name: asdict(told) for name, told in recorded_channels(capture).items()},
        "events": dict(Counter(str(event.get("kind")) for event in capture.each_event())),
        "amendments": [asdict(record) for record in capture.amendments],
        "damage": [asdict(damage) for damage in capture.damage],
    }


def _print(document: dict[str, Any]) -> None:
    table = Table(box=None if is_plain() else box.SIMPLE, show_header=False)
    table.add_column()
    table.add_column()
    header = document["header"]
    units = {"free_height_mm": "mm", "area_mm2": "mm^2"}
    for name in ("specimen", "batch", *units, "started", "operator", "notes", "source"):
        unit = units.get(name, "")
        title = name.removesuffix("_mm").removesuffix("_mm2").replace("_", " ")
        if header[name] not in (None, ""):
            table.add_row(title, f"{header[name]:g} {unit}" if unit else str(header[name]))
    for name, value in header["conditions"].items():
        table.add_row(name, str(value))
    calibration = header["calibration"] or {}
    for channel in ("force", "position"):
        table.add_row(channel, _scale_words(header[channel]["unit"], calibration.get(channel)))
    for name, told in document["channels"].items():
        words = f"{told['least']:g} to {told['greatest']:g} {told['unit']}"
        table.add_row(name, f"{words}, one mean per second, {told['readings']} in all")
    for warning in header["warnings"]:
        table.add_row("warning", warning)
    for record in document["amendments"]:
        table.add_row("amended", Amendment(**record).sentence)
    table.add_row("clock", header["clock"])
    table.add_row("samples", str(document["samples"]))
    if document["duration_s"] is not None:
        table.add_row("length", f"{document['duration_s']:.1f} s")
    table.add_row("ended", document["ended"])
    for kind, count in document["events"].items():
        table.add_row(f"event: {kind}", str(count))
    for name, value in (document["tallies"].get("wire") or {}).items():
        if value:
            table.add_row(f"wire: {name.replace('_', ' ')}", str(value))
    for damage in document["damage"]:
        table.add_row("damage", f"{damage['file']} at byte {damage['offset']}: {damage['lost']}")
    console().print(table)


def _scale_words(unit: str, scale: dict[str, Any] | None) -> str:
    """Return what a channel holds; of a scale its numbers, without its evidence."""
    if unit != "counts":
        return f"recorded in {unit}"
    if not scale:
        return "counts, uncalibrated"
    numbers = (f"{key} {value:g}" for key, value in scale.items() if isinstance(value, int | float))
    return f"counts; {', '.join(numbers)}"
