"""`pressrig pull`: how firmly a pressed-on cap holds, from captures in tension."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig import __version__
from rig.aids import answer_pull
from rig.analyser import PullSettings
from rig.calibrationfile import read_calibration
from rig.cli.answer_showing import show_answer
from rig.cli.capture_arguments import captures_argument
from rig.cli.options import needless_option, read_quantity
from rig.cli.output import as_json_text, is_plain, json_option, print_json
from rig.results import PullsAsked, pulled_captures
from rig.sheets import pull_sheet, save_pull_report

if TYPE_CHECKING:
    from rig.aids import RetentionAnswer
    from rig.results import PulledCapture


@click.command("pull")
@captures_argument()
@click.option(
    "--threshold",
    metavar="Q",
    help="Smallest force that counts as a pull.  [default: a multiple of the noise]",
)
@click.option(
    "--slip", default="0.05 mm", show_default=True, metavar="Q",
    help="Displacement that counts as first slip.",
)  # fmt: skip
@needless_option("--no-load", "zero and noise come from every stretch without load")
@click.option(
    "--although", multiple=True, metavar="LIST", help='Pool captures even if these differ, "temperature".'
)
@click.option(
    "--calibration",
    "calibration_file",
    type=click.Path(path_type=Path),
    help="Read all counts with this calibration.",
)
@click.option("--beyond-calibration", is_flag=True, help="Also count pulls beyond the calibrated loads.")
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for the page and its picture."
)
@json_option
def command(
    captures: tuple[Path, ...],
    *,
    threshold: str | None,
    slip: str,
    although: tuple[str, ...],
    calibration_file: Path | None,
    beyond_calibration: bool,
    out: Path | None,
    as_json: bool,
) -> None:
    """Measure every pull in CAPTURES: peak pull-off force, first slip, slip and work; then pieces and wear.

    Pulls are forces below zero while the platen moves away. The method `configs/methods/cap_pull.yaml`
    presses a cap on and pulls it off again. A pull beyond the calibrated loads is flagged and does not count:
    calibrate with tensile loads, below zero in the table of readings.
    """
    settings = PullSettings(
        threshold_n=read_quantity("--threshold", threshold, "N"),
        slip_offset_mm=read_quantity("--slip", slip, "mm") or 0.0,
    )
    calibration = None if calibration_file is None else read_calibration(calibration_file)
    read = pulled_captures(captures, PullsAsked(settings, calibration, beyond_calibration))
    listed = [name.strip() for text in although for name in text.split(",") if name.strip()]
    answer = answer_pull([capture.piece for capture in read], listed)
    _show(answer, read, out, as_json=as_json)


def _document(
    answer: RetentionAnswer, read: Sequence[PulledCapture], sentences: Sequence[str]
) -> dict[str, Any]:
    return answer.as_dict() | {
        "captures": {
            capture.piece.result.capture: {
                "pulls": [pull.as_dict() for pull in capture.pulls],
                "relative_u_calibration": dict(capture.piece.relative_shared_u),
                "calibrated_to_n": capture.reach_n if isfinite(capture.reach_n) else None,
                "notes": list(capture.notes),
            }
            for capture in read
        },
        "answer": list(sentences),
        "software": f"pressrig {__version__}",
    }


def _show(answer: RetentionAnswer, read: Sequence[PulledCapture], out: Path | None, *, as_json: bool) -> None:
    about = [note for capture in read for note in capture.notes]
    sheet = pull_sheet(answer, about)
    document = _document(answer, read, sheet.answer)
    page = None
    if out is not None:
        page = save_pull_report(answer, out, about)
        (out / "pull.json").write_text(as_json_text(document, indent=2) + "\n", encoding="utf-8")
    if as_json:
        print_json(document)
        return
    show_answer(sheet.sentences, sheet.tables(plain=is_plain()), sheet.notes, page, caution=sheet.caution)
