"""Take calibration readings at the terminal: a person puts references on, the rig says when it has settled.

Every reading goes into a table on disk before anything else is done with it; one that is taken again stays
there, marked as left out. Questions and answers go to standard error, so that a result in JSON stays clean.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from rig.calibration import Plateau, PlateauRule, fit_polynomial, is_mass, reference_value
from rig.cli.calibrate_options import ChannelOptions
from rig.cli.output import progress, say
from rig.cli.starting import reader_of
from rig.errors import InputError
from rig.jobs.cautions import LOADING_CAUTION
from rig.jobs.plateau_taking import refuse_scaled, take_plateau

if TYPE_CHECKING:
    from rig.jobs.plateau_taking import ChannelName
    from rig.reader import Reader
    from rig.rigfile import RigFile

Quantity = Literal["mass", "load", "travel", "block"]

AGAIN = "again"

DOUBTFUL_PCT = 2.0
"""A reading this far off a straight line is more often a forgotten load than a bent scale."""

_SAID = re.compile(r"(.*?)(?:\s+at\s+([A-Za-z][\w -]{0,30})|\s+(back))?", re.IGNORECASE)

_NUMBER = re.compile(r"\s*[-+]?[\d.]*(?:[eE][-+]?\d+)?\s*")

_INSTRUCTIONS = {
    "force": """Load the cell as a specimen would, let go, and type the load:
  0                    no load; start with this
  500 g  or  20 N      at the centre, rising; then falling, if you like
  500 g at left edge   the same load off centre
  -500 g               a tensile load, hung the other way
  again                repeat the last reading
  an empty line        finish""",
    "position": """Move the platen to a reference and type its value:
  12.5 mm              the indicator reading, or the block under the platen
  20 mm back           a block while returning (not needed with an indicator)
  again                repeat the last reading
  an empty line        finish
