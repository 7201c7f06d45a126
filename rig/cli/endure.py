"""`pressrig endure`: squeeze a specimen many times, and watch how it recovers."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.attending import have_cautions_read, must_hold_for
from rig.cli.options import folder_option, read_conditions, read_quantity, specimen_options
from rig.cli.ordering import FAILED, NOT_DONE, absolute_port, meant_rig, order_through_daemon
from rig.cli.output import say
from rig.cli.starting import say_how_it_stands
from rig.core import read_text
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.capture import CaptureHeader
    from rig.jobs import Progress
    from rig.jobs.orders import EnduranceOrder
    from rig.methods import CheckedPlan
    from rig.reader import Reader
    from rig.rigfile import RigFile


def _renamed(context: click.Context, option: click.Parameter, given: bool) -> None:
    del context, option
    if given:
        raise InputError("--take-up: is now called --resume")


@click.command("endure")
@click.argument("plan_file", metavar="PLAN", type=click.Path(path_type=Path))
@click.option("--rig", "rig_file", required=True, type=click.Path(path_type=Path), help="The rig's file.")
@click.option("--port", metavar="PATH", help="Port to open instead of the rig file's.")
@click.option(
    "--stiffness", metavar="Q", help='Largest stiffness expected, "40 N/mm", instead of the plan\'s.'
)
@click.option("--check-only", is_flag=True, help="Say what would happen, and move nothing.")
@click.option("--cautions-read", is_flag=True, help="The cautions have been read and hold; do not ask.")
@click.option("--resume", is_flag=True, help="PLAN is a capture whose run was cut short: resume it.")
@click.option("--take-up", is_flag=True, hidden=True, is_eager=True, expose_value=False, callback=_renamed)
@specimen_options()
@folder_option("Folder that the capture is made in.")
def command(
    plan_file: Path,
    *,
    rig_file: Path,
    port: str | None,
    stiffness: str | None,
    check_only: bool,
    cautions_read: bool,
    resume: bool,
    specimen: str | None,
    batch: str | None,
    free_height: str | None,
    area: str | None,
    operator: str | None,
    notes: str,
    conditions: tuple[str, ...],
    out: Path,
) -> None:
    """Run PLAN, a YAML file such as those in configs/endurance, on a driven rig.

    It is done by the daemon that holds the rig, or alone where none is up. Ctrl-C halts the platen and ends
    the capture; its path is the last line printed. With --resume, count and datum are made certain first,
    and a touch must find the specimen where it was.
    """
    from rig.jobs.endurance import order_of
    from rig.jobs.orders import EnduranceOrder, specimen_card
    from rig.methods import describe
    from rig.rigfile import read_rig_file

    rig = read_rig_file(rig_file)
    if resume:
        order = order_of(plan_file)
    else:
        if specimen is None:
            raise InputError("--specimen is missing: which piece is it?")
        card = specimen_card(
            specimen=specimen,
            batch=batch,
            free_height_mm=read_quantity("--free-height", free_height, "mm"),
            area_mm2=read_quantity("--area", area, "mm^2"),
            stiffness_n_per_mm=read_quantity("--stiffness", stiffness, "N/mm"),
            operator=operator,
            notes=notes,
            conditions=read_conditions(conditions),
        )
        order = EnduranceOrder(text=_text_of(plan_file), source=str(plan_file), card=card)
    checked = _checked(rig, order)
    for line in describe(checked.method):
        say(line)
    if check_only:
        return
    say_how_it_stands(rig)
    cautions = have_cautions_read(meant_rig(rig, port), operator, already=cautions_read)
    order = order.model_copy(update={"cautions_read": True})
    code = None if resume else order_through_daemon(meant_rig(rig, port), order)
    if code is None:
        about = _about(rig, order, checked)
        confirmed = partial(must_hold_for, cautions, already=cautions_read)
        capture = plan_file if resume else None
        code = _alone(rig, port, checked, about, out=out, resumed=capture, confirmed=confirmed)
    raise click.exceptions.Exit(code)


# a run that is resumed knows its specimen
next(option for option in command.params if option.name == "specimen").required = False


def _text_of(path: Path) -> str:
    from rig.methods import read_plan

    read_plan(path)  # the refusal of a wrong file names it
    return read_text(path)


def _checked(rig: RigFile, order: EnduranceOrder) -> CheckedPlan:
    """The plan, checked.

    Raises
    ------
    InputError
        If this rig or this specimen does not allow it.
    """
    from rig.jobs.job import facts_of
    from rig.methods import check_plan, parse_plan

    if rig.limits is None:
        raise InputError(f"rig {rig.name}: no `drive:` section; its platen does not move by itself")
    return check_plan(parse_plan(order.text, order.source), rig.limits, facts_of(order.card))


def _about(rig: RigFile, order: EnduranceOrder, checked: CheckedPlan) -> CaptureHeader:
    from rig.jobs.heading import header_about
    from rig.methods import ENDURANCE_KIND

    method = {
        "kind": ENDURANCE_KIND,
        "goes_on": checked.plan.goes_on,
        "file": order.source,
        "text": order.text,
        "stiffness_n_per_mm": order.card.stiffness_n_per_mm,
    }
    return header_about(order.card, rig, method)


def _alone(
    rig: RigFile,
    port: str | None,
    checked: CheckedPlan,
    about: CaptureHeader,
    *,
    out: Path,
    resumed: Path | None,
    confirmed: Callable[[Reader], None],
) -> int:
    from rig.cli.logs import log_to_file
    from rig.cli.output import progress
    from rig.cli.stopping import stop_on_signals
    from rig.jobs import Watch
    from rig.jobs.endurance import perform_endurance
    from rig.jobs.heading import complete_header
    from rig.reader import Reader

    reader = Reader(rig.address(absolute_port(port)), rig.wire, rate_hz=rig.rate_hz)
    wanted = checked.plan.until.cycles
    time_s = checked.method.time_s
    with (
        log_to_file(),
        stop_on_signals() as stopped,
        progress(checked.plan.name, wanted or time_s) as show,
        reader,
    ):
        confirmed(reader)

        def tell(step: str, done: Progress) -> None:
            show(
                done.cycles if wanted else done.seconds, f"{step}, {done.cycles} cycles{_left(done, wanted)}"
            )

        result = perform_endurance(
            reader,
            rig.calibration,
            lambda reader: complete_header(about, reader),
            out,
            checked=checked,
            watch=Watch(stopped, lambda text: None, tell),
            take_up=resumed,
        )
    doubtful = f", {result.doubtful} cut short and not counted" if result.doubtful else ""
    unsure = "" if result.exact else "; some may have gone unheard before a reset"
    say(f"{result.done} cycles{doubtful}{unsure}; ended: {result.reason}")
    say(result.path)
    if result.failed:
        say(f"pressrig: {result.reason}; what came before is kept", err=True)
        return FAILED
    return NOT_DONE if result.reason.startswith("stopped") else 0


def _left(done: Progress, wanted: int | None) -> str:
    """Time left, from the mean of the cycles so far."""
    if wanted is None or not done.cycles:
        return ""
    left_s = (wanted - done.cycles) * done.seconds / done.cycles
    hours, minutes = int(left_s // 3600), int(left_s % 3600 // 60)
    return f", {hours} h {minutes} min left" if hours else f", {minutes} min {left_s % 60:.0f} s left"
