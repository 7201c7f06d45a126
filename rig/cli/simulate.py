"""`pressrig simulate`: a virtual rig on a pseudo-terminal, for trying things out without a press.

The rig is served in a thread while the main one waits for a signal, so that the link to the
pseudo-terminal is removed however the command is ended, short of a kill.
"""

from __future__ import annotations

import os
import shlex
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.options import read_quantity
from rig.cli.stopping import stop_on_signals
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.virtual import VirtualPort, VirtualRig

DEFAULT_LINK = Path("/tmp/pressrig-virtual")
"""The port in configs/rigs/virtual.yaml and lines.yaml."""

LOOK_S = 0.1
"""How often the main thread looks whether it is to stop: soon enough for a person."""


class _WithNames(click.Command):
    """Lists specimens and faults below its help; they are imported only when somebody asks."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        if os.name != "nt":
            from rig.virtual import FAULT_NAMES, SPECIMEN_NAMES

            # One name a line: wrapped text would break names at their hyphens.
            for heading, names in (("Specimens", SPECIMEN_NAMES), ("Faults", FAULT_NAMES)):
                with formatter.section(heading):
                    formatter.write_text("\b\n" + "\n".join(names))
        super().format_epilog(ctx, formatter)


@click.command("simulate", cls=_WithNames, epilog="All numbers of the specimens are invented.")
@click.option(
    "--link",
    type=click.Path(path_type=Path),
    default=DEFAULT_LINK,
    show_default=True,
    help="Symbolic link to make to the pseudo-terminal.",
)
@click.option("--format", "wire", type=click.Choice(["framed", "lines"]), default="framed", show_default=True)
@click.option(
    "--rate", "rate_hz", type=float, default=500.0, show_default=True, metavar="HZ", help="Samples a second."
)
@click.option("--specimen", default="foam", show_default=True, metavar="NAME", help="What lies in the rig.")
@click.option("--cycles", type=int, default=5, show_default=True, metavar="N", help="Number of squeezes.")
@click.option(
    "--depth", "depth_mm", type=float, default=10.0, show_default=True, metavar="MM", help="Past contact."
)
@click.option(
    "--gap",
    "gap_mm",
    type=float,
    default=2.0,
    show_default=True,
    metavar="MM",
    help="Clearance between squeezes; a negative one never lets go.",
)
@click.option("--speed", default="10 mm/s", show_default=True, metavar="Q", help="Of the platen.")
@click.option(
    "--dwell", "dwell_s", type=float, default=0.0, show_default=True, metavar="S", help="Stop at depth."
)
@click.option(
    "--motion",
    type=click.Choice(["driven", "hand", "sine", "commanded"]),
    default="driven",
    show_default=True,
    help="Steady, uneven as by hand, a sine, or nothing but what the host commands.",
)
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True, metavar="N")
@click.option(
    "--speed-up",
    type=float,
    default=1.0,
    show_default=True,
    metavar="X",
    help="So many times faster than real time; inf for as fast as the host reads.",
)
@click.option("--fault", "faults", multiple=True, metavar="NAME", help="Trouble to make; repeatable.")
@click.option("--talk-only", is_flag=True, help="Send frames unasked, and never listen.")
@click.option(
    "--truth", type=click.Path(path_type=Path, dir_okay=False), help="File for the run's truth, as JSON."
)
def command(
    *,
    link: Path,
    wire: str,
    rate_hz: float,
    specimen: str,
    cycles: int,
    depth_mm: float,
    gap_mm: float,
    speed: str,
    dwell_s: float,
    motion: str,
    seed: int,
    speed_up: float,
    faults: tuple[str, ...],
    talk_only: bool,
    truth: Path | None,
) -> None:
    """Serve a virtual rig until Ctrl-C. It squeezes its specimen once a host asks for samples."""
    refuse_windows()
    from rig.virtual import VirtualPort, VirtualRig, specimen_named
    from rig.wire import LineFormat

    if truth is not None and not truth.resolve().parent.is_dir():
        raise InputError(f"--truth {truth}: there is no folder {truth.parent}; make it first")
    speed_mm_per_s = read_quantity("--speed", speed, "mm/s")
    assert speed_mm_per_s is not None
    rig = VirtualRig(
        specimen_named(specimen),
        rate_hz=rate_hz,
        cycles=cycles,
        depth_mm=depth_mm,
        gap_mm=gap_mm,
        speed_mm_per_s=speed_mm_per_s,
        dwell_s=dwell_s,
        motion="driven" if motion == "commanded" else motion,  # type: ignore[arg-type]  # one of the choices
        scripted=motion != "commanded",
        seed=seed,
        faults=faults,
        line_format=LineFormat() if wire == "lines" else None,
        talk_only=talk_only,
    )
    with stop_on_signals() as stopped:
        port = VirtualPort(rig, link, speed_up)
        click.echo(_invitation(link, wire, cycles))
        _serve(port, rig, stopped, truth)


def refuse_windows() -> None:
    """A virtual rig needs a system with pseudo-terminals.

    Raises
    ------
    InputError
        On Windows.
    """
    if sys.platform == "win32":
        raise InputError(
            "the virtual rig needs a pseudo-terminal, which Windows has not: use Linux, macOS or WSL, "
            "or `pressrig record` with a rig"
        )


def _invitation(link: Path, wire: str, cycles: int) -> str:
    rig_file = "configs/rigs/lines.yaml" if wire == "lines" else "configs/rigs/virtual.yaml"
    port = "" if link == DEFAULT_LINK else f" --port {shlex.quote(str(link.absolute()))}"
    return (
        f"Virtual rig at {link}; Ctrl-C ends it. In another terminal: "
        f"pressrig record --rig {rig_file}{port} --specimen float-1 --cycles {cycles}"
    )


def _serve(port: VirtualPort, rig: VirtualRig, stopped: threading.Event, truth: Path | None) -> None:
    """Serve until stopped; the truth is written as soon as the run is over, or at the end."""
    with ThreadPoolExecutor(1, "virtual-rig") as pool:
        serving = pool.submit(port.serve)
        try:
            while not (stopped.is_set() or serving.done()):
                if truth is not None and rig.script_over:
                    _write_truth(rig, truth)
                    truth = None
                time.sleep(LOOK_S)
        finally:
            port.stop()
        serving.result()
    if truth is not None:
        _write_truth(rig, truth)


def _write_truth(rig: VirtualRig, path: Path) -> None:
    try:
        path.write_text(rig.truth.to_json() + "\n", encoding="utf-8")
    except OSError as problem:
        raise InputError(f"--truth {path}: cannot be written ({problem.strerror})") from None
