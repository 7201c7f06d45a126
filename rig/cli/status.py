"""`pressrig status`: how a rig stands that a daemon holds."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.options import port_option, rig_option
from rig.cli.ordering import cycles_of, named_rig
from rig.cli.output import json_option, print_json, say, time_left
from rig.daemon import ControlClient, NoDaemonError
from rig.daemon.socket_place import held_by, sockets_there
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.daemon.bulletin import JobCard, RigStatus
    from rig.jobs.orders import HeightCard

NO = 1
"""Exit code for an answer that is no."""


@click.command("status")
@rig_option("Rig file of the only rig to show.", required=False)
@port_option("With --rig: only the rig of that name on this port.")
@json_option
def command(rig_file: Path | None, *, port: str | None, as_json: bool) -> None:
    """Show what each rig that you serve is doing, as its daemon reports it.

    The exit code is 1 if no daemon is running. With --json, several rigs are a list.
    """
    statuses = _statuses(rig_file, port)
    if as_json:
        documents = [status.model_dump(mode="json") for status in statuses]
        print_json(documents[0] if len(documents) == 1 else documents or None)
    elif not statuses:
        say("no daemon is running; start one with `pressrig serve`")
    else:
        say("\n\n".join("\n".join(in_words(status)) for status in statuses))
    if not statuses:
        raise click.exceptions.Exit(NO)


def _statuses(rig_file: Path | None, port: str | None) -> list[RigStatus]:
    if port is not None and rig_file is None:
        raise InputError("--port: belongs to --rig")
    wanted = None if rig_file is None else named_rig(rig_file, port)
    found = []
    for path in sockets_there():
        held = held_by(path)
        if wanted is None or (held is not None and wanted.means(held)):
            with suppress(NoDaemonError), ControlClient(path) as daemon:
                found.append(daemon.status())
    return found


def in_words(status: RigStatus) -> Iterator[str]:
    """Yield a status as lines of text."""
    arming = "ARMED, the platen may move" if status.armed else "not armed"
    if status.device is None and status.limits is not None:
        arming = "not known whether armed: treat it as armed"
    yield f"{status.rig} at {status.port}: {status.state}, {arming}"
    if status.force_n is not None and status.position_mm is not None:
        yield f"force {status.force_n:.2f} N, position {status.position_mm:.3f} mm"
    if status.samples_per_s is not None:
        yield f"{status.samples_per_s:.0f} samples/s, {status.samples_lost} lost"
    device = status.device
    if device is not None:
        way = "drives its platen" if device.drives else "moved by hand"
        homed = ", homed" if device.homed else ""
        latched = "" if device.stop_cause is None else f", stop latched: {device.stop_cause}"
        yield f"{device.name} {device.firmware}, {way}{homed}{latched}"
        if device.switches is not None:
            current = "on" if device.motor_current else "off"
            yield f"{', '.join(device.switches) or 'no switch pressed'}; motor current {current}"
    if status.limits is not None:
        limits = status.limits
        yield (
            f"limits {limits.min_force_n:g} to {limits.max_force_n:g} N, "
            f"{limits.min_travel_mm:g} to {limits.max_travel_mm:g} mm, {limits.speed_mm_per_s:g} mm/s"
        )
    if status.job is not None:
        yield from _job_in_words(status.job)
    elif status.last is not None:
        last = status.last
        yield f"last job {last.number}: {last.name}, {cycles_of(last)}; ended: {last.reason}"
        if last.height is not None:
            yield from _height_in_words(last.height)
        if last.capture is not None:
            yield last.capture
    for warning in status.warnings:
        yield f"warning: {warning}"


def _job_in_words(job: JobCard) -> Iterator[str]:
    yield f"job {job.number}: {job.name} on {job.specimen}"
    yield f"{job.elapsed_s:.0f} s, {cycles_of(job, job.cycles_wanted)}{time_left(job.left_s)}"
    if job.step:
        yield job.step
    if job.asks is not None:
        yield f"by hand: {job.asks}"
    if job.capture is not None:
        yield job.capture


def _height_in_words(height: HeightCard) -> Iterator[str]:
    for line in height.heights:
        at = f"at {line.force_n:g} N" if line.force_n else "without load, extrapolated"
        unsure = "" if line.u_mm is None else f", u {line.u_mm:.2g} mm"
        yield f"height of {height.specimen} {at}: {line.height_mm:.4f} mm{unsure}"
    if not height.heights:
        yield from height.notes
