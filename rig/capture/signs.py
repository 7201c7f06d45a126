"""Which way a table counts force and position.

The problem: one machine counts compression as positive, the next as negative, and a height or a gap falls
while the part is squeezed. Read as they stand, such tables hold no press at all. The plan: in compression the
force rises from its unloaded value and the position rises with it. A channel that clearly does the opposite
is turned round, and a note says so. A table whose force goes both ways, as in a press and a pull, is left as
it stands. The cost: a median of three over the force.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.samples import RawArray

ONE_SIDED = 10.0
"""A lowest force this many times as far from zero as the highest: its sign is turned round."""

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

    Parameters
    ----------
    force_turned, position_turned
        Whether the force falls below zero under load, and whether the position falls as the force grows.
    throughout
        Whether the force is never above zero; else it falls from an offset.
    """

    force_turned: bool
    position_turned: bool
    throughout: bool


def told_signs(force: RawArray, position: RawArray) -> Signs:
    """Return how a table counts, from its columns as they stand.

    Parameters
    ----------
    force, position
        Shape (n,), in any unit.

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
    upward = -calm if turned else calm
    bottom, top = float(upward.min()), float(upward.max())
    if not turned and not top > max(bottom, -ONE_SIDED * bottom):
        return Signs(False, False, False)
    # The loading: from where the force was last near its unloaded value up to its largest.
    at_top = int(np.argmax(upward))
    before = np.flatnonzero(upward[: at_top + 1] < bottom + UNLOADED_SHARE * (top - bottom))
    fell = _near(position, int(before[-1]) if len(before) else 0) - _near(position, at_top)
    return Signs(turned, fell > CLEAR_SHARE * float(np.ptp(position)), throughout)


def _near(values: RawArray, row: int) -> float:
    """Return a value that a single spike does not change."""
    beside = BESIDE if len(values) >= FEW_ROWS else 0
    return float(np.median(values[max(row - beside, 0) : row + beside + 1]))
