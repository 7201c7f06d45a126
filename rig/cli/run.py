"""`pressrig run`: a method on a driven rig or by a guided hand, recorded from begin to end."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.attending import await_enter, have_cautions_read, must_hold_for
from rig.cli.options import folder_option, read_conditions, read_quantity, specimen_options
from rig.cli.ordering import FAILED, NOT_DONE, absolute_port, meant_rig
from rig.cli.output import say
from rig.cli.starting import say_how_it_stands
from rig.core import read_text

if TYPE_CHECKING:
    from rig.capture import CaptureHeader
    from rig.cli.stopping import StopWish
    from rig.jobs import Recorded
    from rig.jobs.cautions import CautionsRead
    from rig.methods import CheckedMethod
    from rig.reader import Reader
    from rig.rigfile import RigFile


@dataclass(frozen=True, slots=True)
class _Job:
    """What was asked for."""

    rig: RigFile
    port: str | None
    checked: CheckedMethod
    about: CaptureHeader
    out: Path
    largest_force_n: float | None
    cautions: CautionsRead
    cautions_read: bool

    def reader(self) -> Reader:
        """Not yet entered."""
        from rig.reader import Reader

        return Reader(self.rig.address(absolute_port(self.port)), self.rig.wire, rate_hz=self.rig.rate_hz)


@click.command("run")
@click.argument("method_file", metavar="METHOD", type=click.Path(path_type=Path))
@click.option("--rig", "rig_file", required=True, type=click.Path(path_type=Path), help="The rig's file.")
@click.option("--port", metavar="PATH", help="Port to open instead of the rig file's.")
@click.option(
    "--stiffness", metavar="Q", help='Largest stiffness expected, "40 N/mm", instead of the method\'s.'
)
@click.option(
    "--largest-force", metavar="Q", help='By hand: warn above this force, "400 N"; nothing stops a hand.'
)
@click.option("--check-only", is_flag=True, help="Say what would happen, and move nothing.")
@click.option("--cautions-read", is_flag=True, help="The cautions have been read and hold; do not ask today.")
@specimen_options()
@folder_option("Folder that the capture is made in.")
def command(
    method_file: Path,
    *,
    rig_file: Path,
    port: str | None,
    stiffness: str | None,
    largest_force: str | None,
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
    """Run METHOD, a YAML file such as those in configs/methods, and record it.

    It is checked before anything moves. A driven rig carries it out within the limits of its file.
    A rig whose file has no `drive:` section, or whose device cannot be told to move, is moved by hand: each
    step is shown with how far and how fast it goes. Ctrl-C ends the capture, and halts a driven platen; the
    capture's path is the last line printed.
    """
    from rig.capture import CaptureHeader
    from rig.methods import SpecimenFacts, check_by_hand, check_method, read_method
    from rig.rigfile import read_rig_file

    rig = read_rig_file(rig_file)
    facts = SpecimenFacts(
        read_quantity("--free-height", free_height, "mm"),
        read_quantity("--area", area, "mm^2"),
        read_quantity("--stiffness", stiffness, "N/mm"),
    )
    largest_force_n = read_quantity("--largest-force", largest_force, "N")
    method = read_method(method_file)
    if rig.limits is not None and largest_force_n is None:
        largest_force_n = rig.limits.force_n[1]
    if rig.limits is None or rig.wire != "framed":
        checked = check_by_hand(method, facts, largest_force_n)
    else:
        checked = check_method(method, rig.limits, facts)
    _describe(checked)
    if check_only:
        return
    about = CaptureHeader(
        specimen=specimen,
        batch=batch,
        free_height_mm=facts.free_height_mm,
        area_mm2=facts.area_mm2,
        operator=operator,
        notes=notes,
        conditions=read_conditions(conditions),
        method={"file": str(method_file), "text": read_text(method_file)},
        rig=dict(rig.source),
        calibration=rig.calibration.as_dict(),
        warnings=say_how_it_stands(rig),
    )
    cautions = have_cautions_read(
        meant_rig(rig, port), operator, already=cautions_read, by_hand=checked.rig.by_hand
    )
    job = _Job(rig, port, checked, about, out, largest_force_n, cautions, cautions_read)
    if checked.rig.by_hand or not _ordered(job):
        _run(job)


def _describe(checked: CheckedMethod) -> None:
    from rig.methods import describe, hard_by_hand

    for line in describe(checked):
        say(line)
    if checked.rig.by_hand:
        say("Moved by hand; nothing but the hand stops it.")
        for warning in hard_by_hand(checked):
            say(f"pressrig: {warning}", err=True)


def _ordered(job: _Job) -> bool:
    """Whether a daemon that holds the rig was there to do it."""
    if sys.platform == "win32":
        return False
    from rig.cli.ordering import order_through_daemon
    from rig.jobs.orders import MethodOrder, specimen_card

    about, method = job.about, job.about.method or {}
    card = specimen_card(
        specimen=about.specimen,
        batch=about.batch,
        free_height_mm=about.free_height_mm,
        area_mm2=about.area_mm2,
        stiffness_n_per_mm=job.checked.specimen.stiffness_n_per_mm,
        operator=about.operator,
        notes=about.notes,
        conditions={str(name): str(value) for name, value in about.conditions.items()},
    )
    order = MethodOrder(text=str(method["text"]), source=str(method["file"]), card=card, cautions_read=True)
    code = order_through_daemon(meant_rig(job.rig, job.port), order)
    if code:
        raise click.exceptions.Exit(code)
    return code is not None


def _run(job: _Job) -> None:
    """Open the rig, and run the method on it alone."""
    from rig.cli.logs import log_to_file
    from rig.cli.stopping import stop_on_signals
    from rig.jobs import moves_by_hand

    with log_to_file(), stop_on_signals() as stopped, job.reader() as reader:
        must_hold_for(job.cautions, reader, already=job.cautions_read)
        if job.checked.rig.by_hand:
            if not moves_by_hand(reader):
                say(
                    "pressrig: the device could drive its platen, but its file has no `drive:` section: "
                    "it is not armed, and a hand moves it",
                    err=True,
                )
            recorded = _guide(job, reader, stopped)
        elif moves_by_hand(reader):
            recorded = _guide(_by_hand_instead(job), reader, stopped)
        else:
            recorded = _drive(job, reader, stopped)
    _say_end(recorded)


def _drive(job: _Job, reader: Reader, stopped: StopWish) -> Recorded:
    """The rig moves its platen."""
    from rig.cli.output import progress
    from rig.cli.record import complete_header
    from rig.jobs import Progress, Watch, perform_method

    checked = job.checked
    with progress(checked.method.name, checked.time_s) as show:

        def ask(instruction: str) -> None:
            say(f"\nby hand: {instruction}\nPress Enter when it is done.", err=True)
            await_enter(stopped)

        def tell(step: str, done: Progress) -> None:
            show(done.seconds, step)

        return perform_method(
            reader,
            job.rig.calibration,
            lambda reader: complete_header(job.about, reader),
            job.out,
            checked=checked,
            watch=Watch(stopped, ask, tell),
        )


def _by_hand_instead(job: _Job) -> _Job:
    """The same for a device that turned out to have no drive."""
    from rig.methods import check_by_hand

    checked = check_by_hand(job.checked.method, job.checked.specimen, job.largest_force_n)
    say("The device does not drive its platen: the method guides a hand instead.")
    _describe(checked)
    have_cautions_read(meant_rig(job.rig, job.port), job.about.operator, already=True, by_hand=True)
    return replace(job, checked=checked)


def _guide(job: _Job, reader: Reader, stopped: StopWish) -> Recorded:
    """A person moves the platen, and is shown how."""
    from rig.cli.guidance import guidance_shown
    from rig.cli.record import complete_header
    from rig.jobs import Progress, Watch, perform_guided

    def ask(instruction: str) -> None:
        del instruction  # it stands in the guidance
        await_enter(stopped)

    def tell(step: str, done: Progress) -> None:
        del step, done  # so do these

    with guidance_shown() as show:
        return perform_guided(
            reader,
            job.rig.calibration,
            lambda reader: complete_header(job.about, reader),
            job.out,
            checked=job.checked,
            watch=Watch(stopped, ask, tell, guide=show),
        )


def _say_end(recorded: Recorded) -> None:
    done = recorded.progress
    say(f"{done.samples} samples, {done.seconds:.1f} s; ended: {recorded.reason}")
    say(recorded.path)
    if recorded.failed:
        say(f"pressrig: {recorded.reason}; what came before is kept", err=True)
        raise click.exceptions.Exit(FAILED)
    if recorded.reason.startswith("stopped"):
        raise click.exceptions.Exit(NOT_DONE)
