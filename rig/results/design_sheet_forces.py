"""Force against compression, and against the gap that a machine leaves the piece.

Problem: a capture knows how far a piece was pressed from its own contact; a machine knows its gap, and
pieces that are taller meet it earlier. Plan: each piece's mean curve is laid over compression by its own free
height, and over the gap; at each point pieces are the unit. The calibration's part is taken from the forces
that the analysis gave with their uncertainties, in proportion to force between them. Cost: one interpolation
for each piece and point.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from math import ceil, floor, isfinite, log10, nan
from statistics import fmean
from typing import Any

import numpy as np

from rig.analyser import Depth
from rig.core import finite
from rig.errors import InputError
from rig.population import (
    BatchFigures,
    Curve,
    CurveBand,
    PieceResult,
    average_pieces,
    batch_figures,
    curve_band,
    relative_shared_u_of,
)
from rig.samples import FloatArray

FORCE, GAP = "force_n", "gap_mm"

MOST_ROWS, FORCE_ROWS = 13, 8
"""Tables of at most this many rows, over deflections or gaps and over forces, are read at one look."""

STANDARD_PCT = (10.0, 25.0, 40.0, 50.0, 65.0)

BAND_POINTS = 80

NEARLY = 0.8
"""A curve is drawn as far as all pieces go, if that is so near to where half of them do."""

UNTOUCHED_MM = 1e4
"""A gap wider than the piece by any amount leaves it without force."""

SYSTEMS = {"metric": (1.0, 1.0), "us": (25.4, 4.4482216152605)}
"""Millimetres and newtons in one unit of length and force of each system (NIST SP 811, exact)."""

_AT, _LOADING, _UNLOADING = "at ", ".loading_n", ".unloading_n"


@dataclass(frozen=True, slots=True, kw_only=True)
class ForceRow:
    """Force of a group of pieces at one depth.

    Parameters
    ----------
    deflection_mm, compression_pct, gap_mm
        The depth: a compression is of each piece's own height, and its deflection that of the mean height; a
        gap is from platen to platen. None for what the row does not tell.
    loading
        Over the pieces that were pressed so far, the calibration's part among them.
    """

    deflection_mm: float | None = None
    compression_pct: float | None = None
    gap_mm: float | None = None
    loading: BatchFigures
    unloading_n: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping."""
        return {field.name: getattr(self, field.name) for field in fields(self)} | {
            "loading": self.loading.as_dict()
        }


def force_tables(
    groups: Mapping[str, Sequence[PieceResult]],
    heights_mm: Mapping[str, float] | None,
    height_mm: float | None,
    stands_mm: Mapping[str, float] | None = None,
) -> tuple[dict[str, tuple[ForceRow, ...]], dict[str, tuple[ForceRow, ...]]]:
    """Return the force at compressions and at gaps, by group.

    Parameters
    ----------
    heights_mm, height_mm
        Free height by capture, and their mean; None where some are not known: the first table is then by
        deflection, and the second empty.
    stands_mm
        By capture: how tall the piece is now, where that is less than its free height when new, to which a
        compression refers. A gap meets the piece as it is now.
    """
    over_depth = {name: _over(results, heights_mm) for name, results in groups.items()}
    depths = steps_to(_farthest(over_depth), standard=heights_mm is not None)
    stands_mm = None if heights_mm is None else stands_mm or heights_mm
    # how tall the pieces of a group are on the mean
    stood_mm = {
        name: None if stands_mm is None else fmean(stands_mm[result.capture] for result in results)
        for name, results in groups.items()
    }
    compression = {
        name: _by_depth(curves, depths, height_mm, stood_mm[name]) for name, curves in over_depth.items()
    }
    if stands_mm is None or height_mm is None:
        return compression, {}
    over_gap = {name: _over_gap(results, stands_mm, height_mm) for name, results in groups.items()}
    gaps = gap_steps(height_mm, _farthest(over_gap))
    return compression, {name: _by_gap(curves, gaps, height_mm) for name, curves in over_gap.items()}


