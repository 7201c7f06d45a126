"""Frame compliance, from slow presses of a stiff block.

Problem: with a block between the platens that hardly deforms, what the position reading still travels is the
frame's deflection; but the block has a share in it, presses differ, and a frame rubs.
Plan: each press gives a curve of its own (see `frame_curves`); their mean is the frame's, and the press is
the unit of scatter, not the sample. Noise, resolution, half of what lies between loading and unloading, and
what the curve leaves are added. What is no frame is refused: a soft or moving block, a deflection that
drowns. Cost: tables of some sixty steps of force for each press.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from rig.calibration.calibration import Calibration
from rig.calibration.frame import OF_FORCE, OF_POSITION, Frame, ReadBy, through_origin
from rig.calibration.frame_curves import (
    LEAST_STEPS,
    MOST_STEPS,
    Choice,
    FrameCurve,
    FrameStrokes,
    chosen,
    curves_through,
    strokes_of,
)
from rig.calibration.presses import Presses, Sensing, aligned, presses_of
from rig.calibration.provenance import Provenance, Share
from rig.calibration.scale_fitting import scale_budget
from rig.calibration.scatter import more_than_noise, variance_factor
from rig.core.measured import combined, coverage_factor
from rig.errors import InputError
from rig.samples import FloatArray, Samples

LEAST_PRESSES = 3
"""Two have hardly a scatter."""

LEAST_SIGNAL = 100.0
"""Largest force over noise."""

LEAST_GIVE_STEPS = 8
"""Of the position reading, over which the frame must deflect."""

SOFTEST_MM_PER_N = 0.2
"""A frame that deflects more is not a frame (5 N/mm is a specimen); most likely the block is soft."""

LOSSY_SHARE = 0.25
"""Of the frame's deflection, which may lie between loading and unloading at the most: rubber, or a block
that slid."""

MOVED_SHARE = 0.1
"""Of the frame's deflection, by which the contact may wander within a recording."""

MOVED_STEPS = 3.0
"""Of the position reading, which it may wander in any case."""

WORST_RELATIVE_U = 0.2
"""At the largest force. A frame known less well is better not known."""

FALLING_SHARE = 0.02
"""Of the frame's deflection, by which a curve may fall through noise."""

MOST_KNOTS = 6

_FIRST_SHARE = 0.02
"""Of the peak: a force that is surely one."""

_CURVE_POINTS = 101
_SAWTOOTH = 1 / 360
"""Variance of the mean over a long run of equal steps that is cut anywhere, in squares of a step over the
square of how many there are: both ends contribute that of half the second Bernoulli polynomial, 1/720."""


@dataclass(frozen=True, slots=True)
class Block:
    """What lies between the platens.

    `stiffness_n_per_mm`: its own; infinite if it is taken as rigid.
    """

    stiffness_n_per_mm: float = math.inf
    relative_u: float = 0.0

    @property
    def compliance_mm_per_n(self) -> float:
        """Compliance of the block itself."""
        return 1 / self.stiffness_n_per_mm

    @property
    def words(self) -> str:
        """For a record."""
        if math.isinf(self.stiffness_n_per_mm):
            return "a block taken as rigid: its own deflection counts as the frame's"
        return (
            f"a block of {self.stiffness_n_per_mm / 1e3:g} N/um, stated, "
            f"relative standard uncertainty {100 * self.relative_u:g} %"
        )


@dataclass(frozen=True, slots=True, eq=False)
class FrameMeasurement:
    """What presses of a block say.

    `u_mm`, `interval_mm`: at its knots: standard uncertainty with all shares, and half the 95 % interval.
    `force_n`, `loading_mm`, `unloading_mm`: give on both strokes in steps of force, means of the presses,
    shape (steps,).
    `loop_mm`: widest distance between the strokes at a knot.
    """

    frame: Frame
    u_mm: tuple[float, ...]
    interval_mm: tuple[float, ...]
    force_n: FloatArray
    loading_mm: FloatArray
    unloading_mm: FloatArray
    loop_mm: float
    residual_mm: float
    contacts_mm: tuple[float, ...]
    choices: tuple[Choice, ...]
    reason: str
    left_out: int
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Known:
    """How well the deflections at the knots are known, and what lies between the strokes there."""

    covariance_mm2: FloatArray
    degrees_of_freedom: float
    loop_mm: FloatArray
    notes: tuple[str, ...]


