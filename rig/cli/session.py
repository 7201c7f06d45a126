"""`pressrig session`: pieces at a hand lever, one after another, ending with their design sheet.

Problem: a command per piece for recording, one to look at it, one to weigh it and one for the sheet make a
day of typing. Plan: one command walks through the pieces. It stores nothing of its own: a piece is done if
the folder holds a capture of it that was not left out, so that the same command resumes a session that was
broken off; a repeated piece leaves its first capture out by a dated record.
"""

from __future__ import annotations

import secrets
import threading
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.capture import CaptureHeader, add_amendment, list_captures, open_capture
from rig.cli.attending import answered
from rig.cli.calibrate_force import command as calibrate_force
from rig.cli.logs import log_to_file
from rig.cli.options import (
    FILE,
    condition_option,
    folder_option,
    port_option,
    quantity_option,
    rig_option,
)
from rig.cli.output import progress, say
from rig.cli.sheet import command as sheet
from rig.cli.starting import reader_of, say_how_it_stands
from rig.cli.stopping import stop_on_signals
from rig.core import quantity, rounded
from rig.errors import InputError, RigError, refused_at
from rig.jobs import Bench, Progress, StopRule, Watch, record
from rig.jobs.cautions import SHORT_HAND_CAUTION
from rig.jobs.heading import complete_header
from rig.population import typed_weighing
from rig.register import Record, Register
from rig.results import Asked, analyse_capture
from rig.rigfile import read_rig_file
from rig.tables import name_and_unit, quantity_in, read_rows

if TYPE_CHECKING:
    from rig.rigfile import RigFile

SHOWN = ("at 25%.loading_n", "secant_n_per_mm", "hysteresis_pct", "peak_deflection_mm")
"""What is shown of each piece, as far as it is there."""

REGISTER = "specimens.sqlite"

UNTOUCHED_S = 1.5
"""Of a recording before the first squeeze: a zero from more than ten samples of a slow board."""


@dataclass(frozen=True, slots=True)
class Planned:
    """A piece of a session."""

    specimen: str
    batch: str | None = None
    free_height_mm: float | None = None


@click.command("session")
@rig_option()
@port_option()
@click.option(
    "--plan", type=FILE, metavar="CSV",
    help="Table of pieces with the column specimen; batch and free height (mm) are optional.",
)  # fmt: skip
@click.option("--model", metavar="NAME", help="Without a plan: pieces are NAME-001, NAME-002, ...")
@click.option(
    "--count", type=click.IntRange(1, 10_000), metavar="N", help="Without a plan: number of pieces."
)
@click.option("--cycles", type=click.IntRange(1), default=5, show_default=True, help="Squeezes per piece.")
@click.option(
    "--conditioning", type=click.IntRange(0), default=1, show_default=True,
    help="Number of first squeezes to leave out of the means.",
)  # fmt: skip
@click.option("--batch", metavar="NAME", help="Batch of pieces that have none in the plan.")
@quantity_option("--free-height", "height_mm", 'Free height of pieces that have none in the plan, "90 mm".')
@click.option("--operator", metavar="NAME", help="Name of the operator.")
@condition_option()
@click.option("--weigh/--no-weigh", default=True, help="Ask for the mass of each piece.")
@folder_option("Folder of the captures, the register and the sheet.")
def command(
    rig_file: Path,
    *,
    port: str | None,
    plan: Path | None,
    model: str | None,
    count: int | None,
    cycles: int,
    conditioning: int,
    batch: str | None,
    height_mm: float | None,
    operator: str | None,
    conditions: dict[str, str],
    weigh: bool,
    out: Path,
) -> None:
    """Squeeze pieces by hand one after another, weigh each, and write their design sheet.

    Enter starts a piece and accepts it; r repeats it, s skips it, q ends the session. To continue an
    interrupted session, repeat the command: pieces with a capture in the folder are done.
    """
    if conditioning >= cycles:
        raise InputError(
            f"--conditioning: found {conditioning}, expected fewer than the {cycles} of --cycles"
        )
    rig = read_rig_file(rig_file)
    pieces = [
        replace(piece, batch=piece.batch or batch, free_height_mm=piece.free_height_mm or height_mm)
        for piece in planned_pieces(plan, model, count)
    ]
    out.mkdir(parents=True, exist_ok=True)
    done = set(_done(out))
    waiting = [piece for piece in pieces if piece.specimen not in done]
    if len(waiting) < len(pieces):
        say(f"{len(pieces) - len(waiting)} of {len(pieces)} pieces are already done.")
    say(f"caution: {SHORT_HAND_CAUTION}", err=True)
    if not done:
        rig = _calibrated(rig, rig_file, port)
    about = CaptureHeader(
        specimen="-",
        operator=operator,
        conditions=conditions,
        sense=rig.sense,
        rig=dict(rig.source),
        calibration=rig.calibration.as_dict(),
        warnings=say_how_it_stands(rig),
    )
    with log_to_file():
        try:
            for number, piece in enumerate(waiting, start=len(pieces) - len(waiting) + 1):
                sitting = _Sitting(rig, port, about, piece, model, cycles, conditioning, out)
                if not sitting.take(f"Piece {number} of {len(pieces)}"):
                    break
                if weigh and piece.specimen in set(_done(out)):
                    _ask_mass(piece, out)
        except KeyboardInterrupt:
            say()
    done = {piece.specimen for piece in pieces} & set(_done(out))
    if len(done) < len(pieces):
        say(f"{len(done)} of {len(pieces)} pieces done. To resume the session, repeat the command.")
    _write_sheet(out, conditioning, model)


