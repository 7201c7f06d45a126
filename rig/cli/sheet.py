"""`pressrig sheet`: what a machine's designer needs to know of a piece, on one page."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.capture_arguments import captures_in
from rig.cli.compare import listed, named_margins, studies_of
from rig.cli.options import read_quantity
from rig.cli.output import json_option, print_json, progress, say
from rig.errors import CaptureError, InputError

if TYPE_CHECKING:
    from rig.cli.analyse import Asked
    from rig.cli.piece_captures import PressedCapture
    from rig.methods import RecoveryTouch
    from rig.register import Specimen
    from rig.sheets import CaptureFacts, DesignSheet, Photo, PieceFacts

DEPTHS = "10%,25%,40%,50%,65%"
"""Depths at which forces are read off every cycle, and not off the drawn curves."""

DEPTHS_WITHOUT_HEIGHT = "2 mm,5 mm,10 mm,20 mm"


@click.command("sheet")
@click.argument("captures", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--register", type=click.Path(path_type=Path, dir_okay=False), help="Knows masses, sizes and states."
)
@click.option("--model", metavar="NAME", help="What the pieces are called.  [default: as in the register]")
@click.option("--title", default="", metavar="TEXT", help="Of the sheet.")
@click.option(
    "--supplier", default="", metavar="NAME", help="Who supplies the pieces; stands below the title."
)
@click.option(
    "--revision", default="", metavar="TEXT", help="Of the model's drawing; stands below the title."
)
@click.option(
    "--photo", "photos", multiple=True, metavar="[CAPTION=]FILE",
    help="PNG or JPEG of a piece for the first page; repeatable.",
)  # fmt: skip
@click.option(
    "--units", type=click.Choice(["metric", "us", "both"]), default="both", show_default=True,
    envvar="PRESSRIG_UNITS", show_envvar=True, help="Units of the first page.",
)  # fmt: skip
@click.option(
    "--same-zero", is_flag=True,
    help="The position reading kept its zero between captures: gives the height lost between them.",
)  # fmt: skip
@click.option(
    "--margin", "margins", multiple=True, metavar="NAME=Q",
    help='Largest difference between groups that does not matter, "secant_n_per_mm=0.2 N/mm"; repeatable.',
)  # fmt: skip
@click.option(
    "--although", multiple=True, metavar="LIST", help='Put together although these differ, "rate, humidity".'
)
@click.option(
    "--strict", is_flag=True,
    help="List captures by hand separately as soon as their speeds differ by 10 %.",
)  # fmt: skip
@click.option(
    "--gauge", "gauges", multiple=True, type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
    help="study.json of `pressrig study --out`: the rig's part of the spread; repeatable.",
)  # fmt: skip
@click.option("--contact-force", metavar="Q", help="Force that counts as contact, the same for all.")
@click.option("--conditioning", type=click.IntRange(0), default=0, metavar="N", help="First cycles left out.")
@click.option("--at", metavar="LIST", help=f"Depths read off every cycle.  [default: {DEPTHS}]")
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
    units: str,
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
    """Write a design sheet of the pieces in CAPTURES, each a capture or a folder of captures.

    The first page answers the designer of a machine: force at a gap, gap for a force, key figures, batches
    compared; a calculator works offline. An appendix says how it was measured. One HTML page that needs no
    other file, the same as Markdown, and the numbers as XLSX, JSON and CSV. What is missing is listed here,
    not on the page.
    """
    from rig.calibrationfile import read_calibration
    from rig.cli.analyse import Asked
    from rig.sheets import design_sheet_answers, save_design_sheet, sets_sentences

    asked = Asked(
        contact_force_n=read_quantity("--contact-force", contact_force, "N"),
        conditioning=conditioning,
        at=at,
        calibration=None if calibration_file is None else read_calibration(calibration_file),
    )
    pressed, notes = _measured(*captures_in(captures, leave_out=True), asked, register)
    sheet = sheet_of(
        pressed,
        notes,
        register=register,
        model=model,
        title=title,
        margins=named_margins(margins),
        although=listed(although),
        strict=strict,
        gauges=gauges,
        supplier=supplier,
        revision=revision,
        photos=[_photo(text) for text in photos],
        same_zero=same_zero,
    )
    page = save_design_sheet(sheet, out, units=units)
    if as_json:
        print_json(sheet.as_dict() | {"page": str(page)})
        return
    for answer in design_sheet_answers(sheet, units=units):
        say(answer)
    for sentence in (*sets_sentences(sheet), *(f"missing: {each}" for each in sheet.missing)):
        say(sentence)
    for sentence in notes:
        say(f"note: {sentence}")
    say(f"{page}, with the same as Markdown, pictures, JSON and CSV beside it")


def sheet_of(
    pressed: Sequence[PressedCapture],
    notes: Sequence[str] = (),
    *,
    register: Path | None = None,
    model: str | None = None,
    title: str = "",
    margins: Mapping[str, float] | None = None,
    although: Sequence[str] = (),
    strict: bool = False,
    gauges: Sequence[Path] = (),
    supplier: str = "",
    revision: str = "",
    photos: Sequence[Photo] = (),
    same_zero: bool = False,
) -> DesignSheet:
    """Put what captures and a register say on a sheet.

    Parameters
    ----------
    pressed, notes
        See `pressed_captures`.
    register
        Of specimens.
    model
        Name of the pieces; those that the register knows by another one are left out.
    margins, although, strict, gauges, supplier, revision, photos
        See `rig.sheets.design_sheet`; gauges are files of studies.
    same_zero
        Whether the position reading kept its zero between captures.

    Raises
    ------
    InputError
        If the captures are too unlike for one sheet, or of several models.
    """
    from rig.register import Register
    from rig.sheets import design_sheet

    facts: list[PieceFacts] = []
    if register is not None:
        with Register(register, make=False) as opened:
            known = {each.id: each for each in opened.specimens()}
        pieces = dict.fromkeys(each.values.piece for each in pressed)
        facts = [_piece_facts(known[name]) for name in pieces if name in known]
    others = _of_another_model(facts, model)
    if others:
        pressed = [each for each in pressed if each.values.piece not in others]
        facts = [each for each in facts if each.piece not in others]
        notes = [*notes, f"Left out, since they are of another model: {', '.join(others)}."]
    models = dict.fromkeys(each.model for each in facts if each.model)
    results = [each.values for each in pressed]
    columns = list(dict.fromkeys(name for each in results for name in each.values))
    return design_sheet(
        results,
        [_capture_facts(each, same_zero=same_zero) for each in pressed],
        facts,
        title=title,
        model=model or ", ".join(models) or None,
        margins=margins,
        although=although,
        strict=strict,
        gauges=studies_of(gauges, columns),
        notes=notes,
        supplier=supplier,
        revision=revision,
        photos=photos,
    )


def _photo(text: str) -> Photo:
    """A photograph as `--photo` names it; the file's name is the caption where none is given."""
    from rig.sheets import Photo

    caption, separator, name = text.rpartition("=")
    path = Path(name if separator else text)
    try:
        data = path.read_bytes()
    except OSError as problem:
        raise InputError(f"--photo: {path}: cannot be read ({problem.strerror})") from problem
    return Photo(caption.strip() or path.stem, data)