def measure_frame(
    recordings: Sequence[Samples],
    calibration: Calibration,
    block: Block | None = None,
    *,
    knots: int | None = None,
    softest_mm_per_n: float = SOFTEST_MM_PER_N,
) -> FrameMeasurement:
    """Return the deflection of the frame.

    Parameters
    ----------
    recordings
        Slow presses of a block that let go in between; each recording whole. The block may be laid in anew
        between recordings, not within one.
    calibration
        So far; its own frame is no matter.
    block
        What was pressed; None for one that is taken as rigid.
    knots
        How many, from 1 to 6; None for as few as the curve needs.
    softest_mm_per_n
        Give for each newton above which it is no frame.

    Raises
    ------
    InputError
        If there are too few presses or values, if force or deflection are small beside noise and resolution,
        or if the block is soft, loses energy, or moves.

    References
    ----------
    JCGM 100:2008, 4.2, 5.1 and F.2.2.1: scatter of a mean, propagation, resolution.
    """
    block = block or Block()
    if knots is not None and not 1 <= knots <= MOST_KNOTS:
        raise InputError(f"knots: found {knots}, expected 1 to {MOST_KNOTS}")
    if recordings:
        calibration = calibration.for_channels(recordings[0].force_channel, recordings[0].position_channel)
    signals = aligned(recordings, calibration)
    presses = presses_of(signals, released=True)
    if len(presses.whole) < LEAST_PRESSES:
        raise InputError(
            f"found {len(presses.whole)} whole presses of the block ({presses.left_out} left out); expected "
            f"{LEAST_PRESSES} at the least, and better five"
        )
    sensing = presses.sensing(signals[0])
    _refuse_what_drowns(presses, sensing, softest_mm_per_n)
    step_mm = sensing.position_step_mm
    strokes = strokes_of(
        presses.whole,
        backlash_mm=calibration.backlash.mm,
        block_compliance_mm_per_n=block.compliance_mm_per_n,
        noise_n=sensing.force_u_n,
        # finer steps of force than the position can tell apart would only repeat its counts
        most_steps=int(min(_travel_mm(presses) / step_mm, MOST_STEPS)) if step_mm else MOST_STEPS,
    )
    curves = list(curves_through(strokes, knots))
    if not curves:
        raise InputError(
            f"knots: found {knots} for {strokes.count.shape[2]} steps of force that can be told apart; "
            "expected fewer knots, or slower and harder presses"
        )
    return replace(_measurement(curves, strokes, sensing, calibration, block), left_out=presses.left_out)


def _measurement(
    curves: Sequence[FrameCurve],
    strokes: FrameStrokes,
    sensing: Sensing,
    calibration: Calibration,
    block: Block,
) -> FrameMeasurement:
    """Choose a curve, refuse it where it is no frame's, and find its uncertainty."""
    curve, reason = chosen(curves, abs(float(curves[0].deflection_mm[-1])))
    _refuse_what_is_no_frame(curve, block)
    known = _known(curve, strokes, sensing)
    _refuse_what_moved(curve, strokes, sensing, known)
    choices = tuple(tried.choice for tried in curves)
    frame = Frame(
        tuple(curve.knots_n.tolist()),
        tuple(curve.deflection_mm.tolist()),
        tuple(tuple(row) for row in known.covariance_mm2.tolist()),
        known.degrees_of_freedom,
        tuple(_shares(calibration, block, curve)),
        Provenance(references=(block.words,), details=_details(curve, strokes, choices, reason, sensing)),
        ReadBy(
            "" if calibration.force is None else calibration.force.identity,
            "" if calibration.position is None else calibration.position.identity,
            float(curve.contacts_mm.mean()),
        ),
    )
    u_and_freedom = _with_shares(frame)
    loading_mm, unloading_mm = (strokes.position_mm - curve.contacts_mm[:, None, None]).mean(axis=0)
    return FrameMeasurement(
        frame,
        tuple(u for u, _ in u_and_freedom),
        tuple(coverage_factor(freedom) * u for u, freedom in u_and_freedom),
        strokes.middle_n,
        loading_mm,
        unloading_mm,
        float(np.abs(known.loop_mm).max()),
        curve.choice.residual_mm,
        tuple(curve.contacts_mm.tolist()),
        choices,
        reason,
        0,
        (*_notes(calibration, block), *known.notes),
    )


