"""Energy absorbed and returned: the area under each stroke.

Trapezoids of force over deflection between the nodes, the ends interpolated to contact and to the turn. On
a curved stroke, chords miss f'' h^2/12 per length, and means over a block lie f'' h^2/24 inside the curve;
leaving out every second node quadruples the first only. So half of what that changes is what trapezoids
between means miss, and a third of it what those between samples miss: that is put back. Both strokes of a
specimen with hysteresis bend differently, so that it would be missing from their difference. N mm = mJ.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from rig.analyser.peak import Side
from rig.analyser.ragged import BoolArray, Nodes, along_rows, row_sums
from rig.analyser.roughness import Roughness
from rig.samples import FloatArray

PUT_BACK, PUT_BACK_SINGLE = 1 / 2, 1 / 3
PUT_BACK_NOISE, PUT_BACK_SINGLE_NOISE = sqrt(1.25), sqrt(10 / 9)
"""What is put back weighs neighbouring nodes by a half and three halves in turn, single samples by two thirds
and four: their noise grows by this."""

FEWEST_PUT_BACK = 8
"""Fewer single samples tell no curve between them: a table of points read by hand is as it is written."""

LEFT_SINGLE = 1 / 3
LEFT_AVERAGED = 1 / 6
"""What may be left of the difference that every second node makes: all that chords of single samples miss,
since a kink between two is nowhere; a third of what was put back."""

HARMONICS = np.arange(1.0, 9.0)
"""Those of a rounding error that matter: the others are smaller than an eighth of the first."""

JUMP = 4.0
"""A step of force that is this many times steeper than those beside it is a jump."""

STANDING = 8.0
"""A node of this many times the samples of the one before is the begin of a pause."""

LEAP_SHARE = 0.1
LEFT_OF_LEAP = 1 / 16
"""Of a stroke that was averaged into some hundred nodes, a step between two of this share of the way is a
leap: what a curve within it may lie off the chord by, as a share of the rectangle."""


@dataclass(frozen=True, slots=True)
class Work:
    """Area under one stroke of each cycle.

    Parameters
    ----------
    mj
        Shape (rows,).
    noise_u, chord_u
        Standard uncertainties from single samples' noise (independent between strokes) and from the chords.
    """

    mj: FloatArray
    noise_u: FloatArray
    chord_u: FloatArray


def work(
    nodes: Nodes,
    *,
    contact_mm: FloatArray,
    from_contact: BoolArray,
    low: Side,
    end_mm: FloatArray,
    end_n: FloatArray,
    crept: BoolArray,
    rough: Roughness,
    position_noise_mm: float,
    rest_noise_n: float = np.inf,
    resolution_mm: float = 0.0,
) -> Work:
    """Integrate loading strokes, or unloading strokes with their nodes in reverse order.

    Parameters
    ----------
    nodes
        Nodes in the order from contact to the deep end.
    contact_mm
        Where the stroke's force leaves zero, shape (rows,).
    from_contact
        Whether the stroke reaches down to contact.
    low
        The sample that it begins with where it does not.
    end_mm, end_n
        The deep end.
    crept
        Whether the platen crept on to the deep end in a hold: no curve goes on to there.
    rough, rest_noise_n, position_noise_mm, resolution_mm
        What a single force is worth, in a press and at rest, and a single position; the step of positions.
    """
    real = nodes.real
    contact = np.where(from_contact, contact_mm, -np.inf)
    inside = real & (nodes.x_mm > contact[:, None]) & (nodes.x_mm < end_mm[:, None])
    start_mm = np.where(from_contact, contact_mm, low.x_mm)
    start_n = np.where(from_contact, 0.0, low.force_n)
    # nodes that do not take part are folded onto the nearest end, where they add no area
    before = np.cumsum(inside, axis=1) == 0
    x = np.where(inside, nodes.x_mm, np.where(before, start_mm[:, None], end_mm[:, None]))
    f = np.where(inside, nodes.force_n, np.where(before, start_n[:, None], end_n[:, None]))
    x = np.concatenate([start_mm[:, None], x, end_mm[:, None]], axis=1)
    f = np.concatenate([start_n[:, None], f, end_n[:, None]], axis=1)
    area = _trapezoid(x, f)
    count = np.where(inside, nodes.count, np.inf)
    half_span = (x[:, 2:] - x[:, :-2]) / 2
    half_rise = (f[:, 2:] - f[:, :-2]) / 2
    # the teeth of a crush are no larger than the force that is left of it once the specimen has let go
    force_noise_n = np.minimum(rough.at(nodes.force_n), np.abs(nodes.force_n) + rest_noise_n)
    variance = ((half_span * force_noise_n) ** 2 + (half_rise * position_noise_mm) ** 2) / count
    averaged = nodes.count.max(axis=1) > 1
    coarse = _trapezoid(*_every_second(x, f, inside))
    few = np.count_nonzero(inside, axis=1) < FEWEST_PUT_BACK
    missed = (area - coarse) * np.where(averaged, PUT_BACK, np.where(crept | few, 0.0, PUT_BACK_SINGLE))
    # a curve that bends one way and then the other leaves little in sum: each bend is as uncertain as itself
    bends = (np.diff(x[:, :-1]) * np.diff(f[:, 1:]) - np.diff(f[:, :-1]) * np.diff(x[:, 1:])) / 2
    bent = np.sqrt(row_sums(bends**2) / 2)
    left = np.maximum(np.abs(area - coarse), bent) * np.where(averaged, LEFT_AVERAGED, LEFT_SINGLE)
    # what a curve does where the platen leapt between two holds, no node says
    step_mm, step_n = np.diff(x, axis=1), np.diff(f, axis=1)
    leapt = averaged[:, None] & (step_mm > LEAP_SHARE * (end_mm - start_mm)[:, None])
    left = left + LEFT_OF_LEAP * row_sums(np.where(leapt, np.abs(step_mm * step_n), 0.0))
    # nor where within a step a force jumped
    steep = np.abs(step_n) / np.where(step_mm > 0, step_mm, np.inf)
    beside = np.where(step_mm > 0, steep, np.inf)
    jumped = steep[:, 1:-1] > JUMP * np.maximum(beside[:, :-2], beside[:, 2:])
    squares = row_sums(np.where(jumped, (step_mm * step_n)[:, 1:-1] ** 2, 0.0))
    left = np.hypot(left, np.sqrt(squares / 12))
    # the first node of a pause is a mean over a force that falls: as the pause began there was more, by half
    # of what it falls by to the next node
    size = np.where(inside, nodes.count, np.nan)
    stands = size[:, 1:-1] > STANDING * size[:, :-2]
    fell_n = np.where(stands, np.abs(f[:, 3:-1] - f[:, 2:-2]), 0.0)
    left = left + row_sums(np.abs(step_mm[:, 1:-2]) * fell_n) / 4
    # a force before the contact shows that it was found too late, by as much as it adds
    ahead = real & (nodes.x_mm <= contact[:, None])
    early = (nodes.force_n[:, 1:] + nodes.force_n[:, :-1]) * np.diff(nodes.x_mm, axis=1)
    early = np.where(ahead[:, 1:], early, 0.0)
    left = np.hypot(left, row_sums(early) / 2)
    samples = row_sums(np.where(inside, nodes.count, 0.0))
    if resolution_mm > 0:
        ends_mm = np.where(inside, nodes.x_mm, np.nan)
        way_mm = np.nanmax(ends_mm, axis=1, initial=-np.inf) - np.nanmin(ends_mm, axis=1, initial=np.inf)
        nodes_inside = np.maximum(np.count_nonzero(inside, axis=1), 1)
        step_mm = np.maximum(way_mm, 0.0) / np.maximum(samples * (1 - 1 / nodes_inside), 1.0)
        beat_mm = _beat_mm(step_mm, samples, position_noise_mm, resolution_mm)
        left = np.hypot(left, beat_mm * np.abs(end_n - start_n))
    # the stroke is far longer than correlated noise remembers: it is worth that many fewer samples
    fewer = rough.fewer(samples)
    noise_u = np.sqrt(row_sums(variance) * fewer) * np.where(averaged, PUT_BACK_NOISE, PUT_BACK_SINGLE_NOISE)
    return Work(area + missed, noise_u, left)


def _beat_mm(step_mm: FloatArray, samples: FloatArray, noise_mm: float, resolution_mm: float) -> FloatArray:
    """Return the standard uncertainty of a stroke's mean position that rounding leaves, whose errors repeat
    where the way between two samples is in a ratio of small numbers to the step of the position.

    Harmonic m of a rounding error has the amplitude resolution/(pi m). Over many samples of even steps it
    averages out unless m steps are a whole number of resolutions; their way is known to one of these.
    """
    samples = np.maximum(samples, 1.0)[:, None]
    turns = HARMONICS * step_mm[:, None] / resolution_mm
    apart = np.maximum(np.abs(turns - np.rint(turns)) - HARMONICS / samples, 0.0)
    kernel = 1 / np.maximum(np.pi * samples * apart, 1.0)
    before_mm = sqrt(max(noise_mm**2 - resolution_mm**2 / 12, 0.0))
    kernel *= np.exp(-2 * (np.pi * HARMONICS * before_mm / resolution_mm) ** 2) / (np.pi * HARMONICS)
    beat_mm: FloatArray = resolution_mm * np.sqrt((kernel**2).sum(axis=1) / 2)
    return beat_mm


def _trapezoid(x: FloatArray, f: FloatArray) -> FloatArray:
    return row_sums((f[:, 1:] + f[:, :-1]) * (x[:, 1:] - x[:, :-1])) / 2


def _every_second(x: FloatArray, f: FloatArray, inside: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return the same strokes with every second inner node left out: it takes its predecessor's place."""
    rank = np.cumsum(inside, axis=1)
    drop = np.zeros(x.shape, bool)
    drop[:, 1:-1] = inside & (rank % 2 == 1)
    index = np.maximum.accumulate(np.where(drop, 0, np.arange(x.shape[1])), axis=1)
    return along_rows(x, index), along_rows(f, index)
