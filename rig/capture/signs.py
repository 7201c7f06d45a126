"""Which way a table counts force and position.

The problem: one machine counts compression as positive, the next as negative, and a height or a gap falls
while the part is squeezed. Read as they stand, such tables hold no press at all. The plan: in compression the
force rises from its unloaded value and the position rises with it. A channel that clearly does the opposite
is turned round, and a note says so. A specimen that sticks to the platen pulls on its way back, by less than
it was pressed before: the first and larger side of the force is the press. A table whose force goes both ways
otherwise, as in a pull that is larger than the press before it, is left as it stands. The cost: a median of
three over the force.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.samples import RawArray

ONE_SIDED = 10.0
"""A lowest force this many times as far from zero as the highest: its sign is turned round."""

STUCK_SHARE = 0.5
"""A force that goes the other way by less than this share of the largest, and only after it, is the pull of a
specimen that sticks."""

BEGUN_SHARE = 0.3
"""Each side of the force has come where it is first above this share of its largest."""

UNLOADED_SHARE = 0.1
"""The loading begins where the force was last below this share of its largest. What comes behind the largest,
such as a break after which the platen goes on, says nothing of the sign."""

FEW_ROWS = 16
"""Rows of a table that a person read by hand: each of them is meant."""

CLEAR_SHARE = 0.02
"""Share of the range of positions by which a position has to fall in the loading to be turned."""

BESIDE = 2
"""Rows on either side of one whose median stands for it."""


@dataclass(frozen=True, slots=True)
class Signs:
    """How a table counts.

    `force_turned`, `position_turned`: whether the force falls below zero under load, and whether the position
    falls as the force grows.
    `throughout`: whether the force is never above zero; else it falls from an offset, or goes above zero as
    well.
    """

    force_turned: bool
    position_turned: bool
    throughout: bool


def told_signs(force: RawArray, position: RawArray) -> Signs:
    """Return how a table counts, from its columns as they stand.

    `force`, `position`: shape (n,), in any unit.

    Examples
    --------
    >>> told_signs(np.array([0.0, -1.0, -3.0, -1.0, 0.0]), np.array([9.0, 8.0, 6.0, 8.0, 9.0]))
    Signs(force_turned=True, position_turned=True, throughout=True)
    """
    if not len(force):
        return Signs(False, False, False)
    calm = force.astype(np.float64)
    if len(calm) >= FEW_ROWS:
        # Medians of three neighbours: a single row far off says nothing about a sign.
        calm[1:-1] = np.median([calm[:-2], calm[1:-1], calm[2:]], axis=0)
    low, high, first = float(calm.min()), float(calm.max()), float(np.median(calm[:5]))
    throughout = low < -ONE_SIDED * max(high, 0.0)
    # From an offset above zero the force falls far below it, and never rises
    turned = throughout or (-low > high and first - low > ONE_SIDED * (high - first))
    sticks = 0 if turned else _first_side(calm - first)
    turned |= sticks == -1 and -low > high
    upward = -calm if turned else calm
    bottom, top = float(upward.min()), float(upward.max())
    if not turned and sticks != 1 and not top > max(bottom, -ONE_SIDED * bottom):
        return Signs(False, False, False)
    if sticks:
        bottom = -first if turned else first  # unloaded; what lies below it is the pull
    # The loading: from where the force was last near its unloaded value up to its largest.
    at_top = int(np.argmax(upward))
    before = np.flatnonzero(upward[: at_top + 1] < bottom + UNLOADED_SHARE * (top - bottom))
    fell = _near(position, int(before[-1]) if len(before) else 0) - _near(position, at_top)
    return Signs(turned, fell > CLEAR_SHARE * float(np.ptp(position)), throughout)


def _first_side(rise: RawArray) -> int:
    """Return 1 or -1 where the force goes both ways, and first and by far the most to this side; else 0."""
    sides = {1: float(rise.max()), -1: float(-rise.min())}
    larger = 1 if sides[1] >= sides[-1] else -1
    if not 0 < sides[-larger] < STUCK_SHARE * sides[larger]:
        return 0
    press, pull = (int(np.argmax(side * rise > BEGUN_SHARE * sides[side])) for side in (larger, -larger))
    return larger if press < pull else 0


def _near(values: RawArray, row: int) -> float:
    """Return a value that a single spike does not change."""
    beside = BESIDE if len(values) >= FEW_ROWS else 0
    return float(np.median(values[max(row - beside, 0) : row + beside + 1]))
