"""`pressrig run`: a method on a driven rig or by a guided hand, recorded from begin to end."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.cli.attending import have_cautions_read, must_hold_for
from rig.cli.options import PATH, folder_option, port_option, quantity_option, rig_option, specimen_options
from rig.cli.ordering import meant_rig, order_through_daemon
from rig.cli.output import say
from rig.cli.performing import ending_words, exit_code_of, perform_alone
from rig.cli.starting import say_how_it_stands
from rig.jobs import Recorded, Standing, check_job
from rig.jobs.orders import MethodOrder, SpecimenCard, typed
from rig.methods import method_text
from rig.rigfile import read_rig_file

if TYPE_CHECKING:
    from rig.jobs import Job
    from rig.reader import Reader


@click.command("run")
@click.argument("method_file", metavar="METHOD", type=PATH)
@rig_option()
@port_option()
@quantity_option(
    "--stiffness", "stiffness_n_per_mm", 'Largest expected stiffness, "40 N/mm", instead of the method\'s.'
)
@quantity_option(
    "--largest-force", "largest_force_n", 'By hand: warn above this force, "400 N". Nothing can stop a hand.'
)
@click.option("--check-only", is_flag=True, help="Print what would happen without moving.")
@click.option(
    "--cautions-read", is_flag=True, help="Confirm the cautions without being asked; kept for today."
)
@specimen_options()
@folder_option("Folder for the capture.")
def command(
    method_file: Path,
    *,
    rig_file: Path,
    port: str | None,
    largest_force_n: float | None,
    check_only: bool,
    cautions_read: bool,
    out: Path,
    **card: Any,
) -> None:
    """Run METHOD, a YAML file such as those in configs/methods, and record it.

    The method is checked before anything moves. A driven rig runs it within the limits of the rig file. If
    the rig file has no `drive:` section, or the device cannot move the platen, you move it by hand: each step
    shows how far and how fast. Ctrl-C ends the capture and halts a driven platen. The last line printed is
    the capture's path.
    """
    rig = read_rig_file(rig_file)
    order = typed(
        MethodOrder,
        card=typed(SpecimenCard, **card),
        text=method_text(method_file),
        source=str(method_file),
        cautions_read=True,
    )
    operator = card["operator"]
    standing = Standing(
        rig, out, by_hand=rig.limits is None or rig.wire != "framed", largest_force_n=largest_force_n
    )
    job = _described(check_job(order, standing))
    if check_only:
        return
    say_how_it_stands(rig)
    meant = meant_rig(rig, port)
    cautions = have_cautions_read(meant, operator, already=cautions_read, by_hand=job.guided)
    if not job.guided and sys.platform != "win32":
        code = order_through_daemon(meant, order)
        if code is not None:
            raise click.exceptions.Exit(code)

    def job_for(reader: Reader) -> Job:
        must_hold_for(cautions, reader, already=cautions_read)
        if job.guided and reader.drives:
            say(
                "pressrig: the device can drive its platen, but the rig file has no `drive:` section: it "
                "stays disarmed, and you move it by hand",
                err=True,
            )
        if job.guided or reader.drives:
            return job
        say("The device cannot drive its platen: the method guides you by hand instead.")
        have_cautions_read(meant, operator, already=True, by_hand=True)
        return _described(check_job(order, replace(standing, by_hand=True)))

    ended = perform_alone(rig, port, out, job_for)
    assert isinstance(ended, Recorded)
    say(f"{ended.progress.samples} samples, {ended.progress.seconds:.1f} s{ending_words(ended)}")
    say(ended.path)
    raise click.exceptions.Exit(exit_code_of(ended))


def _described(job: Job) -> Job:
    for line in job.describe():
        say(line)
    return job