def _calibrated(rig: RigFile, rig_file: Path, port: str | None) -> RigFile:
    """Offer to compare a force of unknown uncertainty with known masses; return the rig as it is then."""
    force = rig.calibration.force
    if "calibration" not in rig.source or (force is not None and force.uncertainty is not None):
        return rig
    question = (
        "The force has not been calibrated with several masses. Do it now? [y: yes, Enter: continue without] "
    )
    if _asked(question) != "y":
        return rig
    turned = ["--reversed"] if force is not None and force.per_count < 0 else []
    calibrate_force.main(
        ["--rig", str(rig_file), *(() if port is None else ("--port", port)), *turned], standalone_mode=False
    )
    return read_rig_file(rig_file)


def planned_pieces(plan: Path | None, model: str | None, count: int | None) -> list[Planned]:
    """Return the pieces of a session, from a table or as a model's numbers.

    Raises InputError if neither or both are given, or the table lacks a name or holds one twice.
    """
    if (plan is None) == (model is None or count is None):
        raise InputError("session: give the pieces with --plan CSV, or with --model NAME and --count N")
    if plan is None:
        return [Planned(f"{model}-{number:03d}") for number in range(1, (count or 0) + 1)]
    pieces = list(_rows(plan))
    counts = Counter(piece.specimen for piece in pieces)
    twice = next((name for name, count in counts.items() if count > 1), None)
    if twice is not None:
        raise InputError(f"{plan}: specimen {twice!r:.60} appears twice; expected each piece once")
    return pieces


SPECIMEN, BATCH, HEIGHT = "specimen", "batch", "free height"
"""Headings of a plan; the height's may end in its unit, "free height (mm)"."""


def _rows(plan: Path) -> Iterator[Planned]:
    table = read_rows(plan, lambda cell: _heading(cell) in (SPECIMEN, BATCH, HEIGHT))
    named = {_heading(heading): heading for heading in table.headings}
    if SPECIMEN not in named:
        raise InputError(f"{plan}: no column '{SPECIMEN}'; found {', '.join(table.headings)}")
    for row in table.rows:
        name = row.cells[named[SPECIMEN]].strip()
        if not name:
            raise InputError(f"{row.where}: {SPECIMEN} is empty; expected a name")
        height = row.number_text(named[HEIGHT]).strip() if HEIGHT in named else ""
        with refused_at(f"{row.where}: {HEIGHT}"):
            unit = name_and_unit(named[HEIGHT])[1] or "mm" if height else ""
            height_mm = quantity_in(height, unit, "mm") if height else None
            if height_mm is not None and not height_mm > 0:
                raise InputError(f"found {height!r:.40}, expected more than zero")
        batch = row.cells[named[BATCH]].strip() or None if BATCH in named else None
        yield Planned(name, batch, height_mm)


def _heading(cell: str) -> str:
    """Return a heading without its unit, in small letters."""
    return name_and_unit(cell)[0].replace("_", " ").lower()


def _done(folder: Path) -> Iterator[str]:
    """Yield the pieces that have a capture in the folder that was not left out."""
    for summary in list_captures(folder):
        left_out = summary.problem is not None or open_capture(summary.path).exclusions.capture is not None
        if summary.specimen is not None and summary.samples and not left_out:
            yield summary.specimen


