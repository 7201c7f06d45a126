"""Energy absorbed and returned: the area under each stroke.

Trapezoids of force over deflection between the nodes, the ends interpolated to contact and to the turn. On
a curved stroke, chords miss f'' h^2/12 per length, and means over a block lie f'' h^2/24 inside the curve;
leaving out every second node quadruples the first only. So half of what that changes is what trapezoids
between means miss, and is put back; trapezoids between samples are left as they are, and what they miss
enters the uncertainty. N mm = mJ.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from rig.analyser.peak import Side
from rig.analyser.ragged import BoolArray, Nodes, row_sums
from rig.analyser.roughness import Roughness
from rig.samples import FloatArray

PUT_BACK_NOISE = sqrt(1.25)
"""What is put back weighs neighbouring nodes by a half and three halves in turn: their noise grows by
this."""

LEFT_SINGLE = 1 / 3
LEFT_AVERAGED = 1 / 6
"""What may be left of the difference that every second node makes: all that chords miss; a third of what
was put back."""


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
    touches: BoolArray,
    low: Side,
    end_mm: FloatArray,
    end_n: FloatArray,
    rough: Roughness,
    position_noise_mm: float,
) -> Work:
    """Integrate loading strokes, or unloading strokes with their nodes in reverse order.

    Parameters
    ----------
    nodes
        Nodes in the order from contact to the deep end.
    contact_mm
        Where the stroke's force leaves zero, shape (rows,).
    touches
        Whether the stroke reaches down to contact.
    low
        The sample that it begins with where it does not.
    end_mm, end_n
        The deep end.
    rough, position_noise_mm
        What a single force and a single position are worth.
    """
    real = nodes.real
    contact = np.where(touches, contact_mm, -np.inf)
    inside = real & (nodes.x_mm > contact[:, None]) & (nodes.x_mm < end_mm[:, None])
    start_mm = np.where(touches, contact_mm, low.x_mm)
    start_n = np.where(touches, 0.0, low.force_n)
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
    force_noise_n = rough.at(nodes.force_n)
    variance = ((half_span * force_noise_n) ** 2 + (half_rise * position_noise_mm) ** 2) / count
    averaged = nodes.count.max(axis=1) > 1
    coarse = _trapezoid(*_every_second(x, f, inside))
    missed = np.where(averaged, (area - coarse) / 2, 0.0)
    left = np.abs(area - coarse) * np.where(averaged, LEFT_AVERAGED, LEFT_SINGLE)
    # the stroke is far longer than correlated noise remembers: it is worth that many fewer samples
    fewer = rough.fewer(row_sums(np.where(inside, count, 0.0)))
    noise_u = np.sqrt(row_sums(variance) * fewer) * np.where(averaged, PUT_BACK_NOISE, 1.0)
    return Work(area + missed, noise_u, left)


def _trapezoid(x: FloatArray, f: FloatArray) -> FloatArray:
    return row_sums((f[:, 1:] + f[:, :-1]) * (x[:, 1:] - x[:, :-1])) / 2


def _every_second(x: FloatArray, f: FloatArray, inside: BoolArray) -> tuple[FloatArray, FloatArray]:
    """The same strokes with every second inner node left out: it takes its predecessor's place."""
    rank = np.cumsum(inside, axis=1)
    drop = np.zeros(x.shape, bool)
    drop[:, 1:-1] = inside & (rank % 2 == 1)
    index = np.maximum.accumulate(np.where(drop, 0, np.arange(x.shape[1])), axis=1)
    return np.take_along_axis(x, index, axis=1), np.take_along_axis(f, index, axis=1)
