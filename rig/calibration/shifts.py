"""A calibration's uncertainty as other calibrations: one standard uncertainty off, or drawn at random.

Problem: what an uncertain calibration does to a stiffness or to a loop's area has no formula that is short
and right, since toe regions, turns and fits lie in between. Plan: the law of propagation in its numerical
form (JCGM 100:2008, 5.1.3 note 2): a quantity is worked out again with an input moved by its standard
uncertainty, and the difference is that input's contribution. Correlated inputs are first turned into
independent directions. A scale that is off takes along the frame that was read by it, since what it is wrong
by is in both. The same description draws calibrations at random for a Monte Carlo (JCGM 101:2008). Cost: as
many further calibrations as there are independent directions, some ten.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from rig.calibration.calibration import Calibration
from rig.calibration.frame import OF_FORCE, OF_POSITION
from rig.calibration.scales import Scale
from rig.samples import FloatArray

_NEGLIGIBLE = 1e-10
"""A direction whose standard uncertainty is below this share of the largest one's is rounding."""


@dataclass(frozen=True, slots=True)
class Shift:
    """A calibration that is one standard uncertainty off along one independent direction.

    `source`: what is uncertain: "force calibration, fit", "delay".
    `opposite`: as far off the other way, where both have to be looked at: a delay either way makes the force
    of a sharp turn smaller. None where a quantity follows its input straight on.
    """

    source: str
    degrees_of_freedom: float
    calibration: Calibration
    opposite: Calibration | None = None


def shifts(calibration: Calibration) -> tuple[Shift, ...]:
    """Return all independent directions in which a calibration is uncertain; none where nothing was
    measured."""
    return tuple(_shifts(calibration))


def drawn(calibration: Calibration, random: np.random.Generator) -> Calibration:
    """Return a calibration at random out of those that the evidence allows.

    Parts that were estimated from few readings have Student's distribution (JCGM 101:2008, 6.4.9).
    """
    off = calibration
    factors: dict[tuple[str, float], float] = {}
    for shift in _shifts(calibration):
        # directions of one fit share its estimate of the scatter: a normal value over the root of
        # chi-squared/f has Student's distribution
        key = (shift.source, shift.degrees_of_freedom)
        if key not in factors:
            factors[key] = (
                1.0
                if math.isinf(shift.degrees_of_freedom)
                else math.sqrt(shift.degrees_of_freedom / float(random.chisquare(shift.degrees_of_freedom)))
            )
        off = _moved(off, calibration, shift.calibration, factors[key] * float(random.standard_normal()))
    return off


def _shifts(calibration: Calibration) -> Iterator[Shift]:
    frame, force, position = calibration.frame, calibration.force, calibration.position
    # a scale that is off takes along the frame that was read by it, since the same error is in both
    for source, freedom, off in _scale_shifts(force):
        moved = frame
        if force is not None and _same_force(calibration):
            forces_n = off.value(force.counts(np.array(frame.force_n)))
            moved = replace(frame, force_n=tuple(forces_n.tolist()))
        yield Shift(f"{OF_FORCE}{source}", freedom, replace(calibration, force=off, frame=moved))
    for source, freedom, off in _scale_shifts(position):
        moved = frame
        if position is not None and _same_position(calibration):
            # deflections count from the contact
            from_contact_mm = np.array([0.0, *frame.deflection_at_mm])
            reached_mm = off.value(position.counts(frame.read_by.contact_mm + from_contact_mm))
            moved = replace(frame, deflection_at_mm=tuple((reached_mm[1:] - reached_mm[0]).tolist()))
        yield Shift(f"{OF_POSITION}{source}", freedom, replace(calibration, position=off, frame=moved))
    delay, backlash = calibration.delay, calibration.backlash
    if delay.u_s:
        yield Shift(
            "delay",
            delay.degrees_of_freedom,
            replace(calibration, delay=replace(delay, s=delay.s + delay.u_s)),
            replace(calibration, delay=replace(delay, s=delay.s - delay.u_s)),
        )
    yield from _frame_shifts(calibration)
    if backlash.u_mm:
        yield Shift(
            "backlash",
            backlash.degrees_of_freedom,
            replace(calibration, backlash=replace(backlash, mm=backlash.mm + backlash.u_mm)),
        )