def _travel_mm(presses: Presses) -> float:
    """Return how far the platen goes on from the contact to the peak, median of the presses."""
    ways = []
    for press in presses.whole:
        reached = int(np.argmax(press.force_n > _FIRST_SHARE * press.peak_force_n))
        ways.append(float(press.position_mm.max() - press.position_mm[reached]))
    return float(np.median(ways)) / (1 - _FIRST_SHARE)


def _refuse_what_drowns(presses: Presses, sensing: Sensing, softest_mm_per_n: float) -> None:
    # medians, which one press that went deeper does not move
    peak_n = float(np.median([press.peak_force_n for press in presses.whole]))
    travel_mm, step_mm = _travel_mm(presses), sensing.position_step_mm
    if travel_mm > softest_mm_per_n * peak_n:
        raise InputError(
            f"found {travel_mm:.3g} mm of travel under {peak_n:.4g} N, {1e3 * travel_mm / peak_n:.3g} um/N: "
            f"far softer than a frame (expected at most {1e3 * softest_mm_per_n:.3g} um/N); "
            "press a block of steel, with no specimen beside it"
        )
    if peak_n < LEAST_SIGNAL * sensing.force_u_n:
        raise InputError(
            f"found forces up to {peak_n:.3g} N, noise {sensing.force_u_n:.2g} N; expected "
            f"{LEAST_SIGNAL:g} times the noise at the least: press harder, as hard as specimens will be"
        )
    if travel_mm < LEAST_GIVE_STEPS * step_mm:
        raise InputError(
            f"the frame deflects by {1e3 * travel_mm:.3g} um under {peak_n:.4g} N, and the position "
            f"reading's step is {1e3 * step_mm:.3g} um; expected {LEAST_GIVE_STEPS} steps at the least: "
            "press harder, or take a finer position sensor"
        )


def _refuse_what_is_no_frame(curve: FrameCurve, block: Block) -> None:
    top_n, top_mm = float(curve.knots_n[-1]), float(curve.deflection_mm[-1])
    if top_mm <= 0:
        alone_um = 1e3 * top_n * block.compliance_mm_per_n
        raise InputError(
            f"at {top_n:.4g} N the block alone, as stated, deflects by {alone_um:.3g} um, more than the "
            f"whole ({alone_um + 1e3 * top_mm:.3g} um was found); expected a stiffer block, or its right "
            "stiffness"
        )
    # a spline may fall between knots that rise
    grid_n = np.linspace(0, top_n, _CURVE_POINTS)
    deflection_mm = Frame(tuple(curve.knots_n.tolist()), tuple(curve.deflection_mm.tolist())).deflection_mm(
        grid_n
    )
    falls_mm = float((np.maximum.accumulate(deflection_mm) - deflection_mm).max())
    if falls_mm > FALLING_SHARE * top_mm:
        raise InputError(
            f"the deflection falls by {1e3 * falls_mm:.2g} um while the force rises; expected a curve that "
            "rises all the way: a block that settles, or too many knots for the noise"
        )


