"""`pressrig status`: how a rig stands that a daemon holds."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.ordering import counted
from rig.cli.output import json_option, print_json, say

if TYPE_CHECKING:
    from rig.daemon.bulletin import HeightCard, JobCard, Status

NO = 1
"""Exit code for an answer that is no."""


@click.command("status")
@click.option(
    "--rig", "rig_file", type=click.Path(path_type=Path), help="The rig's file; needed if several are served."
)
@json_option
def command(rig_file: Path | None, *, as_json: bool) -> None:
    """Say what a rig is doing, as the daemon that holds it sees it. Without a daemon the exit code is 1."""
    from rig.cli.ordering import the_daemon
    from rig.daemon.control import NoDaemonError

    try:
        with the_daemon(rig_file) as daemon:
            status = daemon.status()
    except NoDaemonError as nobody:
        if as_json:
            print_json(None)
        else:
            say(str(nobody))
        raise click.exceptions.Exit(NO) from None
    if as_json:
        print_json(status.model_dump(mode="json"))
        return
    for line in in_words(status):
        say(line)


def in_words(status: Status) -> Iterator[str]:
    """A status as lines of text."""
    yield f"{status.rig} at {status.port}: {status.state}, {_arming_in_words(status)}"
    if status.force_n is not None and status.position_mm is not None:
        yield f"force {status.force_n:.2f} N, position {status.position_mm:.3f} mm"
    if status.samples_per_s is not None:
        yield f"{status.samples_per_s:.0f} samples/s, {status.samples_lost} lost"
    device = status.device
    if device is not None:
        marks = [
            f"{device.name} {device.firmware}",
            "drives its platen" if device.drives else "moved by hand",
        ]
        marks += ["homed"] * bool(device.homed)
        marks += [f"stop latched: {device.stop_cause}"] * (device.stop_cause is not None)
        yield ", ".join(marks)
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
        yield f"last job {last.number}: {last.name}, {last.cycles} {counted(last)}; ended: {last.reason}"
        if last.height is not None:
            yield from _height_in_words(last.height)
        if last.capture is not None:
            yield last.capture
    for warning in status.warnings:
        yield f"warning: {warning}"


def _arming_in_words(status: Status) -> str:
    if status.device is None and status.limits is not None:
        return "not known if armed: treat it as armed"
    if not status.armed:
        return "not armed"
    return "ARMED, the platen may move"


def _job_in_words(job: JobCard) -> Iterator[str]:
    yield f"job {job.number}: {job.name} on {job.specimen}"
    wanted = "" if job.cycles_wanted is None else f" of {job.cycles_wanted}"
    left = "" if job.left_s is None else f", about {job.left_s:.0f} s left"
    yield f"{job.elapsed_s:.0f} s, {job.cycles}{wanted} {counted(job)}{left}"
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
