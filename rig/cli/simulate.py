"""`pressrig simulate`: a virtual rig on a pseudo-terminal, for trying things out without a press.

The rig is served in a thread while the main one waits for a signal, so that the link to the
pseudo-terminal is removed however the command is ended, short of a kill.
"""

from __future__ import annotations

import os
import re
import shlex
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from functools import partial
from pathlib import Path
from typing import Any

import click

from rig import virtual
from rig.cli.options import FILE, PATH, quantity_option, renamed_option
from rig.cli.output import say
from rig.cli.stopping import stop_on_signals
from rig.cli.typed_orders import TypedOrders
from rig.errors import InputError
from rig.reader import MOST_CHANNELS, complaint_about_channel
from rig.rigfile import read_rig_file
from rig.wire import LineFormat

DEFAULT_LINK = Path("/tmp/pressrig-virtual")
"""The port in configs/rigs/virtual.yaml and lines.yaml."""

RIG_FILES = {"framed": Path("configs/rigs/virtual.yaml"), "lines": Path("configs/rigs/lines.yaml")}

USUAL_TRAVEL_MM = 112.0
"""Of a drive that may be left as it is from specimen to specimen; the travel in configs/rigs/virtual.yaml
lies within."""

FORCE_UNITS = ("N", "mN", "kN")
NO_COUNT = 2**31
"""A count has 32 bits with its sign."""

_CHANNEL = re.compile(
    r"(?P<name>[^=\s]{1,24})=\s*(?P<value>[-+]?\d+(\.\d*)?)\s*(?P<unit>[\x21-\x7e]{1,8})", re.ASCII
)

LOOK_S = 0.1
"""How often the main thread looks whether it is to stop: soon enough for a person."""


