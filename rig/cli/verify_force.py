"""`pressrig verify force`: a rig's force against references."""

from __future__ import annotations

import math
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.calibration import VerificationReferences, reference_u, verify_force
from rig.cli.logs import log_to_file
from rig.cli.options import (
    FOLDER,
    PATH,
    condition_option,
    expiry_option,
    later,
    local_gravity,
    port_option,
    quantity_option,
    rig_option,
)
from rig.cli.output import console, is_plain, json_option, print_json, say
from rig.cli.verify_taking import take_verification
from rig.errors import InputError, refused_at
from rig.results import read_verification
from rig.rigchecks import Verified, read_checks
from rig.rigfile import read_rig_file
from rig.sheets import VerificationSheet, save_verification_report, verification_table

if TYPE_CHECKING:
    from rig.calibration import Gravity, Verification


CLASS_NAMES = ("0.5", "1", "2", "3")


@click.command("force")
@click.argument("readings_file", metavar="READINGS", type=PATH)
@rig_option()
@port_option()
@click.option(
    "--loads", metavar="LIST",
    help='Take readings at these loads now, "20 N, 40 N" or "-20 N, -40 N", and write READINGS.',
)  # fmt: skip
@quantity_option("--settle", "settle_s", "Length of a settled plateau.", default="2 s")
@quantity_option(
    "--resolution",
    "resolution_n",
    'Step of the readings, "10 mN".  [default: their last decimal, or one count]',
)
@click.option(
    "--certificate", "certificates", multiple=True, metavar="TEXT",
    help="A reference and its certificate; repeatable. Without one, no class is stated.",
)  # fmt: skip
@click.option(
    "--reference-u", metavar="Q",
    help='Their standard uncertainty: "0.02 %" of each load, or "5 mN" at every load.',
)  # fmt: skip
@click.option("--gravity", metavar="Q", help='Local gravity, "9.8145 m/s^2"; for masses.')
@click.option(
    "--keep", is_flag=True, help="Keep the result beside the rig file; recordings warn when it is overdue."
)
@click.option(
    "--class", "wanted", type=click.Choice(CLASS_NAMES), help="Exit with 1 if this class is not reached."
)
@click.option("--by", metavar="NAME", default="", help="Name of the person who made it.")
@click.option("--on", "made", metavar="DAY", help="Day of the readings, 2026-03-17.  [default: today]")
@expiry_option
@condition_option("temperature=21 degC; repeatable.")
@click.option("--out", type=FOLDER, help="Folder for the report.")
@json_option
def command(
    readings_file: Path,
    *,
    rig_file: Path,
    port: str | None,
    loads: str | None,
    settle_s: float,
    resolution_n: float | None,
    certificates: tuple[str, ...],
    reference_u: str | None,
    gravity: str | None,
    keep: bool,
    wanted: str | None,
    by: str,
    made: str | None,
    expires_after: str,
    conditions: dict[str, str],
    out: Path | None,
    as_json: bool,
) -> None:
    """Find errors and class from READINGS: three rising runs and one falling run.

    READINGS is a CSV table with the heading `run,direction,load_N,indicated_N`. Use `mass_kg` for masses, and
    `indicated_counts` to have the rig's calibration read the counts. Loads of 0 before and after a run show
    the zero. Enter tensile loads below zero in a table of their own: a class holds for one direction of
    force. With --loads you are led through the runs and READINGS is written. No conformity with any standard
    is claimed. The exit code is 1 if no class, or not the requested class, is reached.
    """
    rig = read_rig_file(rig_file)
    local = local_gravity(gravity)
    if loads is not None:
        if rig.calibration.force is None:
            raise InputError(f"rig {rig.name}: force is not calibrated; run `pressrig calibrate force` first")
        with log_to_file():
            take_verification(rig, port, loads, readings_file, settle_s=settle_s)
    table = read_verification(readings_file, rig.calibration.force, local)
    readings = table.readings
    largest_n = max(abs(reading.load_n) for reading in readings)
    if not largest_n > 0:
        raise InputError(f"{readings_file}: every load is zero")
    one_count_n = 0.0 if rig.calibration.force is None else abs(rig.calibration.force.per_count)
    verification = verify_force(
        readings,
        _references(certificates, reference_u, largest_n, local),
        resolution_n=resolution_n or max(table.step_n, one_count_n),
    )
    day = _day(made)
    sheet = VerificationSheet(
        verification,
        rig=rig.name,
        made=day,
        expires=later(day, expires_after),
        by=by,
        readings=readings_file.name,
        calibration=rig.calibration.identity,
        conditions=conditions | ({} if local is None else {"loads": local.source}),
        cautions=rig.calibration.complaints(on=day),
    )
    if keep:
        noon = datetime(day.year, day.month, day.day, 12).astimezone()
        read_checks(rig_file).add(Verified(noon, by, verification.verdict, sheet.expires))
    _show(sheet, out, as_json=as_json)
    if not _reached(verification, wanted):
        raise click.exceptions.Exit(1)


def _show(sheet: VerificationSheet, out: Path | None, *, as_json: bool) -> None:
    page = None if out is None else save_verification_report(sheet, out)
    if as_json:
        print_json(sheet.as_dict())
        return
    screen = console()
    verdict, *others = sheet.sentences()
    screen.print(verdict)
    screen.print(verification_table(sheet.verification, plain=is_plain()))
    for sentence in others:
        screen.print(sentence)
    if page is not None:
        say(f"The report is {page}")


def _references(
    certificates: tuple[str, ...], text: str | None, largest_n: float, gravity: Gravity | None
) -> VerificationReferences:
    """Return what the loads rest on; where they are masses, gravity's uncertainty joins."""
    if text is None:
        return VerificationReferences(certificates)
    with refused_at("--reference-u"):
        relative, absolute_n = reference_u(text, "N", largest_n)
    local = 0.0 if gravity is None else gravity.relative_u
    return VerificationReferences(certificates, math.hypot(relative, local), absolute_n)


def _reached(verification: Verification, wanted: str | None) -> bool:
    """Return whether the answer is yes: the class asked for, or any where none was."""
    best = verification.reached
    if wanted is None:
        return best is not None or not verification.stated
    if not verification.stated or best is None:
        say(f"pressrig: class {wanted} is not reached: {verification.verdict}", err=True)
        return False
    if float(best.limits.name) <= float(wanted):
        return True
    (asked,) = (
        standard_class for standard_class in verification.classes if standard_class.limits.name == wanted
    )
    say(f"pressrig: class {wanted} is not reached: {asked.why_not}", err=True)
    return False


def _day(text: str | None) -> date:
    if text is None:
        return date.today()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(f"--on: found {text!r}, expected a day such as 2026-03-17") from None
