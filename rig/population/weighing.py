"""Masses of pieces from settled readings of a scale, and what to think of them.

Problem: pieces are put on a scale one after another, often without taring, while its zero creeps; a display
that steps by a gram says nothing of a piece of half a gram; and a slip shows only beside the other pieces.
Plan: a mass is the difference of the reading just after and just before; its uncertainty is made of both
readings, of the drift over the time between, and of the scale itself; it is then held against the resolution
and against the batch. Cost: nothing.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from rig.core.measured import coverage_factor
from rig.errors import InputError, refused_at
from rig.units import factor, parse

UNUSUAL = 0.01
"""A piece that so few of a batch would lie further off than is asked about."""

LEAST_PIECES = 4
"""With fewer, nearly any mass fits the spread."""

COARSE = 0.02
"""A resolution above this share of the mass is reported."""

STEP_U = 1 / math.sqrt(12)
"""Standard uncertainty of a reading that is anywhere within half a step (JCGM 100:2008, F.2.2.1)."""

_TYPED = re.compile(r".*?(?:\d+/(\d+)|\d+(?:[.,](\d*))?|[.,](\d+))\s*([A-Za-z]+)\s*")
"""The last part of a mass, which has its step: "12 lb 3 oz" steps by an ounce, "2 1/8 oz" by an eighth."""


@dataclass(frozen=True, slots=True)
class RestingStretch:
    """A stretch in which the reading rested, known by a settled part at its beginning and one at its end.

    `first_g`, `first_u_g`, `first_s`: mean of the first settled part, its standard uncertainty, and the time
    of its middle.
    `last_g`, `last_u_g`, `last_s`: likewise of the last one; the same where there is only one.
    `slope_g_per_s`, `slope_u_g_per_s`: rise within the first settled part and its standard uncertainty, which
    say something of drift where the rest is short.
    """

    first_g: float
    first_u_g: float
    first_s: float
    last_g: float
    last_u_g: float
    last_s: float
    slope_g_per_s: float = 0.0
    slope_u_g_per_s: float = 0.0

    @property
    def lasted_s(self) -> float:
        """Time between the middles of both parts."""
        return self.last_s - self.first_s

    @property
    def pace_g_per_s(self) -> tuple[float, float]:
        """Rise while nothing was on the scale, and its standard uncertainty: from part to part, or within the
        first part where that is known better."""
        within = (self.slope_g_per_s, self.slope_u_g_per_s)
        if not self.lasted_s > 0:
            return within
        u = math.hypot(self.first_u_g, self.last_u_g) / self.lasted_s
        return within if 0 < within[1] < u else ((self.last_g - self.first_g) / self.lasted_s, u)


@dataclass(frozen=True, slots=True)
class Weighing:
    """A mass, as weighed in air.

    `parts`: sources of uncertainty: source and grams.
    """

    mass_g: float
    u_g: float
    parts: tuple[tuple[str, float], ...]
    resolution_g: float


def by_difference(
    before: RestingStretch,
    after: RestingStretch,
    *,
    resolution_g: float,
    zero_drift_g_per_s: float = 0.0,
    scale_u_g: float = 0.0,
) -> Weighing:
    """Return the mass of what was put on, or taken off, between two rests.

    Parameters
    ----------
    before, after
        The rest that ended with the change, and the one that began after it.
    zero_drift_g_per_s
        How fast the zero was seen to move.
    scale_u_g
        Standard uncertainty that the scale itself leaves in this mass; zero if not stated, and it is then
        no part of the sum.

    Returns
    -------
    The mass, above zero for what was put on.

    Notes
    -----
    The drift over the time between both readings, at the pace of the rest that tells it best or at that of
    the zero, is a standard uncertainty as a whole. It is not taken out: rests of some seconds tell a pace
    badly, and taking it out would add their noise to the mass. For the same reason a small pace may be luck,
    so that how badly it is known is a part of its own.

    Examples
    --------
    >>> empty, loaded = RestingStretch(0, 0.01, 0, 0, 0.01, 0), RestingStretch(37.2, 0.01, 4, 37.2, 0.01, 4)
    >>> round(by_difference(empty, loaded, resolution_g=0.1).mass_g, 3)
    37.2
    """
    # from the last settled reading before to the first one after
    between_s = after.first_s - before.last_s
    pace_g_per_s, pace_u_g_per_s = min((before.pace_g_per_s, after.pace_g_per_s), key=lambda pace: pace[1])
    pace_g_per_s = max(abs(pace_g_per_s), zero_drift_g_per_s)
    parts = (
        ("reading before", before.last_u_g),
        ("reading after", after.first_u_g),
        ("drift in between", pace_g_per_s * between_s),
        ("pace of the drift", pace_u_g_per_s * between_s),
        *([("scale", scale_u_g)] if scale_u_g else []),
    )
    u_g = math.hypot(*(u for _, u in parts))
    return Weighing(after.first_g - before.last_g, u_g, parts, resolution_g)


def told_by_few(u: float, degrees_of_freedom: float) -> float:
    """Return the standard deviation of what is known of a mean whose scatter few readings told.

    A stated mass carries no degrees of freedom, so the doubt of the scatter itself has to be in its
    uncertainty: that of Student's distribution, larger by the root of f/(f - 2).

    References
    ----------
    JCGM 101:2008, 6.4.9.4.

    Examples
    --------
    >>> round(told_by_few(1.0, 9), 3)
    1.134
    """
    f = degrees_of_freedom
    return u * math.sqrt(f / (f - 2)) if f > 2 else u * math.sqrt(3.0)


def slope_u(mean_u: float, seconds: float) -> float:
    """Return the standard uncertainty of the slope within a stretch, from that of its mean and its length.

    For readings that scatter equally along the stretch, the line through them has root of 12 times the
    uncertainty of their mean over its length.
    """
    return math.sqrt(12) * mean_u / seconds


def typed_weighing(text: str, resolution: str | None = None, *, scale_relative_u: float = 0.0) -> Weighing:
    """Return the mass that a person read off a scale.

    Parameters
    ----------
    text
        Such as "37.2 g": without other word the scale is taken to step by its last digit.
    resolution
        Smallest step of the scale, such as "0.5 g".
    scale_relative_u
        Standard uncertainty of the scale itself, as a share of the mass.

    Raises
    ------
    InputError
        If it is no mass above zero.

    Examples
    --------
    >>> weighing = typed_weighing("1.31 oz")
    >>> round(weighing.mass_g, 3), round(weighing.resolution_g, 4)
    (37.138, 0.2835)
    """
    mass_g = mass_in_g(text, "mass")
    if not mass_g > 0:
        raise InputError(f"mass: found {text!r:.40}, expected more than zero")
    match = _TYPED.fullmatch(text)
    if resolution is not None:
        step_g = mass_in_g(resolution, "resolution")
    elif match is not None:
        part, decimals = int(match[1] or 1), len(match[2] or match[3] or "")
        step_g = factor(match[4], "g") / part / 10.0**decimals
    else:
        step_g = 0.0
    # both the reading and the zero before it stand anywhere within their steps
    rounding_g = step_g * STEP_U
    # the scale's own share of the mass, where it is stated
    scale_u_g = scale_relative_u * mass_g
    parts = (("reading", rounding_g), ("zero", rounding_g), *([("scale", scale_u_g)] if scale_u_g else []))
    return Weighing(mass_g, math.hypot(*(u for _, u in parts)), parts, step_g)


def mass_in_g(text: str, field: str) -> float:
    """Read a mass with its unit, g, kg, oz or lb, in grams.

    Raises InputError if it is no mass.
    """
    with refused_at(field):
        return parse(text, "g")


def zero_drift_g_per_s(zeros: Sequence[RestingStretch]) -> float | None:
    """Return the fastest move of the zero from one return to it to the next; None with fewer than two."""
    rates = [
        abs(later.first_g - earlier.last_g) / (later.first_s - earlier.last_s)
        for earlier, later in pairwise(zeros)
        if later.first_s > earlier.last_s
    ]
    return max(rates, default=None)


def resolution_note(weighing: Weighing) -> str | None:
    """Return what to say of a mass that the scale hardly resolves; None where there is nothing to say."""
    mass_g, step_g = weighing.mass_g, weighing.resolution_g
    if abs(mass_g) <= max(step_g, 2 * weighing.u_g):
        return (
            f"{mass_g:.4g} g cannot be distinguished from zero: the scale steps by {step_g:.3g} g and the "
            f"standard uncertainty is {weighing.u_g:.2g} g; weigh several pieces at once, or use a finer "
            "scale"
        )
    if step_g > COARSE * abs(mass_g):
        return (
            f"the scale steps by {step_g:.3g} g, {100 * step_g / abs(mass_g):.2g} % of this mass; use a "
            "finer scale to tell pieces apart"
        )
    return None


def spread_note(mass_g: float, others_g: Sequence[float]) -> str | None:
    """Return what to say of a mass that does not fit the other pieces of its batch; None where it does.

    Parameters
    ----------
    others_g
        Of the other pieces of its batch, one each.

    Notes
    -----
    The next piece of a normal batch lies within mean +- t s sqrt(1 + 1/n) with the stated probability, t from
    Student's distribution with n - 1 degrees of freedom (the prediction interval of ISO 16269-8, recalled).

    Examples
    --------
    >>> spread_note(37.4, [37.0, 37.2, 37.5, 37.3]) is None
    True
    """
    n = len(others_g)
    if n < LEAST_PIECES:
        return None
    others = np.asarray(others_g, np.float64)
    half_g = coverage_factor(n - 1, 1 - UNUSUAL) * float(others.std(ddof=1)) * math.sqrt(1 + 1 / n)
    middle_g = float(others.mean())
    if abs(mass_g - middle_g) <= half_g:
        return None
    return (
        f"{mass_g:.4g} g lies outside the spread of its batch: the next piece is expected from "
        f"{middle_g - half_g:.4g} to {middle_g + half_g:.4g} g ({n} others, {100 * (1 - UNUSUAL):.0f} %); "
        "check that it is the right piece and that the pan was clear"
    )
