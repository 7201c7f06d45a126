"""How a permanent set recovers after the load has gone, and how far it may be foreseen.

Problem: a squeezed piece comes back for hours, fast at first and then slower and slower; ten contact checks
spaced by the logarithm of time have to say where it will be tomorrow. Several laws describe the contact
checks equally well and part company behind the last one. Plan: two laws are fitted, a line over the logarithm
of time and a stretched exponential that ends at a set which stays. The corrected Akaike criterion chooses;
the law of four parameters is in the choice only where the contact checks determine all four. The law's own
interval holds if the recovery goes on by that law. The stated uncertainty and interval assume only that the
recovery slows down all the time: they reach over every sum of decaying exponentials, of any number, that the
contact checks do not contradict. Power laws, stretched exponentials and the logarithm are such sums too. A
forecast reaches one decade beyond the last contact check at most. Cost: about 10 ms.

References
----------
K. P. Burnham and D. R. Anderson, Model Selection and Multimodel Inference, 2002 (AICc, Akaike
weights).
F. Kohlrausch, Ueber die elastische Nachwirkung bei der Torsion, Annalen der Physik 119, 1863 (elastic
after-effect as a stretched exponential).
W. A. Day, Restrictions on relaxation functions in linear viscoelasticity, Quarterly Journal of Mechanics and
Applied Mathematics 23, 1970 (recalled: such functions are sums of decaying exponentials of one sign).
R. T. Birge, The calculation of errors by the method of least squares, Physical Review 40, 1932 (scaling of
uncertainties that are smaller than the scatter).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
import scipy

from rig.errors import InputError
from rig.samples import FloatArray

FEWEST_CHECKS = 4
"""Two parameters, and two contact checks more that can contradict them."""

SHORTEST_SPAN = 3.0
"""Contact checks whose last time is less than this many times their first say nothing of a logarithm of
time."""

FORECAST_DECADES = 1.0
"""Further ahead both laws are fancy."""

LOGARITHM = "logarithm"
STRETCHED = "stretched exponential"

CONFIDENCE = 0.95

DOUBT = 0.05
"""A scatter about the law that has less than this chance under the stated uncertainties enlarges them."""

SIMPLER_BY = 2.0
"""A law of more parameters has to be better by this much of the criterion: less is no evidence."""

EXPONENTS = (0.1, 1.0)
TIME_MARGIN = 10.0
"""The time constant lies between the first contact check's time over this and the last one's times this."""

SLOWEST = 100.0
"""Times the last contact check's time: over the decade that is forecast, anything slower is as good as
straight."""

EXPONENTIALS = 60
"""Of the sums that a recovery may be: about ten in each decade, closer than contact checks can tell apart."""

MOST_STEPS = 10_000
HOLD = 1e4
DOUBLINGS, HALVINGS = 40, 10
"""An end of an interval is found to a thousandth of its length."""

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
        By how much the weights of the contact checks were enlarged: `scale`, or the scatter itself in mm
        where no uncertainties are known.
    """

    name: str
    parameters: tuple[Parameter, ...]
    covariance: tuple[tuple[float, ...], ...]
    aicc: float
    weight: float
    residual_mm: float
    scale: float
    scatter: float

    def set_mm(self, after_s: FloatArray) -> FloatArray:
        """Set at times since release, shape (m,)."""
        return _LAWS[self.name](np.array([parameter.value for parameter in self.parameters]), after_s)

    def set_mm_u(self, after_s: FloatArray) -> FloatArray:
        """Its standard uncertainty if this law is the right one, without what all contact checks share."""
        values = np.array([parameter.value for parameter in self.parameters])
        slopes = _slopes(self.name, values, after_s)
        variance = np.einsum("mi,ij,mj->m", slopes, np.array(self.covariance), slopes)
        u: FloatArray = np.sqrt(np.maximum(variance, 0.0))
        return u


@dataclass(frozen=True, slots=True)
class SetForecast:
    """Set at one time since release.

    Parameters
    ----------
    after_s, set_mm
        The time, and the set there by the law that was chosen.
    set_mm_u, low_mm, high_mm
        Standard uncertainty and 95 % interval for any recovery that only slows down.
    law_low_mm, law_high_mm
        95 % interval if the recovery goes on by the law.
    """

    after_s: float
    set_mm: float
    set_mm_u: float
    low_mm: float
    high_mm: float
    law_low_mm: float
    law_high_mm: float


@dataclass(frozen=True, slots=True)
class SetsAfterRelease:
    """Contact checks that can be used, by rising time, shape (n,); `u_mm` weighs them."""

    after_s: FloatArray
    set_mm: FloatArray
    u_mm: FloatArray


