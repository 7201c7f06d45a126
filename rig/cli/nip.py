"""`pressrig nip`: which gap squeezes a piece with a wanted force, and what that nip then does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.aids import Nip, NipPiece, answer_nip
from rig.capture import open_capture
from rig.cli.answer_showing import give_answer
from rig.cli.capture_arguments import captures_argument
from rig.cli.known_options import MEANT, KnownType, known_option
from rig.cli.options import (
    FILE,
    FOLDER,
    although_option,
    calibration_option,
    conditioning_option,
    fresh_option,
    is_fresh,
    quantity_option,
    read_quantity,
    workers_asked,
    workers_options,
)
from rig.cli.output import json_option, progress
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
    from rig.calibration import Calibration

PLATE, WHEELS = "plate", "wheels"


@click.command("nip")
@captures_argument(required=False)
@click.option(
    "--curves", type=FILE,
    help="CSV table of force against deflection, one row per point, instead of captures.",
)  # fmt: skip
@quantity_option("--force", "force_n", 'Wanted normal force, "80 N" or "18 lbf".', required=True)
@click.option(
    "--wheel", "wheels", multiple=True, required=True, metavar="Q",
    help='"radius 60 mm" or "diameter 4 in"; twice for two different wheels.',
)  # fmt: skip
@click.option(
    "--between", type=click.Choice([PLATE, WHEELS]), default=PLATE, show_default=True,
    help="A wheel and a fixed plate, or two wheels.",
)  # fmt: skip
@click.option(
    "--friction", type=KnownType(""), required=True, metavar="X",
    help=f'Between wheel and piece, "0.6 +- 0.1"; {MEANT}.',
)  # fmt: skip
@known_option(
    "--size",
    "size_mm",
    'Diameter of all pieces, "90 mm +- 0.4 mm".  [default: as in the register, else their free height]',
)
@click.option("--register", type=FILE, help="Register with batches, diameters and masses of the pieces.")
@known_option("--mass", "mass_g", 'Mass of a piece, "38 g +- 1 g"; for the speed that friction can give it.')
@quantity_option("--rim-speed", "rim_mm_per_s", 'Rim speed of the wheels, "4 m/s"; for the no-slip bound.')
@click.option(
    "--inertia", type=float, default=0.4, show_default=True, metavar="X",
    help="Moment of inertia over m r^2 of a piece that rolls: 0.4 ball, 0.5 cylinder.",
)  # fmt: skip
@although_option("temperature")
@quantity_option(
    "--contact-force", "contact_force_n", "Captures: force that counts as contact, the same for all."
)
@conditioning_option()
@calibration_option()
@click.option("--out", type=FOLDER, help="Folder for the page and its picture.")
@fresh_option
@workers_options
@json_option
def command(
    captures: tuple[Path, ...],
    *,
    curves: Path | None,
    wheels: tuple[str, ...],
    between: str,
    size_mm: Measured | None,
    register: Path | None,
    although: list[str],
    contact_force_n: float | None,
    conditioning: int | None,
    calibration: Calibration | None,
    out: Path | None,
    as_json: bool,
    **squeeze: Any,
) -> None:
    """Find the gap that squeezes pieces with a wanted force, from CAPTURES or curves.

    Also given: how force changes with the gap and from piece to piece, grip, lengths, energy loss, exit
    speed, and the gap adjustment needed. Captures of the same pieces at several rates show how much stiffer
    they are at line speed. Each formula is shown with its source and limits.
    """
    nip = Nip(wheels_mm=_radii_mm(wheels, between), **squeeze)
    if (curves is None) == (not captures):
        found = "neither" if curves is None else "both"
        raise InputError(f"nip: captures, or --curves: found {found}, expected one of them")
    if curves is not None:
        if contact_force_n or conditioning or calibration or register:
            raise InputError(
                "--contact-force, --conditioning, --calibration, --register: cannot be used with "
                "--curves; leave them out"
            )
        pieces, notes = read_curves(curves, size_mm), list[str]()
    else:
        asked = Asked(contact_force_n, conditioning, calibration=calibration, fresh=is_fresh())
        pieces, notes = _of_captures(captures, size_mm, asked, register)
        if register is not None and nip.mass_g is None:
            mass_g, said = registered_mass(register, {piece.result.piece for piece in pieces})
            nip, notes = replace(nip, mass_g=mass_g), [*notes, *said]
    answer = answer_nip(pieces, nip, although)
    document = answer.as_dict()
    document["notes"] = [*document["notes"], *notes]
    save = partial(save_nip_report, answer)
    give_answer(nip_sheet(answer), document, out, save, as_json=as_json, further=notes)


def _radii_mm(wheels: Sequence[str], between: str) -> tuple[float, ...]:
    """Return the radius of each wheel; one is enough for two equal ones."""
    radii = [_radius_mm(wheel) for wheel in wheels]
    if len(radii) > (1 if between == PLATE else 2):
        raise InputError(
            f"--wheel: found {len(radii)} with --between {between}, expected "
            f"{'one' if between == PLATE else 'one or two'}"
        )
    return tuple(radii * 2 if between == WHEELS and len(radii) == 1 else radii)


def _radius_mm(text: str) -> float:
    which, _, size = text.strip().partition(" ")
    if which.lower() not in ("radius", "diameter"):
        raise InputError(f"--wheel: found {text!r}, expected 'radius {text}' or 'diameter {text}'")
    return (read_quantity("--wheel", size, "mm") or 0.0) / (2 if which.lower() == "diameter" else 1)


def _of_captures(
    captures: Sequence[Path], size_mm: Measured | None, asked: Asked, register: Path | None
) -> tuple[list[NipPiece], list[str]]:
    """Return the pieces with their sizes: as stated, or from the register, or from the captures' headers."""
    known = None if register is None else known_by_register(register)
    pressed = piece_results(captures, asked, known=known, workers=workers_asked(), progress=progress)
    diameters, notes = dict[str, Measured](), list(pressed.notes)
    if register is not None and size_mm is None:
        diameters, said = registered_diameters(register, {result.piece for result in pressed.results})
        notes += said
    # results come in order of time, and by path where names are not enough
    heights = {}
    for path in captures:
        height_mm = open_capture(path).header.free_height_mm
        heights[path.name or path.resolve().name] = heights[path.as_posix()] = height_mm
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
