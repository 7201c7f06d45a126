"""`pressrig verify creep`: what a load that was held, and its removal, show of a cell."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.calibration import Calibration, Scale, creep_and_return
from rig.capture import open_capture
from rig.cli.options import PATH, quantity_option, rig_option
from rig.cli.output import console, is_plain, json_option, print_json, say
from rig.core import rounded
from rig.errors import InputError
from rig.rigfile import read_rig_file
from rig.sheets import empty_table

if TYPE_CHECKING:
    from rig.calibration import CreepResult
    from rig.capture import Capture
    from rig.samples import FloatArray

MOST_SAMPLES = 20_000_000
"""Half an hour at ten thousand a second; more is no recording of a held load."""


@click.command("creep")
@click.argument("capture_folder", metavar="CAPTURE", type=PATH)
@rig_option("Read the counts with this rig's calibration.", required=False)
@quantity_option("--most", "most_pct", 'Exit with 1 if creep or zero return is more, "0.1 %".')
@json_option
def command(capture_folder: Path, *, rig_file: Path | None, most_pct: float | None, as_json: bool) -> None:
    """Find creep and zero return from CAPTURE: no load, a load held for five minutes, no load again.

    Both are given in per cent of the load, so you can also test a cell without a calibration.
    """
    capture = open_capture(capture_folder)
    calibration = (
        Calibration.from_dict(capture.header.calibration, where=f"{capture_folder}/capture.yaml: calibration")
        if rig_file is None
        else read_rig_file(rig_file).calibration
    )
    time_s, force, unit, resolution = _force_of(capture, calibration)
    result = creep_and_return(time_s, force, resolution=resolution)
    if as_json:
        print_json({"capture": str(capture_folder), "unit": unit} | result.as_dict())
    else:
        _print(result, unit, capture_folder.name)
    too_much = [
        name
        for name, change in (("creep", result.creep), ("zero return", result.zero_return))
        if most_pct is not None and change is not None and abs(change.value) > most_pct
    ]
    if too_much:
        say(f"pressrig: more than {most_pct:g} %: {', '.join(too_much)}", err=True)
        raise click.exceptions.Exit(1)


def _force_of(capture: Capture, calibration: Calibration) -> tuple[FloatArray, FloatArray, str, float]:
    """Times in s, forces with their unit, and the smallest step; counts where nothing is calibrated."""
    if sum(file.samples for file in capture.files) > MOST_SAMPLES:
        raise InputError(
            f"{capture.path}: more than {MOST_SAMPLES} samples; expected a load held for some minutes"
        )
    samples = capture.samples()
    calibrated, _ = calibration.covers(samples.force_channel, samples.position_channel)
    usable = calibration if calibrated else replace(calibration, force=Scale(1.0))
    resolution = usable.force_resolution_n(samples.force_channel)
    return usable.time_s(samples), usable.force_n(samples), "N" if calibrated else "counts", resolution


def _print(result: CreepResult, unit: str, name: str) -> None:
    title, numbers = f"creep and zero return: {name}", ("value", "95 %", "unit")
    table = empty_table(title, ("quantity",), numbers, plain=is_plain())
    table.add_row("load", f"{result.load:.6g}", "", unit)
    table.add_row("held for", f"{result.hold_s:.1f}", "", "s")
    for title, change in (
        ("creep over the hold", result.creep),
        ("creep per tenfold time", result.per_decade),
        ("zero return", result.zero_return),
    ):
        value = reach = "-"
        if change is not None:
            half = change.reach()
            value, reach = rounded(change.value, change.u), f"± {rounded(half, half)}"
        table.add_row(title, value, reach, "% of the load")
    screen = console()
    screen.print(table)
    for note in result.notes:
        screen.print(f"note: {note}")