def _of_another_model(facts: Sequence[PieceFacts], model: str | None) -> list[str]:
    """Pieces that the register knows by another name than this one."""
    models = list(dict.fromkeys(each.model for each in facts if each.model))
    if model is None and len(models) > 1:
        raise InputError(f"--model: the pieces are of several models: {', '.join(models)}; name one of them")
    if model is None or not models:
        return []
    if model not in models:
        raise InputError(
            f"--model: the register knows no captured piece of {model!r}; found {', '.join(models)}"
        )
    return [each.piece for each in facts if each.model and each.model != model]


def _measured(
    captures: Sequence[Path], optional: Collection[Path], asked: Asked, register: Path | None
) -> tuple[Sequence[PressedCapture], Sequence[str]]:
    """All captures, with progress."""
    from dataclasses import replace

    from rig.cli.piece_captures import known_by_register, pressed_captures

    if asked.at is None:
        asked = replace(asked, at=_depths(captures))
    _check_depths(asked.at)
    known = None if register is None else known_by_register(register)
    with progress("measuring", len(captures)) as show:
        pressed, notes = pressed_captures(
            captures, asked, known=known, each=lambda done, path: show(done, path.name), optional=optional
        )
    if not pressed:
        raise InputError(f"no capture is left. {' '.join(notes[:3])}")
    return pressed, notes


