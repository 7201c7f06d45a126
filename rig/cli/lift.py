"""`pressrig lift`: where a long piece balances, and what grip and arm have to hold."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig import __version__
from rig.aids import STANDARD_GRAVITY_M_PER_S2, LiftArm, Weighed, answer_lift
from rig.cli.answer_showing import show_answer
from rig.cli.known_options import MEANT, read_known
from rig.cli.output import as_json_text, is_plain, json_option, print_json
from rig.errors import InputError
from rig.sheets import lift_sheet, save_lift_report

if TYPE_CHECKING:
    from rig.aids import LiftAnswer


@click.command("lift")
@click.option("--near", metavar="Q", help='Scale reading under the near end, "620 g +- 1 g".')
@click.option("--far", metavar="Q", help="Scale reading under the far end.")
@click.option("--mass", metavar="Q", help="Mass of the piece, if one reading is missing.")
@click.option(
    "--span", required=True, metavar="Q", help='Distance between the two supports, "1.20 m +- 2 mm".'
)
@click.option("--offset", default="0 mm", metavar="Q", help="Distance from the near end to its support.")
@click.option("--grip-at", metavar="Q", help="Distance from the near end to the grip.")
@click.option("--arm", metavar="Q", help="Length of the arm from joint to grip.")
@click.option("--arm-mass", default="0 g", metavar="Q", help="Mass of the arm alone.")
@click.option(
    "--arm-centre", default="0 mm", metavar="Q", help="Distance from the joint to the arm's centre of mass."
)
@click.option(
    "--angle",
    type=float,
    default=0.0,
    show_default=True,
    metavar="DEG",
    help="Angle of the arm from horizontal.",
)
@click.option("--grip-torque", metavar="Q", help='Torque that the grip can hold, "2.5 N m".')
@click.option("--joint-torque", metavar="Q", help="Torque that the joint's motor can hold.")
@click.option("--gravity", metavar="Q", help='Local gravity, "9.81 m/s^2".  [default: standard gravity]')
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for the page.")
@json_option
def command(
    *,
    near: str | None,
    far: str | None,
    mass: str | None,
    span: str,
    offset: str,
    grip_at: str | None,
    arm: str | None,
    arm_mass: str,
    arm_centre: str,
    angle: float,
    grip_torque: str | None,
    joint_torque: str | None,
    gravity: str | None,
    out: Path | None,
    as_json: bool,
) -> None:
    """Find the centre of mass of a long piece from two weighings, and the torques of holding it away from
    there.

    Lay each end in turn on a scale and the other on a support of the same height. All lengths count from the
    near end. The exit code is 1 if a stated torque is too small.
    """
    span_mm, offset_mm = read_known("--span", span, "mm"), read_known("--offset", offset, "mm", zero=True)
    assert span_mm is not None
    assert offset_mm is not None
    weighed: Weighed = Weighed(
        span_mm=span_mm,
        near_g=read_known("--near", near, "g", zero=True),
        far_g=read_known("--far", far, "g", zero=True),
        mass_g=read_known("--mass", mass, "g"),
        offset_mm=offset_mm,
    )
    held = _arm(
        grip_at, arm, mass=arm_mass, centre=arm_centre, angle=angle, grip=grip_torque, joint=joint_torque
    )
    here = read_known("--gravity", gravity, "m/s^2") or STANDARD_GRAVITY_M_PER_S2
    answer = answer_lift(weighed, held, here)
    _show(answer, out, as_json=as_json)
    if not answer.enough:
        raise click.exceptions.Exit(1)


def _arm(
    grip_at: str | None,
    length: str | None,
    *,
    mass: str,
    centre: str,
    angle: float,
    grip: str | None,
    joint: str | None,
) -> LiftArm | None:
    if grip_at is None:
        given = {"--arm": length, "--grip-torque": grip, "--joint-torque": joint}
        for option, text in given.items():
            if text is not None:
                raise InputError(f"{option}: needs --grip-at")
        return None
    grip_at_mm = read_known("--grip-at", grip_at, "mm", zero=True)
    mass_g, centre_mm = (
        read_known("--arm-mass", mass, "g", zero=True),
        read_known("--arm-centre", centre, "mm", zero=True),
    )
    assert grip_at_mm is not None
    assert mass_g is not None
    assert centre_mm is not None
    return LiftArm(
        grip_at_mm=grip_at_mm,
        length_mm=read_known("--arm", length, "mm"),
        mass_g=mass_g,
        centre_mm=centre_mm,
        angle_deg=angle,
        grip_torque_n_mm=read_known("--grip-torque", grip, "N*mm"),
        joint_torque_n_mm=read_known("--joint-torque", joint, "N*mm"),
    )


def _show(answer: LiftAnswer, out: Path | None, *, as_json: bool) -> None:
    sheet = lift_sheet(answer)
    document = answer.as_dict() | {"answer": list(sheet.answer), "software": f"pressrig {__version__}"}
    page = None
    if out is not None:
        page = save_lift_report(answer, out)
        (out / "lift.json").write_text(as_json_text(document, indent=2) + "\n", encoding="utf-8")
    if as_json:
        print_json(document)
        return
    notes = (*sheet.notes, f"Inputs: {MEANT}.")
    show_answer(sheet.sentences, sheet.tables(plain=is_plain()), notes, page, caution=sheet.caution)
