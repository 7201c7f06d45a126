"""`pressrig demo`: the whole way from serial bytes to a comparison and a design sheet, on the virtual rig.

Each float is squeezed by a virtual rig behind a real pseudo-terminal, recorded by the same functions as
`pressrig record`, and measured, compared and put on a sheet by those of the commands. Device time runs
faster than the wall's, so minutes of squeezing take seconds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig import virtual
from rig.calibration import Calibration, Scale
from rig.capture import CaptureHeader, open_capture
from rig.cli.analyse import print_result, write_results
from rig.cli.options import DEFAULT_FOLDER, FOLDER
from rig.cli.output import console, is_plain, progress, say
from rig.cli.simulate import refuse_windows
from rig.cli.specimens_files import seen_capture
from rig.cli.stopping import stop_on_signals
from rig.core import counted, csv_cell, quantity, rounded
from rig.errors import DeviceError
from rig.jobs import Bench, Progress, StopRule, Watch, record
from rig.jobs.heading import complete_header
from rig.reader import PortAddress, Reader
from rig.register import Register, import_into
from rig.results import DEPTHS, Asked, analyse_capture, pieces_of, pressed_captures, sheet_of, studied
from rig.rigfile import RigFile
from rig.sheets import comparison_answer, empty_table, save_comparison_report, save_design_sheet

if TYPE_CHECKING:
    import threading

    from rich.table import Table

    from rig.population import PieceResult
    from rig.results import PressedPieces

DEPTH_MM = 38.0
"""Past 40 % of the free height, also for a float that loses some height while it is squeezed."""

SPEED_MM_PER_S = 25.0
CYCLES, HELD_CYCLES = 5, 2

SPEED_UP = 100.0
"""Device time against wall time: seconds in all, and little is recorded past the last cycle."""

FORCE = "at 25%.loading_n"
MARGINS = {FORCE: 4.0}
"""The largest difference in force that does not matter to a machine for these floats; invented."""

SHOWN = (
    ("secant_n_per_mm", "secant"),
    (FORCE, "force at 25%"),
    ("hysteresis_pct", "hysteresis"),
    ("set_mm", "set"),
)
REGISTER = "specimens.sqlite"


@click.command("demo")
@click.option(
    "--out", type=FOLDER, default=DEFAULT_FOLDER / "demo", show_default=True,
    help="Folder for captures, tables, plots and the design sheet.",
)  # fmt: skip
def command(*, out: Path) -> None:
    """Squeeze net floats of two batches on the virtual rig, compare them, and write a design sheet."""
    refuse_windows()
    say(
        f"A virtual rig squeezes net floats {virtual.MODEL} from a spring and an autumn mould, three of them "
        "again after long use. All numbers are invented."
    )
    say()
    floats = virtual.floats()
    with stop_on_signals(suspends=False) as stopped, progress("squeezing", len(floats)) as show:
        squeezed = [
            (piece, _record(piece, number, out, stopped, partial(show, number)))
            for number, piece in enumerate(floats)
        ]
    _, first = squeezed[0]
    asked = Asked(at=DEPTHS, contact_force_n=0.2, conditioning=1)
    capture, result = analyse_capture(first, asked, progress=progress)
    print_result(first, capture, result)
    write_results(first.name, result, out)
    held = {path.name for piece, path in squeezed if piece.hold_s}
    pressed, notes = pressed_captures([path for _, path in squeezed], asked, progress=progress)
    pieces = pieces_of([capture for capture in pressed if capture.path.name not in held], notes)
    console().print(_overview(squeezed, pieces))
    _compare(pieces, "batch", [result for result in pieces.results if result.state == "new"], out)
    _compare(pieces, "state", [result for result in pieces.results if result.batch == "spring"], out)
    out.mkdir(parents=True, exist_ok=True)
    with Register(out / REGISTER) as register:
        import_into(register, _table(squeezed), "floats of the demonstration")
        register.link(seen_capture(found, open_capture(found).header) for _, found in squeezed)
    sheet = sheet_of(pressed, notes, register=out / REGISTER, margins=MARGINS)
    say()
    say(f"The design sheet, for any browser: {save_design_sheet(sheet, out / 'sheet')}")
    say(f"All numbers are invented. Captures, tables and plots are in {out}")


def _record(
    piece: virtual.Float, seed: int, out: Path, stopped: threading.Event, show: Callable[[str], None]
) -> Path:
    """Squeeze one float in a virtual rig on a pseudo-terminal, and record it."""
    specimen, chain, cycles = piece.specimen(), virtual.Chain(), HELD_CYCLES if piece.hold_s else CYCLES
    rig = virtual.VirtualRig(
        specimen,
        cycles=cycles,
        depth_mm=DEPTH_MM,
        speed_mm_per_s=SPEED_MM_PER_S,
        hold_s=piece.hold_s,
        rest_s=2.0,
        chain=chain,
        seed=seed,
        # All stand on the same lower platen: a float that has lost height is met later.
        contact_mm=virtual.FIRST_CONTACT_MM + virtual.FREE_HEIGHT_MM - specimen.height_mm,
    )
    calibration = Calibration(Scale(chain.force_n_per_count), Scale(chain.position_mm_per_count))
    rig_file = RigFile("virtual", calibration=calibration, source={"name": "virtual"})
    about = CaptureHeader(
        specimen=piece.name,
        batch=piece.mould.batch,
        free_height_mm=virtual.FREE_HEIGHT_MM,
        area_mm2=virtual.AREA_MM2,
        notes="net float on a virtual rig; all numbers invented",
        conditions={"state": piece.state, "orientation": "on its side", "platen": "flat, 120 mm"}
        | {"position zero": "lower platen"},
        method={"kind": "squeeze and hold" if piece.hold_s else "five squeezes"},
        rig=dict(rig_file.source),
        calibration=calibration.as_dict(),
    )

    def tell(_: str, done: Progress) -> None:
        cycles = counted(done.cycles, "cycle")
        show(f"{piece.name}, {piece.state}: {cycles} in {done.seconds:.0f} s of its time")

    with virtual.VirtualPort(rig, speed_up=SPEED_UP) as port:
        reader = Reader(PortAddress(path=port.path), "framed")
        bench = Bench(reader, rig_file, out, Watch(stopped, ask=click.echo, tell=tell))
        recorded = record(bench, partial(complete_header, about), StopRule(cycles=cycles))
    if recorded.failed:
        raise DeviceError(f"{recorded.path}: {recorded.reason}")
    if stopped.is_set():
        raise KeyboardInterrupt
    return recorded.path


def _overview(squeezed: Sequence[tuple[virtual.Float, Path]], pieces: PressedPieces) -> Table:
    """One row a capture: means over its counted cycles, uncertainties in the short form, 12.345(12)."""
    title = "Mean of each float over its counted cycles (in brackets: u of the last digits)"
    numbers = ("mass\ng", *(f"{heading}\n{quantity(name).unit}" for name, heading in SHOWN))
    table = empty_table(title, ("float", "batch", "state"), numbers, plain=is_plain())
    table.collapse_padding = True
    weighed = {path.name: piece.mass_g for piece, path in squeezed}
    for result in pieces.results:
        cells = [_with_uncertainty(result, name) for name, _ in SHOWN]
        table.add_row(
            result.piece, str(result.batch), result.state, f"{weighed[Path(result.capture).name]:.1f}", *cells
        )
    return table


def _with_uncertainty(piece: PieceResult, name: str) -> str:
    if name not in piece.values:
        return "-"
    value, u = piece.values[name], piece.u[name]
    return f"{rounded(value, u)}({rounded(u, u).lstrip('0.')})"


def _compare(pieces: PressedPieces, by: str, results: Sequence[PieceResult], out: Path) -> None:
    """Say how groups differ, the answer first, and write the page."""
    study = studied(
        replace(pieces, results=tuple(results)), [name for name, _ in SHOWN], by=by, margins=MARGINS
    )
    page = save_comparison_report(
        study, f"Net floats {virtual.MODEL} by {by} (invented numbers)", out / f"by-{by}"
    )
    say()
    say(f"By {by}:", bold=not is_plain())
    for sentence in comparison_answer(study):
        console().print(sentence, soft_wrap=is_plain())
    say(f"Tables and curves: {page}")


def _table(squeezed: Sequence[tuple[virtual.Float, Path]]) -> str:
    """Return what a scale and a caliper showed, as a table for the register."""
    import pandas as pd

    pieces = {piece.name: piece for piece, _ in squeezed if piece.state == "new"}
    rows = [
        {
            "id": piece.name,
            "batch": piece.mould.batch,
            "model": virtual.MODEL,
            "drawing size (mm)": virtual.FREE_HEIGHT_MM,
            "moulded": piece.mould.moulded,
            "notes": "invented",
            "mass (g)": piece.mass_g,
            "u mass (g)": 0.06,
            "size diameter A (mm)": piece.across_mm[0],
            "size diameter B (mm)": piece.across_mm[1],
            "measured": piece.mould.moulded,
        }
        for piece in pieces.values()
    ]
    return pd.DataFrame(rows).map(csv_cell).to_csv(index=False)
