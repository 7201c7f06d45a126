"""A nip that squeezes a piece: which gap for a wanted force, and what that gap then does.

Problem: a builder of a machine sets a gap, and wants to know the force, how much it differs from piece to
piece, and how fast pieces leave the nip. Plan: each piece's own curve is read at the wanted force; gap, slope
and loss are then quantities of pieces like any other, with intervals over pieces and batches; grip, lengths
and speeds follow by formulas that are shown with their limits. Cost: some interpolations per piece.

A platen squeezes slowly and flat, a roller quickly and round: the answer says so, and uses captures at
several rates where there are any.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import acos, hypot, inf, isfinite, sqrt, tan
from typing import Any

import numpy as np

from rig.aids.formula import Formula
from rig.aids.nip_formulas import nip_formulas
from rig.aids.nip_geometry import half_travel_mm, overlap_along_mm, patch_length_mm, plate_patch_mm
from rig.aids.rates import FAR_DECADES, ForceAtRate, RateTrend, rate_trend
from rig.core import first_few
from rig.core.measured import Measured, combined, coverage_factor, propagate
from rig.errors import InputError
from rig.population import (
    BY_HAND,
    HAND_RATIO,
    BatchFigures,
    Curve,
    PieceResult,
    average_pieces,
    batch_figures,
    estimated,
    known_quantities,
    pooled_although,
    relative_shared_u_of,
    unstated_circumstances,
)
from rig.samples import FloatArray

SOLID_BALL = 0.4
"""Moment of inertia of an even ball over m r^2; 0.5 of an even cylinder, up to 1 of a hollow ring."""

SAME_RATE = 1.1
"""Rates that differ by no larger factor count as one."""

SLOPE_SHARE = 0.05
"""The slope is taken over this share of the deflection to either side."""

LOOP_SHARE = 0.8
"""A squeeze of less than this of the measured depth has a loop of its own."""

PROFILE_POINTS = 801

RATE = "rate_mm_per_s"

FEWEST_OF_LOOP = 3
"""Points at which loading and unloading are both known, for a loop to have an area."""

QUANTITIES = ("gap_mm", "deflection_mm", "sensitivity_n_per_mm", "loss_mj", "hysteresis_pct", "travel_share")

NO_BATCH = "no batch"

MOST_NAMED = 12
"""Captures and pieces that a note names one by one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Nip:
    """What is to be built.

    Raises InputError if a number is out of what can be.

    `wheels_mm`: radius of the wheel against a plate, or radii of the two wheels.
    `mass_g`: of a piece; None leaves the speed that friction can give unsaid.
    `inertia`: moment of inertia over m r^2, for a piece that rolls along a plate.
    """

    force_n: float
    wheels_mm: tuple[float, ...]
    friction: Measured
    mass_g: Measured | None = None
    inertia: float = SOLID_BALL
    rim_mm_per_s: float | None = None

    def __post_init__(self) -> None:
        if len(self.wheels_mm) not in (1, 2):
            raise InputError(f"nip: found {len(self.wheels_mm)} wheel radii, expected one or two")
        mass_g = 1.0 if self.mass_g is None else self.mass_g.value
        above = {"force": self.force_n, "friction": self.friction.value, "mass": mass_g}
        above |= {f"wheel radius {n}": radius for n, radius in enumerate(self.wheels_mm, 1)}
        if self.rim_mm_per_s is not None:
            above["rim speed"] = self.rim_mm_per_s
        for name, value in above.items():
            if not (isfinite(value) and value > 0):
                raise InputError(f"nip: {name}: found {value:g}, expected more than zero")
        if not 0 <= self.inertia <= 1:
            raise InputError(f"nip: inertia: found {self.inertia:g}, expected 0 to 1 (0.4 for an even ball)")

    @property
    def against_plate(self) -> bool:
        """Whether one side is a fixed plate, along which the piece rolls."""
        return len(self.wheels_mm) == 1


@dataclass(frozen=True, slots=True)
class NipPiece:
    """A piece with its curve and its size across the nip.

    `size_mm`: diameter or height; its uncertainty counts as the same for all pieces.
    """

    result: PieceResult
    size_mm: Measured