class _WithNames(click.Command):
    """Lists specimens and faults below its help; they are imported only when somebody asks."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        if os.name != "nt":
            # One name a line: wrapped text would break names at their hyphens.
            for heading, names in (("Specimens", virtual.SPECIMEN_NAMES), ("Faults", virtual.FAULT_NAMES)):
                with formatter.section(heading):
                    formatter.write_text("\b\n" + "\n".join(names))
        super().format_epilog(ctx, formatter)


@click.command("simulate", cls=_WithNames, epilog="All numbers of the specimens are invented.")
@click.option(
    "--link", type=PATH, default=DEFAULT_LINK, show_default=True,
    help="Symbolic link to make to the pseudo-terminal.",
)  # fmt: skip
@click.option("--format", "wire", type=click.Choice(["framed", "lines"]), default="framed", show_default=True)
@click.option("--rig", "rig_file", type=FILE, help="Send what this rig file describes, instead of --format.")
@click.option(
    "--rate", "rate_hz", type=float, default=500.0, show_default=True, metavar="HZ",
    help="Samples per second.",
)  # fmt: skip
@click.option(
    "--specimen", default="foam", show_default=True, metavar="NAME", help="The specimen in the rig."
)
@click.option("--cycles", type=int, default=5, show_default=True, metavar="N", help="Number of squeezes.")
@click.option(
    "--depth", "depth_mm", type=float, default=10.0, show_default=True, metavar="MM",
    help="Depth past contact.",
)  # fmt: skip
@click.option(
    "--gap", "gap_mm", type=float, default=2.0, show_default=True, metavar="MM",
    help="Clearance between squeezes; negative to stay in contact.",
)  # fmt: skip
@quantity_option("--speed", "speed_mm_per_s", "Platen speed.", default="10 mm/s")
@renamed_option("--dwell", "--hold")
@click.option(
    "--hold", "hold_s", type=float, default=0.0, show_default=True, metavar="S", help="Hold time at depth."
)
@click.option(
    "--motion", type=click.Choice(["driven", "hand", "sine", "commanded"]), default="driven",
    show_default=True, help="Steady, uneven like a hand, a sine, or only what the host commands.",
)  # fmt: skip
@quantity_option("--contact", "contact_mm", 'Contact position from home, "20 mm".')
@quantity_option("--drive-speed", "top_speed_mm_per_s", 'Top speed of the drive, "100 mm/s".')
@quantity_option("--drive-acceleration", "acceleration_mm_per_s2", 'Acceleration of the drive, "200 mm/s^2".')
@quantity_option("--drive-travel", "travel_mm", "Travel of the drive.  [default: to suit the specimen]")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True, metavar="N")
@click.option(
    "--speed-up", type=float, default=1.0, show_default=True, metavar="X",
    help="Times faster than real time; inf for as fast as the host reads.",
)  # fmt: skip
@click.option("--fault", "faults", multiple=True, metavar="NAME", help="Fault to inject; repeatable.")
@click.option(
    "--control", type=PATH, help="Socket for orders such as `stop open` or `reset external`, one per line."
)
@click.option(
    "--channel", "channels", multiple=True, metavar="NAME=Q",
    help='Channel beside force and position, "air_pressure=101.3 kPa"; repeatable. In N, mN or kN it is a '
        "further force.",
)  # fmt: skip
@click.option("--talk-only", is_flag=True, help="Send frames unasked, and ignore what the host sends.")
@click.option("--truth", type=FILE, help="JSON file for the true values of the run.")
def command(
    *,
    link: Path,
    wire: str,
    rig_file: Path | None,
    specimen: str,
    cycles: int,
    motion: str,
    contact_mm: float | None,
    top_speed_mm_per_s: float | None,
    acceleration_mm_per_s2: float | None,
    travel_mm: float | None,
    speed_up: float,
    control: Path | None,
    channels: tuple[str, ...],
    talk_only: bool,
    truth: Path | None,
    **squeezes: Any,
) -> None:
    """Run a virtual rig until Ctrl-C. It starts to squeeze when a host asks for samples.

    Type orders to do what a hand would do at the rig, one per line: `specimen none` clears the platens of a
    commanded rig, `specimen new` puts one back, `stop open` opens the emergency stop, and so on. Any other
    line lists the orders.
    """
    refuse_windows()

    if truth is not None and not truth.resolve().parent.is_dir():
        raise InputError(f"--truth {truth}: there is no folder {truth.parent}; make it first")
    lying = virtual.specimen_named(specimen)
    line_format = _line_format(wire, rig_file)
    if channels and (line_format is not None or talk_only):
        raise InputError("--channel: only a device that speaks and hears frames describes its channels")
    contact_mm = contact_mm or virtual.FIRST_CONTACT_MM
    usual = virtual.DriveSettings()
    drive = virtual.DriveSettings(
        travel_mm=travel_mm or max(contact_mm + lying.height_mm, USUAL_TRAVEL_MM),
        top_speed_mm_per_s=top_speed_mm_per_s or usual.top_speed_mm_per_s,
        acceleration_mm_per_s2=acceleration_mm_per_s2 or usual.acceleration_mm_per_s2,
    )
    rig = virtual.VirtualRig(
        lying,
        cycles=cycles,
        motion="driven" if motion == "commanded" else motion,  # type: ignore[arg-type]  # one of the choices
        scripted=motion != "commanded",
        line_format=line_format,
        talk_only=talk_only,
        contact_mm=contact_mm,
        drive=drive,
        channels=_channels(channels),
        **squeezes,
    )
    with (
        stop_on_signals(suspends=False) as stopped,
        nullcontext() if control is None else virtual.OrderSocket(rig, control),
    ):
        port = virtual.VirtualPort(rig, link, speed_up)
        at = "" if link == DEFAULT_LINK else f" --port {shlex.quote(str(link.absolute()))}"
        described = shlex.quote(str(rig_file or RIG_FILES[wire]))
        order, end = "record", f" --cycles {cycles}"
        if motion == "commanded":  # it moves for a method only
            order, end = "run configs/methods/plain_squeeze.yaml", ' --free-height "90 mm"'
        say(
            f"Virtual rig at {link}; Ctrl-C ends it. In another terminal: pressrig {order} --rig "
            f"{described}{at} --specimen float-1{end}"
        )
        _serve(port, rig, stopped, truth)


def _line_format(wire: str, rig_file: Path | None) -> LineFormat | None:
    """Of the lines to print; None for frames."""
    if rig_file is not None:
        described = read_rig_file(rig_file).wire
        return described if isinstance(described, LineFormat) else None
    return LineFormat() if wire == "lines" else None


def _channels(texts: tuple[str, ...]) -> list[virtual.VirtualChannel]:
    """Return the channels asked for, each with a value that stays.

    Raises InputError if a text is not a name, a number and a unit, or no host would take such a channel.
    """
    if len(texts) > MOST_CHANNELS:
        raise InputError(f"--channel: found {len(texts)}, expected at most {MOST_CHANNELS}")
    made: list[virtual.VirtualChannel] = []
    for text in texts:
        found = _CHANNEL.fullmatch(text)
        if found is None:
            raise InputError(
                f'--channel {text!r}: expected a name, a number and a unit, as in "force_2=3 N"; at most '
                "24 characters of the name, and 8 of the unit"
            )
        value = float(found["value"])
        force = found["unit"] in FORCE_UNITS
        exponent = -3 if force else -2
        if abs(value) >= NO_COUNT * 10.0**exponent:
            raise InputError(f"--channel {text!r}: the number does not fit into a count of 1e{exponent}")
        channel = virtual.VirtualChannel(
            found["name"], found["unit"], partial(_steady, value), force=force, exponent=exponent
        )
        complaint = complaint_about_channel(
            channel.told(len(made) + 1), [before.told(number) for number, before in enumerate(made, start=1)]
        )
        if complaint is not None:
            raise InputError(f"--channel {text!r}: a host refuses it: {complaint}")
        made.append(channel)
    return made


def _steady(value: float, _time_s: float) -> float:
    return value


def refuse_windows() -> None:
    """A virtual rig needs a system with pseudo-terminals.

    Raises
    ------
    InputError
        On Windows.
    """
    if sys.platform == "win32":
        raise InputError(
            "the virtual rig does not run on Windows: use Linux, macOS or WSL, or `pressrig record` with "
            "a rig"
        )


def _serve(
    port: virtual.VirtualPort, rig: virtual.VirtualRig, stopped: threading.Event, truth: Path | None
) -> None:
    """Serve until stopped; the truth is written as soon as the run is over, or at the end."""
    typed = TypedOrders(rig)
    with ThreadPoolExecutor(1, "virtual-rig") as pool:
        serving = pool.submit(port.serve)
        try:
            while not (stopped.is_set() or serving.done()):
                if truth is not None and rig.script_over:
                    _write_truth(rig, truth)
                    truth = None
                typed.obey_within(LOOK_S)
        finally:
            port.stop()
        serving.result()
    if truth is not None:
        _write_truth(rig, truth)


def _write_truth(rig: virtual.VirtualRig, path: Path) -> None:
    try:
        path.write_text(rig.truth.to_json() + "\n", encoding="utf-8")
    except OSError as problem:
        raise InputError(f"--truth {path}: cannot be written ({problem.strerror})") from None
