"""`pressrig nip`: which gap squeezes a piece with a wanted force, and what that nip then does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig import __version__
from rig.aids import Nip, NipPiece, answer_nip
from rig.calibrationfile import read_calibration
from rig.capture import open_capture
from rig.cli.answer_showing import show_answer
from rig.cli.capture_arguments import captures_argument
from rig.cli.known_options import MEANT, read_known
from rig.cli.options import fresh_option, is_fresh, read_quantity, workers_asked, workers_options
from rig.cli.output import as_json_text, is_plain, json_option, print_json, progress
from rig.core.measured import Measured
from rig.errors import InputError
from rig.results import (
    Asked,
    known_by_register,
    piece_results,
    read_curves,
    registered_diameters,
    registered_mass,
)
from rig.sheets import nip_sheet, save_nip_report

if TYPE_CHECKING:
    from rig.aids import NipAnswer

PLATE, WHEELS = "plate", "wheels"


@click.command("nip")
@captures_argument(required=False)
@click.option(
    "--curves",
    type=click.Path(path_type=Path, dir_okay=False),
    help="CSV table of force against deflection, one row per point, instead of captures.",
)
@click.option("--force", required=True, metavar="Q", help='Wanted normal force, "80 N" or "18 lbf".')
@click.option(
    "--wheel",
    "wheels",
    multiple=True,
    required=True,
    metavar="Q",
    help='"radius 60 mm" or "diameter 4 in"; twice for two different wheels.',
)
@click.option(
    "--between", type=click.Choice([PLATE, WHEELS]), default=PLATE, show_default=True,
    help="A wheel and a fixed plate, or two wheels.",
)  # fmt: skip
@click.option(
    "--friction", required=True, metavar="X", help=f'Between wheel and piece, "0.6 +- 0.1"; {MEANT}.'
)
@click.option(
    "--size", metavar="Q",
    help='Diameter of all pieces, "90 mm +- 0.4 mm".  [default: as in the register, else their free height]',
)  # fmt: skip
@click.option(
    "--register", type=click.Path(path_type=Path, dir_okay=False),
    help="Register with batches, diameters and masses of the pieces.",
)  # fmt: skip
@click.option(
    "--mass", metavar="Q", help='Mass of a piece, "38 g +- 1 g"; for the speed that friction can give it.'
)
@click.option("--rim-speed", metavar="Q", help='Rim speed of the wheels, "4 m/s"; for the no-slip bound.')
@click.option(
    "--inertia", type=float, default=0.4, show_default=True, metavar="X",
    help="Moment of inertia over m r^2 of a piece that rolls: 0.4 ball, 0.5 cylinder.",
)  # fmt: skip
@click.option(
    "--although", multiple=True, metavar="LIST", help='Pool captures even if these differ, "temperature".'
)
@click.option(
    "--contact-force", metavar="Q", help="Captures: force that counts as contact, the same for all."
)
@click.option(
    "--conditioning",
    type=click.IntRange(0),
    default=0,
    metavar="N",
    help="Number of first cycles to leave out.",
)
@click.option(
    "--calibration",
    "calibration_file",
    type=click.Path(path_type=Path),
    help="Read all counts with this calibration.",
)
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for the page and its picture."
)
@fresh_option
@workers_options
@json_option
def command(
    captures: tuple[Path, ...],
    *,
    curves: Path | None,
    force: str,
    wheels: tuple[str, ...],
    between: str,
    friction: str,
    size: str | None,
    register: Path | None,
    mass: str | None,
    rim_speed: str | None,
    inertia: float,
    although: tuple[str, ...],
    contact_force: str | None,
    conditioning: int,
    calibration_file: Path | None,
    out: Path | None,
    as_json: bool,
) -> None:
    """Find the gap that squeezes pieces with a wanted force, from CAPTURES or curves.

    Also given: how force changes with the gap and from piece to piece, grip, lengths, energy loss, exit
    speed, and the gap adjustment needed. Captures of the same pieces at several rates show how much stiffer
    they are at line speed. Each formula is shown with its source and limits.
    """
    nip = _nip(
        force, wheels, between=between, friction=friction, mass=mass, rim_speed=rim_speed, inertia=inertia
    )
    size_mm = read_known("--size", size, "mm")
    if (curves is None) == (not captures):
        found = "neither" if curves is None else "both"
        raise InputError(f"nip: captures, or --curves: found {found}, expected one of them")
    if curves is not None:
        if contact_force or conditioning or calibration_file or register:
            raise InputError(
                "--contact-force, --conditioning, --calibration, --register: cannot be used with "
                "--curves; leave them out"
            )
        pieces, notes = read_curves(curves, size_mm), list[str]()
    else:
        pieces, notes = _of_captures(
            captures,
            size_mm,
            contact_force=contact_force,
            conditioning=conditioning,
            calibration=calibration_file,
            register=register,
        )
        if register is not None and nip.mass_g is None:
            mass_g, said = registered_mass(register, {piece.result.piece for piece in pieces})
            nip, notes = replace(nip, mass_g=mass_g), [*notes, *said]
    listed = [name.strip() for text in although for name in text.split(",") if name.strip()]
    _show(answer_nip(pieces, nip, listed), notes, out, as_json=as_json)


def _nip(
    force: str,
    wheels: Sequence[str],
    *,
    between: str,
    friction: str,
    mass: str | None,
    rim_speed: str | None,
    inertia: float,
) -> Nip:
    radii = [_radius_mm(wheel) for wheel in wheels]
    if len(radii) > (1 if between == PLATE else 2):
        raise InputError(
            f"--wheel: found {len(radii)} with --between {between}, expected "
            f"{'one' if between == PLATE else 'one or two'}"
        )
    if between == WHEELS and len(radii) == 1:
        radii *= 2
    mu = read_known("--friction", friction, "")
    assert mu is not None
    return Nip(
        force_n=read_quantity("--force", force, "N") or 0.0,
        wheels_mm=tuple(radii),
        friction=mu,
        mass_g=read_known("--mass", mass, "g"),
        inertia=inertia,
        rim_mm_per_s=read_quantity("--rim-speed", rim_speed, "mm/s"),
    )


def _radius_mm(text: str) -> float:
    which, _, size = text.strip().partition(" ")
    if which.lower() not in ("radius", "diameter"):
        raise InputError(f"--wheel: found {text!r}, expected 'radius {text}' or 'diameter {text}'")
    return (read_quantity("--wheel", size, "mm") or 0.0) / (2 if which.lower() == "diameter" else 1)


def _of_captures(
    captures: Sequence[Path],
    size_mm: Measured | None,
    *,
    contact_force: str | None,
    conditioning: int,
    calibration: Path | None,
    register: Path | None,
) -> tuple[list[NipPiece], list[str]]:
    """Return the pieces with their sizes: as stated, or from the register, or from the captures' headers."""
    asked = Asked(
        contact_force_n=read_quantity("--contact-force", contact_force, "N"),
        conditioning=conditioning,
        calibration=None if calibration is None else read_calibration(calibration),
        fresh=is_fresh(),
    )
    known = None if register is None else known_by_register(register)
    pressed = piece_results(captures, asked, known=known, workers=workers_asked(), progress=progress)
    diameters, notes = dict[str, Measured](), list(pressed.notes)
    if register is not None and size_mm is None:
        diameters, said = registered_diameters(register, {each.piece for each in pressed.results})
        notes += said
    # results come in order of time, and by path where names are not enough
    headers = {path: open_capture(path).header for path in captures}
    heights = {}
    for path, header in headers.items():
        heights[path.name or path.resolve().name] = heights[path.as_posix()] = header.free_height_mm
    pieces = []
    for result in pressed.results:
        height_mm = heights.get(result.capture)
        own = size_mm or diameters.get(result.piece)
        if own is None and height_mm is None:
            raise InputError(
                f"{result.capture}: has no free height; give the diameter of the pieces with --size"
            )
        pieces.append(NipPiece(result, own or Measured(height_mm or 0.0)))
    return pieces, notes


def _show(answer: NipAnswer, notes: Sequence[str], out: Path | None, *, as_json: bool) -> None:
    document = answer.as_dict()
    document["notes"] = [*document["notes"], *notes]
    document |= {"answer": list(nip_sheet(answer).answer), "software": f"pressrig {__version__}"}
    page = None
    if out is not None:
        page = save_nip_report(answer, out)
        (out / "nip.json").write_text(as_json_text(document, indent=2) + "\n", encoding="utf-8")
    if as_json:
        print_json(document)
        return
    sheet = nip_sheet(answer)
    show_answer(
        sheet.sentences, sheet.tables(plain=is_plain()), (*sheet.notes, *notes), page, caution=sheet.caution
    )