@dataclass(frozen=True, slots=True)
class GapCurve:
    """Force of a piece against the gap, as far as it was pressed, arrays of shape (n,)."""

    piece: str
    batch: str
    gap_mm: FloatArray
    force_n: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class NipAnswer:
    """What a nip does to these pieces.

    `figures`: over all pieces, by the names of `QUANTITIES`, and `force_at_gap_n` at the mean gap.
    `grip_n`: friction of one side of the nip, for one piece at the mean gap.
    `travel_mm`, `patch_mm`, `plate_patch_mm`: how far the piece moves while squeezed, length of the dent of
    the wheel, and of the flat on a plate.
    `friction_speed_mm_per_s`: most that friction gives to a piece that enters at rest: with the full force
    all along, and with the force as it grows and falls along the way; None without a mass.
    `adjustment`: how much the gap has to be adjustable: between batch means, and so that nearly every piece
    is held at the wanted force; None where that cannot be had.
    `line`: at the rate of the line: rate, factor, gap; empty where that is not known.
    """

    nip: Nip
    figures: Mapping[str, BatchFigures]
    by_batch: Mapping[str, BatchFigures]
    size_mm: Measured
    needed_friction: float
    grip_n: Measured
    travel_mm: float
    patch_mm: tuple[float, ...]
    plate_patch_mm: float | None
    friction_speed_mm_per_s: Measured | None
    filled_speed_mm_per_s: Measured | None
    no_slip_mm_per_s: float | None
    adjustment: Mapping[str, float | None]
    trend: RateTrend | None
    base_rate_mm_per_s: float | None
    line: Mapping[str, Any] = field(default_factory=dict)
    curves: tuple[GapCurve, ...] = ()
    formulas: tuple[Formula, ...] = ()
    notes: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        nip, speeds = self.nip, (self.friction_speed_mm_per_s, self.filled_speed_mm_per_s)
        return {
            "between": "plate" if nip.against_plate else "wheels",
            "wanted_force_n": nip.force_n,
            "wheels_mm": list(nip.wheels_mm),
            "friction": nip.friction.as_dict(),
            "mass_g": None if nip.mass_g is None else nip.mass_g.as_dict(),
            "inertia": nip.inertia,
            "rim_mm_per_s": nip.rim_mm_per_s,
            "size_mm": self.size_mm.as_dict(),
            "needed_friction": self.needed_friction,
            "figures": {name: figure.as_dict() for name, figure in self.figures.items()},
            "by_batch": {name: figure.as_dict() for name, figure in self.by_batch.items()},
            "grip_n": self.grip_n.as_dict(),
            "travel_mm": self.travel_mm,
            "patch_mm": list(self.patch_mm),
            "plate_patch_mm": self.plate_patch_mm,
            "friction_speed_mm_per_s": None if speeds[0] is None else speeds[0].as_dict(),
            "filled_speed_mm_per_s": None if speeds[1] is None else speeds[1].as_dict(),
            "no_slip_mm_per_s": self.no_slip_mm_per_s,
            "adjustment_mm": dict(self.adjustment),
            "test_rate_mm_per_s": self.base_rate_mm_per_s,
            "rate_trend": None if self.trend is None else self.trend.as_dict(),
            "line": {
                name: value.as_dict() if isinstance(value, Measured) else value
                for name, value in self.line.items()
            },
            "formulas": [formula.as_dict() for formula in self.formulas],
            "notes": list(self.notes),
        }


