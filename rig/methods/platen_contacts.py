"""One slow contact check of a platen: where it passed a force, for any stiffness from a sponge to bare steel.

Problem: on a soft piece a small force is passed in noise over hundreds of samples, on bare platens between
two of them, and a position in counts knows neither place. Plan: find the instant at which the force is
passed, from a parabola through the force near it, or between two samples where there are no more; and the
position at that instant from a parabola through the position over time, where a moving platen passes many
steps. The force zero comes from the approach. Cost: two small least squares for each force.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import ceil, hypot, sqrt
from typing import Any

import numpy as np
import numpy.typing as npt

from rig.errors import InputError
from rig.methods.gauging import GaugedValue, Stretch, read_contact
from rig.samples import FloatArray

NOISES_OF_CONTACT = 3.0
"""A contact force below this many standard deviations of the force's noise is passed by noise alone."""

NORMAL_MEDIAN = 1.4826
"""Standard deviation over median deviation of a normal distribution."""

CONTACT_SHARES = (0.4, 1.6)
"""The small force is read from samples between these shares of it."""

TOP_SHARES = (0.85, 1.0)
"""The greater force, where the platen stops, from samples below it only."""

SMOOTH_SHARE = 0.05
"""Samples are joined until the noise of their mean is this share of the force: that finds the place only."""

LED_BACK = 3
"""This many samples behind a sudden rise tell its line."""

MOST_JOINED = 4000
LEAST_FITTED = 6
MOST_FITTED = 20_000
BEYOND = 0.25
"""A passage may lie so much of the fitted stretch behind its last sample."""

NEAR_MM = 0.3
"""The position over time is read from so long a way before the place, and so long behind it."""

CONTACT_SHARE_OF_TOP = 0.5
"""By hand: a contact check has begun where the force passes this share of the greater force, and is over
where it falls below a fifth of that."""

QUIET_SAMPLES = 100
"""By hand: the first samples, without load, that tell a first force zero."""

MOST_CONTACT_CHECKS = 200


@dataclass(frozen=True, slots=True)
class Passage:
    """Where a contact check passed a force.

    `position_mm`: platen position, the uncertainty without the smallest step's; `slope` is in mm/N.
    `rounding_mm`: standard uncertainty left by the position's smallest step.
    `zero_u_mm`: part of the uncertainty that comes from the force zero.
    """

    position_mm: GaugedValue
    rounding_mm: float
    zero_u_mm: float
    speed_mm_per_s: float


@dataclass(frozen=True, slots=True)
class PlatenReading:
    """One contact check.

    `zero_s`, `level_n`: middle of the first half of the way to the contact check, and the mean force over
    that half.
    `approach`: its samples up to the greatest force, the zero taken off.
    """

    at_contact: Passage
    at_top: Passage
    zero_n: GaugedValue
    zero_s: float
    level_n: float
    noise_n: float
    time_s: float
    approach: Stretch


@dataclass(frozen=True, slots=True)
class Drift:
    """How the force zero moves: N/s and its standard uncertainty, from one contact check to the next."""

    n_per_s: float = 0.0
    u_n_per_s: float = 0.0


def zero_drifts(readings: Sequence[PlatenReading]) -> list[Drift]:
    """Drift of the force zero behind each contact check; a single approach is too short to tell.

    Parameters
    ----------
    readings
        Contact checks of one recording, in order, read without a drift.

    Returns
    -------
    One for each; none is known where there is only one contact check.
    """
    if len(readings) < 2:
        return [Drift() for _ in readings]
    apart_s = np.diff([reading.zero_s for reading in readings])
    zeros_n = np.array([reading.level_n for reading in readings])
    slopes = np.diff(zeros_n) / apart_s
    # a slope is as uncertain as slopes scatter, and no better than the noise of two zeros allows
    noise = sqrt(2) * max(reading.zero_n.u for reading in readings) / float(apart_s.min())
    u = max(float(slopes.std(ddof=1)) if len(slopes) > 1 else 0.0, noise)
    return [Drift(float(slope), u) for slope in (*slopes, slopes[-1])]