def force_bands(
    groups: Mapping[str, Sequence[PieceResult]],
    heights_mm: Mapping[str, float] | None,
    height_mm: float | None,
    stands_mm: Mapping[str, float] | None = None,
) -> tuple[tuple[CurveBand, ...], tuple[CurveBand, ...]]:
    """Return the curves of the groups with their bands, over the same two axes as `force_tables`.

    Returns
    -------
    Over compression in % (deflection in mm without heights), and over how far a gap is closed from the mean
    height, in mm.
    """
    bands = [_band(name, _over(results, heights_mm)) for name, results in groups.items()]
    gap_bands: list[CurveBand | None] = []
    stands_mm = None if heights_mm is None else stands_mm or heights_mm
    if stands_mm is not None and height_mm is not None:
        gap_bands = [
            _band(name, _over_gap(results, stands_mm, height_mm)) for name, results in groups.items()
        ]
    return (
        tuple(band for band in bands if band is not None),
        tuple(band for band in gap_bands if band is not None),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class GapRow:
    """The gap at which a force is reached, by group of pieces.

    Parameters
    ----------
    gaps
        By group, in mm, over its pieces; a group of which a piece was not pressed so far is left out.
    """

    force_n: float
    gaps: Mapping[str, BatchFigures]

    @property
    def adjustment_mm(self) -> tuple[float, float] | None:
        """Return the gaps, narrowest and widest, within which most pieces of every group reach the force.

        None where a group has too few pieces for a tolerance interval.
        """
        ends = [(gap.most_from, gap.tolerance_high) for gap in self.gaps.values()]
        if not ends or any(low is None or high is None for low, high in ends):
            return None
        return min(low for low, _ in ends if low is not None), max(h for _, h in ends if h is not None)

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping."""
        return {
            "force_n": self.force_n,
            "gap_mm": {group: rows.as_dict() for group, rows in self.gaps.items()},
            "adjustment_mm": self.adjustment_mm,
        }


def gaps_at_forces(
    groups: Mapping[str, Sequence[PieceResult]], heights_mm: Mapping[str, float], forces_n: Sequence[float]
) -> tuple[GapRow, ...]:
    """Return the gap at some forces, one row per force, with pieces as the unit."""
    over_gap = {
        group: [piece for piece in average_pieces(_along_gap(results, heights_mm)) if piece.curve is not None]
        for group, results in groups.items()
    }
    rows = []
    for force_n in forces_n:
        # a mean over the harder pieces alone would be too wide: all of a group have to reach the force
        reaching = {
            group: pieces
            for group, pieces in over_gap.items()
            if pieces and all(_most_n(piece) >= force_n for piece in pieces)
        }
        gaps = {
            group: batch_figures([_gap_of(piece, force_n) for piece in pieces], GAP)
            for group, pieces in reaching.items()
        }
        for group, gap in gaps.items():
            # the tolerance interval ends at the tallest piece: a wider gap presses none
            tallest_mm = max(heights_mm[result.capture] for result in groups[group])
            if gap.tolerance_high is not None and gap.tolerance_high > tallest_mm:
                gaps[group] = replace(gap, tolerance_high=tallest_mm)
        if gaps:
            rows.append(GapRow(force_n=force_n, gaps=gaps))
    return tuple(rows)


def _along_gap(results: Sequence[PieceResult], heights_mm: Mapping[str, float]) -> list[PieceResult]:
    """Return the results whose curve stands over how far a piece is closed from an all but endless gap.

    Curves of one piece are averaged over an axis that rises: the gap itself falls while force rises.
    """
    return [
        replace(
            result,
            curve=replace(
                result.curve, deflection_mm=result.curve.deflection_mm - heights_mm[result.capture]
            ),
        )
        if result.curve is not None
        else result
        for result in results
    ]


def _most_n(piece: PieceResult) -> float:
    """Return the largest force of a piece's loading curve; not-a-number without a curve."""
    return nan if piece.curve is None else float(np.nanmax(piece.curve.loading_n))


def _gap_of(piece: PieceResult, force_n: float) -> PieceResult:
    """Return the piece with its gap at a force."""
    curve = piece.curve
    assert curve is not None
    known = np.isfinite(curve.loading_n)
    x = curve.deflection_mm[known]
    # on a plateau noise must not give one force two gaps: the first one that reaches it counts
    force = np.maximum.accumulate(curve.loading_n[known])
    rising = np.concatenate([[True], np.diff(force) > 0])
    x, force = x[rising], force[rising]
    gap_mm = -float(np.interp(force_n, force, x))
    place = int(np.clip(np.searchsorted(force, force_n), 1, len(force) - 1))
    slope = (force[place] - force[place - 1]) / (x[place] - x[place - 1])
    position_u = relative_shared_u_of(piece, "peak_deflection_mm") * (-gap_mm - x[0])
    # what the calibration leaves in the force moves the gap by force over slope
    shared_mm = float(np.hypot(relative_shared_u(piece, nan) * force_n / slope, position_u))
    return replace(piece, values={GAP: gap_mm}, u={GAP: shared_mm}, u_shared={GAP: shared_mm})


def round_steps(reach: float) -> list[float]:
    """Return at most `FORCE_ROWS` round numbers up to a reach, in steps of 1, 2 or 5 times a power of ten.

    Examples
    --------
    >>> round_steps(104.0)
    [20.0, 40.0, 60.0, 80.0, 100.0]
    >>> round_steps(24.0)
    [5.0, 10.0, 15.0, 20.0]
    """
    return _even_steps(reach, FORCE_ROWS)


def _even_steps(reach: float, most: int) -> list[float]:
    if not (isfinite(reach) and reach > 0):
        return []
    step = even_step(reach / most)
    return [round(number * step, 9) for number in range(1, floor(reach / step + 1e-9) + 1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class GapTables:
    """Force and gap for round numbers of one system of units."""

    force_at_gap: Mapping[str, tuple[ForceRow, ...]]
    gap_at_force: tuple[GapRow, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping."""
        return {
            "force_at_gap": {
                group: [row.as_dict() for row in rows] for group, rows in self.force_at_gap.items()
            },
            "gap_at_force": [row.as_dict() for row in self.gap_at_force],
        }


def gap_tables(
    groups: Mapping[str, Sequence[PieceResult]], heights_mm: Mapping[str, float], height_mm: float
) -> dict[str, GapTables]:
    """Return force at round gaps and gaps at round forces, for metric and for US units.

    Notes
    -----
    Rows end where the first group was no longer pressed, so that every row compares all groups.
    """
    over_gap = {name: _over_gap(results, heights_mm, height_mm) for name, results in groups.items()}
    closed_mm = min(
        (reach for results in over_gap.values() if isfinite(reach := _reach(results))), default=nan
    )
    most_n = min(
        (
            _most_n(piece)
            for results in groups.values()
            for piece in average_pieces(results)
            if piece.curve is not None
        ),
        default=nan,
    )
    tables = {}
    for system, (mm, newton) in SYSTEMS.items():
        gaps_mm = [mm * gap for gap in round_gaps(height_mm / mm, closed_mm / mm)]
        forces_n = [newton * force for force in round_steps(most_n / newton)]
        tables[system] = GapTables(
            force_at_gap={group: _by_gap(results, gaps_mm, height_mm) for group, results in over_gap.items()},
            gap_at_force=gaps_at_forces(groups, heights_mm, forces_n),
        )
    return tables


def force_at_gaps(
    groups: Mapping[str, Sequence[PieceResult]],
    heights_mm: Mapping[str, float],
    height_mm: float,
    gaps_mm: Sequence[float],
) -> dict[str, tuple[ForceRow, ...]]:
    """Return the force at stated gaps by group; a gap to which no piece was pressed has no row."""
    return {
        group: _by_gap(_over_gap(results, heights_mm, height_mm), gaps_mm, height_mm)
        for group, results in groups.items()
    }


def round_gaps(height: float, closed: float) -> list[float]:
    """Return about six round gaps from below a height to as far as it was closed, in any unit.

    Examples
    --------
    >>> round_gaps(90.0, 38.0)
    [85.0, 80.0, 75.0, 70.0, 65.0, 60.0, 55.0]
    >>> round_gaps(3.543, 1.4)
    [3.4, 3.2, 3.0, 2.8, 2.6, 2.4, 2.2]
    """
    if not (isfinite(closed) and closed > 0):
        return []
    return _gaps_below(height, closed, (round_steps(closed) or [closed])[0])


def steps_to(reach: float, *, standard: bool) -> list[float]:
    """Return the depths at even steps as far as pieces were pressed, with the compressions that foams are
    compared at.

    Examples
    --------
    >>> steps_to(41.0, standard=True)
    [5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0]
    >>> steps_to(8.1, standard=False)
    [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]
    """
    depths = _even_steps(reach, MOST_ROWS)
    return sorted(
        {*depths, *(pct for pct in STANDARD_PCT if standard and depths and depths[0] <= pct <= reach)}
    )


def gap_steps(height_mm: float, closed_mm: float) -> list[float]:
    """Return the gaps at even steps from below the free height to the narrowest one that was reached.

    Examples
    --------
    >>> gap_steps(89.6, 22.0)
    [88.0, 86.0, 84.0, 82.0, 80.0, 78.0, 76.0, 74.0, 72.0, 70.0, 68.0]
    """
    if not (isfinite(closed_mm) and closed_mm > 0):
        return []
    return _gaps_below(height_mm, closed_mm, even_step(closed_mm / MOST_ROWS))


def _gaps_below(height: float, closed: float, step: float) -> list[float]:
    """Return the multiples of a step below a height, as far as it was closed, the widest gap first."""
    # what rounding puts just above a multiple counts as that
    first, last = ceil(height / step - 1e-9) - 1, ceil((height - closed) / step - 1e-9)
    return [round(number * step, 9) for number in range(first, last - 1, -1)]


def even_step(least: float) -> float:
    """Return the smallest step of 1, 2 or 5 times a power of ten that is not below `least`."""
    power = 10.0 ** floor(log10(least))
    # a step that rounding puts just below is taken
    return next(power * digit for digit in (1.0, 2.0, 5.0, 10.0) if power * digit >= least * (1 - 1e-9))


def _over(results: Sequence[PieceResult], heights_mm: Mapping[str, float] | None) -> list[PieceResult]:
    """Return the results whose curve stands over compression in %, or as it was."""
    if heights_mm is None:
        return list(results)
    over = []
    for result in results:
        pct_per_mm = 100 / heights_mm[result.capture]
        curve = result.curve
        if curve is not None:
            curve = replace(curve, deflection_mm=curve.deflection_mm * pct_per_mm)
        over.append(replace(result, curve=curve))
    return over


def _over_gap(
    results: Sequence[PieceResult], heights_mm: Mapping[str, float], height_mm: float
) -> list[PieceResult]:
    """Return the results whose curve stands over how far a gap is closed from the mean height, without
    force before."""
    found = []
    for result in results:
        curve = result.curve
        if curve is not None:
            x = curve.deflection_mm + height_mm - heights_mm[result.capture]
            ends = [x[0] - UNTOUCHED_MM, x[0] - 1e-6]
            curve = Curve(
                np.concatenate([ends, x]),
                np.concatenate([[0.0, 0.0], curve.loading_n]),
                # the unloading curve ends where the part lets go: nothing was measured before
                np.concatenate([[np.nan, np.nan], curve.unloading_n]),
            )
        found.append(replace(result, curve=curve))
    return found


def _reaches(results: Sequence[PieceResult]) -> list[float]:
    return [float(piece.curve.deflection_mm[-1]) for piece in average_pieces(results) if piece.curve]


def _reach(results: Sequence[PieceResult]) -> float:
    """Return how far half of the pieces were pressed."""
    reaches = _reaches(results)
    return float(np.median(reaches)) if reaches else float("nan")


def _farthest(groups: Mapping[str, Sequence[PieceResult]]) -> float:
    """Return how far half of the pieces of some group were pressed."""
    reaches = [reach for results in groups.values() if isfinite(reach := _reach(results))]
    return max(reaches, default=float("nan"))


def _band(name: str, results: Sequence[PieceResult]) -> CurveBand | None:
    reach = _reach(results)
    if not (isfinite(reach) and reach > 0):
        return None
    # where most pieces go nearly as far, the band ends with the shortest
    shortest = min(_reaches(results))
    # a band that goes on with fewer pieces jumps, and says nothing of the pieces
    reach = shortest if shortest >= NEARLY * reach else reach
    return curve_band(name, results, deflection_mm=np.linspace(0, reach, BAND_POINTS))


def _by_depth(
    results: Sequence[PieceResult], depths: Sequence[float], height_mm: float | None, stands_mm: float | None
) -> tuple[ForceRow, ...]:
    rows = []
    for depth in depths:
        found = _at(results, depth, label=f"{depth:g}%" if height_mm is not None else f"{depth:g}mm")
        if found is None:
            continue
        loading, unloading_n = found
        rows.append(
            ForceRow(
                deflection_mm=depth if height_mm is None else depth / 100 * height_mm,
                compression_pct=None if height_mm is None else depth,
                gap_mm=None
                if height_mm is None or stands_mm is None
                else stands_mm - depth / 100 * height_mm,
                loading=loading,
                unloading_n=unloading_n,
            )
        )
    return tuple(rows)


def _by_gap(results: Sequence[PieceResult], gaps: Sequence[float], height_mm: float) -> tuple[ForceRow, ...]:
    found = [(gap, _at(results, height_mm - gap, per_axis=100 / height_mm)) for gap in gaps]
    return tuple(
        ForceRow(gap_mm=gap, loading=force[0], unloading_n=force[1])
        for gap, force in found
        if force is not None
    )


def _at(
    results: Sequence[PieceResult], x: float, *, label: str = "", per_axis: float = 1.0
) -> tuple[BatchFigures, float | None] | None:
    """Return the force at one place of the axis over the pieces that were pressed so far; the depths of
    the analysis are `per_axis` times the axis."""
    read, backs = [], []
    for piece in average_pieces(results):
        if piece.curve is None or not piece.curve.deflection_mm[-1] >= x * (1 - 1e-9):
            continue
        # the analysis read these depths off every cycle; the curve is drawn from some of them
        loading = _had(piece, f"{_AT}{label}{_LOADING}")
        loading = _on(piece.curve, piece.curve.loading_n, x) if loading is None else loading
        back = _had(piece, f"{_AT}{label}{_UNLOADING}")
        backs.append(_on(piece.curve, piece.curve.unloading_n, x) if back is None else back)
        u = relative_shared_u(piece, per_axis * x) * loading
        read.append(replace(piece, values={FORCE: loading}, u={FORCE: u}, u_shared={FORCE: u}))
    try:
        loading_n = batch_figures(read, FORCE)
    except InputError:
        return None
    known = [back for back in backs if isfinite(back)]
    return loading_n, float(np.mean(known)) if known else None


def _had(result: PieceResult, name: str) -> float | None:
    return finite(result.values.get(name))


def _on(curve: Curve, force_n: FloatArray, x: float) -> float:
    known = np.isfinite(force_n)
    if not known.any():
        return float("nan")
    return float(np.interp(x, curve.deflection_mm[known], force_n[known], left=np.nan, right=np.nan))


def relative_shared_u(result: PieceResult, x: float) -> float:
    """Return the calibration's part of a force, relative to it: straight between the depths known, else the
    peak's.

    Parameters
    ----------
    result
        With forces at depths that carry the calibration's part.
    x
        Depth as the analysis names them: compression in %, or deflection in mm; not-a-number for the peak's.
    """
    points = []
    for name, part in result.u_shared.items():
        value = result.values.get(name, float("nan"))
        if name.startswith(_AT) and name.endswith(_LOADING) and isfinite(part) and value > 0:
            depth = Depth.of(name[len(_AT) : -len(_LOADING)])
            # over the depth as the analysis names it: in per cent, or in mm
            points.append((depth.pct if depth.pct is not None else depth.mm or 0.0, part / value))
    if not points or not isfinite(x):
        return relative_shared_u_of(result, "peak_force_n")
    depths, parts = np.array(sorted(points)).T
    return float(np.interp(x, depths, parts))