def answer_nip(pieces: Sequence[NipPiece], nip: Nip, although: Sequence[str] = ()) -> NipAnswer:
    """Return the gap, grip, lengths, losses and speeds of a nip.

    Parameters
    ----------
    pieces
        One a capture. Where they were squeezed at several rates, gap and spread come from the commonest one,
        and the others show how force grows with the rate.

    Raises
    ------
    InputError
        If there is no piece, one has no curve or does not reach the wanted force, or they were measured
        under different conditions.
    """
    base, base_rate = _at_commonest_rate(pieces)
    said = pooled_although([piece.result for piece in base], "batch", although)
    said += unstated_circumstances([piece.result for piece in base])
    read = [_read(piece, nip) for piece in _one_a_piece(base)]
    figures, short = _figures(read)
    by_batch = {
        name: batch_figures([result for result in read if (result.batch or NO_BATCH) == name], "gap_mm")
        for name in dict.fromkeys(result.batch or NO_BATCH for result in read)
    }
    size_mm = Measured(
        float(np.mean([result.values["size_mm"] for result in read])), max(piece.size_mm.u for piece in base)
    )
    deflection_mm = figures["deflection_mm"].mean
    travel_mm, patches, flat_mm = _lengths(nip, size_mm.value, deflection_mm)
    force = _on_one_piece(nip.force_n, figures.get("force_at_gap_n"))
    grip = propagate(lambda mu, force_n: mu * force_n, {"mu": nip.friction, "force_n": force})
    trend = _trend(pieces, deflection_mm)
    full, filled = _speeds(nip, force, travel_mm, figures["travel_share"].mean)
    line = _at_line(base, nip, (travel_mm, deflection_mm), trend, base_rate)
    loadings = [(result, *_rising(result.curve, result)) for result in read if result.curve is not None]
    deepest_mm = max(float(result.curve.deflection_mm[-1]) for result in read if result.curve is not None)
    return NipAnswer(
        nip=nip,
        figures=figures,
        by_batch=by_batch,
        size_mm=size_mm,
        needed_friction=needed_friction(nip, size_mm.value, deflection_mm),
        grip_n=grip,
        travel_mm=travel_mm,
        patch_mm=patches,
        plate_patch_mm=flat_mm,
        friction_speed_mm_per_s=full,
        filled_speed_mm_per_s=filled,
        no_slip_mm_per_s=_no_slip(nip),
        adjustment=_adjustment(figures["gap_mm"], by_batch),
        trend=trend,
        base_rate_mm_per_s=base_rate,
        line=line,
        curves=tuple(
            GapCurve(result.piece, result.batch or NO_BATCH, result.values["size_mm"] - x, force_n)
            for result, x, force_n in loadings
        ),
        formulas=nip_formulas(against_plate=nip.against_plate, rates=trend is not None),
        notes=(
            *_notes(nip, figures, by_batch, short),
            *(_about_other_rates(base, pieces, base_rate) if len(base) < len(pieces) else ()),
            *_about_loops(figures, size_mm, deepest_mm),
            *_about_rate(trend, line),
            *said,
        ),
    )


def _figures(read: Sequence[PieceResult]) -> tuple[dict[str, BatchFigures], int]:
    """Return the figures over all pieces, and how many pieces were not pressed to the mean gap."""
    # presses of one way have no loop: what needs one is left out, and said to be
    known = known_quantities(read)
    figures = {name: batch_figures(read, name) for name in QUANTITIES if name in known}
    at_gap = [_in_gap(result, figures["gap_mm"].mean) for result in read]
    reaching = [result for result in at_gap if isfinite(result.values["force_at_gap_n"])]
    if reaching:
        figures["force_at_gap_n"] = batch_figures(reaching, "force_at_gap_n")
    return figures, len(read) - len(reaching)


def needed_friction(nip: Nip, size_mm: float, deflection_mm: float) -> float:
    """Return the coefficient of friction above which a nip draws a piece in by itself.

    Where a wheel of radius R first meets a piece of radius r, the line of their centres stands at the
    angle b to the gap: cos b = (R + r - o) / (R + r), o the overlap at the closest point. Against a plate
    both sides hold if mu > tan(b/2); between two wheels if mu > tan b. The smaller of two wheels decides.
    Plane statics, derived.

    Examples
    --------
    >>> nip = Nip(force_n=20.0, wheels_mm=(100.0,), friction=Measured(0.6, 0.0))
    >>> round(needed_friction(nip, 90.0, 10.0), 4)
    0.189
    """
    wheel_mm, overlap_mm = min(nip.wheels_mm), deflection_mm / len(nip.wheels_mm)
    reach_mm = wheel_mm + size_mm / 2
    angle = acos(min(max((reach_mm - overlap_mm) / reach_mm, 0.0), 1.0))
    return tan(angle / 2) if nip.against_plate else tan(angle)