@dataclass(frozen=True, slots=True)
class _Sitting:
    """One piece at the lever."""

    rig: RigFile
    port: str | None
    about: CaptureHeader
    piece: Planned
    model: str | None
    cycles: int
    conditioning: int
    out: Path

    def take(self, which: str) -> bool:
        """Squeeze the piece until it is accepted or skipped; whether the session goes on."""
        while True:
            answer = _asked(
                f"{which}: {self.piece.specimen}. Put it in and do not press it yet. [Enter starts, s "
                "skips, q ends] "
            )
            if answer == "q":
                return False
            if answer == "s":
                return True
            path, interrupted = self._record()
            if not interrupted:
                self._show(path)
                try:
                    answer = _asked("[Enter accepts, r repeats, q accepts and ends] ")
                except KeyboardInterrupt:
                    say()
                    interrupted = True
            if interrupted:
                self._leave_out(path, "interrupted before it was accepted")
                say(f"Interrupted: this recording of {self.piece.specimen} is kept, but left out.", err=True)
                return False
            if answer != "r":
                _enter(self.piece, self.model, self.out)
                return answer != "q"
            self._leave_out(path, "repeated at once")

    def _record(self) -> tuple[Path, bool]:
        """Record the squeezes; return the capture, and whether it was interrupted."""
        header = replace(
            self.about,
            specimen=self.piece.specimen,
            batch=self.piece.batch,
            free_height_mm=self.piece.free_height_mm,
            id=secrets.token_hex(16),
            started=_now(),
        )
        ready = threading.Event()
        reader = reader_of(self.rig, self.port)
        with progress(self.piece.specimen, self.cycles) as show, stop_on_signals() as stopped:

            def tell(_: str, done: Progress) -> None:
                if done.seconds >= UNTOUCHED_S and not ready.is_set():
                    ready.set()
                    say(f"Now squeeze it {self.cycles} times.", err=True)
                show(done.cycles, f"{done.cycles} of {self.cycles} squeezes, {done.seconds:.0f} s")

            bench = Bench(reader, self.rig, self.out, Watch(stopped, ask=say, tell=tell))
            recorded = record(bench, partial(complete_header, header), StopRule(None, self.cycles))
            interrupted = stopped.is_set()
        if recorded.failed:
            self._leave_out(recorded.path, recorded.reason)
            say(
                f"pressrig: {recorded.reason}; this recording of {self.piece.specimen} is kept in "
                f"{recorded.path}, but left out. To resume the session, repeat the command.",
                err=True,
            )
            raise click.exceptions.Exit(3)
        return recorded.path, interrupted

    def _show(self, path: Path) -> None:
        """The piece's means, and what its squeezes were flagged for."""
        try:
            _, result = analyse_capture(path, Asked(conditioning=self.conditioning), progress=progress)
        except RigError as problem:
            say(f"{path.name}: cannot be measured: {problem}")
            return
        figures = []
        for name in SHOWN:
            mean = result.summary.get(name, {})
            if mean.get("n"):
                shown = quantity(name)
                figures.append(f"{shown.title} {rounded(mean['mean'], mean['u'])} {shown.unit}")
        say(f"{self.piece.specimen}: {len(result)} squeezes. {'; '.join(figures) or 'no figure'}.")
        for number, flags in zip(result.columns.get("cycle", ()), result.flags, strict=True):
            if flags:
                say(f"  squeeze {number:.0f}: {', '.join(flags)}")

    def _leave_out(self, path: Path, reason: str) -> None:
        header, by = open_capture(path).header, self.about.operator or ""
        add_amendment(path, header, "excluded", reason=reason, by=by)


def _now() -> datetime:
    return datetime.now(UTC).replace(microsecond=0)


def _asked(question: str) -> str:
    """Return what a person answers; the end of the input ends the session."""
    answer = answered(question)
    if answer is None:
        say()
        return "q"
    return answer.lower()[:1]


def _enter(piece: Planned, model: str | None, out: Path) -> None:
    """Enter a piece that has a capture into the register, so that it can be weighed now or later."""
    facts = {"batch": piece.batch, "model": model}
    with Register(out / REGISTER) as register:
        if piece.specimen not in register.ids():
            known = [
                Record(specimen=piece.specimen, kind=kind, text=text, at=_now().isoformat())
                for kind, text in facts.items()
                if text is not None
            ]
            register.add(piece.specimen, known, another=True)


def _ask_mass(piece: Planned, out: Path) -> None:
    """Ask for a mass until it can be read; an empty line leaves it out."""
    while True:
        text = answered(f'Mass of {piece.specimen}, such as "61.2 g" [Enter skips]: ')
        if not text:
            return
        try:
            weighing = typed_weighing(text)
            break
        except InputError as problem:
            say(f"pressrig: {problem}", err=True)
    mass = Record(
        specimen=piece.specimen,
        kind="mass",
        value=weighing.mass_g,
        u=weighing.u_g,
        how="typed",
        at=_now().isoformat(),
    )
    with Register(out / REGISTER) as register:
        register.write([mass])


def _write_sheet(out: Path, conditioning: int, model: str | None) -> None:
    """The sheet of all pieces of the folder so far; a session of which nothing was accepted has none."""
    if not set(_done(out)):
        say("No piece was accepted, so there is no sheet.")
        return
    register: Sequence[str] = ("--register", str(out / REGISTER)) if (out / REGISTER).exists() else ()
    named: Sequence[str] = ("--model", model) if model and register else ()
    sheet.main(
        [str(out), *register, *named, "--conditioning", str(conditioning), "--out", str(out / "sheet")],
        standalone_mode=False,
    )
