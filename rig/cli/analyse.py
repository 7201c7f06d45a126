"""`pressrig analyse`: from captures to stiffness, hysteresis and set."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig import sheets  # `sheets.save_loops` loads matplotlib
from rig.cli.capture_arguments import captures_argument
from rig.cli.options import (
    FOLDER,
    NumberRange,
    calibration_option,
    conditioning_option,
    depths_option,
    fresh_option,
    is_fresh,
    quantity_option,
    renamed_option,
    rig_option,
    sense_and_zero_options,
)
from rig.cli.output import as_json_text, console, is_plain, json_option, progress, say, say_exactly
from rig.core import signed
from rig.errors import InputError
from rig.results import (
    Asked,
    SpilledRows,
    budget_document,
    climate_by_cycle,
    cycle_entries,
    cycle_frames,
    document_head,
    examine_capture,
    monte_carlo_document,
)
from rig.sheets import (
    answer_sentence,
    budget_table,
    cycle_table,
    key_table,
    monte_carlo_table,
    summary_table,
    trend_sentences,
)

if TYPE_CHECKING:
    from rig.analyser import CaptureResult
    from rig.calibration import Calibration
    from rig.capture import Capture
    from rig.results import Analysed, Doubts
    from rig.samples import FloatArray

EXAMINED_CYCLES = 12
"""First cycles that a budget looks at; it shows the last of them that counts."""


@click.command("analyse")
@captures_argument(once=False)
@quantity_option(
    "--contact-force", "contact_force_n", "Force that counts as contact.  [default: a multiple of the noise]"
)
@conditioning_option("Number of first cycles to leave out of the means.")
@depths_option('Depths at which to give the force, "10%,25%,5 mm".')
@click.option(
    "--datum", type=click.Choice(["cycle", "first"]), default="cycle", show_default=True,
    help="Count deflection from each cycle's own contact or from the first one.",
)  # fmt: skip
@quantity_option("--free-height", "free_height_mm", "Free height instead of the capture's.")
@renamed_option("--foot-exponent", "--toe-exponent")
@click.option(
    "--toe-exponent", type=NumberRange(1, 2.5), metavar="N",
    help="Exponent of the toe region (1 spring, 1.5 sphere).  [default: fitted]",
)  # fmt: skip
@sense_and_zero_options
@rig_option("Read the counts with the calibration of this rig file.", required=False)
@calibration_option("Read the counts with this calibration instead of the capture's own.")
@click.option("--budget", is_flag=True, help="Show what dominates the uncertainty.")
@click.option(
    "--monte-carlo", "draws", type=click.IntRange(100, 1_000_000), metavar="N",
    help="Check the uncertainties with N random draws of calibration and noise; 1000 take about ten seconds.",
)  # fmt: skip
@click.option("--out", type=FOLDER, help="Folder for tables and plots.")
@click.option(
    "--all", "whole", is_flag=True, help="Print the means of all quantities, not only the main five."
)
@fresh_option
@json_option
def command(
    captures: tuple[Path, ...],
    *,
    rig_file: Path | None,
    calibration: Calibration | None,
    budget: bool,
    draws: int | None,
    out: Path | None,
    whole: bool,
    as_json: bool,
    **settings: Any,
) -> None:
    """Measure every press in CAPTURES. The exit code is 1 if a capture has no cycle."""
    if rig_file is not None:
        if calibration is not None:
            raise InputError("--calibration and --rig: found both, expected one of them")
        from rig.rigfile import read_rig_file

        calibration = read_rig_file(rig_file).calibration
    asked = Asked(
        **settings,
        calibration=calibration,
        examine=EXAMINED_CYCLES if budget or draws else 0,
        draws=draws or 0,
        fresh=is_fresh(),
    )
    with ExitStack() as stores:
        analysed = [
            examine_capture(path, asked, stores.enter_context(SpilledRows()), progress=progress)
            for path in captures
        ]
        if out is not None:
            for path, capture, result, _ in analysed:
                name = path.name or path.resolve().name
                write_results(name, result, out, climate_by_cycle(capture, result))
        if as_json:
            _print_documents(analysed)
        else:
            for path, capture, result, doubts in analysed:
                print_result(path, capture, result, doubts, whole=whole)
            if out is not None:
                say(f"Tables and plots are in {out}")
        empty = any(not len(result) for _, _, result, _ in analysed)
    if empty:
        raise click.exceptions.Exit(1)


def _print_documents(analysed: list[Analysed]) -> None:
    """One JSON document, cycle by cycle, so that its size is no matter of memory."""
    before = '{"captures": ['
    for path, capture, result, doubts in analysed:
        document = document_head(str(path), capture.header, result)
        if doubts.budget is not None:
            document["budget"] = budget_document(doubts.budget)
        if doubts.draws is not None:
            document["monte_carlo"] = monte_carlo_document(doubts.draws)
        head = as_json_text(document)
        say_exactly(f'{before}\n{head[:-1]}, "cycles": [')
        rows = len(result)
        for number, entry in enumerate(cycle_entries(result), start=1):
            say_exactly(as_json_text(entry) + ("," if number < rows else ""))
        say_exactly("]}", nl=False)
        before = ","
    say_exactly("\n]}")


def print_result(
    path: Path,
    capture: Capture,
    result: CaptureResult,
    doubts: Doubts | None = None,
    *,
    whole: bool = False,
) -> None:
    """Print the answer of one capture, five figures, its cycles and its notes; all means where `whole`."""
    header = capture.header
    batch = f", batch {header.batch}" if header.batch else ""
    screen = console()
    plain = is_plain()
    if sentence := answer_sentence(result, header.specimen):
        screen.print(sentence, style=None if plain else "bold")
        screen.print(key_table(result, plain=plain))
    screen.print(cycle_table(result, f"{header.specimen}{batch}: {path.name}", plain=plain))
    if result.summary and not whole:
        screen.print(f"All {len(result.summary)} means: --all; every cycle: --out FOLDER or --json.")
    if result.summary and whole:
        left_out = result.settings.conditioning
        after = f" after {left_out} conditioning cycle{'s' * (left_out != 1)}" if left_out else ""
        title = f"Means of cycles{after}, without values spoiled by flags"
        screen.print(summary_table(result, title, plain=plain))
    if doubts is not None and doubts.budget is not None:
        title = f"What the uncertainty of cycle {doubts.budget.cycle} consists of (* largest part)"
        screen.print(budget_table(doubts.budget, title, plain=plain))
    if doubts is not None and doubts.draws is not None:
        title = f"Cycle {doubts.draws.budget.cycle}: propagated, and by {doubts.draws.draws} draws"
        screen.print(monte_carlo_table(doubts.draws, title, plain=plain))
    if result.softening is not None:
        soft = result.softening
        low, high = soft.interval_pct()
        u = (high - low) / 4
        screen.print(
            f"Softening: the force at {soft.at_mm:.2f} mm changes by {signed(soft.pct_per_decade, u)} % per "
            f"tenfold number of cycles (95 % interval {signed(low, u)} to {signed(high, u)} %); "
            f"{soft.lost_pct:.1f} % lost over {soft.n} cycles."
        )
    if result.prony is not None and whole:
        terms = ", ".join(f"{k:.4g} at {tau:.3g} s" for k, tau in result.prony.branches) or "none"
        screen.print(
            f"Relaxation model (Prony series, for simulations): long term {result.prony.long_term:.4g} "
            f"N/mm^{result.prony.exponent:.2f}, branches {terms}."
        )
    for sentence in trend_sentences(result.summary):
        screen.print(sentence)
    for warning in result.warnings:
        screen.print(f"note: {warning}", style=None if plain else "yellow")
    screen.print()


def write_results(
    name: str, result: CaptureResult, out: Path, beside: dict[str, FloatArray] | None = None
) -> None:
    """The table of cycles as CSV, and the plots, of one capture; `beside` holds further columns of cycles."""
    out.mkdir(parents=True, exist_ok=True)
    with (out / f"{name}-cycles.csv").open("w", encoding="utf-8", newline="") as file:
        for number, frame in enumerate(cycle_frames(result, beside)):
            frame.to_csv(file, index=False, header=not number)
    sheets.save_loops(result, name, out / f"{name}-loops.png")
    if len(result) > 1:
        sheets.save_cycle_trends(result, name, out / f"{name}-trends.png", beside)