def _at_commonest_rate(pieces: Sequence[NipPiece]) -> tuple[list[NipPiece], float | None]:
    """Return the pieces of the rate at which most were squeezed, the highest of several."""
    if not pieces:
        raise InputError("nip: found no piece, expected at least one with a curve")
    for piece in pieces:
        if piece.result.curve is None:
            raise InputError(
                f"nip: piece {piece.result.piece}, capture {piece.result.capture}: no curve of force against "
                "deflection; give captures, or a table of curves"
            )
    rates = [piece.result.values.get(RATE, float("nan")) for piece in pieces]
    known = [rate for rate in rates if isfinite(rate) and rate > 0]
    if len(known) < len(pieces):
        return list(pieces), None

    by_hand = all(piece.result.circumstances.get("method") == BY_HAND for piece in pieces)
    ratio = HAND_RATIO if by_hand else SAME_RATE

    def at_rate(rate: float) -> list[NipPiece]:
        low, high = rate / ratio, rate * ratio
        return [piece for piece, other in zip(pieces, rates, strict=True) if low <= other <= high]

    rate = max(known, key=lambda rate: (len({p.result.piece for p in at_rate(rate)}), rate))
    base = at_rate(rate)
    return base, float(np.mean([piece.result.values[RATE] for piece in base]))


def _one_a_piece(base: Sequence[NipPiece]) -> list[NipPiece]:
    """Return the captures of one piece averaged, its curve and its size."""
    averaged = average_pieces([piece.result for piece in base])
    sizes: dict[tuple[str | None, str], list[Measured]] = {}
    for piece in base:
        sizes.setdefault((piece.result.batch, piece.result.piece), []).append(piece.size_mm)
    found = [sizes[result.batch, result.piece] for result in averaged]
    return [
        NipPiece(piece, Measured(float(np.mean([size.value for size in read])), max(size.u for size in read)))
        for piece, read in zip(averaged, found, strict=True)
    ]


def _read(piece: NipPiece, nip: Nip) -> PieceResult:
    """Return the piece's own gap and what belongs to it, as quantities with their shared uncertainties."""
    result, curve = piece.result, piece.result.curve
    assert curve is not None
    x, force_n = _rising(curve, result)
    if force_n[-1] < nip.force_n:
        raise InputError(
            f"nip: piece {result.piece}, capture {result.capture}: was pressed to {force_n[-1]:.4g} N, "
            f"expected at least the wanted {nip.force_n:g} N; press deeper, or ask for less force"
        )
    deflection_mm = float(np.interp(nip.force_n, force_n, x))
    # secant over a small stretch around a deflection, in N/mm
    # at least three points of the curve, or the slope would be that of its noise
    half_mm = max(SLOPE_SHARE * deflection_mm, 1.5 * float(np.median(np.diff(x))))
    low, high = max(deflection_mm - half_mm, float(x[0])), min(deflection_mm + half_mm, float(x[-1]))
    slope = float(np.diff(np.interp([low, high], x, force_n))[0] / (high - low))
    share = hysteresis_share(curve)
    # work of loading up to a deflection, N mm = mJ
    inside = x < deflection_mm
    ends = np.append(x[inside], deflection_mm)
    energy_mj = float(np.trapezoid(np.append(force_n[inside], np.interp(deflection_mm, x, force_n)), ends))
    size_mm = piece.size_mm.value
    # the calibration's part of forces and positions, as shares of them
    force_share, position_share = (
        relative_shared_u_of(result, name) for name in ("peak_force_n", "peak_deflection_mm")
    )
    either = hypot(force_share, position_share)
    # a force that is off moves the point on the curve by its error over the slope
    shared_mm = hypot(force_share * nip.force_n / slope, position_share * deflection_mm)
    values = {
        "gap_mm": size_mm - deflection_mm,
        "deflection_mm": deflection_mm,
        "sensitivity_n_per_mm": slope,
        "loss_mj": share * energy_mj,
        "hysteresis_pct": 100 * share,
        "travel_share": _travel_share(nip, size_mm, deflection_mm, (x, force_n)),
        "size_mm": size_mm,
    }
    shared = {
        "gap_mm": hypot(piece.size_mm.u, shared_mm),
        "deflection_mm": shared_mm,
        "sensitivity_n_per_mm": either * slope,
        "loss_mj": either * abs(values["loss_mj"]),
    }
    return replace(result, values=values, u=dict(shared), u_shared=shared)


def _rising(curve: Curve, result: PieceResult) -> tuple[FloatArray, FloatArray]:
    """Return deflections in mm and forces in N of loading, both rising, so that each can be read off the
    other."""
    known = np.isfinite(curve.deflection_mm) & np.isfinite(curve.loading_n)
    x, force_n = curve.deflection_mm[known], curve.loading_n[known]
    if len(x) < 3 or not (np.diff(x) > 0).all():
        raise InputError(
            f"nip: piece {result.piece}, capture {result.capture}: found {len(x)} points of loading, "
            "expected three or more with rising deflection"
        )
    # a plateau's noise must not give one force two deflections
    rising = np.maximum.accumulate(force_n)
    first = np.concatenate([[True], np.diff(rising) > 0])
    return x[first], rising[first]


