"""`pressrig report`: what a method was run for, from its capture."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.capture import ENDURANCE, HEIGHT, open_capture
from rig.cli.options import PATH, quantity_option, rig_option
from rig.cli.output import console, is_plain, json_option, print_json, progress, say
from rig.errors import InputError
from rig.results import (
    Asked,
    analyse_capture,
    contact_force_n,
    endurance_report,
    method_of,
    method_report,
    needs_cycles,
)
from rig.rigfile import read_rig_file
from rig.samples import gathered
from rig.sheets import endurance_sentences, endurance_table, method_table, recovery_sentences

if TYPE_CHECKING:
    from rig.capture import Capture

PART_SAMPLES = 1 << 18
"""Samples read at a time: some megabytes."""


@click.command("report")
@click.argument("capture_folder", metavar="CAPTURE", type=PATH)
@quantity_option("--spacer", "spacer_mm", 'Height of the spacers of a jig, "45 mm".')
@rig_option("Read the counts with the calibration of this rig file.", required=False)
@json_option
def command(capture_folder: Path, *, spacer_mm: float | None, rig_file: Path | None, as_json: bool) -> None:
    """Report the quantities named in the method of CAPTURE, each with its uncertainty.

    Published procedures are named where their arithmetic is used; no conformity is claimed. The exit code is
    1 if a quantity is not available.
    """
    capture = open_capture(capture_folder)
    if capture.header.ordered.kind == ENDURANCE:
        _report_endurance(capture, as_json=as_json)
        return
    _refuse_height(capture)
    calibration = None if rig_file is None else read_rig_file(rig_file).calibration
    header, method = capture.header, method_of(capture.header)
    result = None
    if needs_cycles(method):
        asked = Asked(contact_force_n=contact_force_n(method), calibration=calibration)
        _, result = analyse_capture(capture_folder, asked, progress=progress)
    report = method_report(
        header,
        capture.each_event(),
        gathered(capture.batches(), PART_SAMPLES),
        result,
        calibration=calibration,
        spacer_mm=spacer_mm,
    )
    if as_json:
        print_json({"capture": str(capture_folder), "specimen": header.specimen} | report.as_dict())
    else:
        screen, plain = console(), is_plain()
        if report.quantities:
            screen.print(method_table(report, plain=plain))
        fit = report.recovery_fit()
        recovery = [] if fit is None else recovery_sentences(fit)
        for note in (f"follows: {report.follows}", *report.notes, *recovery):
            screen.print(note)
    if report.missing:
        names = ", ".join(quantity.name for quantity in report.missing)
        say(f"pressrig: not available: {names}", err=True)
        raise click.exceptions.Exit(1)


def _refuse_height(capture: Capture) -> None:
    """Contact checks of a height promise no quantities of a method; another command gives the height.

    Raises InputError if the capture holds such contact checks.
    """
    ordered = capture.header.ordered
    if ordered.kind != HEIGHT:
        return
    surfaces = ordered.surfaces or ("bare", "piece")
    if "piece" not in surfaces:
        what, way = (
            "of the bare platens",
            f"--bare {capture.path} --piece CAPTURE, with a capture of the piece",
        )
    elif "bare" not in surfaces:
        what, way = "of the piece", f"--piece {capture.path} --bare CAPTURE, with one of the bare platens"
    else:
        what, way = "of the bare platens and of the piece", f"--piece {capture.path}"
    raise InputError(
        f"{capture.path}: found contact checks {what}, made to measure a free height; a report needs the "
        f"squeezes of a method. Get the height with: pressrig height {way}"
    )


def _report_endurance(capture: Capture, *, as_json: bool) -> None:
    report = endurance_report(capture.each_event())
    if as_json:
        print_json({"capture": str(capture.path), "specimen": capture.header.specimen} | report.as_dict())
        return
    screen = console()
    screen.print(endurance_table(report, plain=is_plain()))
    for sentence in endurance_sentences(report):
        screen.print(sentence)
