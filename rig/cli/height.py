"""`pressrig height`: the free height of a piece, from contact checks of it and of the bare platens."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.capture import open_capture
from rig.cli.attending import have_cautions_read, must_hold_for
from rig.cli.options import (
    DEFAULT_FOLDER,
    FOLDER,
    PATH,
    calibration_option,
    condition_option,
    port_option,
    quantity_option,
    renamed_option,
    rig_option,
)
from rig.cli.ordering import FAILED, NOT_DONE, daemon_if_up, followed_to_its_end, meant_rig
from rig.cli.output import console, is_plain, json_option, print_json, say
from rig.cli.performing import perform_alone
from rig.cli.starting import say_how_it_stands
from rig.errors import DeviceError, InputError
from rig.jobs import Recorded
from rig.jobs.height_job import HeightJob
from rig.jobs.orders import HeightOrder, SpecimenCard, typed
from rig.methods import HeightPlan, check_height_forces, check_height_plan
from rig.results import planned_forces, read_height, read_surface, where_bare_met_mm
from rig.rigfile import read_rig_file
from rig.sheets import height_budget_table, height_table

if TYPE_CHECKING:
    from rig.jobs.orders import RigRef
    from rig.methods import CheckedHeightPlan, Surface
    from rig.reader import Reader


STOPPED = "stopped"
BARE_PLATENS = "bare platens"
"""Stands for a specimen where there is none."""

USUAL_FORCES_N = (0.05, 5.0)
"""For captures that do not say which forces their contact checks used."""


@click.command("height")
@rig_option("Measure on this driven rig.", required=False)
@port_option()
@click.option("--specimen", metavar="ID", help="Name of the specimen; needed with --rig.")
@click.option("--batch", metavar="ID", help="Name of its batch.")
@click.option("--operator", metavar="NAME", help="Name of the operator.")
@condition_option("As for `run`.")
@click.option(
    "--bare", multiple=True, type=PATH, metavar="CAPTURE",
    help="Earlier capture of the bare platens; give one per homing to find how well homing repeats.",
)  # fmt: skip
@click.option("--piece", type=PATH, metavar="CAPTURE", help="Earlier capture of the piece; nothing moves.")
@click.option("--bare-only", is_flag=True, help="Check only the bare platens, for a later --bare.")
@quantity_option(
    "--contact-force", "contact_n", "Small force at which the height is given.  [default: 0.05 N]"
)
@quantity_option("--at", "top_n", "Larger force at which the height is given too.  [default: 5 N]")
@renamed_option("--touches", "--contact-checks")
@click.option(
    "--contact-checks", type=int, default=5, show_default=True, metavar="N", help="Number per surface."
)
@quantity_option("--speed", "speed_mm_per_s", "Speed of a contact check.", default="0.2 mm/s")
@quantity_option("--gap", "gap_mm", "Retract distance between contact checks.", default="1 mm")
@quantity_option("--rest", "rest_s", "Pause after each retraction.", default="2 s")
@quantity_option(
    "--platen-stiffness",
    "platen_stiffness_n_per_mm",
    "Stiffness of the bare platens; sets the speed of the search for them.",
    default="2000 N/mm",
)
@quantity_option(
    "--expected", "expected_mm", 'Approximate height of the piece, "90 mm", to check that it fits.'
)
@quantity_option(
    "--bare-age", "oldest_bare_s", "Warn if the checks of the bare platens are older.", default="1 h"
)
@calibration_option("Read captures with this calibration instead of their own.")
@click.option(
    "--cautions-read", is_flag=True, help="Confirm the cautions without being asked; kept for today."
)
@click.option(
    "--into", "--out", "out", type=FOLDER, default=DEFAULT_FOLDER, show_default=True,
    help="Folder for the capture.",
)  # fmt: skip
@json_option
def command(**given: Any) -> None:
    """Measure the free height of a soft piece: the position where the bare platens meet minus that where the
    platen meets the piece.

    With --rig the platen makes slow contact checks on both, at a small force and at a larger one; take the
    piece out and put it in when asked. The contact checks are kept as a capture. Without a drive, record
    contact checks by hand (`pressrig record`), once with nothing in and once with the piece, each starting
    without load, and give both: --bare CAPTURE --piece CAPTURE. If `pressrig serve` holds the rig, its daemon
    makes the contact checks and keeps the capture in its own folder.
    """
    piece, bare = given["piece"], given["bare"]
    if (piece is None) == (given["rig_file"] is None):
        raise InputError(
            "--rig or --piece: give one: --rig FILE measures now, --piece CAPTURE reads an earlier capture"
        )
    if given["bare_only"] and (piece is not None or bare):
        raise InputError("--bare-only: measures the bare platens on a rig; leave out --bare and --piece")
    if piece is None:
        piece = _check_contact(given)
        if given["bare_only"]:
            say(piece)
            return
    report = read_height(
        bare or (piece,),
        piece,
        forces_n=_forces(given, planned_forces(open_capture(piece).header)),
        oldest_bare_s=given["oldest_bare_s"],
        calibration=given["calibration"],
    )
    if given["as_json"]:
        print_json({"capture": str(piece)} | report.as_dict())
        return
    screen, plain = console(), is_plain()
    screen.print(height_table(report, plain=plain))
    screen.print(height_budget_table(report.at_contact, plain=plain))
    for note in report.notes:
        screen.print(note)
    screen.print(str(piece), soft_wrap=True)


def _forces(given: dict[str, Any], told: tuple[float, float] | None) -> tuple[float, float]:
    """Return both forces: those asked for, else the capture's contact checks', else the usual ones."""
    usual_n = told or USUAL_FORCES_N
    contact_n, top_n = given["contact_n"] or usual_n[0], given["top_n"] or usual_n[1]
    if told is not None and top_n > told[1]:
        raise InputError(f"--at: found {top_n:g} N, but its contact checks go only up to {told[1]:g} N")
    check_height_forces(contact_n, top_n)
    return contact_n, top_n


def _check_contact(given: dict[str, Any]) -> Path:
    """Make the contact checks on a rig; return the capture."""
    rig = read_rig_file(given["rig_file"])
    if rig.limits is None or rig.wire != "framed":
        raise InputError(
            f"{given['rig_file']}: the rig has no `drive:` section; record contact checks by hand, without "
            "and with the piece, and give --bare CAPTURE --piece CAPTURE"
        )
    if not given["specimen"] and not given["bare_only"]:
        raise InputError("--specimen is missing")
    checked = check_height_plan(_plan(given), rig.limits)
    plan = checked.plan
    order = _order(given, checked)
    surfaces: tuple[Surface, ...] = ("bare", "piece") if order.surface == "both" else (order.surface,)
    bare_mm = None
    if given["bare"]:  # where the bare platens met before, which also shows that these captures can be read
        forces_n = (plan.contact_n, plan.top_n)
        bare_mm = where_bare_met_mm(
            [read_surface(path, "bare", forces_n, given["calibration"]) for path in given["bare"]]
        )
    say_how_it_stands(rig)
    meant, already = meant_rig(rig, given["port"]), given["cautions_read"]
    cautions = have_cautions_read(meant, given["operator"], already=already)
    path = _ordered(meant, order)
    if path is not None:
        return path
    job = HeightJob(order, checked, surfaces, bare_mm=bare_mm, works_out=False)

    def job_for(reader: Reader) -> HeightJob:
        must_hold_for(cautions, reader, already=already)
        return job

    ended = perform_alone(rig, given["port"], given["out"], job_for)
    assert isinstance(ended, Recorded)
    _refuse_unfinished(ended.reason, failed=ended.failed, path=ended.path)
    return ended.path


def _ordered(rig: RigRef, order: HeightOrder) -> Path | None:
    """Return the capture that the daemon made which holds the rig; None if none does.

    Raises DeviceError if it cannot be said any more what came of it.
    """
    if sys.platform == "win32":
        return None
    daemon = daemon_if_up(rig)
    if daemon is None:
        return None
    with daemon:
        end = followed_to_its_end(daemon, rig, order)
    if end is None:
        raise DeviceError(
            "the job has ended, and another one since; find its capture with `pressrig captures`, and "
            "read the height with --piece CAPTURE"
        )
    _refuse_unfinished(end.reason, failed=end.failed, path=end.capture)
    assert end.capture is not None  # or nothing was measured
    return Path(end.capture)


def _order(given: dict[str, Any], checked: CheckedHeightPlan) -> HeightOrder:
    card = typed(
        SpecimenCard,
        specimen=given["specimen"] or BARE_PLATENS,
        batch=given["batch"],
        operator=given["operator"],
        conditions=given["conditions"],
    )
    return typed(
        HeightOrder,
        card=card,
        surface="bare" if given["bare_only"] else "piece" if given["bare"] else "both",
        bare=tuple(str(path.absolute()) for path in given["bare"]),
        cautions_read=True,
        **asdict(checked.plan),
    )


def _refuse_unfinished(reason: str, *, failed: bool, path: Path | str | None) -> None:
    """Say what came of contact checks that did not come to their end, and end with its exit code."""
    if not failed and reason != STOPPED:
        return
    kept = ""
    if path is not None:
        say(path, err=True)
        kept = "; everything recorded so far is kept"
    say(f"pressrig: {reason}{kept}", err=True)
    raise click.exceptions.Exit(FAILED if failed else NOT_DONE)


def _plan(given: dict[str, Any]) -> HeightPlan:
    contact_n, top_n = _forces(given, None)
    names = (
        "contact_checks",
        "speed_mm_per_s",
        "gap_mm",
        "rest_s",
        "platen_stiffness_n_per_mm",
        "expected_mm",
    )
    return HeightPlan(contact_n=contact_n, top_n=top_n, **{name: given[name] for name in names})