def hysteresis_share(curve: Curve) -> float:
    """Return the energy lost over energy absorbed, of the whole loop that was measured; not-a-number
    without one."""
    known = np.isfinite(curve.loading_n) & np.isfinite(curve.unloading_n)
    if np.count_nonzero(known) < FEWEST_OF_LOOP:
        return float("nan")
    x = curve.deflection_mm[known]
    put_in = float(np.trapezoid(curve.loading_n[known], x))
    came_back = float(np.trapezoid(np.maximum(curve.unloading_n[known], 0.0), x))
    return (put_in - came_back) / put_in if put_in > 0 else float("nan")


def _travel_share(
    nip: Nip, size_mm: float, deflection_mm: float, curve: tuple[FloatArray, FloatArray]
) -> float:
    """Return the mean force along the way through the nip over the force at its closest point."""
    wheel_mm, overlap_mm = min(nip.wheels_mm), deflection_mm / len(nip.wheels_mm)
    half_mm = half_travel_mm(wheel_mm, size_mm / 2, overlap_mm)
    way_mm = np.linspace(0.0, half_mm, PROFILE_POINTS)
    depth_mm = len(nip.wheels_mm) * overlap_along_mm(wheel_mm, size_mm / 2, overlap_mm, way_mm)
    force_n = np.interp(depth_mm, *curve)
    return float(np.trapezoid(force_n, way_mm) / half_mm / nip.force_n)


def _in_gap(piece: PieceResult, gap_mm: float) -> PieceResult:
    """Return the piece with its force in a gap, not-a-number deeper than it was pressed.

    What shifts the gap of all pieces equally shifts the force by the slope.
    """
    assert piece.curve is not None
    x, force_n = _rising(piece.curve, piece)
    found_n = float(np.interp(piece.values["size_mm"] - gap_mm, x, force_n, left=0.0, right=np.nan))
    shared_n = piece.u_shared["gap_mm"] * piece.values["sensitivity_n_per_mm"]
    return replace(
        piece,
        values={**piece.values, "force_at_gap_n": found_n},
        u={**piece.u, "force_at_gap_n": shared_n},
        u_shared={**piece.u_shared, "force_at_gap_n": shared_n},
    )


def _on_one_piece(wanted_n: float, found: BatchFigures | None) -> Measured:
    """Return the force on the next piece where the mean is the wanted one."""
    if found is None:
        return Measured(wanted_n)
    # a next piece is as far off as pieces spread, about a mean that n of them leave open
    # standard deviation of a prediction: s sqrt(1 + 1/n)
    spread_n = (found.sd or 0.0) * sqrt(1 + 1 / found.n)
    return estimated(wanted_n, spread_n, found.n - 1 or inf, found.shared_u, found.shared_freedom or inf)


def _lengths(nip: Nip, size_mm: float, deflection_mm: float) -> tuple[float, tuple[float, ...], float | None]:
    """Return the travel while squeezed, the dents of the wheels and the flat on the plate, in mm."""
    piece_mm, sides = size_mm / 2, len(nip.wheels_mm)
    overlap_mm = deflection_mm / sides
    travel_mm = 2 * min(half_travel_mm(wheel, piece_mm, overlap_mm) for wheel in nip.wheels_mm)
    dents = tuple(patch_length_mm(wheel, piece_mm, deflection_mm / 2) for wheel in nip.wheels_mm)
    return travel_mm, dents, plate_patch_mm(piece_mm, deflection_mm / 2) if nip.against_plate else None


def friction_speed_mm_per_s(
    *, mu: float, force_n: float, travel_mm: float, mass_g: float, inertia: float
) -> float:
    """Return the speed that friction gives to a piece at rest: v = sqrt(4 mu N L / ((1 + i) m)), in mm/s.

    `inertia` is zero between two wheels, where the piece does not turn.
    """
    # N mm = mJ = g m^2/s^2, so that the root is in m/s
    return 1000 * sqrt(max(4 * mu * force_n * travel_mm / ((1 + inertia) * mass_g), 0.0))