def read_platen_contact(
    stretch: Stretch, contact_n: float, top_n: float, *, drift: Drift | None = None, averaged: bool = False
) -> PlatenReading:
    """Read one contact check at two forces.

    Parameters
    ----------
    stretch
        From the begin of its approach, well before the contact check; what follows may be in it. Without a
        clock its times are numbers of samples.
    contact_n, top_n
        The small force and the greater one, in N above the force zero.
    averaged
        Whether each force is the mean over a conversion that takes as long as the step between samples.

    Raises
    ------
    InputError
        If there is no approach without load, a force was not reached, or the small one drowns in noise.
    """
    drift = drift or Drift()
    if drift.n_per_s:
        # the force zero is kept from moving
        since_s = stretch.time_s - stretch.time_s[0]
        stretch = replace(stretch, force_n=stretch.force_n - drift.n_per_s * since_s)
    zero_n = read_contact(stretch, top_n, None).zero_n
    # an approach begins where the platen is farthest before its peak: what came before is another way out
    peak = int(np.argmax(stretch.force_n))
    low = int(np.argmin(stretch.position_mm[: peak + 1]))
    whole = stretch.part(slice(low, peak + 1))
    zero_s, level_n = _before_contact(whole, zero_n.value + contact_n)
    net = replace(whole, force_n=whole.force_n - zero_n.value)
    noise_n = _noise_n(net)
    if contact_n < NOISES_OF_CONTACT * noise_n:
        raise InputError(
            f"contact force: found {contact_n:.3g} N, but the force's noise is {noise_n:.2g} N; expected "
            f"{NOISES_OF_CONTACT * noise_n:.2g} N or more"
        )
    if float(net.force_n.max()) < top_n:
        raise InputError(f"contact check: reached {float(net.force_n.max()):.3g} N, expected {top_n:.3g} N")
    stop = int(np.argmax(net.force_n >= top_n))

    def zero_u_n(instant_s: float) -> float:
        return hypot(zero_n.u, drift.u_n_per_s * (instant_s - zero_s))

    read = partial(_passage, net, stop=stop, noise_n=noise_n, zero_u_n=zero_u_n, averaged=averaged)
    at_contact, time_s = read(contact_n, CONTACT_SHARES)
    at_top, _ = read(top_n, TOP_SHARES)
    return PlatenReading(at_contact, at_top, zero_n, zero_s, level_n, noise_n, time_s, net)


def split_contact_checks(stretch: Stretch, top_n: float) -> Iterator[Stretch]:
    """Contact checks of a recording that has no marks, such as one made by hand.

    Each goes from the deepest point without load before it to the end of its load. The recording must begin
    without load.

    Raises InputError if it is too short, or holds no contact check.
    """
    if len(stretch) < QUIET_SAMPLES:
        raise InputError(
            f"contact checks: {len(stretch)} samples found, expected a recording of several contact checks"
        )
    net_n = stretch.force_n - float(np.median(stretch.force_n[:QUIET_SAMPLES]))
    level_n = CONTACT_SHARE_OF_TOP * top_n
    pressed = net_n >= level_n
    released = net_n < level_n / 5
    at = since = found = 0
    while at < len(stretch) and found < MOST_CONTACT_CHECKS:
        ahead = np.flatnonzero(pressed[at:])
        if not len(ahead):
            break
        begin = at + int(ahead[0])
        behind = np.flatnonzero(released[begin:])
        end = begin + int(behind[0]) if len(behind) else len(stretch)
        yield stretch.part(slice(since, end))
        found, since, at = found + 1, end, end
    if not found:
        raise InputError(
            f"contact checks: the force never reaches {level_n:.3g} N; expected some up to {top_n:g} N"
        )


def _before_contact(approach: Stretch, contact_n: float) -> tuple[float, float]:
    """Middle of the first half of the way to the contact check, and the mean force over that half."""
    x_mm = approach.position_mm
    reached = int(np.argmax(approach.force_n >= contact_n))
    half = max(int(np.argmax(x_mm >= (x_mm[0] + x_mm[reached]) / 2)), 1)
    middle_s = float(approach.time_s[0] + approach.time_s[half]) / 2
    return middle_s, float(approach.force_n[:half].mean())


