"""`pressrig endure`: squeeze a specimen many times, and watch how it recovers."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.capture import open_capture
from rig.cli.attending import MOVING_QUESTION, confirmed, have_cautions_read, must_hold_for
from rig.cli.logs import log_to_file
from rig.cli.options import (
    PATH,
    folder_option,
    port_option,
    quantity_option,
    renamed_option,
    rig_option,
    specimen_options,
)
from rig.cli.ordering import meant_rig, order_through_daemon
from rig.cli.output import say
from rig.cli.performing import ending_words, exit_code_of, perform_alone
from rig.cli.starting import reader_of, say_how_it_stands
from rig.core import counted
from rig.errors import InputError
from rig.jobs import Standing
from rig.jobs.driving import cause_in_words
from rig.jobs.endurance import Endured, endurance_job, must_be_resumable_after, order_of, resume_command
from rig.jobs.orders import EnduranceOrder, SpecimenCard, typed
from rig.methods import plan_text
from rig.rigfile import read_rig_file
from rig.wire import EventCode

if TYPE_CHECKING:
    from rig.jobs.endurance import EnduranceJob
    from rig.reader import Reader
    from rig.rigfile import RigFile


@click.command("endure")
@click.argument("plan_file", metavar="PLAN", type=PATH)
@rig_option()
@port_option()
@quantity_option(
    "--stiffness", "stiffness_n_per_mm", 'Largest expected stiffness, "40 N/mm", instead of the plan\'s.'
)
@click.option("--check-only", is_flag=True, help="Print what would happen without moving.")
@click.option("--cautions-read", is_flag=True, help="Confirm the cautions without being asked.")
@click.option("--resume", is_flag=True, help="PLAN is the capture of a stopped or cut-off run; resume it.")
@click.option("--i-see-the-platen", "seen", is_flag=True, help="Confirm without being asked, after a stop.")
@renamed_option("--take-up", "--resume", is_flag=True, is_eager=True)
@specimen_options(required=False)
@folder_option("Folder for the capture.")
def command(
    plan_file: Path,
    *,
    rig_file: Path,
    port: str | None,
    check_only: bool,
    cautions_read: bool,
    resume: bool,
    seen: bool,
    out: Path,
    **card: Any,
) -> None:
    """Run PLAN, a YAML file such as those in configs/endurance, on a driven rig.

    The daemon that holds the rig runs it; without a daemon, this command does. Ctrl-C halts the platen and
    ends the capture; the last line printed is its path. --resume goes on with a run that was stopped or cut
    off, in its squeezing or its recovery: it confirms count and datum, and a contact check must find the
    specimen where it was. If the rig has stopped by itself, someone must watch the platen and confirm it.
    """
    rig = read_rig_file(rig_file)
    if resume:
        order = order_of(plan_file).model_copy(update={"cautions_read": True})
    else:
        if card["specimen"] is None:
            raise InputError("--specimen is missing")
        order = typed(
            EnduranceOrder,
            card=typed(SpecimenCard, **card),
            text=plan_text(plan_file),
            source=str(plan_file),
            cautions_read=True,
        )
    limits = Standing(rig, out, by_hand=rig.wire != "framed").limits()
    job = endurance_job(order, limits, plan_file if resume else None)
    for line in job.describe():
        say(line)
    if check_only:
        return
    say_how_it_stands(rig)
    meant = meant_rig(rig, port)
    cautions = have_cautions_read(meant, card["operator"], already=cautions_read)
    code = None if resume else order_through_daemon(meant, order)
    if resume and not seen:
        _have_platen_seen(rig, port, plan_file)
    if code is None:

        def job_for(reader: Reader) -> EnduranceJob:
            must_hold_for(cautions, reader, already=cautions_read)
            return job

        ended = perform_alone(rig, port, out, job_for)
        assert isinstance(ended, Endured)
        doubtful = f", {ended.doubtful} cut short and not counted" if ended.doubtful else ""
        unsure = "" if ended.exact else "; the device may have made a few more"
        say(f"{counted(ended.done, 'cycle')}{doubtful}{unsure}{ending_words(ended)}")
        code = exit_code_of(ended)
        if ended.resumable and ended.path.exists():
            say(f"To resume it: {resume_command(ended.path, rig_file, port)}", err=True)
        say(ended.path)
    raise click.exceptions.Exit(code)


def _have_platen_seen(rig: RigFile, port: str | None, capture: Path) -> None:
    """Have a person confirm, where the rig has stopped by itself, that its platen may move.

    Raises InputError if it is not confirmed; DeviceError if something else than a lost host has stopped it.
    """
    with log_to_file(), reader_of(rig, port) as reader:
        cause = reader.session.state().stop_cause if reader.drives else 0
    must_be_resumable_after(cause)
    # a device that is reset when its port is opened no longer knows that it has stopped
    if not cause and open_capture(capture).ending is not None:
        return
    why = cause_in_words(cause or EventCode.HEARTBEAT_LOST)
    say(f"The rig has stopped by itself: {why}. Its platen homes first.", err=True)
    if not confirmed(MOVING_QUESTION):
        raise InputError("not confirmed, so nothing moved")
