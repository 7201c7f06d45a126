"""`pressrig verify piece`: a pressed check standard into the control chart beside the rig's file."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.calibration import BASELINE, Calibration, Known
from rig.cli.options import PATH, conditioning_option, read_quantity, rig_option
from rig.cli.output import console, json_option, print_json, progress, say
from rig.core import finite, quantity, rounded
from rig.errors import InputError
from rig.results import Asked, analyse_capture
from rig.rigchecks import PieceCheck, read_checks
from rig.rigfile import read_rig_file

if TYPE_CHECKING:
    from rig.analyser import CaptureResult
    from rig.calibration import Judgement
    from rig.capture import Capture
    from rig.rigchecks import CheckLog


QUANTITY = "secant_n_per_mm"

SAME_DEPTH = 0.05
"""A piece pressed by another share than this deeper or less deep is not quite compared with itself."""


@click.command("piece")
@click.argument("capture_folder", metavar="CAPTURE", type=PATH)
@rig_option()
@click.option(
    "--piece", metavar="NAME", help="Name of the check standard.  [default: the capture's specimen]"
)
@click.option("--quantity", default=QUANTITY, show_default=True, metavar="NAME", help="Quantity to chart.")
@click.option(
    "--known", metavar="Q", help='Known value of the check standard, "0.723 N/mm"; kept for next time.'
)
@click.option("--tolerance", metavar="Q", help='Largest permitted error, "2 %" or "0.01 N/mm".')
@click.option(
    "--baseline", type=click.IntRange(2, 100), metavar="N",
    help="Number of readings that set the limits.  [default: 8]",
)  # fmt: skip
@conditioning_option()
@json_option
def command(
    capture_folder: Path,
    *,
    rig_file: Path,
    piece: str | None,
    quantity: str,
    known: str | None,
    tolerance: str | None,
    baseline: int | None,
    conditioning: int | None,
    as_json: bool,
) -> None:
    """Measure the check standard pressed in CAPTURE, judge it, and add it to its control chart.

    The chart is kept beside the rig file. If the check standard is outside its limits, the exit code is 1 and
    every recording on this rig starts with a warning until you give the reason with `pressrig verify clear`.
    """
    rig = read_rig_file(rig_file)
    log = read_checks(rig_file)
    capture, result = analyse_capture(capture_folder, Asked(conditioning=conditioning), progress=progress)
    recorded_on = capture.header.rig.get("name")
    if recorded_on is not None and recorded_on != rig.name:
        raise InputError(
            f"{capture.path}: was recorded on the rig {recorded_on!r}, not on {rig.name!r}; each rig has "
            "its own chart"
        )
    check = _check(capture, result, piece or capture.header.specimen, quantity)
    stated = _known(known, tolerance, check.unit) or log.known(check.piece, quantity)
    if stated is not None:
        check = replace(check, known=stated.value, tolerance=stated.tolerance)
    judgement = log.judged(check, baseline or BASELINE)
    check = replace(check, reasons=judgement.reasons)
    notes = (*judgement.notes, *_remarks(log, check))
    log.add(check)
    if as_json:
        print_json(_document(check, judgement, notes))
    else:
        _print(check, judgement, notes)
    if judgement.outside:
        say(
            "pressrig: outside its limits: recordings on this rig start with a warning until `pressrig "
            "verify clear`",
            err=True,
        )
        raise click.exceptions.Exit(1)


def _known(known: str | None, tolerance: str | None, unit: str) -> Known | None:
    if (known is None) != (tolerance is None):
        raise InputError("--known and --tolerance: found one of them, expected both")
    value = read_quantity("--known", known, unit)
    if value is None or tolerance is None:
        return None
    relative = "%" in tolerance
    allowed = read_quantity("--tolerance", tolerance, "%" if relative else unit) or 0.0
    return Known(value, value * allowed / 100 if relative else allowed)


def _check(capture: Capture, result: CaptureResult, piece: str, name: str) -> PieceCheck:
    """Return the mean over the cycles that count, with its uncertainty, as a reading of a chart."""
    names = result.quantities()
    if name not in names:
        stiffnesses = ", ".join(known for known in names if known.endswith("_n_per_mm"))
        raise InputError(
            f"--quantity: found {name!r}; there are {stiffnesses}"
            if names
            else "no cycle was found to measure"
        )
    found, header = result.summary[name], capture.header
    if not found["n"]:
        raise InputError(
            f"--quantity: {name} is not available for any cycle; {' '.join(result.warnings[:2])}"
        )
    return PieceCheck(
        at=header.started,
        piece=piece,
        quantity=name,
        value=float(found["mean"]),
        u=finite(found["u"]),
        unit=quantity(name).unit,
        capture=header.id,
        calibration=Calibration.from_dict(header.calibration).identity,
        depth_mm=float(result.summary["peak_deflection_mm"]["mean"]),
    )


def _remarks(log: CheckLog, check: PieceCheck) -> Iterator[str]:
    """Yield what differs from the reading before, and what makes this one or the log less sure."""
    for before in log.chart(check.piece, check.quantity)[-1:]:
        if before.calibration != check.calibration:
            yield "The calibration has changed since the last reading, which may explain a step."
        before_mm, depth_mm = before.depth_mm, check.depth_mm
        if before_mm and depth_mm and abs(depth_mm - before_mm) > SAME_DEPTH * before_mm:
            yield (
                f"Pressed {depth_mm:.2f} mm deep, {before_mm:.2f} mm last time: press it the same way "
                "each time."
            )
    if check.tolerance is not None and check.u is not None and 2 * check.u > check.tolerance:
        yield (
            f"The reading is known to {2 * check.u:.2g} {check.unit} (two standard uncertainties), and "
            f"{check.tolerance:.2g} is allowed: too coarse to tell."
        )
    if log.damaged:
        yield f"{log.path.name}: {log.damaged} damaged lines are left out."


def _document(check: PieceCheck, judgement: Judgement, notes: tuple[str, ...]) -> dict[str, Any]:
    return asdict(check) | {
        "at": check.at.isoformat(),
        "outside": judgement.outside,
        "limits": None if judgement.limits is None else asdict(judgement.limits),
        "moving_range": judgement.moving_range,
        "notes": list(notes),
    }


def _print(check: PieceCheck, judgement: Judgement, notes: tuple[str, ...]) -> None:
    screen = console()
    u = check.u or 0.0
    stated = "" if check.u is None else f" (u {rounded(u, u)})"
    when: datetime = check.at.astimezone()
    screen.print(
        f"{check.piece}, {when:%Y-%m-%d %H:%M}: {rounded(check.value, u)} {check.unit}{stated}: "
        f"{'OUTSIDE' if judgement.outside else 'inside'}",
        markup=False,
    )
    if check.known is not None and check.tolerance is not None:
        off = 100 * (check.value / check.known - 1)
        screen.print(
            f"known to be {check.known:.5g} {check.unit} within {check.tolerance:.3g}; off by {off:+.2f} %",
        )
    limits = judgement.limits
    if limits is not None:
        screen.print(
            f"chart: mean {limits.mean:.5g}, limits {limits.lower:.5g} to {limits.upper:.5g}, moving range "
            f"up to {limits.largest_range:.3g} {check.unit}, set by {limits.learnt_from} readings",
        )
    for reason in judgement.reasons:
        screen.print(f"outside: {reason}")
    for note in notes:
        screen.print(f"note: {note}")
