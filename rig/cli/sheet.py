"""`pressrig sheet`: what a machine's designer needs to know of a piece, on one page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.cli.capture_arguments import captures_in
from rig.cli.compare import named_margins
from rig.cli.options import (
    FILE,
    FOLDER,
    PATH,
    although_option,
    calibration_option,
    conditioning_option,
    fresh_option,
    gauge_option,
    is_fresh,
    quantity_option,
    strict_option,
    workers_asked,
    workers_options,
)
from rig.cli.output import json_option, print_json, progress, say
from rig.core import BOTH, chosen_units, in_chosen_units
from rig.errors import InputError
from rig.results import Asked, Photo, measure_for_sheet, sheet_of
from rig.sheets import design_sheet_answers, save_design_sheet, sets_sentences

if TYPE_CHECKING:
    from rig.calibration import Calibration


@click.command("sheet")
@click.argument("captures", nargs=-1, required=True, type=PATH)
@click.option("--register", type=FILE, help="Register with masses, sizes and states.")
@click.option("--model", metavar="NAME", help="Name of the model.  [default: as in the register]")
@click.option("--title", default="", metavar="TEXT", help="Title of the sheet.")
@click.option("--supplier", default="", metavar="NAME", help="Supplier, printed below the title.")
@click.option(
    "--revision", default="", metavar="TEXT", help="Revision of the drawing, printed below the title."
)
@click.option(
    "--photo", "photos", multiple=True, metavar="[CAPTION=]FILE",
    help="PNG or JPEG of a piece for the first page; repeatable.",
)  # fmt: skip
@click.option(
    "--same-zero", is_flag=True,
    help="The position zero did not change between captures, so report the height lost between them.",
)  # fmt: skip
@click.option(
    "--margin", "margins", multiple=True, metavar="NAME=Q",
    help='Largest difference between groups that does not matter, "secant_n_per_mm=0.2 N/mm"; repeatable.',
)  # fmt: skip
@although_option("rate, humidity")
@strict_option
@gauge_option
@quantity_option(
    "--contact-force", "contact_force_n", "Force that counts as contact, the same for all captures."
)
@conditioning_option()
@click.option(
    "--at", metavar="LIST", help="Depths at which to give the force.  [default: 10%,25%,40%,50%,65%]"
)
@calibration_option()
@click.option(
    "--out", type=FOLDER, default=Path("sheet"), show_default=True,
    help="Folder for the page, its pictures and its tables.",
)  # fmt: skip
@fresh_option
@workers_options
@json_option
def command(
    captures: tuple[Path, ...],
    *,
    register: Path | None,
    photos: tuple[str, ...],
    margins: tuple[str, ...],
    contact_force_n: float | None,
    conditioning: int | None,
    at: str | None,
    calibration: Calibration | None,
    out: Path,
    as_json: bool,
    **wishes: Any,
) -> None:
    """Write a design sheet of the pieces in CAPTURES (captures or folders of captures).

    The first page answers the machine's designer: force at a gap, gap for a force, key figures and the
    comparison of batches, with a calculator that works offline. The appendix describes how it was measured.
    You get one self-contained HTML page, the same as Markdown, and the numbers as XLSX, JSON and CSV. What is
    missing is listed here, not on the page.
    """
    asked = Asked(contact_force_n, conditioning, at, calibration=calibration, fresh=is_fresh())
    found = captures_in(captures, leave_out=True)
    pressed, notes = measure_for_sheet(
        found.paths, asked, register, optional=found.optional, workers=workers_asked(), progress=progress
    )
    sheet = sheet_of(
        pressed,
        notes,
        register=register,
        margins=named_margins(margins, [piece.values for piece in pressed]),
        photos=[_photo(text) for text in photos],
        **wishes,
    )
    page = save_design_sheet(sheet, out)
    if as_json:
        print_json(sheet.as_dict() | {"page": str(page)})
        return
    # a chosen system is applied where text is printed; without one the terminal shows both
    for answer in design_sheet_answers(sheet):
        say(in_chosen_units(answer, BOTH) if chosen_units() is None else answer)
    for sentence in sets_sentences(sheet):
        say(sentence)
    for figure in sheet.missing:
        say(f"missing: {figure}")
    for note in notes:
        say(f"note: {note}")
    say(f"{page}, with a Markdown copy, pictures, JSON and CSV beside it")


def _photo(text: str) -> Photo:
    """Return a photograph as `--photo` names it; the file's name is the caption where none is given."""
    caption, separator, name = text.rpartition("=")
    path = Path(name if separator else text)
    try:
        data = path.read_bytes()
    except OSError as problem:
        raise InputError(f"--photo: {path}: cannot be read ({problem.strerror})") from problem
    return Photo(caption.strip() or path.stem, data)