def _noise_n(net: Stretch) -> float:
    """Return the standard deviation of the force about its course in an approach, rounding included.

    A sudden rise at its end leaves the median of the steps alone.
    """
    steps_n = np.diff(net.force_n)
    usual_n = float(np.median(np.abs(steps_n - np.median(steps_n))))
    return max(NORMAL_MEDIAN * usual_n / sqrt(2), net.force_step_n / sqrt(12))


def _passage(
    net: Stretch,
    level_n: float,
    shares: tuple[float, float],
    *,
    stop: int,
    noise_n: float,
    zero_u_n: Callable[[float], float],
    averaged: bool,
) -> tuple[Passage, float]:
    """Return where the force passes a level, and when; samples behind `stop` are those of a braking
    platen."""
    instant_s, u_s, rate = _instant(net, level_n, shares, stop=stop, noise_n=noise_n, averaged=averaged)
    place_mm, scatter_u_mm, rounding_mm, speed = _position(net, instant_s, stop)
    per_newton = speed / rate
    zero_u_mm = abs(per_newton) * zero_u_n(instant_s)
    u_mm = sqrt(scatter_u_mm**2 + (speed * u_s) ** 2 + zero_u_mm**2)
    return Passage(GaugedValue(place_mm, u_mm, per_newton), rounding_mm, zero_u_mm, speed), instant_s


def _instant(
    net: Stretch, level_n: float, shares: tuple[float, float], *, stop: int, noise_n: float, averaged: bool
) -> tuple[float, float, float]:
    """Return when the force passes a level, its standard uncertainty, and the rate of force in N/s there."""
    force_n, time_s = net.force_n, net.time_s
    # as many samples as bring the noise below a share of the level: the first passage of single ones is early
    joined = min(max(ceil((noise_n / (SMOOTH_SHARE * level_n)) ** 2), 1), MOST_JOINED)
    smooth_n = _joined(force_n[: stop + 1], joined)
    near = int(np.argmax(smooth_n >= min(level_n, float(smooth_n.max()))))
    below = np.flatnonzero(smooth_n[:near] < shares[0] * level_n)
    above = np.flatnonzero(smooth_n[near:] > shares[1] * level_n)
    first = int(below[-1]) + 1 if len(below) else 0
    last = min(near + int(above[0]) if len(above) else stop, stop)
    if shares[1] <= 1:
        last = stop
    if last - first + 1 < LEAST_FITTED:
        return _between_samples(net, level_n, max(first - joined, 0), noise_n, stop=stop, averaged=averaged)
    first = max(first, last - MOST_FITTED)
    return _fitted_instant(time_s[first : last + 1], force_n[first : last + 1], level_n, net.force_step_n)


