"""`pressrig verify chart`: the control charts of a rig's check standards."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.calibration import BASELINE, learnt_limits
from rig.cli.options import FOLDER, rig_option
from rig.cli.output import console, is_plain, json_option, print_json, say
from rig.core import file_names, rounded
from rig.rigchecks import PieceCheck, read_checks
from rig.rigfile import read_rig_file
from rig.sheets import ChartPoint, empty_table, save_control_chart

if TYPE_CHECKING:
    from rig.calibration import ChartLimits


SHOWN = 30
"""Newest readings in the table."""


@click.command("chart")
@rig_option()
@click.option(
    "--baseline", type=click.IntRange(2, 100), metavar="N",
    help="Number of readings that set the limits.  [default: 8]",
)  # fmt: skip
@click.option("--out", type=FOLDER, help="Folder for one plot per chart.")
@json_option
def command(*, rig_file: Path, baseline: int | None, out: Path | None, as_json: bool) -> None:
    """Show the chart of each check standard. The exit code is 1 while one is outside its limits and not
    cleared.
    """
    rig = read_rig_file(rig_file)
    log = read_checks(rig_file)
    charts = []
    records = [record for record in log.records if isinstance(record, PieceCheck)]
    for piece, quantity in dict.fromkeys((record.piece, record.quantity) for record in records):
        points = log.chart(piece, quantity)
        inside = [point.value for point in points if not point.reasons]
        if points:
            charts.append((piece, quantity, points, learnt_limits(inside, baseline or BASELINE)))
    if out is not None:
        names = file_names([piece for piece, *_ in charts], "piece")
        for piece, quantity, points, limits in charts:
            shown = [
                ChartPoint(f"{point.at.astimezone():%Y-%m-%d}", point.value, point.u, bool(point.reasons))
                for point in points
            ]
            title, path = f"{rig.name}: {piece}", out / f"{names[piece]}-{quantity}.png"
            save_control_chart(shown, limits, title=title, unit=points[-1].unit, path=path)
    if as_json:
        print_json(
            {
                "rig": rig.name,
                "charts": [
                    {
                        "piece": piece,
                        "quantity": quantity,
                        "limits": None if limits is None else asdict(limits),
                        "points": [asdict(point) | {"at": point.at.isoformat()} for point in points],
                    }
                    for piece, quantity, points, limits in charts
                ],
                "outside": [check.capture for check in log.outside()],
                "damaged_lines": log.damaged,
            }
        )
    else:
        for piece, quantity, points, limits in charts:
            _print(f"{piece}: {quantity}", points, limits)
        if not charts:
            say(f"No check standard has been pressed yet; `pressrig verify piece` starts {log.path.name}")
        if out is not None and charts:
            say(f"Plots are in {out}")
    if log.outside():
        raise click.exceptions.Exit(1)


def _print(title: str, points: tuple[PieceCheck, ...], limits: ChartLimits | None) -> None:
    numbers = (f"{heading}\n{points[-1].unit}" for heading in ("value", "u", "moving range"))
    table = empty_table(title, ("pressed",), numbers, ("outside",), plain=is_plain())
    first = max(len(points) - SHOWN, 0)
    for place, point in list(enumerate(points))[first:]:
        u = point.u or 0.0
        moved = "" if place == 0 else rounded(abs(point.value - points[place - 1].value), u)
        table.add_row(
            f"{point.at.astimezone():%Y-%m-%d %H:%M}",
            rounded(point.value, u),
            "-" if point.u is None else rounded(u, u),
            moved,
            "; ".join(point.reasons),
        )
    screen = console()
    screen.print(table)
    if limits is None:
        screen.print("limits: being learnt")
    else:
        screen.print(
            f"mean {limits.mean:.5g}, limits {limits.lower:.5g} to {limits.upper:.5g}, moving range up to "
            f"{limits.largest_range:.3g}, set by {limits.learnt_from} readings",
        )
