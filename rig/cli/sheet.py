"""`pressrig sheet`: what a machine's designer needs to know of a piece, on one page."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.compare import listed, named_margins, studies_of
from rig.cli.options import read_quantity
from rig.cli.output import json_option, print_json, progress, say
from rig.errors import CaptureError, InputError

if TYPE_CHECKING:
    from rig.cli.analyse import Asked
    from rig.cli.piece_captures import PressedCapture
    from rig.methods import RecoveryTouch
    from rig.register import Specimen
    from rig.sheets import CaptureFacts, DesignSheet, PieceFacts

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
    "--margin", "margins", multiple=True, metavar="NAME=Q",
    help='Largest difference between groups that does not matter, "secant_n_per_mm=0.2 N/mm"; repeatable.',
)  # fmt: skip
@click.option(
    "--although", multiple=True, metavar="LIST", help='Put together although these differ, "rate, humidity".'
)
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
    margins: tuple[str, ...],
    although: tuple[str, ...],
    gauges: tuple[Path, ...],
    contact_force: str | None,
    conditioning: int,
    at: str | None,
    calibration_file: Path | None,
    out: Path,
    as_json: bool,
) -> None:
    """Write a design sheet of the pieces in CAPTURES, each a capture or a folder of captures.

    One HTML page that needs no other file, the same as Markdown with its pictures beside it, and the numbers
    as JSON and CSV. Pieces are the unit of every figure. Captures that were measured unlike stand apart; what
    nobody measured is said to be missing.
    """
    from rig.calibrationfile import read_calibration
    from rig.cli.analyse import Asked
    from rig.sheets import design_sheet_answers, save_design_sheet

    asked = Asked(
        contact_force_n=read_quantity("--contact-force", contact_force, "N"),
        conditioning=conditioning,
        at=at,
        calibration=None if calibration_file is None else read_calibration(calibration_file),
    )
    pressed, notes = _measured(*captures_in(captures), asked, register)
    sheet = sheet_of(
        pressed,
        notes,
        register=register,
        model=model,
        title=title,
        margins=named_margins(margins),
        although=listed(although),
        gauges=gauges,
    )
    page = save_design_sheet(sheet, out)
    if as_json:
        print_json(sheet.as_dict() | {"page": str(page)})
        return
    for answer in design_sheet_answers(sheet):
        say(answer)
    for sentence in sheet.missing:
        say(f"missing: {sentence}")
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
    gauges: Sequence[Path] = (),
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
    margins, although, gauges
        See `rig.sheets.design_sheet`; gauges are files of studies.

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
        [_capture_facts(each) for each in pressed],
        facts,
        title=title,
        model=model or ", ".join(models) or None,
        margins=margins,
        although=although,
        gauges=studies_of(gauges, columns),
        notes=notes,
    )


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


def captures_in(paths: Sequence[Path]) -> tuple[list[Path], set[Path]]:
    """Captures and those that lie in folders, each once; and which of them nobody named one by one.

    Raises
    ------
    InputError
        If a path is neither, or a folder holds none.
    """
    from rig.capture import list_captures

    found: dict[Path, Path] = {}
    named: set[Path] = set()
    for path in paths:
        if (path / "capture.yaml").exists() or not path.is_dir():
            named.add(path.resolve())
            found.setdefault(path.resolve(), path)
            continue
        listed = list_captures(path)
        if not listed:
            raise InputError(f"{path}: holds no captures")
        for each in listed:
            found.setdefault(each.path.resolve(), each.path)
    return list(found.values()), {path for whole, path in found.items() if whole not in named}


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


def _capture_facts(pressed: PressedCapture) -> CaptureFacts:
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
    )


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
