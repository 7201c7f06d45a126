"""Which part of the uncertainty dominates: the budget of one cycle.

The calibration's parts come from the propagation. The reading's parts are found by doubling: with one source
of doubt doubled, the stated variance rises by three times that source's share. (Halved, it would not fall: a
fit that is given half its noise takes the rest for a misfit.) What no source accounts for is how far turns
between samples, chords and fits can be trusted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import sqrt

import numpy as np

from rig.analyser.examined import Examined
from rig.analyser.propagation import FREEDOM, Propagation
from rig.analyser.settings import MeasuringNoise
from rig.analyser.strokes import Columns, Context
from rig.analyser.view import CalibratedView
from rig.calibration import Calibration
from rig.core.measured import coverage_factor
from rig.errors import InputError
from rig.samples import FloatArray

DOUBLED = 2.0
RISEN = DOUBLED**2 - 1
"""What doubling a source adds to its variance, in shares of it."""

NOISE, POSITION_NOISE, RESOLUTION, DRIFT, REST = (
    "force noise",
    "position noise",
    "resolution",
    "drift of force zero",
    "turns and fits",
)
READING_SOURCES = (NOISE, POSITION_NOISE, RESOLUTION, DRIFT, REST)


@dataclass(frozen=True, slots=True)
class Budget:
    """Standard uncertainties of one cycle's quantities, source by source.

    Parameters
    ----------
    cycle
        Its number.
    names
        Quantities, k of them.
    value, u, half95
        Values, combined standard uncertainties and half widths of the 95 % intervals, shape (k,).
    sources
        Of the calibration, then those of the reading.
    parts
        Contributions in the quantities' units, shape (sources, k).
    """

    cycle: int
    names: tuple[str, ...]
    value: FloatArray
    u: FloatArray
    half95: FloatArray
    sources: tuple[str, ...]
    parts: FloatArray


def budget(examined: Examined, calibration: Calibration, conditioning: int = 0) -> Budget:
    """Budget of the last cycle that counts among the examined ones.

    Parameters
    ----------
    calibration
        As the examined segments were read.
    conditioning
        First cycles that do not count, as long as there are others.

    Raises
    ------
    InputError
        If no cycle was examined.
    """
    propagation = Propagation(calibration)
    view, doubles = CalibratedView(calibration), [CalibratedView(calibration) for _ in range(5)]
    rows: list[tuple[Columns, list[Columns], dict[str, Columns]]] = []
    for segment, context in examined.kept:
        plain = view.measure(segment, context)
        doubled = [
            each.measure(segment, variant)
            for each, variant in zip(doubles, _doubled_contexts(context), strict=True)
        ]
        rows.append((plain, doubled, propagation.contributions(segment, context, plain)))
    if not rows:
        raise InputError("budget: no cycle to examine; a cycle of more samples than fit is not kept")
    number, row = representative([plain for plain, _, _ in rows], conditioning)
    plain, doubled, moved = rows[number]
    names = tuple(
        name
        for name in plain
        if f"{name}_u" in plain and np.isfinite(plain[name][row]) and not name.startswith("softening.")
    )
    reading = _reading_parts(plain, doubled, names, row, examined.kept[number][1].noise)
    calibrated = np.array([[moved[source][name][row] for name in names] for source in propagation.sources])
    parts = np.concatenate([np.abs(calibrated).reshape(-1, len(names)), reading])
    u = np.sqrt((parts**2).sum(axis=0))
    widened = _widened(examined, calibration, number)
    freedom = np.array([widened[f"{name}{FREEDOM}"][row] if propagation else np.inf for name in names])
    return Budget(
        int(plain["cycle"][row]),
        names,
        np.array([plain[name][row] for name in names]),
        u,
        coverage_factor(freedom) * u,
        (*propagation.sources, *READING_SOURCES),
        parts,
    )


def representative(blocks: list[Columns], conditioning: int) -> tuple[int, int]:
    """Block and row of the last cycle that counts; of the last one if none does."""
    places = [(number, row) for number, block in enumerate(blocks) for row in range(len(block["cycle"]))]
    good = [
        (number, row)
        for number, row in places
        if blocks[number]["flags"][row] == 0 and blocks[number]["cycle"][row] > conditioning
    ]
    return (good or places)[-1]


def _widened(examined: Examined, calibration: Calibration, until: int) -> Columns:
    """Return the columns of a block with their degrees of freedom; the blocks before it set the datums."""
    view, propagation = CalibratedView(calibration), Propagation(calibration)
    widened: Columns = {}
    for segment, context in examined.kept[: until + 1]:
        widened = propagation.widen(segment, context, view.measure(segment, context))
    return widened


def _doubled_contexts(context: Context) -> Iterator[Context]:
    """Yield the context with each source of the reading's doubt doubled, in the order of
    `READING_SOURCES`; and with both noises doubled at once."""
    noise = context.noise
    steady_n = noise.undithered_force_n
    held = replace(context, steady_u_n=steady_n, walk_noise_n=noise.force_n)
    yield replace(held, noise=replace(noise, force_n=DOUBLED * noise.force_n))
    yield replace(held, noise=replace(noise, position_mm=DOUBLED * noise.position_mm))
    coarser = replace(noise, position_resolution_mm=DOUBLED * noise.position_resolution_mm)
    yield replace(context, noise=coarser, steady_u_n=DOUBLED * steady_n)
    yield replace(held, drift_doubt=DOUBLED)
    louder = replace(noise, force_n=DOUBLED * noise.force_n, position_mm=DOUBLED * noise.position_mm)
    yield replace(held, noise=louder)


def _reading_parts(
    plain: Columns, doubled: list[Columns], names: tuple[str, ...], row: int, noise: MeasuringNoise
) -> FloatArray:
    """Contributions in the order of `READING_SOURCES`, shape (5, k)."""
    whole = np.array([plain[f"{name}_u"][row] for name in names]) ** 2
    squares = []
    for columns in doubled:
        more = np.array([columns[f"{name}_u"][row] for name in names]) ** 2
        squares.append(np.clip(np.nan_to_num((more - whole) / RISEN), 0.0, np.nan_to_num(whole)))
    force, position, rounding, drift, both = squares
    # a fit weighs its samples by both noises: one alone shows less than its part
    shown = force + position
    force, position = (
        each * np.maximum(both / np.where(shown > 0, shown, 1.0), 1.0) for each in (force, position)
    )
    # what one sample is worth holds its rounding already
    force_share, position_share = (
        min((step / sqrt(12) / sd) ** 2, 1.0) if sd > 0 else 0.0
        for step, sd in (
            (noise.force_resolution_n, noise.force_n),
            (noise.position_resolution_mm, noise.position_mm),
        )
    )
    rounding = rounding + force_share * force + position_share * position
    parts = np.stack([(1 - force_share) * force, (1 - position_share) * position, rounding, drift])
    found = parts.sum(axis=0)
    whole = np.nan_to_num(whole)
    # doubling changes where a fit ends, too: never more than was stated
    with np.errstate(divide="ignore", invalid="ignore"):
        parts *= np.where(found > whole, whole / found, 1.0)
    rest = np.maximum(whole - parts.sum(axis=0), 0.0)
    found_u: FloatArray = np.sqrt(np.concatenate([parts, rest[None]]))
    return found_u
