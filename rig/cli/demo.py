"""`pressrig demo`: the whole way from serial bytes to a comparison, on the virtual rig.

Each float is squeezed by a virtual rig behind a real pseudo-terminal, recorded by the same functions as
`pressrig record` and measured by those of `pressrig analyse`. Device time runs faster than the wall's, so
minutes of squeezing take seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.analyse import Asked, analyse_capture, print_result, write_results
from rig.cli.options import DEFAULT_FOLDER
from rig.cli.output import console, is_plain, progress
from rig.cli.record import complete_header
from rig.cli.simulate import refuse_windows
from rig.cli.stopping import stop_on_signals
from rig.errors import DeviceError

if TYPE_CHECKING:
    from rich.table import Table

    from rig.analyser import CaptureResult
    from rig.virtual import Specimen

FREE_HEIGHT_MM = 90.0
AREA_MM2 = 3000.0
"""Of the net float F-90 under the platen; invented, as all numbers of the demonstration."""

DEPTH_MM = 38.0
"""Past 40 % of the free height, also for a float that loses some height while it is squeezed."""

SPEED_MM_PER_S = 25.0
CYCLES = 5
DWELL_S = 62.0
"""Long enough for the force left after a minute."""

SPEED_UP = 50.0
"""Device time against wall time: seconds in all, and little is recorded past the last cycle."""

DEPTHS = "10%,25%,40%"
COMPARED = (
    ("secant_n_per_mm", "secant"),
    ("at 25%.loading_n", "force at 25%"),
    ("hysteresis_pct", "hysteresis"),
    ("set_mm", "set"),
)


@dataclass(frozen=True, slots=True)
class _Float:
    """One float, what has become of it, and how it is squeezed."""

    name: str
    batch: str
    state: str
    kind: str
    stiffer: float = 1.0
    cycles: int = CYCLES
    dwell_s: float = 0.0


FLOATS = (
    _Float("S1", "spring", "new", "foam"),
    _Float("S2", "spring", "abused", "foam-abused"),
    _Float("A1", "autumn", "new", "foam-soft"),
    _Float("A2", "autumn", "new", "foam-soft", stiffer=1.04),
)
HELD = _Float("A3", "autumn", "new", "foam-soft", stiffer=0.98, cycles=1, dwell_s=DWELL_S)
"""Squeezed once and held, so that relaxation is seen; unlike the others, so it is not compared with them."""


@click.command("demo")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=DEFAULT_FOLDER / "demo",
    show_default=True,
    help="Folder for captures, tables and plots.",
)
def command(*, out: Path) -> None:
    """Squeeze moulded net floats of two batches on the virtual rig, and compare them."""
    refuse_windows()
    from rig.sheets import save_comparison

    click.echo(
        "A virtual rig squeezes net floats F-90 from a spring and an autumn mould. All numbers are invented."
    )
    click.echo()
    measured = [(each, _measure(each, out)) for each in FLOATS]
    _measure(HELD, out)
    console().print(_comparison(measured))
    plot = out / "comparison.png"
    save_comparison(
        [(f"{each.name} {each.batch}, {each.state}", result) for each, result in measured],
        "Net floats F-90 (invented numbers)",
        plot,
    )
    click.echo()
    click.echo(f"All numbers are invented. Captures, tables and plots are in {out}; begin with {plot}")


def _measure(each: _Float, out: Path) -> CaptureResult:
    """Record one float, print what it is like, and write its tables and plots."""
    path = _record(each, out)
    capture, result = analyse_capture(path, Asked(at=DEPTHS))
    print_result(path, capture, result)
    write_results(path.name, result, out)
    return result


def _record(each: _Float, out: Path) -> Path:
    """Squeeze one float in a virtual rig on a pseudo-terminal, and record it."""
    from rig.calibration import Calibration, Scale
    from rig.capture import CaptureHeader
    from rig.daemon import Progress, StopRule, record
    from rig.reader import PortAddress, Reader
    from rig.virtual import FIRST_CONTACT_MM, Chain, VirtualPort, VirtualRig

    specimen, chain = _specimen(each), Chain()
    rig = VirtualRig(
        specimen,
        cycles=each.cycles,
        depth_mm=DEPTH_MM,
        speed_mm_per_s=SPEED_MM_PER_S,
        dwell_s=each.dwell_s,
        rest_s=2.0,
        chain=chain,
        seed=FLOATS.index(each) if each in FLOATS else len(FLOATS),
        # All stand on the same lower platen: a float that has lost height is touched later.
        contact_mm=FIRST_CONTACT_MM + FREE_HEIGHT_MM - specimen.height_mm,
    )
    calibration = Calibration(Scale(chain.force_n_per_count), Scale(chain.position_mm_per_count))
    about = CaptureHeader(
        specimen=each.name,
        batch=each.batch,
        free_height_mm=FREE_HEIGHT_MM,
        area_mm2=AREA_MM2,
        notes=f"{each.state}; a virtual rig, all numbers invented",
        rig={"name": "virtual"},
        calibration=calibration.as_dict(),
    )
    with (
        stop_on_signals() as stopped,
        VirtualPort(rig, speed_up=SPEED_UP) as port,
        progress(f"squeezing {each.name}", each.cycles) as show,
    ):

        def on_progress(done: Progress) -> None:
            show(done.cycles, f"{done.seconds:.0f} s of squeezing, {done.cycles} cycles")

        recorded = record(
            Reader(PortAddress(path=port.path), "framed"),
            calibration,
            partial(complete_header, about),
            out,
            stop=StopRule(cycles=each.cycles),
            stopped=stopped,
            on_progress=on_progress,
        )
    if recorded.failed:
        raise DeviceError(f"{recorded.path}: {recorded.reason}")
    if stopped.is_set():
        raise KeyboardInterrupt
    return recorded.path


def _specimen(each: _Float) -> Specimen:
    from rig.virtual import Foam, specimen_named

    specimen = specimen_named(each.kind)
    assert isinstance(specimen, Foam)
    return replace(specimen, curve=specimen.curve.scaled(each.stiffer))


def _comparison(measured: list[tuple[_Float, CaptureResult]]) -> Table:
    """One row a float: its last unflagged cycle, with uncertainties in the short form, 12.345(12)."""
    from rich import box
    from rich.table import Table

    from rig.sheets import quantity

    table = Table(
        title="Floats compared at their last cycle; brackets: standard uncertainty of last digits",
        box=None if is_plain() else box.SIMPLE_HEAD,
        title_justify="left",
        pad_edge=False,
        collapse_padding=True,
    )
    for heading in ("float", "batch", "state"):
        table.add_column(heading)
    for name, heading in COMPARED:
        table.add_column(f"{heading}\n{quantity(name).unit}", justify="right")
    for each, result in measured:
        cells = [_with_uncertainty(result, name) for name, _ in COMPARED]
        table.add_row(each.name, each.batch, each.state, *cells)
    return table


def _with_uncertainty(result: CaptureResult, name: str) -> str:
    from rig.analyser import good_cycles
    from rig.sheets.tables import rounded

    good = good_cycles(result.columns, 0)
    if not good.any():
        return "-"
    value, u = (float(result.columns[each][good][-1]) for each in (name, f"{name}_u"))
    return f"{rounded(value, u)}({rounded(u, u).lstrip('0.')})"
