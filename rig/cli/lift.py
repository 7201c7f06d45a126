"""`pressrig lift`: where a long piece balances, and what grip and arm have to hold."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.aids import STANDARD_GRAVITY_M_PER_S2, LiftArm, Weighed, answer_lift
from rig.cli.answer_showing import give_answer
from rig.cli.known_options import MEANT, KnownType, known_option
from rig.cli.options import FOLDER
from rig.cli.output import json_option
from rig.errors import InputError
from rig.sheets import lift_sheet, save_lift_report

if TYPE_CHECKING:
    from rig.core.measured import Measured

NEED_GRIP_AT = {
    "--arm": "length_mm",
    "--grip-torque": "grip_torque_n_mm",
    "--joint-torque": "joint_torque_n_mm",
}


@click.command("lift")
@known_option("--near", "near_g", 'Scale reading under the near end, "620 g +- 1 g".', zero=True)
@known_option("--far", "far_g", "Scale reading under the far end.", zero=True)
@known_option("--mass", "mass_g", "Mass of the piece, if one reading is missing.")
@known_option("--span", "span_mm", 'Distance between the two supports, "1.20 m +- 2 mm".', required=True)
@known_option(
    "--offset", "offset_mm", "Distance from the near end to its support.", zero=True, default="0 mm"
)
@known_option("--grip-at", "grip_at_mm", "Distance from the near end to the grip.", zero=True)
@known_option("--arm", "length_mm", "Length of the arm from joint to grip.")
@click.option("--arm-mass", type=KnownType("g", zero=True), default="0 g", help="Mass of the arm alone.")
@known_option(
    "--arm-centre",
    "centre_mm",
    "Distance from the joint to the arm's centre of mass.",
    zero=True,
    default="0 mm",
)
@click.option(
    "--angle", "angle_deg", type=float, default=0.0, show_default=True, metavar="DEG",
    help="Angle of the arm from horizontal.",
)  # fmt: skip
@known_option("--grip-torque", "grip_torque_n_mm", 'Torque that the grip can hold, "2.5 N m".')
@known_option("--joint-torque", "joint_torque_n_mm", "Torque that the joint's motor can hold.")
@click.option(
    "--gravity", type=KnownType("m/s^2"), help='Local gravity, "9.81 m/s^2".  [default: standard gravity]'
)
@click.option("--out", type=FOLDER, help="Folder for the page.")
@json_option
def command(
    *,
    near_g: Measured | None,
    far_g: Measured | None,
    mass_g: Measured | None,
    span_mm: Measured,
    offset_mm: Measured,
    grip_at_mm: Measured | None,
    arm_mass: Measured,
    gravity: Measured | None,
    out: Path | None,
    as_json: bool,
    **arm: Any,
) -> None:
    """Find the centre of mass of a long piece from two weighings, and the torques of holding it away from
    there.

    Lay each end in turn on a scale and the other on a support of the same height. All lengths count from the
    near end. The exit code is 1 if a stated torque is too small.
    """
    held = None
    if grip_at_mm is not None:
        held = LiftArm(grip_at_mm=grip_at_mm, mass_g=arm_mass, **arm)
    else:
        for option, name in NEED_GRIP_AT.items():
            if arm[name] is not None:
                raise InputError(f"{option}: needs --grip-at")
    weighed = Weighed(span_mm=span_mm, near_g=near_g, far_g=far_g, mass_g=mass_g, offset_mm=offset_mm)
    answer = answer_lift(weighed, held, gravity or STANDARD_GRAVITY_M_PER_S2)
    save = partial(save_lift_report, answer)
    inputs = f"Inputs: {MEANT}."
    give_answer(lift_sheet(answer), answer.as_dict(), out, save, as_json=as_json, further=[inputs])
    if not answer.enough:
        raise click.exceptions.Exit(1)
