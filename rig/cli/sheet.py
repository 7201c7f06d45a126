"""`pressrig sheet`: what a machine's designer needs to know of a piece, on one page."""

from __future__ import annotations

from pathlib import Path

import click

from rig.calibrationfile import read_calibration
from rig.cli.capture_arguments import captures_in
from rig.cli.compare import listed, named_margins
from rig.cli.options import fresh_option, is_fresh, read_quantity, workers_asked, workers_options
from rig.cli.output import json_option, print_json, progress, say
from rig.core import BOTH, chosen_units, in_chosen_units
from rig.errors import InputError
from rig.results import Asked, Photo, measure_for_sheet, sheet_of
from rig.sheets import design_sheet_answers, save_design_sheet, sets_sentences


@click.command("sheet")
@click.argument("captures", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--register",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Register with masses, sizes and states.",
)
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
@click.option(
    "--although", multiple=True, metavar="LIST", help='Pool captures even if these differ, "rate, humidity".'
)
@click.option(
    "--strict", is_flag=True,
    help="List hand captures separately if their speeds differ by 10 % or more.",
)  # fmt: skip
@click.option(
    "--gauge", "gauges", multiple=True, type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
    help="study.json from `pressrig study --out`, for the rig's part of the spread; repeatable.",
)  # fmt: skip
@click.option("--contact-force", metavar="Q", help="Force that counts as contact, the same for all captures.")
@click.option(
    "--conditioning",
    type=click.IntRange(0),
    default=0,
    metavar="N",
    help="Number of first cycles to leave out.",
)
@click.option(
    "--at", metavar="LIST", help="Depths at which to give the force.  [default: 10%,25%,40%,50%,65%]"
)
@click.option(
    "--calibration",
    "calibration_file",
    type=click.Path(path_type=Path),
    help="Read all counts with this calibration.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("sheet"),
    show_default=True,
    help="Folder for the page, its pictures and its tables.",
)
@fresh_option
@workers_options
@json_option
def command(
    captures: tuple[Path, ...],
    *,
    register: Path | None,
    model: str | None,
    title: str,
    supplier: str,
    revision: str,
    photos: tuple[str, ...],
    same_zero: bool,
    margins: tuple[str, ...],
    although: tuple[str, ...],
    strict: bool,
    gauges: tuple[Path, ...],
    contact_force: str | None,
    conditioning: int,
    at: str | None,
    calibration_file: Path | None,
    out: Path,
    as_json: bool,
) -> None:
    """Write a design sheet of the pieces in CAPTURES (captures or folders of captures).

    The first page answers the machine's designer: force at a gap, gap for a force, key figures and the
    comparison of batches, with a calculator that works offline. The appendix describes how it was measured.
    You get one self-contained HTML page, the same as Markdown, and the numbers as XLSX, JSON and CSV. What is
    missing is listed here, not on the page.
    """
    asked = Asked(
        contact_force_n=read_quantity("--contact-force", contact_force, "N"),
        conditioning=conditioning,
        at=at,
        calibration=None if calibration_file is None else read_calibration(calibration_file),
        fresh=is_fresh(),
    )
    found = captures_in(captures, leave_out=True)
    pressed, notes = measure_for_sheet(
        found.paths,
        asked,
        register,
        optional=found.optional,
        workers=workers_asked(),
        progress=progress,
    )
    sheet = sheet_of(
        pressed,
        notes,
        register=register,
        model=model,
        title=title,
        margins=named_margins(margins, [each.values for each in pressed]),
        although=listed(although),
        strict=strict,
        gauges=gauges,
        supplier=supplier,
        revision=revision,
        photos=[_photo(text) for text in photos],
        same_zero=same_zero,
    )
    page = save_design_sheet(sheet, out)
    if as_json:
        print_json(sheet.as_dict() | {"page": str(page)})
        return
    # a chosen system is applied where text is printed; without one the terminal shows both
    for answer in design_sheet_answers(sheet):
        say(in_chosen_units(answer, BOTH) if chosen_units() is None else answer)
    for sentence in (*sets_sentences(sheet), *(f"missing: {each}" for each in sheet.missing)):
        say(sentence)
    for sentence in notes:
        say(f"note: {sentence}")
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
