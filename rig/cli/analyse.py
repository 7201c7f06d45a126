"""`pressrig analyse`: from captures to stiffness, hysteresis and set."""

from __future__ import annotations

from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from rig.cli.capture_arguments import captures_argument
from rig.cli.options import read_quantity, read_zero, renamed_option, sense_and_zero_options
from rig.cli.output import as_json_text, console, is_plain, json_option, progress, say
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.analyser import AnalysisSettings, Budget, CaptureAnalysis, CaptureResult, MonteCarlo, RowStore
    from rig.calibration import Calibration
    from rig.capture import Capture
    from rig.samples import FloatArray, Sense

TABLE_POINTS = 10
"""A recording of no more samples is a table read by hand: its own points are the depths asked for."""

EXAMINED_CYCLES = 12
"""First cycles that a budget looks at; it shows the last of them that counts."""


@click.command("analyse")
@captures_argument(once=False)
@click.option(
    "--contact-force", metavar="Q", help="Force that counts as contact; left out, a multiple of the noise."
)
@click.option(
    "--conditioning", type=click.IntRange(0), default=0, metavar="N", help="First cycles left out of means."
)
@click.option("--at", metavar="LIST", help='Depths at which forces are given, "10%,25%,5 mm".')
@click.option(
    "--datum",
    type=click.Choice(["cycle", "first"]),
    default="cycle",
    show_default=True,
    help="Deflection counts from each cycle's contact, or from the first one.",
)
@click.option("--free-height", metavar="Q", help="Instead of the capture's own.")
@renamed_option("--foot-exponent", "--toe-exponent")
@click.option(
    "--toe-exponent",
    type=click.FloatRange(1, 2.5),
    metavar="N",
    help="Exponent of the toe region (1 spring, 1.5 sphere); left out, it is fitted.",
)
@sense_and_zero_options
@click.option(
    "--rig",
    "rig_file",
    type=click.Path(path_type=Path),
    help="Read the counts with this rig file's calibration.",
)
@click.option(
    "--calibration",
    "calibration_file",
    type=click.Path(path_type=Path),
    help="Read the counts with this calibration instead of the capture's own.",
)
@click.option("--budget", is_flag=True, help="Show which part of the uncertainty dominates.")
@click.option(
    "--monte-carlo",
    "draws",
    type=click.IntRange(100, 1_000_000),
    metavar="N",
    help="Check the uncertainties by N draws of calibration and noise; 1000 take some ten seconds.",
)
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for tables and plots.")
@json_option
def command(
    captures: tuple[Path, ...],
    *,
    contact_force: str | None,
    conditioning: int,
    at: str | None,
    datum: str,
    free_height: str | None,
    toe_exponent: float | None,
    sense: Sense | None,
    zero: str | None,
    rig_file: Path | None,
    calibration_file: Path | None,
    budget: bool,
    draws: int | None,
    out: Path | None,
    as_json: bool,
) -> None:
    """Measure every press of CAPTURES. The exit code is 1 if one of them holds no cycle."""
    from rig.sheets import SpilledRows

    asked = Asked(
        contact_force_n=read_quantity("--contact-force", contact_force, "N"),
        conditioning=conditioning,
        at=at,
        datum=datum,
        free_height_mm=read_quantity("--free-height", free_height, "mm"),
        toe_exponent=toe_exponent,
        sense=sense,
        zero=read_zero(zero),
        calibration=_calibration_of(rig_file, calibration_file),
        examine=EXAMINED_CYCLES if budget or draws else 0,
        draws=draws or 0,
    )
    with ExitStack() as stores:
        analysed = [examine_capture(path, asked, stores.enter_context(SpilledRows())) for path in captures]
        if out is not None:
            for path, capture, result, _ in analysed:
                beside = climate_by_cycle(capture, result)
                write_results(path.name or path.resolve().name, result, out, beside)
        if as_json:
            _print_documents(analysed)
        else:
            for path, capture, result, doubts in analysed:
                print_result(path, capture, result, doubts)
            if out is not None:
                say(f"Tables and plots are in {out}")
        empty = any(not len(each.result) for each in analysed)
    if empty:
        raise click.exceptions.Exit(1)