def _scale_shifts(scale: Scale | None) -> Iterator[tuple[str, float, Scale]]:
    """Yield source, degrees of freedom and the scale that is one standard uncertainty off."""
    if scale is None or scale.uncertainty is None:
        return
    known = scale.uncertainty
    powers = known.unit_counts ** np.arange(1, 1 + len(scale.terms))
    # the covariance is that of the terms' values at unit_counts: over the powers it is that of the terms
    for direction in _directions(known.covariance):
        terms = tuple((np.array(scale.terms) + direction / powers).tolist())
        yield "fit", known.degrees_of_freedom, scale.with_terms(terms)
    for share in known.shares:
        if share.relative_u:
            terms = tuple(term * (1 + share.relative_u) for term in scale.terms)
            yield share.source, share.degrees_of_freedom, scale.with_terms(terms)
        if share.absolute_u:
            off = replace(scale, offset=share.absolute_u, offset_from=share.least)
            yield share.source, share.degrees_of_freedom, off


def _same_force(calibration: Calibration) -> bool:
    """Return whether the frame was read by the scale of force that is in use."""
    return calibration.force is not None and calibration.frame.read_by.force == calibration.force.identity


def _same_position(calibration: Calibration) -> bool:
    """Return whether the frame was read by the scale of position that is in use."""
    scale = calibration.position
    return scale is not None and calibration.frame.read_by.position == scale.identity


def _frame_shifts(calibration: Calibration) -> Iterator[Shift]:
    frame = calibration.frame
    if frame.covariance_mm2 is None:
        return
    deflection = np.array(frame.deflection_at_mm)
    for direction in _directions(frame.covariance_mm2):
        moved = replace(frame, deflection_at_mm=tuple((deflection + direction).tolist()))
        yield Shift("frame, fit", frame.degrees_of_freedom, replace(calibration, frame=moved))
    # those of scales that are still in use are moved together with the scales
    followed = [OF_FORCE] * _same_force(calibration) + [OF_POSITION] * _same_position(calibration)
    for share in frame.shares:
        if share.relative_u and not share.source.startswith(tuple(followed)):
            moved = replace(frame, deflection_at_mm=tuple((deflection * (1 + share.relative_u)).tolist()))
            yield Shift(f"frame, {share.source}", share.degrees_of_freedom, replace(calibration, frame=moved))


def _directions(covariance: tuple[tuple[float, ...], ...]) -> list[FloatArray]:
    """Return independent directions of one standard uncertainty: columns of a root of the covariance."""
    values, vectors = np.linalg.eigh(np.array(covariance))
    lengths = np.sqrt(np.maximum(values, 0.0))
    return [
        vectors[:, i] * lengths[i]
        for i in range(len(lengths))
        if lengths[i] > _NEGLIGIBLE * lengths.max(initial=0.0)
    ]


def _moved(off: Calibration, nominal: Calibration, shifted: Calibration, times: float) -> Calibration:
    """Return `off` moved by this many times the way from the nominal to the shifted calibration."""
    frames = (off.frame, nominal.frame, shifted.frame)
    deflections = zip(*(frame.deflection_at_mm for frame in frames), strict=True)
    forces = zip(*(frame.force_n for frame in frames), strict=True)
    return replace(
        off,
        force=_scale_moved(off.force, nominal.force, shifted.force, times),
        position=_scale_moved(off.position, nominal.position, shifted.position, times),
        delay=replace(off.delay, s=off.delay.s + times * (shifted.delay.s - nominal.delay.s)),
        frame=replace(
            off.frame,
            force_n=tuple(at + times * (to - start) for at, start, to in forces),
            deflection_at_mm=tuple(at + times * (to - start) for at, start, to in deflections),
        ),
        backlash=replace(
            off.backlash, mm=off.backlash.mm + times * (shifted.backlash.mm - nominal.backlash.mm)
        ),
    )


def _scale_moved(
    off: Scale | None, nominal: Scale | None, shifted: Scale | None, times: float
) -> Scale | None:
    if off is None or nominal is None or shifted is None:
        return off
    steps = zip(off.terms, nominal.terms, shifted.terms, strict=True)
    moved = off.with_terms(tuple(at + times * (to - start) for at, start, to in steps))
    if not shifted.offset:
        return moved
    return replace(moved, offset=off.offset + times * shifted.offset, offset_from=shifted.offset_from)