def _refuse_what_moved(curve: FrameCurve, strokes: FrameStrokes, sensing: Sensing, known: _Known) -> None:
    top_mm = float(curve.deflection_mm[-1])
    # a stiff frame deflects so little that the reading's own steps would look like a move
    limit_mm = max(MOVED_SHARE * top_mm, MOVED_STEPS * max(sensing.position_step_mm, sensing.position_u_mm))
    for recording in np.unique(strokes.recording).tolist():
        contacts_mm = curve.contacts_mm[strokes.recording == recording]
        if np.ptp(contacts_mm) > limit_mm:
            told = ", ".join(f"{contact:.3f}" for contact in contacts_mm)
            raise InputError(
                f"recording {recording}: the block moved: its presses meet it at {told} mm; expected the "
                f"same place within {limit_mm:.2g} mm, so that the block neither settles nor creeps"
            )
    widest_mm = float(np.abs(known.loop_mm).max())
    if widest_mm > max(LOSSY_SHARE * top_mm, limit_mm):
        raise InputError(
            f"loading and unloading lie {1e3 * widest_mm:.3g} um apart, the deflection is {1e3 * top_mm:.3g} "
            "um; expected next to nothing: a soft block, a block that slid, or a delay and backlash that "
            "were not corrected (`pressrig calibrate delay`, slower presses)"
        )


def _known(curve: FrameCurve, strokes: FrameStrokes, sensing: Sensing) -> _Known:
    """Return how well the deflections are known: scatter of presses, noise, resolution, friction and what
    the curve leaves."""
    presses, knots = curve.deflections_mm.shape
    steps = strokes.count.shape[2]
    # variance of a single position at a given force: its own noise and count, and the force's noise
    slope_mm_per_n = float(curve.deflection_mm[-1] / curve.knots_n[-1])
    single_mm2 = sensing.position_u_mm**2 + (slope_mm_per_n * sensing.force_u_n) ** 2
    share = (1 / strokes.count[:, strokes.used]).mean(axis=0)
    one_mm2 = single_mm2 * share.sum(axis=0) / len(share) ** 2
    coarse_mm2 = _coarseness(curve, steps, sensing)
    # Mahalanobis distances of the presses' curves from their mean: chi-squared where noise is all there is
    of_one = _through(curve.solver, one_mm2)
    off = curve.deflections_mm - curve.deflection_mm
    chi_squared = float(np.einsum("pk,kl,pl->", off, np.linalg.pinv(of_one), off))
    notes = []
    if more_than_noise(chi_squared, (presses - 1) * knots):
        # type A evaluation (JCGM 100:2008, 4.2), with the press as the unit
        factor, freedom = 1.0, presses - 1.0
        scatter = off.T @ off / (presses - 1) / presses + of_one / presses
        notes.append("The presses differ by more than noise; their scatter is in the uncertainty.")
    else:
        factor, freedom = variance_factor(chi_squared, (presses - 1) * knots)
        scatter = factor * of_one / presses
    if strokes.rising_only:
        loop_mm, apart_mm = _after_backlash(curve, strokes, single_mm2 * max(factor, 1.0), coarse_mm2)
        notes.append(_about_backlash(strokes))
    else:
        loop_mm, apart_mm = _between_strokes(
            curve, strokes, 4 * (max(factor, 1.0) * one_mm2 / presses + coarse_mm2)
        )
    left_mm2 = _left_by_curve(curve, max(factor, 1.0) * one_mm2 / presses + coarse_mm2)
    if apart_mm.any():
        notes.append(
            f"Loading and unloading lie up to {1e3 * np.abs(loop_mm).max():.2g} um apart; half of it is in "
            "the uncertainty."
        )
    # what all presses share; half ranges are uniform: their squares over 3 (JCGM 100:2008, 4.3.7)
    fixed = _through(curve.solver, coarse_mm2) + np.outer(apart_mm, apart_mm) / 3 + left_mm2 * np.eye(knots)
    fixed += _below_steps_mm(curve, strokes.low_n) ** 2 / 3
    total = scatter + fixed
    if math.isfinite(freedom):
        # of the largest force, where the deflection matters most
        parts = [(math.sqrt(scatter[-1, -1]), freedom), (math.sqrt(fixed[-1, -1]), math.inf)]
        _, freedom = combined(parts)
    return _Known((total + total.T) / 2, freedom, loop_mm, tuple(notes))