def _check_depths(texts: str | None) -> None:
    """Refuse a depth once, and not with every capture."""
    from rig.analyser import Depth

    for text in (texts or "").split(","):
        try:
            Depth.of(text.strip())
        except InputError as problem:
            raise InputError(f"--at: {problem}") from None


def _depths(captures: Sequence[Path]) -> str:
    """Per cent where all captures state a free height."""
    from rig.capture import open_capture

    for path in captures:
        try:
            if open_capture(path).header.free_height_mm is None:
                return DEPTHS_WITHOUT_HEIGHT
        except CaptureError:
            # whether it may be left out is seen when it is measured
            continue
    return DEPTHS


ZERO_CONDITION = "position zero"
"""Condition of a capture that names what its positions count from."""


def _capture_facts(pressed: PressedCapture, *, same_zero: bool = False) -> CaptureFacts:
    """What the sheet tells of a capture."""
    from rig.cli.piece_captures import calibration_words
    from rig.sheets import CaptureFacts

    header, result = pressed.capture.header, pressed.result
    parts = [(measured, record) for _, measured, record in result.calibration.parts()]
    made = [record.made for _, record in parts if record.made is not None]
    expires = [record.expires for _, record in parts if record.expires is not None]
    return CaptureFacts(
        capture=pressed.values.capture,
        id=header.id,
        started=header.started,
        operator=header.operator,
        rig=str(header.rig.get("name") or ""),
        cycles=pressed.counted,
        left_out=pressed.left_out,
        free_height_mm=result.settings.free_height_mm,
        calibration=calibration_words(result.calibration),
        made=min(made).isoformat() if made else None,
        expires=min(expires).isoformat() if expires else None,
        has_uncertainty=any(measured for measured, _ in parts),
        notes=header.notes,
        warnings=tuple(header.warnings),
        softening=result.softening,
        recovery=tuple(_recovery(pressed)),
        contact_mm=pressed.first_contact_mm,
        contact_u_mm=pressed.first_contact_u_mm,
        position_zero=_position_zero(pressed, same_zero=same_zero),
    )


def _position_zero(pressed: PressedCapture, *, same_zero: bool) -> str:
    """What positions count from: the home switch of a rig, or what a person stated; empty if nobody knows."""
    from rig.wire import EventCode

    header = pressed.capture.header
    rig = str(header.rig.get("name") or "")
    if same_zero:
        return f"kept on {rig}"
    stated = {name.strip().lower().replace("_", " "): text for name, text in header.conditions.items()}
    if ZERO_CONDITION in stated:
        return f"{stated[ZERO_CONDITION]} on {rig}"
    homed = any(
        event.get("kind") == "device_event" and event.get("code") == EventCode.HOMED
        for event in pressed.capture.each_event()
    )
    return f"home switch of {rig}" if homed else ""


def _recovery(pressed: PressedCapture) -> Iterator[RecoveryTouch]:
    """Light touches after release: of an endurance run, or of a method that asks for them."""
    from rig.analyser import PART_SAMPLES
    from rig.daemon.endurance import METHOD_KIND
    from rig.methods import RecoveryTouch
    from rig.samples import gathered
    from rig.sheets import RECOVERY, endurance_report, method_of, method_report

    capture = pressed.capture
    about = capture.header.method or {}
    if about.get("kind") == METHOD_KIND:
        for touch in endurance_report(capture.each_event()).recovery:
            yield RecoveryTouch(touch.after_s, touch.set_mm, float("nan"))
        return
    try:
        method = method_of(capture.header)
    except InputError:
        return
    if RECOVERY in method.report:
        samples = gathered(capture.batches(), PART_SAMPLES)
        yield from method_report(
            capture.header, capture.each_event(), samples, None, calibration=pressed.result.calibration
        ).recovery


def _piece_facts(specimen: Specimen) -> PieceFacts:
    """What the register says of a piece."""
    from rig.sheets import PieceFacts

    mass = specimen.mass
    return PieceFacts(
        piece=specimen.id,
        batch=specimen.batch,
        model=specimen.model,
        drawing_size_mm=specimen.drawing_size_mm,
        moulded=specimen.moulded,
        mass_g=None if mass is None else mass.g,
        mass_u_g=None if mass is None else mass.u_g,
        mass_how=None if mass is None else mass.how,
        sizes=specimen.newest_sizes,
        notes=specimen.notes,
    )
