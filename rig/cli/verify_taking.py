"""Take the readings of a verification at the terminal: the rig says when a load has settled.

Each reading is on disk before the next one is asked for. Questions go to standard error, so that a result in
JSON stays clean.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.calibration import PlateauRule, is_mass
from rig.cli.calibrate_taking import settling, unit_of
from rig.cli.options import listed
from rig.cli.output import say
from rig.cli.starting import reader_of
from rig.errors import InputError, refused_at
from rig.jobs.cautions import LOADING_CAUTION
from rig.units import parse

if TYPE_CHECKING:
    from rig.calibration import Plateau
    from rig.rigfile import RigFile

RUNS = 3
MOST_LOADS = 50
PATIENCE_S = 60.0
"""A load of several masses takes a while to come to rest."""

STOP = "q"


def take_verification(rig: RigFile, port: str | None, loads: str, path: Path, *, settle_s: float) -> None:
    """Lead a person through three rising runs and a falling one.

    Raises InputError if the loads are no loads, or the table is there already. Raises DeviceError if the rig
    is lost; what was read is in the table.

    `rig`, `port`: the rig's file, and a port instead of its own.
    `loads`: "20 N, 40 N, ..." or "2 kg, 4 kg, ...", growing; below zero if they pull.
    `path`: of the table that is written; it must not be there yet.
    `settle_s`: length of a plateau.
    """
    heading, values = _loads(loads)
    if path.exists():
        raise InputError(f"{path}: already exists; give another table, or leave out --loads to read this one")
    say(f"caution: {LOADING_CAUTION}", err=True)
    say(f"Three runs of {len(values)} loads, the last run also back down. {STOP} ends it.", err=True)
    unit = heading.rpartition("_")[2]
    with reader_of(rig, port) as reader:
        try:
            with path.open("x", encoding="utf-8") as file:
                file.write(f"run,direction,{heading},indicated_counts\n")
        except OSError as problem:
            raise InputError(f"{path}: cannot be written ({problem.strerror})") from None
        settled = settling(reader, "force", PlateauRule(settle_s), PATIENCE_S)
        zero_counts: float | None = None
        for run, direction, value in _steps(values):
            load = "remove all loads" if value == 0 else f"bring the load to {value:g} {unit}"
            plateau = _ask(f"run {run}, {direction}: {load}", zero_counts, settled)
            if plateau is None:
                return
            zero_counts = plateau.counts if value == 0 else zero_counts
            with path.open("a", encoding="utf-8") as file:
                file.write(f"{run},{direction},{value:.12g},{plateau.counts:.3f}\n")
                file.flush()
                os.fsync(file.fileno())  # before the next reading is asked for


def _ask(words: str, zero_counts: float | None, settled: Callable[[float | None], Plateau]) -> Plateau | None:
    """Ask until the load has settled; None if the person stops."""
    while True:
        said = click.prompt(f"{words}; then Enter", default="", show_default=False, err=True)
        if said.strip().lower() == STOP:
            return None
        try:
            plateau = settled(zero_counts)
        except InputError as problem:
            say(f"  not taken: {problem}", err=True)
            continue
        say(f"  {plateau.counts:.1f} counts", err=True)
        return plateau


def _steps(values: Sequence[float]) -> Iterator[tuple[int, str, float]]:
    """Run, direction and load of each reading: the zero, up, in the last run down again, the zero."""
    for run in range(1, RUNS + 1):
        yield from ((run, "rising", value) for value in (0.0, *values))
        if run == RUNS:
            yield from ((run, "falling", value) for value in values[-2::-1])
        yield run, "falling", 0.0


def _loads(text: str) -> tuple[str, list[float]]:
    """Return the heading of their column, and the loads in its unit.

    Raises InputError if one has no unit, masses and forces are mixed, or they do not rise.
    """
    texts = listed([text])
    masses = {is_mass(unit_of(load)) for load in texts}
    if len(masses) != 1 or len(texts) > MOST_LOADS:
        raise InputError(
            f"--loads: found {text!r}, expected rising loads, all masses or all forces: 20 N, 40 N"
        )
    quantity, unit = ("mass", "kg") if masses == {True} else ("load", "N")
    with refused_at("--loads"):
        values = [parse(load, unit) for load in texts]
    sign = -1 if values[0] < 0 else 1  # what pulls grows below zero
    if any(sign * after <= sign * before for before, after in zip([0.0, *values], values, strict=False)):
        raise InputError(f"--loads: found {text!r}, expected rising loads, all compressive or all tensile")
    return f"{quantity}_{unit}", values