def _speeds(
    nip: Nip, force: Measured, travel_mm: float, share: float
) -> tuple[Measured | None, Measured | None]:
    """Return the speed of friction with the full force all along, and with the mean force on the way."""
    if nip.mass_g is None:
        return None, None
    inertia = nip.inertia if nip.against_plate else 0.0
    inputs = {"mu": nip.friction, "force_n": force, "mass_g": nip.mass_g}

    def over(length_mm: float) -> Measured:
        return propagate(
            lambda mu, force_n, mass_g: friction_speed_mm_per_s(
                mu=mu, force_n=force_n, travel_mm=length_mm, mass_g=mass_g, inertia=inertia
            ),
            inputs,
        )

    return over(travel_mm), over(travel_mm * share)


def _no_slip(nip: Nip) -> float | None:
    """Return the speed in mm/s of a piece that does not slip: rolling along a plate, its centre has half of
    the rim's."""
    if nip.rim_mm_per_s is None:
        return None
    return nip.rim_mm_per_s / 2 if nip.against_plate else nip.rim_mm_per_s


def _adjustment(gap: BatchFigures, by_batch: Mapping[str, BatchFigures]) -> dict[str, float | None]:
    """Return the adjustment in mm between batch means, with the intervals of the outermost ones, and to fit
    nearly every piece."""
    found: dict[str, float | None] = {
        "between_batches": None,
        "between_batches_most": None,
        "every_piece": None,
    }
    if len(by_batch) > 1:
        low, high = (pick(by_batch.values(), key=lambda batch: batch.mean) for pick in (min, max))
        apart = high.mean - low.mean
        found["between_batches"] = apart
        if low.u is not None and high.u is not None:
            # what the calibration and the size leave is the same in both, and falls out
            away, freedom = combined(
                (sqrt(max((batch.u or 0.0) ** 2 - batch.shared_u**2, 0)), batch.n - 1)
                for batch in (low, high)
            )
            found["between_batches_most"] = apart + coverage_factor(freedom) * away
    # a batch of one piece shows no spread of its own
    lots = list(by_batch.values()) if min(figures.n for figures in by_batch.values()) > 1 else [gap]
    lows, highs = [lot.tolerance_low for lot in lots], [lot.tolerance_high for lot in lots]
    if None not in lows and None not in highs:
        found["every_piece"] = max(high or 0.0 for high in highs) - min(low or 0.0 for low in lows)
    return found


def _trend(pieces: Sequence[NipPiece], deflection_mm: float) -> RateTrend | None:
    """Return the growth of the force at one deflection, from all pieces that reach it at a known rate."""
    forces = []
    for piece in pieces:
        rate = piece.result.values.get(RATE, float("nan"))
        assert piece.result.curve is not None
        x, force_n = _rising(piece.result.curve, piece.result)
        if isfinite(rate) and rate > 0 and x[-1] >= deflection_mm:
            name = f"{piece.result.batch}/{piece.result.piece}"
            forces.append(ForceAtRate(name, rate, float(np.interp(deflection_mm, x, force_n))))
    return rate_trend(forces)


def _at_line(
    base: Sequence[NipPiece],
    nip: Nip,
    lengths: tuple[float, float],
    trend: RateTrend | None,
    base_rate: float | None,
) -> dict[str, Any]:
    """Return what the line's own rate does, as far as a rim speed and a trend tell it."""
    centre = _no_slip(nip)
    if centre is None:
        return {}
    travel_mm, deflection_mm = lengths
    # from first contact to the closest point the piece goes half of the travel
    rate = deflection_mm * centre / (travel_mm / 2)
    line: dict[str, Any] = {"rate_mm_per_s": rate, "time_squeezed_s": travel_mm / centre}
    if trend is None or base_rate is None:
        return line
    factor = trend.factor(rate, base_rate)
    wanted = replace(nip, force_n=nip.force_n / factor.value)
    gap = _gap_for(base, wanted, factor)
    return line | {
        "factor": factor,
        "platen_force_n": wanted.force_n,
        "gap_mm": gap,
        "beyond_decades": trend.beyond_decades(rate),
    }


