"""How much set is left after release, over the pieces of a group.

Problem: contact checks after release are made piece by piece, and a mean over pieces is one only where they
were made after the same time. Plan: the contact checks of a group are put together in their order if all
pieces have as many and each at nearly the same time; otherwise that is reported, and they stand piece by
piece. Cost: one mean for each contact check that is shown.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any

import numpy as np

from rig.methods import RecoveryCheck
from rig.population import BatchFigures, PieceResult, batch_figures

SET_LEFT = "set_left_mm"

SHOWN_CHECKS = 10
"""Of a recovery; they are spaced by the logarithm of time, so more add little."""

TIMES_ALIKE = 0.05
"""Set comes back by the logarithm of time: a twentieth of the time is a fiftieth of a decade."""


@dataclass(frozen=True, slots=True)
class RecoveryFigures:
    """Set that is left in the pieces of a group so long after their release."""

    letter: str
    group: str
    after_s: float
    figures: BatchFigures

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        about = {"set": self.letter, "group": self.group, "after_s": self.after_s}
        return about | self.figures.as_dict()


def recovery_figures(
    groups: Mapping[tuple[str, str], Sequence[PieceResult]],
    contact_checks: Mapping[str, Sequence[RecoveryCheck]],
) -> tuple[tuple[RecoveryFigures, ...], tuple[str, ...]]:
    """Return the recovery of each group that has at least two pieces with contact checks.

    Parameters
    ----------
    contact_checks
        In order of time, by capture.

    Returns
    -------
    Figures in order of groups and times, and a sentence for each group whose contact checks are too
    different.
    """
    found: list[RecoveryFigures] = []
    unlike: list[str] = []
    for (letter, group), results in groups.items():
        having = [result for result in results if contact_checks.get(result.capture)]
        if len({result.piece for result in having}) < 2:
            continue
        series = [[check.after_s for check in contact_checks[result.capture]] for result in having]
        # a mean over pieces needs as many contact checks of all of them, each at nearly the same time
        alike = len(set(map(len, series))) == 1
        if alike and np.all(np.ptp(series, axis=0) <= TIMES_ALIKE * np.mean(series, axis=0)):
            found += _over_pieces(letter, group, having, contact_checks)
        else:
            unlike.append(
                f"{group}: the contact checks came at different times, so each piece is listed separately "
                "below."
            )
    return tuple(found), tuple(unlike)


def spaced(count: int) -> list[int]:
    """Return the places of a few of this many contact checks, from the first to the last."""
    places = np.linspace(0, count - 1, min(count, SHOWN_CHECKS)).round().astype(int)
    return list(dict.fromkeys(places.tolist()))


def _over_pieces(
    letter: str,
    group: str,
    results: Sequence[PieceResult],
    contact_checks: Mapping[str, Sequence[RecoveryCheck]],
) -> Iterator[RecoveryFigures]:
    for place in spaced(len(contact_checks[results[0].capture])):
        at = {result.capture: contact_checks[result.capture][place] for result in results}
        pieces = [
            replace(
                result,
                values={SET_LEFT: at[result.capture].set_mm},
                u={SET_LEFT: u} if isfinite(u := at[result.capture].set_mm_u) else {},
                u_shared={},
                freedom={},
            )
            for result in results
        ]
        # the times agree to TIMES_ALIKE, so that their mean stands for all
        after_s = float(np.mean([check.after_s for check in at.values()]))
        yield RecoveryFigures(letter, group, after_s, batch_figures(pieces, SET_LEFT))