def _coarseness(curve: FrameCurve, steps: int, sensing: Sensing) -> float:
    """Return the variance of a step's mean from the position's counts, which all presses share."""
    step_mm = sensing.position_step_mm
    if not step_mm:
        return 0.0
    counts = float(curve.deflection_mm[-1]) / step_mm / steps
    return step_mm**2 * min(_SAWTOOTH / counts**2, 1 / 12)


def _through(solver: FloatArray, variance_mm2: FloatArray | float) -> FloatArray:
    """Return the covariance at the knots from variances of the steps' means."""
    covariance: FloatArray = (solver * variance_mm2) @ solver.T
    return covariance


def _between_strokes(
    curve: FrameCurve, strokes: FrameStrokes, variance_mm2: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the distance from loading to unloading at no force and at the knots, in mm; and how far a
    stroke may lie from the mean at the knots, both contacts being taken where loading begins. The latter
    is nothing where chance would do as much.
    """
    distance_mm = (strokes.position_mm[:, 1] - strokes.position_mm[:, 0]).mean(axis=0)
    design = np.column_stack([np.ones(len(curve.design)), curve.design])
    solver = np.linalg.pinv(design)
    terms = solver @ distance_mm
    loop_mm = np.concatenate([terms[:1], terms[0] + terms[1:]])
    chi_squared = float(terms @ np.linalg.pinv(_through(solver, variance_mm2)) @ terms)
    if not more_than_noise(chi_squared, len(terms)):
        return loop_mm, np.zeros(len(terms) - 1)
    return loop_mm, np.maximum(np.abs(loop_mm[1:] - loop_mm[0]), np.abs(loop_mm[1:] + loop_mm[0])) / 2


def _after_backlash(
    curve: FrameCurve, strokes: FrameStrokes, single_mm2: float, coarse_mm2: float
) -> tuple[FloatArray, FloatArray]:
    """Return the same as `_between_strokes` where the backlash hides the upper part of the unloading: a
    straight line through what is left. That both lie apart by as much all the way says how well the
    backlash is known, and does not change the curve.
    """
    none = np.zeros(len(curve.knots_n))
    both = strokes.both
    if both.sum() < LEAST_STEPS:
        return np.concatenate([[0.0], none]), none
    position_mm, count = strokes.position_mm[:, :, both], strokes.count[:, :, both]
    distance_mm = (position_mm[:, 1] - position_mm[:, 0]).mean(axis=0)
    # of the difference of two means, of both strokes, each over the presses
    variance_mm2 = single_mm2 * (1 / count).mean(axis=0).sum(axis=0) / len(count) + 2 * coarse_mm2
    solver = np.linalg.pinv(np.column_stack([np.ones(len(distance_mm)), strokes.middle_n[both]]))
    level_mm, opens_mm_per_n = (float(term) for term in solver @ distance_mm)
    # the line's level is the backlash itself; only its slope is the frame's friction
    opening_mm = opens_mm_per_n * curve.knots_n
    loop_mm = np.concatenate([[level_mm], level_mm + opening_mm])
    if not more_than_noise(opens_mm_per_n**2 / float(_through(solver, variance_mm2)[1, 1]), 1):
        return loop_mm, none
    return loop_mm, np.abs(opening_mm) / 2


def _about_backlash(strokes: FrameStrokes) -> str:
    """Return what the backlash in the position reading leaves of the way out."""
    share = 100 * float(strokes.both.mean())
    compared = (
        f"with which the way out is compared where the reading has followed, over {share:.0f} % of the force"
        if strokes.both.sum() >= LEAST_STEPS
        else "and what the frame's own friction does between way in and way out is not known"
    )
    return f"The position reading has backlash: the compliance is that of loading, {compared}."


def _below_steps_mm(curve: FrameCurve, low_n: float) -> float:
    """Return how far the contact may be off, and with it all deflections: a natural spline is straight at
    the origin, and below the first step there is no evidence whether the frame is. Nothing for a frame
    that is straight."""
    if len(curve.knots_n) == 1:
        return 0.0
    spline = through_origin(curve.knots_n, curve.deflection_mm)
    return abs(float(spline(curve.knots_n[0], 2))) * low_n**2


def _left_by_curve(curve: FrameCurve, variance_mm2: FloatArray) -> float:
    """Return the variance of what the curve leaves of the steps' means, where chance leaves less."""
    left_mm = curve.residual_mm.mean(axis=0)
    freedom = len(left_mm) - 1 - len(curve.knots_n)
    if not more_than_noise(float(np.sum(left_mm**2 / variance_mm2)), freedom):
        return 0.0
    return float(np.sum(left_mm**2)) / freedom


def _shares(calibration: Calibration, block: Block, curve: FrameCurve) -> Iterator[Share]:
    """Yield what the scales and the block leave, as shares of the deflection."""
    for name, scale in ((OF_FORCE, calibration.force), (OF_POSITION, calibration.position)):
        if scale is not None and scale.uncertainty is not None:
            fit, *further, _ = scale_budget(scale)
            yield Share(f"{name}fit", fit.relative_u, fit.degrees_of_freedom)
            for line in further:
                yield Share(f"{name}{line.source}", line.relative_u, line.degrees_of_freedom)
    if block.relative_u:
        of_block = block.compliance_mm_per_n * float(curve.knots_n[-1] / curve.deflection_mm[-1])
        yield Share("stiffness of the block", of_block * block.relative_u)


def _with_shares(frame: Frame) -> list[tuple[float, float]]:
    """Return standard uncertainty and degrees of freedom at each knot, all shares in them."""
    own_u_mm = np.sqrt(np.diag(np.array(frame.covariance_mm2)))
    known = [
        combined(
            [
                (float(u_mm), frame.degrees_of_freedom),
                *((share.relative_u * abs(at_mm), share.degrees_of_freedom) for share in frame.shares),
            ]
        )
        for u_mm, at_mm in zip(own_u_mm, frame.deflection_at_mm, strict=True)
    ]
    top_mm, top_u_mm = frame.deflection_at_mm[-1], known[-1][0]
    if top_u_mm > WORST_RELATIVE_U * top_mm:
        raise InputError(
            f"the deflection at {frame.force_n[-1]:.4g} N is {1e3 * top_mm:.3g} um with a standard "
            f"uncertainty of {1e3 * top_u_mm:.2g} um; expected {100 * WORST_RELATIVE_U:g} % of it at the "
            "most: press harder, more often, or on a block whose stiffness is better known"
        )
    return known


def _details(
    curve: FrameCurve, strokes: FrameStrokes, choices: Sequence[Choice], reason: str, sensing: Sensing
) -> dict[str, Any]:
    """Return what the record keeps for whoever wants to work it out again."""
    presses = zip(
        strokes.recording.tolist(), curve.contacts_mm.tolist(), curve.deflections_mm.tolist(), strict=True
    )
    return {
        "presses": [
            {"recording": recording, "contact_mm": contact_mm, "deflection_mm": deflection_mm}
            for recording, contact_mm, deflection_mm in presses
        ],
        "residual_mm": curve.choice.residual_mm,
        "curves_tried": [asdict(choice) for choice in choices],
        "choice": reason,
        "noise": {"force_n": sensing.force_u_n, "position_mm": sensing.position_u_mm},
    }


def _notes(calibration: Calibration, block: Block) -> Iterator[str]:
    if math.isinf(block.stiffness_n_per_mm):
        yield "The block was taken as rigid: its own deflection counts as the frame's."
    bare = [
        name
        for name, scale in (("force", calibration.force), ("position", calibration.position))
        if scale is not None and scale.uncertainty is None
    ]
    if bare:
        yield (
            f"The scale of {' and '.join(bare)} was stated, not measured: its uncertainty is not in the "
            "frame's."
        )