def _joined(force_n: FloatArray, count: int) -> FloatArray:
    """Running means; where a mean would reach beyond an end, what there is."""
    if count == 1 or len(force_n) < count:
        return force_n
    total = np.concatenate([[0.0], np.cumsum(force_n)])
    at = np.arange(len(force_n))
    low, high = np.maximum(at - count // 2, 0), np.minimum(at + (count - count // 2), len(force_n))
    means: FloatArray = (total[high] - total[low]) / (high - low)
    return means


def _between_samples(
    net: Stretch, level_n: float, first: int, noise_n: float, *, stop: int, averaged: bool
) -> tuple[float, float, float]:
    """Return a passage so sudden that only two samples know of it.

    Where the first of both lies before the contact check, the rise began anywhere between them: the line of
    the samples behind leads back to it. Where there is none, the middle of where it may have begun counts;
    the second may hold the mean over a conversion in which it began.
    """
    at = max(first + int(np.argmax(net.force_n[first:] >= level_n)), 1)
    step_s = float(net.time_s[at] - net.time_s[at - 1])
    rise_n = float(net.force_n[at] - net.force_n[at - 1])
    if not (step_s > 0 and rise_n > 0):
        raise InputError("contact check: the force does not rise through it; record it again")
    rate = rise_n / step_s
    instant_s = float(net.time_s[at]) - (float(net.force_n[at]) - level_n) / rate
    if level_n < rise_n / 2:
        latest_s = float(net.time_s[at]) + (step_s / 2 if averaged else 0.0)
        instant_s = latest_s - step_s / 2
        if stop >= at + LED_BACK:
            behind_s = float(net.time_s[stop] - net.time_s[at + 1])
            rate = max(float(net.force_n[stop] - net.force_n[at + 1]) / behind_s, rate / 2)
            led_back_s = float(net.time_s[at + 1]) - (float(net.force_n[at + 1]) - level_n) / rate
            instant_s = min(max(led_back_s, latest_s - step_s), latest_s)
    return instant_s, hypot(step_s / sqrt(12), noise_n / rate), rate


def _fitted_instant(
    time_s: FloatArray, force_n: FloatArray, level_n: float, step_n: float
) -> tuple[float, float, float]:
    middle_s = float(time_s[len(time_s) // 2])
    span_s = max(float(np.ptp(time_s)), 1e-9)
    tau = (time_s - middle_s) / span_s
    powers = np.vander(tau, 3, increasing=True)
    fit, _, rank, _ = np.linalg.lstsq(powers, force_n, rcond=None)
    if rank < 3:
        raise InputError("contact check: too few different samples around it")
    at = 0.0
    for _ in range(20):
        rate = float(fit[1] + 2 * fit[2] * at)
        if rate <= 0:
            raise InputError("contact check: the force does not rise through it; record it again")
        at += (level_n - float(fit[0] + fit[1] * at + fit[2] * at**2)) / rate
        # noise passes the force a little before its mean does
        at = min(max(at, float(tau[0])), float(tau[-1]) + BEYOND)
    rate = float(fit[1] + 2 * fit[2] * at)
    if rate <= 0:
        raise InputError("contact check: the force does not rise through it; record it again")
    scatter_n, leverage = _scatter(powers, force_n, fit, at)
    undithered_n = step_n / sqrt(12) if scatter_n < step_n / 2 else 0.0
    u_n = hypot(scatter_n * sqrt(leverage), undithered_n)
    return middle_s + at * span_s, u_n / rate * span_s, rate / span_s


def _position(net: Stretch, instant_s: float, stop: int) -> tuple[float, float, float, float]:
    """Return the position at an instant, its uncertainty from scatter, that from the smallest step, and
    the speed."""
    time_s, x_mm = net.time_s[: stop + 1], net.position_mm[: stop + 1]
    at = min(int(np.searchsorted(time_s, instant_s)), stop)
    far = np.abs(x_mm - x_mm[at]) > NEAR_MM
    before, behind = np.flatnonzero(far[:at]), np.flatnonzero(far[at:])
    first = max(int(before[-1]) + 1 if len(before) else 0, at - MOST_FITTED)
    last = min(at + int(behind[0]) if len(behind) else stop + 1, at + MOST_FITTED)
    time_s, x_mm = time_s[first:last], x_mm[first:last]
    if len(time_s) < LEAST_FITTED:
        raise InputError("contact check: too few samples of its approach are left")
    span_s = float(time_s[-1] - time_s[0])
    powers = np.vander((time_s - instant_s) / span_s, 3, increasing=True)
    fit, _, rank, _ = np.linalg.lstsq(powers, x_mm, rcond=None)
    if rank < 3:
        raise InputError("contact check: too few different samples around it")
    scatter_mm, leverage = _scatter(powers, x_mm, fit, 0.0)
    step_mm = net.position_step_mm
    # each step that is passed tells the place once, however many samples stand on it
    passed = min(max(float(np.ptp(x_mm)) / step_mm, 1.0), len(x_mm)) if step_mm else 1.0
    rounding_mm = step_mm / sqrt(12) * min(sqrt(leverage * len(x_mm) / passed), 1.0)
    return float(fit[0]), scatter_mm * sqrt(leverage), rounding_mm, float(fit[1]) / span_s


def _scatter(
    powers: FloatArray, y: FloatArray, fit: npt.NDArray[np.floating[Any]], at: float
) -> tuple[float, float]:
    """Residual standard deviation of a fit, and the leverage of its value at a place."""
    left = y - powers @ fit
    free = max(len(y) - powers.shape[1], 1)
    row = at ** np.arange(powers.shape[1])
    leverage = float(row @ np.linalg.inv(powers.T @ powers) @ row)
    return sqrt(float(left @ left) / free), leverage
