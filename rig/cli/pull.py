"""`pressrig pull`: how firmly a pressed-on cap holds, from captures in tension."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.aids import answer_pull
from rig.analyser import PullSettings
from rig.cli.answer_showing import give_answer
from rig.cli.capture_arguments import captures_argument
from rig.cli.options import FOLDER, although_option, calibration_option, needless_option, quantity_option
from rig.cli.output import json_option
from rig.core import finite
from rig.results import PullsAsked, pulled_captures
from rig.sheets import pull_sheet, save_pull_report

if TYPE_CHECKING:
    from rig.calibration import Calibration


@click.command("pull")
@captures_argument()
@quantity_option(
    "--threshold", "threshold_n", "Smallest force that counts as a pull.  [default: a multiple of the noise]"
)
@needless_option("--no-load", "zero and noise come from every stretch without load")
@quantity_option("--slip", "slip_mm", "Displacement that counts as first slip.", default="0.05 mm")
@although_option("temperature")
@calibration_option()
@click.option("--beyond-calibration", is_flag=True, help="Also count pulls beyond the calibrated loads.")
@click.option("--out", type=FOLDER, help="Folder for the page and its picture.")
@json_option
def command(
    captures: tuple[Path, ...],
    *,
    threshold_n: float | None,
    slip_mm: float,
    although: list[str],
    calibration: Calibration | None,
    beyond_calibration: bool,
    out: Path | None,
    as_json: bool,
) -> None:
    """Measure every pull in CAPTURES: peak pull-off force, first slip, slip and work; then pieces and wear.

    Pulls are forces below zero while the platen moves away. The method `configs/methods/cap_pull.yaml`
    presses a cap on and pulls it off again. A pull beyond the calibrated loads is flagged and does not count:
    calibrate with tensile loads, below zero in the table of readings.
    """
    settings = PullSettings(threshold_n=threshold_n, slip_offset_mm=slip_mm)
    read = pulled_captures(captures, PullsAsked(settings, calibration, beyond_calibration))
    answer = answer_pull([capture.piece for capture in read], although)
    about = [note for capture in read for note in capture.notes]
    document = answer.as_dict() | {
        "captures": {
            capture.piece.result.capture: {
                "pulls": [pull.as_dict() for pull in capture.pulls],
                "relative_u_calibration": dict(capture.piece.relative_shared_u),
                "calibrated_to_n": finite(capture.reach_n),
                "notes": list(capture.notes),
            }
            for capture in read
        },
    }
    save = partial(save_pull_report, answer, about_captures=about)
    give_answer(pull_sheet(answer, about), document, out, save, as_json=as_json)
