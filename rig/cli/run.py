"""`pressrig run`: a method on a driven rig, recorded from the first approach to the end."""

from __future__ import annotations

import os
import select
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.options import folder_option, read_conditions, read_quantity, specimen_options
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.capture import CaptureHeader
    from rig.methods import CheckedMethod
    from rig.reader import Reader
    from rig.rigfile import RigFile

LOOK_S = 0.2

CAUTIONS = (
    "The platen is going to move by itself and can crush fingers.",
    "The emergency stop is wired to cut the motor's power, and has been tried today.",
    "A guard is closed, or both hands are needed to move the platen; nobody else can reach in.",
    "Travel and force are limited on the rig itself; what this program limits is a second line.",
    "Eye protection is worn: a squeezed part stores energy and can fly out.",
    "Local rules come first, and a competent person has assessed this rig's risks.",
)


@click.command("run")
@click.argument("method_file", metavar="METHOD", type=click.Path(path_type=Path))
@click.option("--rig", "rig_file", required=True, type=click.Path(path_type=Path), help="The rig's file.")
@click.option("--port", metavar="PATH", help="Port to open instead of the rig file's.")
@click.option(
    "--stiffness", metavar="Q", help='Largest stiffness expected, "40 N/mm", instead of the method\'s.'
)
@click.option("--check-only", is_flag=True, help="Say what would happen, and move nothing.")
@click.option("--cautions-read", is_flag=True, help="The cautions have been read and hold; do not ask.")
@specimen_options
@folder_option("Folder that the capture is made in.")
def command(
    method_file: Path,
    *,
    rig_file: Path,
    port: str | None,
    stiffness: str | None,
    check_only: bool,
    cautions_read: bool,
    specimen: str,
    batch: str | None,
    free_height: str | None,
    area: str | None,
    operator: str | None,
    notes: str,
    conditions: tuple[str, ...],
    out: Path,
) -> None:
    """Run METHOD, a YAML file such as those in configs/methods, on a driven rig.

    It is checked against the rig's limits and the specimen before anything moves. Ctrl-C halts the platen and
    ends the capture; its path is the last line printed.
    """
    from rig.capture import CaptureHeader
    from rig.methods import SpecimenFacts, check_method, describe, read_method
    from rig.rigfile import read_rig_file

    rig = read_rig_file(rig_file)
    if rig.limits is None:
        raise InputError(
            f"{rig_file}: no `drive:` section; a method needs the rig's limits before it moves anything"
        )
    facts = SpecimenFacts(
        read_quantity("--free-height", free_height, "mm"),
        read_quantity("--area", area, "mm^2"),
        read_quantity("--stiffness", stiffness, "N/mm"),
    )
    checked = check_method(read_method(method_file), rig.limits, facts)
    for line in describe(checked):
        click.echo(line)
    if check_only:
        return
    _confirm(cautions_read=cautions_read)
    about = CaptureHeader(
        specimen=specimen,
        batch=batch,
        free_height_mm=facts.free_height_mm,
        area_mm2=facts.area_mm2,
        operator=operator,
        notes=notes,
        conditions=read_conditions(conditions),
        method={"file": str(method_file), "text": method_file.read_text(encoding="utf-8")},
        rig=dict(rig.source),
        calibration=rig.calibration.as_dict(),
    )
    _run(rig, port, checked, about, out)


def _confirm(*, cautions_read: bool) -> None:
    """Show the cautions, and have them confirmed by a person."""
    for caution in CAUTIONS:
        click.echo(f"caution: {caution}", err=True)
    if cautions_read:
        return
    try:
        confirmed = click.confirm("Do all of these hold?", default=False, err=True)
    except click.Abort:  # nobody is there to answer
        confirmed = False
    if not confirmed:
        raise InputError("the cautions were not confirmed: nothing was moved")


def _await_enter(stopped: threading.Event) -> None:
    """Wait for a line of standard input, or for the wish to stop."""
    if os.name != "posix":
        sys.stdin.readline()
        return
    while not stopped.is_set():
        if select.select([sys.stdin], [], [], LOOK_S)[0]:
            sys.stdin.readline()
            return


def _run(rig: RigFile, port: str | None, checked: CheckedMethod, about: CaptureHeader, out: Path) -> None:
    from rig.cli.logs import log_to_file
    from rig.cli.output import progress
    from rig.cli.record import complete_header
    from rig.cli.stopping import stop_on_signals
    from rig.daemon import Progress, Watch, run_method
    from rig.reader import Reader

    def header_of(reader: Reader) -> CaptureHeader:
        return complete_header(about, reader)

    reader = Reader(rig.address(port), rig.wire, rate_hz=rig.rate_hz)
    with log_to_file(), stop_on_signals() as stopped, progress(checked.method.name, checked.time_s) as show:

        def ask(instruction: str) -> None:
            click.echo(f"\nby hand: {instruction}\nPress Enter when it is done.", err=True)
            _await_enter(stopped)

        def tell(step: str, done: Progress) -> None:
            show(done.seconds, step)

        recorded = run_method(
            reader, rig.calibration, header_of, out, checked=checked, watch=Watch(stopped, ask, tell)
        )
    done = recorded.progress
    click.echo(f"{done.samples} samples, {done.seconds:.1f} s; ended: {recorded.reason}")
    click.echo(recorded.path)
    if recorded.failed:
        click.echo(f"pressrig: {recorded.reason}; what came before is kept", err=True)
        raise click.exceptions.Exit(3)