def _gap_for(base: Sequence[NipPiece], nip: Nip, factor: Measured) -> Measured | None:
    """Return the mean gap with what the factor of the force leaves open of it; None deeper than was
    pressed."""
    try:
        read = [_read(piece, nip) for piece in _one_a_piece(base)]
    except InputError:
        return None
    gap, slope = (batch_figures(read, name) for name in ("gap_mm", "sensitivity_n_per_mm"))
    pieces = (gap.shared_u, gap.shared_freedom) if gap.u is None else (gap.u, gap.freedom)
    parts = {"pieces": pieces[0], "rate": factor.u / factor.value * nip.force_n / slope.mean}
    return Measured(gap.mean, parts=parts, freedoms={"pieces": pieces[1] or inf, "rate": factor.freedom})


def _notes(
    nip: Nip, figures: Mapping[str, BatchFigures], by_batch: Mapping[str, BatchFigures], short: int
) -> list[str]:
    said = [
        "Platen force at test speed is not roller force at line speed: a roller is faster and round. "
        "Build the first machine with an adjustable gap.",
        "The uncertainty of the gap includes those of the size (taken as common to all pieces) and of the "
        "calibration.",
    ]
    if figures["gap_mm"].n < 2:
        said.append(
            "One piece does not show the spread: there is no interval, and the next piece may differ a lot."
        )
    if len(by_batch) < 2:
        said.append("One batch: the difference to the next batch is unknown.")
    else:
        said.append(
            "The tolerance over all pieces treats the batches as one lot; if they differ, look at each one."
        )
    if short:
        said.append(
            f"{short} pieces were not pressed as deep as the mean gap squeezes them; the spread of force "
            "at that gap leaves them out."
        )
    if nip.friction.u == 0:
        said.append(
            "The friction was given without a spread; dust, moisture and wear often change it by a third."
        )
    return said


def _about_other_rates(
    base: Sequence[NipPiece], pieces: Sequence[NipPiece], base_rate: float | None
) -> list[str]:
    """Return which captures gap and spread leave out, with their rates, and which pieces are not in them
    at all."""
    kept = {id(piece) for piece in base}
    others = [piece for piece in pieces if id(piece) not in kept]
    named = [f"{other.result.capture} ({other.result.values[RATE]:.3g} mm/s)" for other in others]
    said = (
        f"Gap and spread come from the {len(base)} captures at {base_rate:.3g} mm/s. Captures at other "
        f"rates only show how force grows with rate: {first_few(named, MOST_NAMED)}."
    )
    held = {(piece.result.batch, piece.result.piece) for piece in base}
    absent = dict.fromkeys(
        other.result.piece for other in others if (other.result.batch, other.result.piece) not in held
    )
    return [f"{said} Not used for gap and spread: {first_few(absent, MOST_NAMED)}." if absent else said]


def _about_loops(figures: Mapping[str, BatchFigures], size_mm: Measured, deepest_mm: float) -> list[str]:
    """Return what to say of the energy lost, and of the size that the gap is counted from."""
    said = []
    if "loss_mj" not in figures:
        said.append("No energy lost per pass: no capture has an unloading stroke. Record the release too.")
    if size_mm.u == 0:
        said.append("The pieces' size is taken as exact; give its spread if it is not.")
    deflection_mm = figures["deflection_mm"].mean
    if deflection_mm < LOOP_SHARE * deepest_mm:
        said.append(
            f"The nip squeezes by {deflection_mm:.3g} mm; the loops were measured to {deepest_mm:.3g} mm: "
            "the energy lost assumes the same share at both; squeeze some pieces to that depth to measure it."
        )
    return said


def _about_rate(trend: RateTrend | None, line: Mapping[str, Any]) -> list[str]:
    if trend is None:
        return [
            "No piece was squeezed at several rates, so the force at line speed is unknown: squeeze some "
            "pieces at rates as far apart as the rig allows."
        ]
    said = []
    if trend.u is None:
        said.append("Two rates fit any line, so the growth with rate has no uncertainty; use a third rate.")
    beyond = line.get("beyond_decades", 0.0)
    if beyond > 0:
        trust = "do not rely on it" if beyond > FAR_DECADES else "take it as an indication"
        said.append(
            f"Extrapolated: the line's rate is {beyond:.1f} powers of ten beyond the measured rates "
            f"({trend.lowest_mm_per_s:.3g} to {trend.highest_mm_per_s:.3g} mm/s); {trust}."
        )
    if line and line.get("gap_mm", 0.0) is None:
        said.append("No gap at line rate: a piece was not pressed to the equivalent platen force.")
    return said
