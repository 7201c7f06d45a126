"""`pressrig export`: samples for other programs."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.calibration import Calibration
from rig.capture import export_samples, open_capture
from rig.cli.options import PATH
from rig.cli.output import say_exactly

if TYPE_CHECKING:
    from rig.samples import FloatArray, Samples


@click.command("export")
@click.argument("capture", type=PATH)
@click.option("--to", "target", required=True, type=PATH, help="A .csv or .parquet file.")
@click.option("--overwrite", is_flag=True, help="Replace an existing file.")
def command(capture: Path, target: Path, *, overwrite: bool) -> None:
    """Write CAPTURE's samples: raw columns and, where calibrated, seconds, newtons and millimetres."""
    opened = open_capture(capture)
    calibration = Calibration.from_dict(
        opened.header.calibration, where=f"{capture}/capture.yaml: calibration"
    )
    export_samples(opened, target, calibrated=partial(_columns, calibration), overwrite=overwrite)
    say_exactly(str(target))


def _columns(calibration: Calibration, samples: Samples) -> dict[str, FloatArray]:
    force, position = calibration.covers(samples.force_channel, samples.position_channel)
    columns: dict[str, FloatArray] = {"time_s": calibration.time_s(samples)}
    if force:
        columns["force_n"] = calibration.force_n(samples)
    if position:
        columns["position_mm"] = calibration.position_mm(samples)
    return columns if force or position else {}
