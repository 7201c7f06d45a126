"""How a permanent set recovers after the load has gone, and how far it may be foreseen.

Problem: a squeezed piece comes back for hours, fast at first and then slower and slower; ten light touches
spaced by the logarithm of time have to say where it will be tomorrow. Plan: two laws are fitted, a line over
the logarithm of time and a stretched exponential that ends at a set which stays. The corrected Akaike
criterion chooses; the law of four parameters is in the choice only where the touches determine all four.
A forecast reaches one decade beyond the last touch at the most, and its interval holds how far the other
law differs, by the weight that the touches leave to it. Cost: a few milliseconds.

References
----------
K. P. Burnham and D. R. Anderson, Model Selection and Multimodel Inference, 2002 (AICc, Akaike weights, and
the variance that is not conditional on one model).
F. Kohlrausch, Ueber die elastische Nachwirkung bei der Torsion, Annalen der Physik 119, 1863 (elastic
after-effect as a stretched exponential).
R. T. Birge, The calculation of errors by the method of least squares, Physical Review 40, 1932 (scaling of
uncertainties that are smaller than the scatter).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import chi2, norm, t

from rig.errors import InputError
from rig.samples import FloatArray

FEWEST_TOUCHES = 4
"""Two parameters, and two touches more that can contradict them."""

SHORTEST_SPAN = 3.0
"""Touches whose last time is less than so many times their first say nothing of a logarithm of time."""

FORECAST_DECADES = 1.0
"""Further ahead both laws are fancy."""

LOGARITHM = "logarithm"
STRETCHED = "stretched exponential"

CONFIDENCE = 0.95

FARTHEST = 5.0
"""Curves worse than the best one by so many standard uncertainties enter no interval."""

DOUBT = 0.05
"""A scatter about the law that has less than this chance under the stated uncertainties enlarges them."""

SIMPLER_BY = 2.0
"""A law of more parameters has to be better by this much of the criterion: less is no evidence."""

EXPONENTS = (0.1, 1.0)
TIME_MARGIN = 10.0
"""The time constant lies between the first touch's time over this and the last one's times this."""

GRID_TIMES, GRID_EXPONENTS = 80, 37
"""Time constants and exponents that are tried: given both, the rest of the law is linear."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """A parameter of a law, with its standard uncertainty; not-a-number where it lies at a bound."""

    name: str
    unit: str
    value: float
    u: float


@dataclass(frozen=True, slots=True)
class Profile:
    """Stretched exponentials about as good as the best one, in columns: the likelihood is no parabola in the
    time constant where the set that stays is not reached.

    Parameters
    ----------
    tau_s, beta, final_mm, start_mm
        Parameters, shape (m,); the last two are the best for the first two.
    covariance
        Of final and start, shape (m, 2, 2), scaled to the scatter.
    excess
        How much worse than the best one each is, in squared standard uncertainties.
    """

    tau_s: FloatArray
    beta: FloatArray
    final_mm: FloatArray
    start_mm: FloatArray
    covariance: FloatArray
    excess: FloatArray

    def interval(self, after_s: float, coverage: float) -> tuple[float, float]:
        """Lowest and highest set that a curve within `coverage` standard uncertainties of the best has.

        Returns
        -------
        Infinite and reversed if no curve of the table is that good: it is too coarse for very exact touches.
        """
        left = np.exp(-((after_s / self.tau_s) ** self.beta))
        slopes = np.stack([1 - left, left], axis=1)
        set_mm = self.final_mm * slopes[:, 0] + self.start_mm * slopes[:, 1]
        u_mm = np.sqrt(np.einsum("mi,mij,mj->m", slopes, self.covariance, slopes))
        half = u_mm * np.sqrt(np.maximum(coverage**2 - self.excess, 0.0))
        near = self.excess <= coverage**2
        return (
            float((set_mm - half)[near].min(initial=np.inf)),
            float((set_mm + half)[near].max(initial=-np.inf)),
        )


@dataclass(frozen=True, slots=True)
class RecoveryLaw:
    """One of the two laws, fitted.

    Parameters
    ----------
    name
        `LOGARITHM` (a + b log10(t / 1 s)) or `STRETCHED` (s_inf + (s_0 - s_inf) exp(-(t / tau)^beta)).
    parameters
        In the order of the formula.
    covariance
        Of the parameters, in their units; rows and columns of a parameter at a bound are zero.
    aicc, weight
        Corrected Akaike criterion, and the share of belief that it leaves to this law among those fitted.
    residual_mm
        Root mean square of what the law leaves over.
    scale
        By how much the stated uncertainties were enlarged; 1 where the scatter agrees with them.
    scatter
        By how much the weights of the touches were enlarged: `scale`, or the scatter itself in mm where no
        uncertainties are known.
    profile
        Of a stretched exponential: all of its curves that the touches allow.
    """

    name: str
    parameters: tuple[Parameter, ...]
    covariance: tuple[tuple[float, ...], ...]
    aicc: float
    weight: float
    residual_mm: float
    scale: float
    scatter: float
    profile: Profile | None = field(default=None, repr=False, compare=False)

    def set_mm(self, after_s: FloatArray) -> FloatArray:
        """Set at times since release, shape (m,)."""
        return _LAWS[self.name](np.array([each.value for each in self.parameters]), after_s)

    def set_mm_u(self, after_s: FloatArray) -> FloatArray:
        """Its standard uncertainty if this law is the right one, without what all touches share."""
        values = np.array([each.value for each in self.parameters])
        slopes = _slopes(self.name, values, after_s)
        variance = np.einsum("mi,ij,mj->m", slopes, np.array(self.covariance), slopes)
        u: FloatArray = np.sqrt(np.maximum(variance, 0.0))
        return u


@dataclass(frozen=True, slots=True)
class SetForecast:
    """Set at one time since release, with its standard uncertainty and its 95 % interval."""

    after_s: float
    set_mm: float
    set_mm_u: float
    low_mm: float
    high_mm: float


@dataclass(frozen=True, slots=True)
class RecoveryFit:
    """What touches after release say of the recovery.

    Parameters
    ----------
    law
        The one chosen; None where there are too few touches.
    other
        The one not chosen; None where it was not fitted or is not supported by the touches.
    touches, first_s, last_s
        How many were used, and the times of the first and the last since release.
    shared_u_mm
        Standard uncertainty that all touches have in common.
    coverage
        Factor from a standard uncertainty to half of a 95 % interval.
    forecast
        One decade beyond the last touch; None without a law.
    notes
        Why there is no law, or why only one; what else has to be known.
    """

    law: RecoveryLaw | None
    other: RecoveryLaw | None
    touches: int
    first_s: float
    last_s: float
    shared_u_mm: float
    coverage: float
    forecast: SetForecast | None
    notes: tuple[str, ...]

    @property
    def reach_s(self) -> float:
        """Latest time since release for which a set is given."""
        return self.last_s * 10**FORECAST_DECADES

    def at(self, after_s: float) -> SetForecast:
        """Set at a time since release, between the first touch and one decade beyond the last.

        Raises
        ------
        InputError
            If there is no law, or the time is outside.
        """
        if self.law is None:
            raise InputError(f"recovery: no law was fitted ({'; '.join(self.notes)})")
        if not self.first_s <= after_s <= self.reach_s * (1 + 1e-9):
            raise InputError(
                f"recovery: found {after_s:g} s since release, expected {self.first_s:g} s to "
                f"{self.reach_s:g} s, one decade beyond the last touch"
            )
        return _forecast(self.law, self.other, after_s, self.shared_u_mm, self.coverage)

    def as_dict(self) -> dict[str, Any]:
        """Plain mapping of laws, forecast and notes; not-a-number is left in it."""
        plain = asdict(self)
        for each in ("law", "other"):
            if plain[each] is not None:
                del plain[each]["profile"]
        return plain


def fit_recovery(
    after_s: FloatArray,
    set_mm: FloatArray,
    set_mm_u: FloatArray | None = None,
    *,
    shared_u_mm: float = 0.0,
) -> RecoveryFit:
    """Fit the recovery of set.

    Parameters
    ----------
    after_s, set_mm
        Times since release and sets (or contact positions), shape (n,), in any order. Touches without a
        positive time or a finite set are left out.
    set_mm_u
        Standard uncertainties, shape (n,). None, or any that is not positive: all touches count the same,
        and their scatter is taken from the fit.
    shared_u_mm
        The part of each `set_mm_u` that all have in common, such as that of the first contact: it moves all
        sets alike, says nothing of the law, and is added to a forecast.

    Returns
    -------
    The fit. With fewer than four touches, or touches too close in time, its law is None and the notes say
    why.

    Notes
    -----
    1. The logarithm follows from linear least squares. The stretched exponential starts from the best of a
       grid of time constants and exponents, for each of which the rest is linear, and is refined.
    2. It is in the choice only with six touches (seven without uncertainties), a time constant inside its
       bounds, and a step from first to final set that is larger than twice the uncertainty of the final set.
    3. It is chosen where its AICc is better by `SIMPLER_BY`.
    4. Stated uncertainties are enlarged to the scatter where that contradicts them.
    5. The variance of a forecast is the sum over both laws of weight times (variance + squared difference
       to the law chosen), plus the shared one. The interval of a stretched exponential is that of all its
       curves that are not significantly worse than the best one, if it is wider, and need not lie evenly.

    Examples
    --------
    >>> after_s = np.array([10.0, 100.0, 1000.0, 10_000.0])
    >>> fit = fit_recovery(after_s, 2.0 - 0.25 * np.log10(after_s), np.full(4, 0.01))
    >>> fit.law.name, round(fit.forecast.set_mm, 3), fit.forecast.after_s
    ('logarithm', 0.75, 100000.0)
    """
    touches, stated = _usable(after_s, set_mm, set_mm_u, shared_u_mm)
    count = len(touches.after_s)
    first_s, last_s = (float(f(touches.after_s)) if count else np.nan for f in (np.min, np.max))
    reason = _why_none(count, first_s, last_s)
    if reason:
        return RecoveryFit(None, None, count, first_s, last_s, shared_u_mm, np.nan, None, (reason,))
    notes = [] if stated else ["Uncertainties of the touches are not known: their scatter is taken."]
    laws = [_fitted_logarithm(touches, stated=stated)]
    stretched, why = _fitted_stretched(touches, stated=stated)
    if stretched is None:
        notes.append(f"No stretched exponential: {why}.")
    else:
        laws.append(stretched)
    law, *others = _chosen(_weighted(laws))
    other = others[0] if others else None
    spare = count - len(law.parameters)
    known = stated and law.scale == 1.0
    coverage = float(norm.ppf((1 + CONFIDENCE) / 2) if known else t.ppf((1 + CONFIDENCE) / 2, spare))
    ahead = _forecast(law, other, last_s * 10**FORECAST_DECADES, shared_u_mm, coverage)
    if law.scale > 1:
        notes.append(f"The touches scatter {law.scale:.2g} times as much as their uncertainties say.")
    return RecoveryFit(law, other, count, first_s, last_s, shared_u_mm, coverage, ahead, tuple(notes))


@dataclass(frozen=True, slots=True)
class _Touches:
    """Touches that can be used, by rising time; `u_mm` weighs them."""

    after_s: FloatArray
    set_mm: FloatArray
    u_mm: FloatArray


def _usable(
    after_s: FloatArray, set_mm: FloatArray, set_mm_u: FloatArray | None, shared_u_mm: float
) -> tuple[_Touches, bool]:
    """The touches, and whether their uncertainties are known."""
    after_s, set_mm = np.asarray(after_s, np.float64), np.asarray(set_mm, np.float64)
    u_mm = np.full(len(after_s), np.nan) if set_mm_u is None else np.asarray(set_mm_u, np.float64)
    usable = np.flatnonzero(np.isfinite(after_s) & (after_s > 0) & np.isfinite(set_mm))
    usable = usable[np.argsort(after_s[usable], kind="stable")]
    with np.errstate(invalid="ignore"):
        own_mm = np.sqrt(u_mm[usable] ** 2 - shared_u_mm**2)
    stated = bool((own_mm > 0).all()) and len(usable) > 0
    return _Touches(after_s[usable], set_mm[usable], own_mm if stated else np.ones(len(usable))), stated


def _why_none(count: int, first_s: float, last_s: float) -> str:
    if count < FEWEST_TOUCHES:
        return f"No fit: found {count} touches after release, expected {FEWEST_TOUCHES} at least."
    if last_s < SHORTEST_SPAN * first_s:
        return (
            f"No fit: the touches lie between {first_s:.4g} s and {last_s:.4g} s after release, expected "
            f"a last time of {SHORTEST_SPAN:g} times the first at least."
        )
    return ""


def _logarithm(parameters: FloatArray, after_s: FloatArray) -> FloatArray:
    a, b = parameters
    curve: FloatArray = a + b * np.log10(after_s)
    return curve


def _stretched(parameters: FloatArray, after_s: FloatArray) -> FloatArray:
    final, start, tau_s, beta = parameters
    curve: FloatArray = final + (start - final) * np.exp(-((after_s / tau_s) ** beta))
    return curve


_LAWS: dict[str, Callable[[FloatArray, FloatArray], FloatArray]] = {
    LOGARITHM: _logarithm,
    STRETCHED: _stretched,
}


def _slopes(name: str, parameters: FloatArray, after_s: FloatArray) -> FloatArray:
    """Derivatives of a law by its parameters, shape (m, k)."""
    if name == LOGARITHM:
        return np.stack([np.ones_like(after_s), np.log10(after_s)], axis=1)
    final, start, tau_s, beta = parameters
    ratio = after_s / tau_s
    power = ratio**beta
    left = np.exp(-power)
    fall = (start - final) * left * power
    return np.stack([1 - left, left, fall * beta / tau_s, -fall * np.log(ratio)], axis=1)


def _fitted_logarithm(touches: _Touches, *, stated: bool) -> RecoveryLaw:
    slopes = _slopes(LOGARITHM, np.zeros(2), touches.after_s) / touches.u_mm[:, None]
    solved = np.linalg.lstsq(slopes, touches.set_mm / touches.u_mm, rcond=None)[0]
    found: FloatArray = np.asarray(solved, np.float64)
    return _law(LOGARITHM, (("a", "mm"), ("b", "mm per decade")), found, touches, stated=stated)


def _fitted_stretched(touches: _Touches, *, stated: bool) -> tuple[RecoveryLaw | None, str]:
    """The law, or why the touches do not support it."""
    count, needed = len(touches.after_s), 6 if stated else 7
    if count < needed:
        return None, f"found {count} touches, expected {needed} at least for its four parameters"
    low_s, high_s = touches.after_s[0] / TIME_MARGIN, touches.after_s[-1] * TIME_MARGIN
    grid = _grid(touches, low_s, high_s)
    best = int(np.argmin(grid.excess))
    start = np.array([grid.final_mm[best], grid.start_mm[best], np.log(grid.tau_s[best]), grid.beta[best]])

    def residuals(free: FloatArray) -> FloatArray:
        return (_stretched(_natural(free), touches.after_s) - touches.set_mm) / touches.u_mm

    bounds = (
        [-np.inf, -np.inf, np.log(low_s), EXPONENTS[0]],
        [np.inf, np.inf, np.log(high_s), EXPONENTS[1]],
    )
    fit = least_squares(residuals, start, bounds=bounds, x_scale="jac", max_nfev=400)
    found = _natural(fit.x)
    names = (("s_inf", "mm"), ("s_0", "mm"), ("tau", "s"), ("beta", ""))
    law = _law(STRETCHED, names, found, touches, stated=stated)
    final, first, tau, _ = law.parameters
    if not low_s * 1.01 < tau.value < high_s / 1.01:
        return None, "the touches do not determine its time constant"
    if not abs(first.value - final.value) > 2 * final.u:
        return None, "the touches do not determine the set that stays"
    return replace(law, profile=_profile(grid, law, touches)), ""


def _natural(free: FloatArray) -> FloatArray:
    """Parameters from those that are varied: the time constant by its logarithm."""
    return np.array([free[0], free[1], np.exp(free[2]), free[3]])


def _grid(touches: _Touches, low_s: float, high_s: float) -> Profile:
    """Curves over all time constants and exponents, well inside the bounds; `excess` is their misfit."""
    tau_s, beta = (
        each.ravel()
        for each in np.meshgrid(
            np.geomspace(1.1 * low_s, high_s / 1.1, GRID_TIMES),
            np.linspace(EXPONENTS[0] + 0.01, EXPONENTS[1] - 0.01, GRID_EXPONENTS),
        )
    )
    left = np.exp(-((touches.after_s / tau_s[:, None]) ** beta[:, None]))
    slopes = np.stack([1 - left, left], axis=2) / touches.u_mm[:, None]
    target = touches.set_mm / touches.u_mm
    # curves that are flat over all touches have no inverse
    covariance = np.linalg.pinv(np.einsum("mni,mnj->mij", slopes, slopes), hermitian=True)
    pairs = np.einsum("mij,mnj,n->mi", covariance, slopes, target)
    misfit = ((np.einsum("mni,mi->mn", slopes, pairs) - target) ** 2).sum(axis=1)
    return Profile(tau_s, beta, pairs[:, 0], pairs[:, 1], covariance, misfit)


def _profile(grid: Profile, law: RecoveryLaw, touches: _Touches) -> Profile:
    """The curves of a grid that are worth keeping, relative to the fitted law."""
    values = np.array([each.value for each in law.parameters])
    misfit = float((((_stretched(values, touches.after_s) - touches.set_mm) / touches.u_mm) ** 2).sum())
    scale2 = law.scatter**2
    excess = np.maximum(grid.excess - misfit, 0.0) / max(scale2, 1e-300)
    near = excess <= FARTHEST**2
    return Profile(
        grid.tau_s[near],
        grid.beta[near],
        grid.final_mm[near],
        grid.start_mm[near],
        grid.covariance[near] * scale2,
        excess[near],
    )


def _law(
    name: str,
    names: tuple[tuple[str, str], ...],
    values: FloatArray,
    touches: _Touches,
    *,
    stated: bool,
) -> RecoveryLaw:
    """A fitted law with its uncertainties and its criterion."""
    count, size = len(touches.after_s), len(values)
    left_mm = touches.set_mm - _LAWS[name](values, touches.after_s)
    misfit = float(np.sum((left_mm / touches.u_mm) ** 2))
    spare = count - size
    scale = 1.0
    if not stated or misfit > chi2.ppf(1 - DOUBT, spare):
        scale = float(np.sqrt(misfit / spare))
    slopes = _slopes(name, values, touches.after_s) / touches.u_mm[:, None]
    free = np.ones(size, bool)
    if name == STRETCHED:
        # at its bound an exponent is as good as stated
        free[3] = EXPONENTS[0] + 1e-3 < values[3] < EXPONENTS[1] - 1e-3
    covariance = np.zeros((size, size))
    covariance[np.ix_(free, free)] = scale**2 * np.linalg.pinv(slopes[:, free].T @ slopes[:, free])
    u = np.where(free, np.sqrt(np.diag(covariance)), np.nan)
    parameters = tuple(
        Parameter(each, unit, float(value), float(value_u))
        for (each, unit), value, value_u in zip(names, values, u, strict=True)
    )
    return RecoveryLaw(
        name,
        parameters,
        tuple(tuple(row) for row in covariance.tolist()),
        _aicc(misfit, count, size, stated=stated),
        np.nan,
        float(np.sqrt(np.mean(left_mm**2))),
        scale if stated else 1.0,
        scale,
    )


def _aicc(misfit: float, count: int, size: int, *, stated: bool) -> float:
    """With known uncertainties the misfit is the likelihood; without, the scatter is a parameter more."""
    if not stated:
        misfit, size = count * float(np.log(max(misfit / count, 1e-300))), size + 1
    spare = count - size - 1
    return misfit + 2 * size + (2 * size * (size + 1) / spare if spare > 0 else 0.0)


def _weighted(laws: list[RecoveryLaw]) -> list[RecoveryLaw]:
    best = min(law.aicc for law in laws)
    belief = np.array([np.exp(-(law.aicc - best) / 2) for law in laws])
    shares = (belief / belief.sum()).tolist()
    return [replace(law, weight=share) for law, share in zip(laws, shares, strict=True)]


def _chosen(laws: list[RecoveryLaw]) -> list[RecoveryLaw]:
    """The laws, the chosen one first; they stand by rising number of parameters."""
    if len(laws) > 1 and laws[1].aicc < laws[0].aicc - SIMPLER_BY:
        return laws[::-1]
    return laws


def _forecast(
    law: RecoveryLaw, other: RecoveryLaw | None, after_s: float, shared_u_mm: float, coverage: float
) -> SetForecast:
    at = np.array([after_s])
    value, own_u = (float(each(at)[0]) for each in (law.set_mm, law.set_mm_u))
    low, high = value - coverage * own_u, value + coverage * own_u
    if law.profile is not None:
        found = law.profile.interval(after_s, coverage)
        low, high = min(low, found[0]), max(high, found[1])
    further = shared_u_mm**2
    if other is not None:
        other_mm, other_u = (float(each(at)[0]) for each in (other.set_mm, other.set_mm_u))
        further += other.weight * (other_u**2 + (other_mm - value) ** 2)
    below, above = (
        float(np.sqrt(law.weight * half**2 + coverage**2 * further)) for half in (value - low, high - value)
    )
    u = (below + above) / (2 * coverage)
    return SetForecast(after_s, value, u, value - below, value + above)