def _print_documents(analysed: list[Analysed]) -> None:
    """One JSON document, cycle by cycle, so that its size is no matter of memory."""
    from rig.sheets import budget_document, cycle_entries, document_head, monte_carlo_document

    before = '{"captures": ['
    for path, capture, result, doubts in analysed:
        document = document_head(str(path), capture.header, result)
        if doubts.budget is not None:
            document["budget"] = budget_document(doubts.budget)
        if doubts.draws is not None:
            document["monte_carlo"] = monte_carlo_document(doubts.draws)
        head = as_json_text(document)
        say(f'{before}\n{head[:-1]}, "cycles": [')
        rows = len(result)
        for number, entry in enumerate(cycle_entries(result), start=1):
            say(as_json_text(entry) + ("," if number < rows else ""))
        say("]}", nl=False)
        before = ","
    say("\n]}")


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command line says, before a capture's own header fills the rest.

    Parameters
    ----------
    examine, draws
        Cycles examined for a budget, and draws of a Monte Carlo; 0 for none.
    """

    contact_force_n: float | None = None
    conditioning: int = 0
    at: str | None = None
    datum: str = "cycle"
    free_height_mm: float | None = None
    toe_exponent: float | None = None
    sense: Sense | None = None
    zero: str | None = None
    calibration: Calibration | None = None
    examine: int = 0
    draws: int = 0


@dataclass(frozen=True, slots=True)
class Doubts:
    """Where the uncertainty of a capture's numbers comes from, as far as it was asked for."""

    budget: Budget | None = None
    draws: MonteCarlo | None = None


class Analysed(NamedTuple):
    """One capture, measured."""

    path: Path
    capture: Capture
    result: CaptureResult
    doubts: Doubts


def analyse_capture(
    path: Path, asked: Asked | None = None, store: RowStore | None = None
) -> tuple[Capture, CaptureResult]:
    """Analyse one capture from disk, with progress on a terminal; rows go into the store, or into memory.

    Raises
    ------
    InputError
        If it is no capture, or its counts have no calibration.
    """
    found = examine_capture(path, asked or Asked(), store)
    return found.capture, found.result


def examine_capture(path: Path, asked: Asked, store: RowStore | None = None) -> Analysed:
    """As `analyse_capture`, with the budget and the Monte Carlo that were asked for."""
    from rig.analyser import PART_SAMPLES, CaptureAnalysis
    from rig.calibration import Calibration
    from rig.capture import open_capture
    from rig.samples import gathered

    capture = open_capture(path)
    calibration = asked.calibration or Calibration.from_dict(
        capture.header.calibration, where=f"{path}/capture.yaml: calibration"
    )
    analysis = CaptureAnalysis(
        calibration,
        _settings(capture, asked),
        store=store,
        examine=asked.examine,
        recorded_on=capture.header.started.date(),
    )
    total = sum(file.samples for file in capture.files)
    done = 0
    with progress(f"analysing {path.name}", total) as show:
        for batch in gathered(capture.batches(), PART_SAMPLES):
            analysis.push(batch)
            done += len(batch)
            show(done, f"{done} samples")
    result = analysis.finish()
    damage = [f"{each.file} at byte {each.offset}: {each.lost} could not be read" for each in capture.damage]
    warnings = (*_about_amendments(capture), *damage, *_about_pulls(capture), *result.warnings)
    result = replace(result, warnings=warnings)
    return Analysed(path, capture, result, _doubts(path, analysis, asked))


def _about_amendments(capture: Capture) -> list[str]:
    """What was mended or left out since the recording; an excluded capture can still be looked at."""
    sentences = [
        f"Amended on {record.sentence}." for record in capture.amendments if record.kind == "amended"
    ]
    left_out = capture.exclusions
    if left_out.capture is not None:
        sentences.append(f"This capture is left out of results since {left_out.capture.sentence}.")
    records = {id(record): record for record in left_out.cycles.values()}
    return [*sentences, *(f"Left out since {record.sentence}." for record in records.values())]


def _about_pulls(capture: Capture) -> list[str]:
    """That presses are not all that the capture of a method that pulls holds."""
    if "pull:" not in str((capture.header.method or {}).get("text")):
        return []
    from rig.sheets import method_of, sentences_of_pulls

    with suppress(InputError):  # presses are measured whatever their method's text has become
        return [*sentences_of_pulls(method_of(capture.header))]
    return []


def _doubts(path: Path, analysis: CaptureAnalysis, asked: Asked) -> Doubts:
    from rig.analyser import budget, monte_carlo

    if not analysis.examined.cycles:
        return Doubts()
    if not asked.draws:
        return Doubts(budget(analysis.examined, analysis.applied, asked.conditioning))
    with progress(f"drawing {path.name}", asked.draws) as show:
        found = monte_carlo(
            analysis.examined,
            analysis.applied,
            asked.draws,
            conditioning=asked.conditioning,
            show=lambda done: show(done, f"{done} draws"),
        )
    return Doubts(found.budget, found)


def _settings(capture: Capture, asked: Asked) -> AnalysisSettings:
    from rig.analyser import AnalysisSettings, Depth
    from rig.segmenter import ZeroPolicy

    depths = (
        None if asked.at is None else tuple(Depth.of(text) for text in asked.at.split(",") if text.strip())
    )
    if depths is None and capture.header.position.unit != "counts":
        depths = _own_points(capture)
    return AnalysisSettings(
        contact_force_n=asked.contact_force_n,
        conditioning=asked.conditioning,
        at=depths,
        datum="first" if asked.datum == "first" else "cycle",
        free_height_mm=asked.free_height_mm or capture.header.free_height_mm,
        toe_exponent=asked.toe_exponent,
        sense=asked.sense or capture.header.sense,
        zero=ZeroPolicy.of(asked.zero or capture.header.zero),
        excluded=tuple(capture.exclusions.cycles),
    )