Approach all references from one side, then return over the same ones.""",
}


@dataclass(frozen=True, slots=True)
class TakenReading:
    """A reading of the table: what was typed, and the plateau."""

    said: str
    reference: float
    plateau: Plateau
    place: str = ""
    back: bool = False
    kept: bool = True


def take_readings(
    options: ChannelOptions, rig: RigFile, channel: ChannelName, *, blocks: bool = False
) -> Path:
    """Lead a person through the readings.

    Raises DeviceError if the rig is lost; what was read is in the table. Raises InputError if there is
    nothing to fit.

    Returns the table on disk.
    """
    rule = PlateauRule(options.settle_s)
    path = options.readings_into
    if path is None:
        beside = options.into or Path("readings")
        now = datetime.now().strftime("%Y-%m-%d-%H%M%S")
        path = beside.with_name(f"{beside.stem}-{channel}-{now}.csv")
    if path.exists():
        raise InputError(f"{path}: already exists; give another file with --readings-into")
    with reader_of(rig, options.port) as reader:
        refuse_scaled(reader, channel)
        say(f"caution: {LOADING_CAUTION}", err=True)
        say(_INSTRUCTIONS[channel], err=True)
        table = _Table(path, channel, blocks=blocks, reversed_way=options.reversed_way)
        _ask(table, settling(reader, channel, rule, options.patience_s))
    if not path.exists():
        raise InputError("no readings were taken, so nothing was written")
    say(f"The readings are in {path}", err=True)
    return path


def settling(
    reader: Reader, channel: ChannelName, rule: PlateauRule, patience_s: float
) -> Callable[[float | None], Plateau]:
    """Return what takes one plateau, given the counts at zero, with its progress on the terminal."""

    def settled(zero_counts: float | None) -> Plateau:
        with progress("settling", patience_s) as show:
            return take_plateau(
                reader,
                channel,
                rule=rule,
                zero_counts=zero_counts,
                patience_s=patience_s,
                on_progress=lambda now: show(now.seconds, f"{now.counts:.1f} counts {now.hint}"),
            )

    return settled


def unit_of(text: str) -> str:
    """Return what follows the number of a quantity."""
    return _NUMBER.sub("", text, count=1)


def _ask(table: _Table, settled: Callable[[float | None], Plateau]) -> None:
    """Ask for one reading after the other until the person has done."""
    while True:
        said = click.prompt("reference", default="", show_default=False, err=True).strip()
        if not said:
            return
        try:
            wanted = table.again() if said.lower() == AGAIN else table.understood(said)
            plateau = settled(table.zero_counts)
            table.refuse_wrong_sense(wanted, plateau.counts)
        except InputError as problem:
            say(f"  not taken: {problem}", err=True)
            continue
        table.add(replace(wanted, plateau=plateau), instead=said.lower() == AGAIN)
        say(f"  {table.last_words()}", err=True)


class _Table:
    """The readings so far, and their file."""

    def __init__(self, path: Path, channel: ChannelName, *, blocks: bool, reversed_way: bool = False) -> None:
        self._path = path
        self._rises = -1 if reversed_way else 1
        self._force = channel == "force"
        self._quantity: Quantity | None = None if self._force else ("block" if blocks else "travel")
        self._taken: list[TakenReading] = []

    @property
    def zero_counts(self) -> float | None:
        """The newest reading without load; the first one of a position."""
        kept = [taken for taken in self._taken if taken.kept]
        zeros = [taken for taken in kept if taken.reference == 0] if self._force else kept[:1]
        return zeros[-1].plateau.counts if zeros else None

    def understood(self, said: str) -> TakenReading:
        """Return what was typed, without its plateau."""
        match = _SAID.fullmatch(said)
        assert match is not None
        text, place, back = match.groups()
        quantity = self._quantity_of(said, text)
        to = {"mass": "kg", "load": "N"}.get(quantity, "mm")
        if text.strip() and not unit_of(text) and text.strip("+-.0 "):
            example = f"{text.strip()} g' or '{text.strip()} N" if self._force else f"{text.strip()} mm"
            raise InputError(f"{said!r} has no unit; type '{example}'")
        value = reference_value(text, quantity, None, to, place="reference")
        if self._force and back:
            raise InputError(
                f"{said!r}: `back` is for positions; falling loads are recognised by their order"
            )
        if not self._force and place:
            raise InputError(f"{said!r}: `at` is for an off-centre load")
        if value != 0:
            self._quantity = quantity
        return TakenReading(text, value, Plateau(0.0, 0.0, 1, 0.0, 0.0, 0), place or "", bool(back))

    def _quantity_of(self, said: str, text: str) -> Quantity:
        unit = unit_of(text)
        if not self._force or not unit:
            return self._quantity or "load"
        quantity: Quantity = "mass" if is_mass(unit) else "load"
        if self._quantity not in (None, quantity):
            raise InputError(
                f"{said!r} is a {quantity}, but a {self._quantity} was read before; use only one of them"
            )
        return quantity

    def refuse_wrong_sense(self, taken: TakenReading, counts: float) -> None:
        """Refuse a load said to pull under which the counts went as under one that presses."""
        if not self._force or taken.reference >= 0 or self.zero_counts is None:
            return
        if self._rises * (counts - self.zero_counts) > 0:
            raise InputError(
                f"{taken.said!r} pulls, but the counts went from {self.zero_counts:.0f} to {counts:.0f} as "
                "under compression; compression is positive"
            )

    def again(self) -> TakenReading:
        """Return the last reading, to be taken anew."""
        if not self._taken:
            raise InputError("there is no reading to repeat yet")
        return self._taken[-1]

    def add(self, taken: TakenReading, *, instead: bool) -> None:
        """Keep a reading, on disk first of all."""
        if instead:
            self._taken[-1] = replace(self._taken[-1], kept=False)
        self._taken.append(taken)
        self._write()

    def last_words(self) -> str:
        """Return the last reading, and how far it is off a straight line through all."""
        last = self._taken[-1]
        words = f"{last.plateau.counts:.2f} counts, u {last.plateau.u_counts:.2g}"
        kept = [taken for taken in self._taken if taken.kept and (not taken.place or taken is last)]
        references = [taken.reference for taken in kept]
        try:
            fit = fit_polynomial([taken.plateau.counts for taken in kept], references, 1)
        except InputError:
            return words
        off_pct = 100 * float(fit.residuals[-1]) / max(map(abs, references))
        words += f"; {off_pct:+.3f} % of the largest reference off a straight line"
        return f"{words}. If it was not in place, type {AGAIN}" if abs(off_pct) > DOUBTFUL_PCT else words

    def _write(self) -> None:
        quantity = self._quantity or "load"
        lines = [
            "# Readings taken by pressrig calibrate, each the mean of a settled plateau.",
            f"{quantity},counts,u_counts,seconds,samples,place,direction,kept",
        ]
        for taken in self._taken:
            plateau, direction = taken.plateau, "returning" if taken.back else ""
            lines.append(
                f"{taken.said},{plateau.counts!r},{plateau.u_counts!r},{plateau.seconds:.3f},"
                f"{plateau.samples},{taken.place},{direction},{'yes' if taken.kept else 'no'}"
            )
        new = self._path.with_name(f".{self._path.name}.new")
        self._path.parent.mkdir(parents=True, exist_ok=True)
        new.write_text("\n".join(lines) + "\n", encoding="utf-8")
        new.replace(self._path)
