"""`pressrig record`: presses from a rig into a capture."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.capture import CaptureHeader
from rig.cli.logs import log_to_file
from rig.cli.options import (
    NumberRange,
    folder_option,
    port_option,
    rig_option,
    sense_and_zero_options,
    specimen_options,
)
from rig.cli.output import progress, say
from rig.cli.performing import ending_words, say_failure
from rig.cli.starting import reader_of, say_how_it_stands
from rig.cli.stopping import stop_on_signals
from rig.core import counted
from rig.errors import InputError
from rig.jobs import Bench, Progress, StopRule, Watch, record
from rig.jobs.cautions import SHORT_CAUTION, SHORT_HAND_CAUTION
from rig.jobs.heading import complete_header
from rig.rigfile import read_rig_file

if TYPE_CHECKING:
    from rig.samples import Sense

RATE_FACTOR = 1.5
"""Converters run some tenths fast or slow; a wrong strap is a factor of eight."""


@click.command("record")
@rig_option()
@port_option()
@click.option(
    "--seconds", type=NumberRange(0, min_open=True), metavar="S",
    help="Stop after this time, by the device's clock.",
)  # fmt: skip
@click.option("--cycles", type=click.IntRange(1), metavar="N", help="Stop after this number of cycles.")
@specimen_options()
@sense_and_zero_options
@folder_option("Folder for the capture.")
def command(
    rig_file: Path,
    *,
    port: str | None,
    seconds: float | None,
    cycles: int | None,
    sense: Sense | None,
    out: Path,
    **header: Any,
) -> None:
    """Record from a rig until --seconds or --cycles is reached, or until Ctrl-C.

    The capture is closed properly in each case. The last line printed is its path.
    """
    if seconds is not None and cycles is not None:
        raise InputError("--seconds and --cycles: found both, expected at most one")
    rig = read_rig_file(rig_file)
    about = CaptureHeader(
        **header,
        sense=sense or rig.sense,
        rig=dict(rig.source),
        calibration=rig.calibration.as_dict(),
        warnings=say_how_it_stands(rig),
    )
    reader = reader_of(rig, port)
    kinds = reader.empty()
    calibrated = rig.calibration.covers(kinds.force_channel, kinds.position_channel)
    for channel, known in zip(("force", "position"), calibrated, strict=True):
        if not known:
            say(f"pressrig: {channel} is not calibrated, so raw counts are recorded", err=True)
    say(f"caution: {SHORT_HAND_CAUTION if rig.limits is None else SHORT_CAUTION}", err=True)
    with (
        log_to_file(),
        stop_on_signals(suspends=False) as stopped,
        progress("recording", seconds or cycles) as show,
    ):

        def tell(_: str, done: Progress) -> None:
            note = f"{done.seconds:.1f} s, {done.samples} samples, {counted(done.cycles, 'cycle')}"
            show(done.cycles if cycles else done.seconds, note)

        bench = Bench(reader, rig, out, Watch(stopped, ask=say, tell=tell))
        recorded = record(bench, partial(complete_header, about), StopRule(seconds, cycles))
    done = recorded.progress
    pressed = counted(done.cycles, "cycle")
    say(f"{done.samples} samples, {done.seconds:.1f} s, {pressed}{ending_words(recorded)}")
    say(recorded.path)
    stated, found = rig.limits and rig.limits.conversions_per_s, recorded.conversions_per_s
    if stated and found and not 1 / RATE_FACTOR < found / stated < RATE_FACTOR:
        say(
            f"pressrig: the force converter gives {found:.2g} new readings/s; drive.conversions_per_s in "
            f"the rig file says {stated:g}. Move nothing yet: force trips would be late or false. Set the "
            "amplifier's rate strap, or correct the rig file and the firmware's AMPLIFIER_PER_S.",
            err=True,
        )
    if recorded.failed:
        say_failure(recorded)
        raise click.exceptions.Exit(3)