def _own_points(capture: Capture) -> Any:
    """The depths of a table read by hand; None for anything longer."""
    from rig.analyser import Depth
    from rig.calibration import Calibration

    if sum(file.samples for file in capture.files) > TABLE_POINTS:
        return None
    position_mm = Calibration().position_mm(capture.samples())
    return tuple(
        Depth(f"{value:g}mm", mm=float(value)) for value in sorted({*position_mm.tolist()}) if value > 0
    )


def _calibration_of(rig_file: Path | None, calibration_file: Path | None) -> Calibration | None:
    if calibration_file is not None:
        if rig_file is not None:
            raise InputError("--calibration and --rig: found both, expected one of them")
        from rig.calibrationfile import read_calibration

        return read_calibration(calibration_file)
    if rig_file is None:
        return None
    from rig.rigfile import read_rig_file

    return read_rig_file(rig_file).calibration


def print_result(path: Path, capture: Capture, result: CaptureResult, doubts: Doubts | None = None) -> None:
    """Tables and warnings of one capture."""
    from rig.sheets import budget_table, cycle_table, monte_carlo_table, summary_table, trend_sentences

    header = capture.header
    batch = f", batch {header.batch}" if header.batch else ""
    screen = console()
    plain = is_plain()
    screen.print(cycle_table(result, f"{header.specimen}{batch}: {path.name}", plain=plain))
    if result.summary:
        counted = (
            f"after {result.settings.conditioning} conditioning cycles"
            if result.settings.conditioning
            else ""
        )
        screen.print(
            summary_table(
                result, f"Means of cycles {counted}, without what flags spoil".replace(" ,", ","), plain=plain
            )
        )
    if doubts is not None and doubts.budget is not None:
        title = f"What the uncertainty of cycle {doubts.budget.cycle} is made of (* the largest part)"
        screen.print(budget_table(doubts.budget, title, plain=plain))
    if doubts is not None and doubts.draws is not None:
        title = f"Cycle {doubts.draws.budget.cycle}: propagated, and by {doubts.draws.draws} draws"
        screen.print(monte_carlo_table(doubts.draws, title, plain=plain))
    if result.softening is not None:
        soft = result.softening
        screen.print(
            f"Softening at {soft.at_mm:.2f} mm: {soft.pct_per_decade:+.2f} % per decade of cycles "
            f"(u {soft.pct_per_decade_u:.2f}), {soft.lost_pct:.1f} % lost over {soft.n} cycles"
        )
    if result.prony is not None:
        terms = ", ".join(f"{k:.4g} at {tau:.3g} s" for k, tau in result.prony.branches) or "none"
        screen.print(
            f"Relaxation series: long term {result.prony.long_term:.4g} N/mm^{result.prony.exponent:.2f}, "
            f"branches {terms}"
        )
    for sentence in trend_sentences(result.summary):
        screen.print(sentence)
    for warning in result.warnings:
        screen.print(f"note: {warning}", style=None if plain else "yellow")
    screen.print()


def climate_by_cycle(capture: Capture, result: CaptureResult) -> dict[str, FloatArray]:
    """Temperature and humidity of each cycle, where they were measured; names carry their units."""
    from rig.analyser import auxiliary_by_cycle
    from rig.capture import auxiliary_readings

    if not len(result):
        return {}
    start_s, end_s = result.columns["start_s"], result.columns["end_s"]
    return {
        f"{name}_{'pct' if name == 'humidity' else 'c'}": auxiliary_by_cycle(*series, start_s, end_s)
        for name, series in auxiliary_readings(capture).items()
        if len(series[0]) > 1  # a single one was typed, and stands in the header
    }


def write_results(
    name: str, result: CaptureResult, out: Path, beside: dict[str, FloatArray] | None = None
) -> None:
    """The table of cycles as CSV, and the plots, of one capture; `beside` holds further columns of cycles."""
    from rig.sheets import cycle_frames, save_cycle_trends, save_loops

    out.mkdir(parents=True, exist_ok=True)
    with (out / f"{name}-cycles.csv").open("w", encoding="utf-8", newline="") as file:
        for number, frame in enumerate(cycle_frames(result, beside)):
            frame.to_csv(file, index=False, header=not number)
    save_loops(result, name, out / f"{name}-loops.png")
    if len(result) > 1:
        save_cycle_trends(result, name, out / f"{name}-trends.png", beside)
