"""Sources of variation of a batch: the rig, the piece's own from squeeze to squeeze, and the pieces.

Problem: what pieces seem to differ by is partly the rig's doing. Plan: captures of the same piece show rig
and piece together; what the rig alone does comes from a gauge study, or else from the stated uncertainties;
what is left of the differences between pieces is theirs. Cost: sums.

References
----------
G. W. Snedecor and W. G. Cochran, Statistical Methods, 1989, ch. 13: groups of unequal size (recalled).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, sqrt

import numpy as np

from rig.population.gauge import GaugeResult
from rig.population.pieces import PieceResult, random_u_of, repeats_of


@dataclass(frozen=True, slots=True)
class SpreadSplit:
    """Parts of the spread of single captures of single pieces.

    `rig_sd`, `within_sd`, `between_sd`: standard deviations of the rig's repeats, of a piece from squeeze to
    squeeze beyond that, and of the pieces. `within_sd` is None where no piece was squeezed twice: it is then
    in `between_sd`. `rig_sd` is None where nothing is known of the rig: it is then in the next part that
    there is.
    `rig_from`: "gauge study", "stated uncertainty", or "not known".
    `set_to_zero`: names of the parts that came out below zero.
    """

    rig_sd: float | None
    within_sd: float | None
    between_sd: float
    rig_pct: float | None
    within_pct: float | None
    between_pct: float | None
    rig_from: str
    set_to_zero: tuple[str, ...]


def split_spread(
    results: Sequence[PieceResult], quantity: str, gauge: GaugeResult | None = None
) -> SpreadSplit | None:
    """Split the spread of one quantity of one batch.

    Parameters
    ----------
    results
        One a capture; captures of the same piece are its repeats.
    gauge
        A study of the rig for this quantity.

    Returns
    -------
    None with fewer than two pieces.

    Notes
    -----
    With repeats, the one-way analysis of variance of groups of unequal size. A study that was made with other
    pieces may find a larger spread of the rig than all repeats here; the piece's own part is then zero.
    """
    repeats = repeats_of(results, quantity)
    if len(repeats) < 2:
        return None
    known2 = _rig_variance(results, quantity, gauge)
    rig2 = 0.0 if known2 is None else known2
    counts = np.array([len(repeat) for repeat in repeats])
    total, groups = int(counts.sum()), len(repeats)
    zeroed = []
    if total == groups:
        # no repeats: what a piece does from squeeze to squeeze stays in the differences between pieces
        within2, repeat2, typical_n = None, rig2, 1.0
    else:
        # pooled variance within pieces, which holds the rig's part; typical_n = (N - sum n^2 / N) / (k - 1)
        repeat2 = sum(float(((repeat - repeat.mean()) ** 2).sum()) for repeat in repeats) / (total - groups)
        within2, typical_n = repeat2 - rig2, (total - float((counts**2).sum()) / total) / (groups - 1)
        if within2 < 0:
            zeroed.append("within pieces")
            within2 = 0.0
    means = np.array([repeat.mean() for repeat in repeats])
    apart = means - float(np.sum(counts * means) / counts.sum())
    # E(mean square between) = repeat2 + typical_n between2
    between2 = (float(np.sum(counts * apart**2)) / (groups - 1) - repeat2) / typical_n
    if between2 < 0:
        zeroed.append("between pieces")
        between2 = 0.0
    # of parts that came out below zero the whole is made without them
    whole = rig2 + (within2 or 0.0) + between2
    return SpreadSplit(
        None if known2 is None else sqrt(rig2),
        None if within2 is None else sqrt(within2),
        sqrt(between2),
        None if known2 is None else _share(rig2, whole),
        None if within2 is None else _share(within2, whole),
        _share(between2, whole),
        "not known" if known2 is None else "stated uncertainty" if gauge is None else "gauge study",
        tuple(zeroed),
    )


def _rig_variance(results: Sequence[PieceResult], quantity: str, gauge: GaugeResult | None) -> float | None:
    """Return the rig's variance of one capture: from the study, or as stated without the calibration's."""
    if gauge is not None:
        return gauge.component("gauge").variance
    stated = [
        random_u_of(result, quantity) ** 2
        for result in results
        if isfinite(result.u.get(quantity, float("nan")))
    ]
    return float(np.mean(stated)) if stated else None


def _share(part: float, whole: float) -> float | None:
    return 100 * part / whole if whole > 0 else None
