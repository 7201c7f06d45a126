"""Headline figures of a design sheet: stiffness at a stated depth, and the height a piece has lost.

Problem: a secant at each capture's own peak makes a piece that was pressed less deep look stiffer, and set
within one capture says nothing of what happened before it. Plan: the stiffness is read at one compression for
all; the height lost is taken between captures of the same piece, from the position of contact where the
reading kept its zero, else from free heights that were measured for each. Cost: none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot, isfinite

from rig.population import PieceResult, state_rank

KEY_PCT = 25.0
"""Compression of the headline figures: past the toe region, and every piece is pressed so far."""

KEY_FORCE, KEY_STIFFNESS = "at 25%.loading_n", "secant_25pct_n_per_mm"

HEIGHT_LOST = "height_lost_mm"

SAME_HEIGHT_MM = 1e-6
"""Free heights that agree to this were typed once, not measured for each capture."""


@dataclass(frozen=True, slots=True)
class PieceStanding:
    """Where a piece stood in a capture.

    Parameters
    ----------
    contact_mm, contact_u_mm
        Position of the first contact at the contact force, and its standard uncertainty; None if unknown.
    position_zero
        What the position reading counts from; captures that name the same zero can be compared. Empty if
        unknown.
    """

    contact_mm: float | None = None
    contact_u_mm: float | None = None
    position_zero: str = ""
    free_height_mm: float | None = None


def with_headline(results: Sequence[PieceResult], standing: Mapping[str, PieceStanding]) -> list[PieceResult]:
    """Add the stiffness at the headline compression and the height lost to results.

    Parameters
    ----------
    results
        One per capture, in order of time.
    """
    headed = [_with_stiffness(result, standing[result.capture]) for result in results]
    first: dict[tuple[str | None, str], PieceResult] = {}
    for result in headed:
        # height is lost against the earliest state of the same piece
        known = first.setdefault((result.batch, result.piece), result)
        if state_rank(result.state) < state_rank(known.state):
            first[result.batch, result.piece] = result
    return [
        _with_height_lost(result, first[result.batch, result.piece], standing)
        if result.state != first[result.batch, result.piece].state
        else result
        for result in headed
    ]


def standing_heights(
    results: Sequence[PieceResult], standing: Mapping[str, PieceStanding]
) -> dict[str, float]:
    """Return how tall the piece of each capture is, for captures whose free height is known.

    Parameters
    ----------
    results
        From `with_headline`.

    Notes
    -----
    A free height that is the same for all captures of a piece was measured once, when it was new; the height
    that it has lost since is taken off. Heights that differ were measured for each capture, and stay.
    """
    stated: dict[tuple[str | None, str], set[float]] = {}
    for result in results:
        height_mm = standing[result.capture].free_height_mm
        if height_mm is not None:
            stated.setdefault((result.batch, result.piece), set()).add(height_mm)
    heights = {}
    for result in results:
        height_mm = standing[result.capture].free_height_mm
        if height_mm is not None:
            once = len(stated[result.batch, result.piece]) == 1
            heights[result.capture] = height_mm - (result.values.get(HEIGHT_LOST, 0.0) if once else 0.0)
    return heights


def _with_stiffness(result: PieceResult, standing: PieceStanding) -> PieceResult:
    force_n, height_mm = result.values.get(KEY_FORCE, float("nan")), standing.free_height_mm
    if height_mm is None or not isfinite(force_n):
        return result
    # a secant at one compression for all pieces; the height counts as exact
    deflection_mm = KEY_PCT / 100 * height_mm
    return replace(
        result,
        values=dict(result.values) | {KEY_STIFFNESS: force_n / deflection_mm},
        u=dict(result.u) | {KEY_STIFFNESS: result.u.get(KEY_FORCE, float("nan")) / deflection_mm},
        u_shared=dict(result.u_shared) | {KEY_STIFFNESS: result.u_shared.get(KEY_FORCE, 0.0) / deflection_mm},
    )


def _with_height_lost(
    result: PieceResult, first: PieceResult, standing: Mapping[str, PieceStanding]
) -> PieceResult:
    before, now = standing[first.capture], standing[result.capture]
    u_mm = float("nan")
    if (
        before.position_zero
        and before.position_zero == now.position_zero
        and before.contact_mm is not None
        and now.contact_mm is not None
    ):
        # position rises towards the fixed platen: a shorter piece is met later
        lost_mm = now.contact_mm - before.contact_mm
        if before.contact_u_mm is not None and now.contact_u_mm is not None:
            u_mm = hypot(before.contact_u_mm, now.contact_u_mm)
    elif (
        before.free_height_mm is not None
        and now.free_height_mm is not None
        and abs(before.free_height_mm - now.free_height_mm) > SAME_HEIGHT_MM
    ):
        lost_mm = before.free_height_mm - now.free_height_mm
    else:
        return result
    return replace(
        result,
        values=dict(result.values) | {HEIGHT_LOST: lost_mm},
        u=dict(result.u) | {HEIGHT_LOST: u_mm},
        u_shared=dict(result.u_shared) | {HEIGHT_LOST: 0.0},
    )
