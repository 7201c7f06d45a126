"""`pressrig calibrate frame`: how far the rig itself gives under load."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from rig.calibration import Block, measure_frame
from rig.calibration.frame_measuring import SOFTEST_MM_PER_N
from rig.cli.calibrate_presses import PressOptions, dated, press_options, recordings_of, say_result, written
from rig.cli.options import quantity_option, read_quantity
from rig.cli.output import console, framed_table, say
from rig.core import finite
from rig.errors import InputError
from rig.sheets import save_frame

if TYPE_CHECKING:
    from rig.calibration import FrameMeasurement

UM_PER_MM = 1e3


@click.command("frame")
@press_options
@quantity_option(
    "--block-stiffness", "stiffness_n_per_mm", 'Stiffness of the block itself, "500 N/um".  [default: rigid]'
)
@click.option(
    "--block-u", default="10 %", show_default=True, metavar="Q",
    help="Relative standard uncertainty of that stiffness.",
)  # fmt: skip
@click.option(
    "--knots", type=click.IntRange(1, 6), help="Number of knots of the curve.  [default: as few as fit]"
)
@quantity_option(
    "--softest", "softest_mm_per_n", "Compliance above which the block is called soft.  [default: 200 um/N]"
)
def command(
    *,
    stiffness_n_per_mm: float | None,
    block_u: str,
    knots: int | None,
    softest_mm_per_n: float | None,
    **options: Any,
) -> None:
    """Find the frame compliance from CAPTURES of slow presses of a steel block.

    Press it five times, as hard as you will press specimens, at 1 mm/s or slower, and release it between
    presses. Remove the time offset first (`pressrig calibrate delay`).
    """
    given = PressOptions(**options)
    u_pct = read_quantity("--block-u", block_u, "%") or 0.0
    if u_pct >= 100:
        raise InputError(f"--block-u: found {block_u!r}, expected less than 100 %")
    block = Block() if stiffness_n_per_mm is None else Block(stiffness_n_per_mm, u_pct / 100)
    recordings = recordings_of(given)
    found = measure_frame(
        recordings.samples,
        recordings.calibration,
        block,
        knots=knots,
        softest_mm_per_n=softest_mm_per_n or SOFTEST_MM_PER_N,
    )
    frame = replace(found.frame, record=dated(found.frame.record, recordings, given, block.words))
    kept = written(given, recordings, frame=frame)
    if given.out is not None:
        save_frame(found, "Frame compliance", given.out)
    if not given.as_json:
        _show(found)
    say_result(_document(found), found.notes, given, kept)


def _show(found: FrameMeasurement) -> None:
    frame = found.frame
    table = framed_table("Frame compliance", right=("force N", "deflection um", "u um", "95 % um", "um/N"))
    for force_n, deflection_mm, u_mm, half_mm in zip(
        frame.force_n, frame.deflection_at_mm, found.u_mm, found.interval_mm, strict=True
    ):
        table.add_row(
            f"{force_n:.4g}",
            f"{UM_PER_MM * deflection_mm:.5g}",
            f"{UM_PER_MM * u_mm:.2g}",
            f"{UM_PER_MM * half_mm:.2g}",
            f"{UM_PER_MM * deflection_mm / force_n:.4g}",
        )
    console().print(table)
    say(f"Curve: {found.reason}.")
    say(
        f"Contact of {len(found.contacts_mm)} presses between {min(found.contacts_mm):.4f} and "
        f"{max(found.contacts_mm):.4f} mm. Loading and unloading differ by at most "
        f"{UM_PER_MM * found.loop_mm:.2g} um."
    )
    if found.left_out:
        say(f"Presses left out: {found.left_out}, incomplete or shallower than the others.")


def _document(found: FrameMeasurement) -> dict[str, Any]:
    frame = found.frame
    return {
        "force_n": list(frame.force_n),
        "deflection_mm": list(frame.deflection_at_mm),
        "u_mm": list(found.u_mm),
        "half_interval_95_mm": list(found.interval_mm),
        "degrees_of_freedom": finite(frame.degrees_of_freedom),
        "shares": [share.as_dict() for share in frame.shares],
        "reason": found.reason,
        "tried": [
            {"knots": choice.knots, "denser_below": choice.denser_below, "residual_mm": choice.residual_mm}
            for choice in found.choices
        ],
        "residual_mm": found.residual_mm,
        "loop_mm": found.loop_mm,
        "contacts_mm": list(found.contacts_mm),
        "left_out": found.left_out,
        "cautions": list(found.notes),
    }
