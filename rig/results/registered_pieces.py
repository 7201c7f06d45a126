"""What a register knows of pieces that an aid asks about: how wide they are and how heavy."""

from __future__ import annotations

from collections.abc import Collection
from math import hypot, isfinite, nan
from pathlib import Path
from statistics import fmean, stdev

from rig.core import first_few
from rig.core.measured import Measured
from rig.population import size_up
from rig.register import Register, RegisteredSpecimen

NAMED = 3
"""Pieces that a note names."""


def registered_diameters(register: Path, names: Collection[str]) -> tuple[dict[str, Measured], list[str]]:
    """Return diameters of pieces, by name, as their newest readings say, and what has to be said beside them.

    Raises InputError if there is no register at that path.
    """
    diameters, doubtful = {}, []
    for specimen in _known(register, names):
        sizing = size_up(specimen.newest_sizes) if specimen.newest_sizes else None
        if sizing is None or sizing.diameter_mm is None:
            continue
        u_mm = nan if sizing.diameter_u_mm is None else sizing.diameter_u_mm
        diameters[specimen.id] = Measured(sizing.diameter_mm, u_mm if isfinite(u_mm) else 0.0)
        if not isfinite(u_mm):
            doubtful.append(specimen.id)
    if not diameters:
        return {}, ["The register has no diameters for these pieces, so the captures' free heights are used."]
    notes = [f"Diameters of {len(diameters)} of {len(names)} pieces are from the register."]
    lacking = sorted(set(names) - set(diameters))
    if lacking:
        notes.append(f"No diameter in the register, so the free height is used: {first_few(lacking, NAMED)}.")
    if doubtful:
        notes.append(f"No uncertainty stated for these diameters: {first_few(doubtful, NAMED)}.")
    return diameters, notes


def registered_mass(register: Path, names: Collection[str]) -> tuple[Measured | None, list[str]]:
    """Return the mass in g of any such piece: the mean with its spread over pieces; None where none was
    weighed.

    Raises InputError if there is no register at that path.
    """
    masses = [specimen.mass for specimen in _known(register, names) if specimen.mass is not None]
    if not masses:
        return None, []
    grams = [mass.g for mass in masses]
    scale_u_g = max(mass.u_g or 0.0 for mass in masses)
    # of any such piece, not of the mean: the spread is not divided by the root of their number
    u_g = hypot(stdev(grams), scale_u_g) if len(grams) > 1 else scale_u_g
    note = f"The mass is the mean of {len(grams)} of {len(names)} pieces in the register, with their spread."
    return Measured(fmean(grams), u_g), [note]


def _known(register: Path, names: Collection[str]) -> list[RegisteredSpecimen]:
    with Register(register, make=False) as opened:
        return [specimen for specimen in opened.specimens() if specimen.id in names]