@dataclass(frozen=True, slots=True)
class RecoveryFit:
    """What contact checks after release say of the recovery.

    Parameters
    ----------
    law
        The one chosen; None where there are too few contact checks.
    other
        The one not chosen; None where it was not fitted or is not supported by the contact checks.
    contact_checks, first_s, last_s
        How many were used, and the times of the first and the last since release.
    shared_u_mm
        Standard uncertainty that all contact checks have in common.
    coverage
        Factor from a standard uncertainty to half of a 95 % interval.
    forecast
        One decade beyond the last contact check; None without a law.
    notes
        Why there is no law, or why only one; what else has to be known.
    used
        The contact checks that were used.
    """

    law: RecoveryLaw | None
    other: RecoveryLaw | None
    contact_checks: int
    first_s: float
    last_s: float
    shared_u_mm: float
    coverage: float
    forecast: SetForecast | None
    notes: tuple[str, ...]
    used: SetsAfterRelease = field(repr=False, compare=False)

    @property
    def reach_s(self) -> float:
        """Latest time since release for which a set is given."""
        return self.last_s * 10**FORECAST_DECADES

    def at(self, after_s: float) -> SetForecast:
        """Set at a time since release, between the first contact check and one decade beyond the last.

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
                f"{self.reach_s:g} s, one decade beyond the last contact check"
            )
        return _forecast(self.law, self.used, after_s, self.shared_u_mm, self.coverage)

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping of laws, forecast and notes; not-a-number is left in it."""
        plain = asdict(self)
        del plain["used"]
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
        Times since release and sets, shape (n,), in any order. Contact checks without a positive time or a
        finite set are left out.
    set_mm_u
        Standard uncertainties, shape (n,). None, or any that is not positive: all contact checks count the
        same, and their scatter is taken from the fit.
    shared_u_mm
        The part of each `set_mm_u` that all have in common, such as that of the first contact: it moves all
        sets equally, says nothing of the law, and is added to a forecast.

    Returns
    -------
    The fit. With fewer than four contact checks, or contact checks too close in time, its law is None and the
    notes say why.

    Notes
    -----
    1. The logarithm follows from linear least squares. The stretched exponential starts from the best of a
       grid of time constants and exponents, for each of which the rest is linear, and is refined.
    2. It is in the choice only with six contact checks (seven without uncertainties), a time constant inside
    its
       bounds, and a step from first to final set that is larger than twice the uncertainty of the final set.
    3. It is chosen where its AICc is better by `SIMPLER_BY`.
    4. Stated uncertainties are enlarged to the scatter where that contradicts them.
    5. A forecast by the law has the law's own interval. Its uncertainty and interval hold every curve
       s_inf + sum of a_i exp(-t / tau_i), all a_i of one sign, whose misfit exceeds the smallest one by no
       more than the squared coverage factor (a profile likelihood); a set that is positive ends at zero. The
       uncertainty is the longer half of the interval over 1.96, with the shared one.

    Examples
    --------
    >>> after_s = np.array([10.0, 100.0, 1000.0, 10_000.0])
    >>> fit = fit_recovery(after_s, 2.0 - 0.25 * np.log10(after_s), np.full(4, 0.01))
    >>> fit.law.name, round(fit.forecast.set_mm, 3), fit.forecast.after_s
    ('logarithm', 0.75, 100000.0)
    """
    checks, stated = _usable(after_s, set_mm, set_mm_u, shared_u_mm)
    count = len(checks.after_s)
    first_s, last_s = (float(f(checks.after_s)) if count else np.nan for f in (np.min, np.max))
    reason = _why_none(count, first_s, last_s)
    if reason:
        return RecoveryFit(None, None, count, first_s, last_s, shared_u_mm, np.nan, None, (reason,), checks)
    notes = [] if stated else ["The uncertainties of the contact checks are unknown: their scatter is used."]
    laws = [_fitted_logarithm(checks, stated=stated)]
    stretched, why = _fitted_stretched(checks, stated=stated)
    if stretched is None:
        notes.append(f"No stretched exponential: {why}.")
    else:
        laws.append(stretched)
    law, *others = _chosen(_weighted(laws))
    other = others[0] if others else None
    spare = count - len(law.parameters)
    known = stated and law.scale == 1.0
    coverage = float(scipy.special.stdtrit(np.inf if known else spare, (1 + CONFIDENCE) / 2))
    ahead = _forecast(law, checks, last_s * 10**FORECAST_DECADES, shared_u_mm, coverage)
    if law.scale > 1:
        notes.append(f"The contact checks scatter {law.scale:.2g} times as much as their uncertainties.")
    return RecoveryFit(law, other, count, first_s, last_s, shared_u_mm, coverage, ahead, tuple(notes), checks)


def _usable(
    after_s: FloatArray, set_mm: FloatArray, set_mm_u: FloatArray | None, shared_u_mm: float
) -> tuple[SetsAfterRelease, bool]:
    """Return the contact checks, and whether their uncertainties are known."""
    after_s, set_mm = np.asarray(after_s, np.float64), np.asarray(set_mm, np.float64)
    u_mm = np.full(len(after_s), np.nan) if set_mm_u is None else np.asarray(set_mm_u, np.float64)
    usable = np.flatnonzero(np.isfinite(after_s) & (after_s > 0) & np.isfinite(set_mm))
    usable = usable[np.argsort(after_s[usable], kind="stable")]
    with np.errstate(invalid="ignore"):
        own_mm = np.sqrt(u_mm[usable] ** 2 - shared_u_mm**2)
    stated = bool((own_mm > 0).all()) and len(usable) > 0
    return SetsAfterRelease(
        after_s[usable], set_mm[usable], own_mm if stated else np.ones(len(usable))
    ), stated


def _why_none(count: int, first_s: float, last_s: float) -> str:
    if count < FEWEST_CHECKS:
        return f"No fit: found {count} contact checks after release, expected {FEWEST_CHECKS} or more."
    if last_s < SHORTEST_SPAN * first_s:
        return (
            f"No fit: the contact checks lie between {first_s:.4g} s and {last_s:.4g} s after release, "
            "expected "
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


def _fitted_logarithm(checks: SetsAfterRelease, *, stated: bool) -> RecoveryLaw:
    slopes = _slopes(LOGARITHM, np.zeros(2), checks.after_s) / checks.u_mm[:, None]
    solved = np.linalg.lstsq(slopes, checks.set_mm / checks.u_mm, rcond=None)[0]
    found: FloatArray = np.asarray(solved, np.float64)
    return _law(LOGARITHM, (("a", "mm"), ("b", "mm per decade")), found, checks, stated=stated)


def _fitted_stretched(checks: SetsAfterRelease, *, stated: bool) -> tuple[RecoveryLaw | None, str]:
    """Return the law, or why the contact checks do not support it."""
    count, needed = len(checks.after_s), 6 if stated else 7
    if count < needed:
        return None, f"found {count} contact checks, expected {needed} or more for its four parameters"
    low_s, high_s = checks.after_s[0] / TIME_MARGIN, checks.after_s[-1] * TIME_MARGIN
    start = _start(checks, low_s, high_s)

    def residuals(free: FloatArray) -> FloatArray:
        return (_stretched(_natural(free), checks.after_s) - checks.set_mm) / checks.u_mm

    bounds = (
        [-np.inf, -np.inf, np.log(low_s), EXPONENTS[0]],
        [np.inf, np.inf, np.log(high_s), EXPONENTS[1]],
    )
    fit = scipy.optimize.least_squares(residuals, start, bounds=bounds, x_scale="jac", max_nfev=400)
    found = _natural(fit.x)
    names = (("s_inf", "mm"), ("s_0", "mm"), ("tau", "s"), ("beta", ""))
    law = _law(STRETCHED, names, found, checks, stated=stated)
    final, first, tau, _ = law.parameters
    if not low_s * 1.01 < tau.value < high_s / 1.01:
        return None, "the contact checks do not determine its time constant"
    if not abs(first.value - final.value) > 2 * final.u:
        return None, "the contact checks do not determine the permanent set"
    return law, ""


def _natural(free: FloatArray) -> FloatArray:
    """Return the parameters from those that are varied: the time constant by its logarithm."""
    return np.array([free[0], free[1], np.exp(free[2]), free[3]])


def _start(checks: SetsAfterRelease, low_s: float, high_s: float) -> FloatArray:
    """Return the best curve over a grid of time constants and exponents well inside the bounds."""
    tau_s, beta = (
        axis.ravel()
        for axis in np.meshgrid(
            np.geomspace(1.1 * low_s, high_s / 1.1, GRID_TIMES),
            np.linspace(EXPONENTS[0] + 0.01, EXPONENTS[1] - 0.01, GRID_EXPONENTS),
        )
    )
    left = np.exp(-((checks.after_s / tau_s[:, None]) ** beta[:, None]))
    slopes = np.stack([1 - left, left], axis=2) / checks.u_mm[:, None]
    target = checks.set_mm / checks.u_mm
    # curves that are flat over all contact checks have no inverse
    inverse = np.linalg.pinv(np.einsum("mni,mnj->mij", slopes, slopes), hermitian=True)
    pairs = np.einsum("mij,mnj,n->mi", inverse, slopes, target)
    best = int(np.argmin(((np.einsum("mni,mi->mn", slopes, pairs) - target) ** 2).sum(axis=1)))
    return np.array([*pairs[best], np.log(tau_s[best]), beta[best]])


def _law(
    name: str,
    names: tuple[tuple[str, str], ...],
    values: FloatArray,
    checks: SetsAfterRelease,
    *,
    stated: bool,
) -> RecoveryLaw:
    """Return a fitted law with its uncertainties and its criterion."""
    count, size = len(checks.after_s), len(values)
    left_mm = checks.set_mm - _LAWS[name](values, checks.after_s)
    misfit = float(np.sum((left_mm / checks.u_mm) ** 2))
    spare = count - size
    scale = 1.0
    if not stated or misfit > scipy.special.chdtri(spare, DOUBT):
        scale = float(np.sqrt(misfit / spare))
    slopes = _slopes(name, values, checks.after_s) / checks.u_mm[:, None]
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
    """Return the laws, the chosen one first; they stand by rising number of parameters."""
    if len(laws) > 1 and laws[1].aicc < laws[0].aicc - SIMPLER_BY:
        return laws[::-1]
    return laws


def _forecast(
    law: RecoveryLaw, checks: SetsAfterRelease, after_s: float, shared_u_mm: float, coverage: float
) -> SetForecast:
    at = np.array([after_s])
    value, own_u = (float(column(at)[0]) for column in (law.set_mm, law.set_mm_u))
    half = coverage * float(np.hypot(own_u, shared_u_mm))
    slowing = _slowing_interval(checks, law, after_s, coverage)
    shared = coverage * shared_u_mm
    # the law is one of those that the contact checks allow, also where it is not the best of them
    below = float(np.hypot(max(value - slowing[0], coverage * own_u), shared))
    above = float(np.hypot(max(slowing[1] - value, coverage * own_u), shared))
    # what laws disagree by does not grow with few contact checks as a scatter's factor does: a reader doubles
    # u
    u = max(below, above) / float(scipy.special.ndtri((1 + CONFIDENCE) / 2))
    return SetForecast(after_s, value, u, value - below, value + above, value - half, value + half)


def _slowing_interval(
    checks: SetsAfterRelease, law: RecoveryLaw, after_s: float, coverage: float
) -> tuple[float, float]:
    """Lowest and highest set at a time among all sums of exponentials that the contact checks do not
    contradict."""
    tau_s = np.geomspace(checks.after_s[0] / TIME_MARGIN, checks.after_s[-1] * SLOWEST, EXPONENTIALS)
    # a set that grows is a sum of exponentials of the other sign
    sign = -1.0 if law.set_mm(checks.after_s[-1:])[0] > law.set_mm(checks.after_s[:1])[0] else 1.0
    origin_mm = float(checks.set_mm.mean())

    def curves(times_s: FloatArray) -> FloatArray:
        """Return the columns whose positive sums are the curves: a set that stays, of either sign, and
        what goes."""
        still = np.ones((len(times_s), 1))
        return np.hstack([still, -still, sign * np.exp(-times_s[:, None] / tau_s)])

    weighed = curves(checks.after_s) / checks.u_mm[:, None]
    target = (checks.set_mm - origin_mm) / checks.u_mm
    row = curves(np.array([after_s]))
    factors, misfit = scipy.optimize.nnls(weighed, target, maxiter=MOST_STEPS)
    best_mm = float(row[0] @ factors)
    # the same fit, held to a set at that time by a weight that outdoes all contact checks
    holding = HOLD / checks.u_mm.min()
    held = np.vstack([weighed, holding * row])
    allowed = misfit**2 + (coverage * law.scatter) ** 2

    def is_allowed(set_mm: float) -> bool:
        found = scipy.optimize.nnls(held, np.append(target, holding * set_mm), maxiter=MOST_STEPS)[1]
        return bool(found**2 <= allowed)

    step_mm = max(law.scatter, 1e-9) * float(checks.u_mm.min())
    # a piece does not recover beyond the height at which its sets begin; sets far below zero are no such sets
    is_set = bool((checks.set_mm > -2 * coverage * law.scatter * checks.u_mm).all())
    floor_mm = (0.0 if is_set else -np.inf) - origin_mm
    low_mm = max(_farthest(is_allowed, best_mm, -step_mm), min(floor_mm, best_mm))
    return low_mm + origin_mm, _farthest(is_allowed, best_mm, step_mm) + origin_mm


def _farthest(is_allowed: Callable[[float], bool], best: float, step: float) -> float:
    """Return the last value on one side of the best that is allowed: doubling, then halving."""
    inside, outside = 0.0, step
    for _ in range(DOUBLINGS):
        if not is_allowed(best + outside):
            break
        inside, outside = outside, 2 * outside
    for _ in range(HALVINGS):
        middle = (inside + outside) / 2
        inside, outside = (middle, outside) if is_allowed(best + middle) else (inside, middle)
    return best + outside
