"""The force zero of each cycle, from the no-load stretches on both sides of its contact.

Problem: the samples next to a contact already carry the specimen's toe region, which is below what detects a
contact.

Plan: from how fast the force rises just after detection, take how far before it the specimen can have been
met (for F = k d^n with n up to 2 the way from detection to four times that force is at least the way
from contact to detection). Samples nearer than that are left out; the mean of the nearest clean ones on
either side is the zero there, and it runs straight between the two. How far it strays from that is found by
how it changed in all cycles so far.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt

import numpy as np

from rig.analyser.breaks import loaded_until
from rig.analyser.ragged import BoolArray, copied_out, first_above, first_below, means, over_stretches
from rig.analyser.settings import MeasuringNoise
from rig.analyser.wander import Changes, Wander, ZeroRecord
from rig.calibration import Signals
from rig.samples import FloatArray, IntArray
from rig.segmenter import Cycles, Flag, ForceZero

WINDOW_S = 0.256
WINDOW_SAMPLES = (32, 4096)
"""The zero is the mean over so much of the clean samples nearest to the contact, within these counts."""

UNTIMED_WINDOW = 128
STEP_SAMPLES = 1024
"""Steps between the first samples tell their usual length; without a clock the window is a count."""

REACH = 1.2
"""Clean samples lie this many times further away than the specimen can have been."""

REACH_NOISES = 4.0

PLACES = (0.5, 0.75, 0.25, 0.95, 0.0)
"""Where in a no-load stretch the platen is looked for, as shares of its length."""

MISLED_SHARE = 0.5
"""A contact found with a zero this share of the detection level away from the one measured before it lies
elsewhere in the toe region than is taken for granted where clean samples are looked for."""

MISLED_WINDOWS = 3.0
"""A zero that drifts steadily does so within the window too, and since contact was last detected with it."""

LEAST_PULL = 4
"""Samples of a quarter of a stretch in which a pull is looked for."""

DEPARTURE_SHARE = 0.5
"""What untouched stretches depart by from a recorded zero that was not asked for is two standard
uncertainties of it."""

RESTING_NOISES = 8.0
"""An untouched stretch scatters by no more than this many standard deviations of the noise."""

DRIFT_SHARE = 0.25
"""A zero that runs straight between two stretches may have strayed by this share of how their difference
departs from the recording's steady drift: one that was knocked has not walked as it does in other cycles."""


@dataclass(frozen=True, slots=True)
class Baseline:
    """Force zeros along cycles, each column of shape (m,).

    Parameters
    ----------
    at_contact_n, per_sample_n
        Zero at the `contact` index, and its change per sample.
    u_n, tilt_u_n
        Standard uncertainties of the zero, and of its difference between the two strokes.
    loading_first
        First sample that belongs to the loading stroke with its toe region: the last clean one before
        contact; where none is clean, the one at which the platen was farthest away.
    unloading_last
        Last sample that belongs to the unloading stroke: the first clean one behind it.
    one_sided
        Whether clean no-load samples are known on one side only.
    misled
        Whether the clean samples before the contact are not what detected it took them for: their mean is
        another zero, or they differ among each other by more than noise.
    """

    at_contact_n: FloatArray
    per_sample_n: FloatArray
    u_n: FloatArray
    tilt_u_n: FloatArray
    loading_first: IntArray
    unloading_last: IntArray
    one_sided: BoolArray
    misled: BoolArray

    def at(self, index: FloatArray, contact: IntArray) -> FloatArray:
        """Zeros at sample positions of shape (m, k)."""
        return self.at_contact_n[:, None] + self.per_sample_n[:, None] * (index - contact[:, None])


def baseline(
    signals: Signals,
    cycles: Cycles,
    noise: MeasuringNoise,
    detection_n: float,
    *,
    steady_u_n: float | None = None,
    walk_noise_n: float | None = None,
    drift_doubt: float = 1.0,
    record: ZeroRecord | None = None,
    fixed: ForceZero | None = None,
) -> Baseline:
    """Return the force zeros of cycles.

    Parameters
    ----------
    detection_n
        Force above zero at which contact was detected.
    steady_u_n
        What averaging does not take off a steady force; None: what the quantisation leaves.
    walk_noise_n
        Noise of a sample that the zero's wander is found from; None: that of `noise`.
    drift_doubt
        Times what the zero's wander is uncertain by.
    record
        How the zero changed in the cycles before; these are added.
    fixed
        Force zero of the recording; where it is the recorded or a stated one, it is the zero of all cycles.
    """
    steady_u_n = noise.undithered_force_n if steady_u_n is None else steady_u_n
    contact, window = cycles.contact, _window(signals)
    zero_n = cycles.zero_n.copy()
    clean = _clean_sides(signals, cycles, contact, zero_n, detection_n, noise=noise)
    before_n, most_n = _before(signals, clean, window), MISLED_SHARE * detection_n
    # a zero that crept since it was last looked at put contact elsewhere on the toe region: it is found again
    again = np.flatnonzero(np.abs(before_n - zero_n) > most_n)
    if len(again):
        zero_n[again] = before_n[again]
        those = cycles.selected(again)
        deepest = np.maximum(loaded_until(signals.force_n, those), those.before)
        since = np.clip(clean[1, again], those.before, deepest)
        anew = first_above(signals.force_n, since, deepest, zero_n[again] + detection_n)
        clean[:, again] = _clean_sides(signals, those, anew, zero_n[again], detection_n, noise=noise)
    let_go = np.where(clean[3] >= clean[2], clean[2], -1)
    unpulled = clean[0].copy()
    for side in (0, 2):
        clean[side] = _past_pull(signals, clean[side], clean[side + 1], detection_n)
    before_first, before_last, after_first, after_last = clean
    early = np.maximum(before_first, before_last + 1 - window)
    late = np.minimum(after_last + 1, after_first + window)
    before_n = _before(signals, clean, window)
    after_n = means(signals.force_n, after_first, late)
    before_u = noise.mean_force_u_n(before_last + 1 - early)
    after_u = noise.mean_force_u_n(late - after_first)
    has_before, has_after = np.isfinite(before_n), np.isfinite(after_n)
    # a face that held on to the platen after the press before does so after this one: what lies behind may
    # end within its pull
    has_after &= ~((before_first > unpulled) & (after_n < before_n - detection_n))
    # where neither side is clean, the zero in use when contact began has to do
    fallback_u = noise.mean_force_u_n(np.full(len(contact), max(noise.zero_samples, 1)))
    left_n = np.where(has_before, before_n, np.where(has_after, after_n, cycles.zero_n))
    right_n = np.where(has_after, after_n, left_n)
    left_at = np.where(has_before, (early + before_last) / 2, contact - 1.0)
    right_at = np.where(has_after, (after_first + late - 1) / 2, np.maximum(cycles.release, contact + 1.0))
    slope = np.where(has_before & has_after, (right_n - left_n) / np.maximum(right_at - left_at, 1.0), 0.0)
    both = has_before & has_after
    mean_u = np.where(
        both,
        np.hypot(before_u, after_u) / 2,
        np.where(has_before, before_u, np.where(has_after, after_u, fallback_u)),
    )
    across = Changes(
        *(
            each[:, None]
            for each in (
                np.where(both, right_n - left_n, np.nan),
                np.maximum(right_at - left_at, 1.0),
                np.maximum(before_last + 1 - early, 1.0),
                np.maximum(late - after_first, 1.0),
            )
        )
    )
    wander = (record or ZeroRecord()).take(
        across,
        Changes.within(signals.force_n, before_first, before_last + 1),
        Changes.within(signals.force_n, after_first, after_last + 1),
        noise.force_n * sqrt(noise.correlated_samples) if walk_noise_n is None else walk_noise_n,
    )
    drift_u, drift_tilt_u = (drift_doubt * each for each in _strayed(cycles, across, wander))
    # the middles of the strokes are half the contact's length apart
    apart = np.maximum(cycles.release - contact, 1) / 2
    tilt_u = np.where(both, np.hypot(before_u, after_u) * apart / np.maximum(right_at - left_at, 1.0), 0.0)
    # where contact is kept, two cycles share the sample of the turn, so that their loops close
    kept_after = (cycles.flags & np.uint32(Flag.CONTACT_KEPT_AFTER)) != 0
    last_own = np.where(kept_after, np.minimum(cycles.release, len(signals) - 1), cycles.release - 1)
    found = Baseline(
        left_n + slope * (contact - left_at),
        slope,
        np.sqrt(mean_u**2 + drift_u**2 + steady_u_n**2),
        np.hypot(tilt_u, drift_tilt_u),
        np.where(has_before, before_last, _farthest_sample(signals.position_mm, cycles, ~has_before)),
        np.where(let_go >= 0, let_go, np.maximum(last_own, cycles.unload_start)),
        has_before != has_after,
        _misled(
            signals.force_n,
            early,
            before_last + 1,
            zero_n,
            most_n + MISLED_WINDOWS * window * np.abs(slope),
        ),
    )
    if fixed is None or fixed.kind == "untouched":
        return found
    # a force that changes all along such a stretch is a specimen under load, and shows no zero
    resting = _scatter_n2(signals.force_n, early, before_last + 1) <= (RESTING_NOISES * noise.force_n) ** 2
    return _fixed(found, fixed, (has_before & resting) | (has_after & ~has_before))


def _before(signals: Signals, clean: IntArray, window: int) -> FloatArray:
    """Return the mean force over the clean samples nearest before contacts."""
    first, last = clean[:2]
    return means(signals.force_n, np.maximum(first, last + 1 - window), last + 1)


def _clean_sides(
    signals: Signals,
    cycles: Cycles,
    contact: IntArray,
    zero_n: FloatArray,
    detection_n: float,
    *,
    noise: MeasuringNoise,
) -> IntArray:
    """First and last clean samples before and behind contacts, shape (4, m)."""
    x_mm = signals.position_mm
    level_n = zero_n + 4 * detection_n
    loaded = np.maximum(loaded_until(signals.force_n, cycles), contact)
    risen = first_above(signals.force_n, contact, loaded, level_n)
    reach_mm = np.maximum(REACH * (x_mm[risen] - x_mm[contact]), REACH_NOISES * noise.position_mm)
    limit_mm = x_mm[contact] - reach_mm
    before_first, before_last = _clean(x_mm, cycles.before, contact, limit_mm)
    after_first, after_last = _clean(x_mm, cycles.release, cycles.after, limit_mm)
    near = np.flatnonzero(after_last < after_first)
    if len(near):
        # it did not go back as far as the contact: a specimen that took a set has let go before
        let_go_mm = _let_go_mm(signals, cycles.selected(near), level_n[near], noise, limit_mm[near])
        after_first[near], after_last[near] = _clean(
            x_mm, cycles.release[near], cycles.after[near], let_go_mm
        )
    cramped = (before_last < before_first) & (after_last < after_first)
    if cramped.any():
        # the platen never goes as far as that: its farthest samples have to do
        for first, last, start, stop in (
            (before_first, before_last, cycles.before, contact),
            (after_first, after_last, cycles.release, cycles.after),
        ):
            far_mm = _farthest(x_mm, start[cramped], stop[cramped]) + REACH_NOISES * noise.position_mm
            first[cramped], last[cramped] = _clean(x_mm, start[cramped], stop[cramped], far_mm)

    return np.stack([before_first, before_last, after_first, after_last])


def _past_pull(signals: Signals, first: IntArray, last: IntArray, detection_n: float) -> IntArray:
    """First samples of clean stretches behind the pull of a tacky face, which holds on to a leaving platen.

    A pull lies in the first half of a stretch, below the line through its last two quarters: a zero that
    drifts follows that line. As before a contact, samples nearer than the specimen can have held on are left
    out: for a pull that lets go like d^n with n up to 2, the way from four detection levels to one is as far.
    """
    x_mm, force_n = signals.position_mm, signals.force_n
    quarter = (last + 1 - first) // 4
    third_n, fourth_n = (
        means(force_n, last + 1 - back * quarter, last + 1 - (back - 1) * quarter) for back in (2, 1)
    )
    long = np.flatnonzero(quarter >= LEAST_PULL)
    lowest_n = over_stretches(np.minimum, force_n, first[long], last[long] + 1)
    pulled = long[lowest_n < np.minimum(third_n, fourth_n)[long] - detection_n]
    first = first.copy()
    for row in pulled.tolist():
        part = slice(int(first[row]), int(last[row]) + 1)
        since = np.arange(part.stop - part.start)
        line_n = fourth_n[row] + (fourth_n[row] - third_n[row]) / quarter[row] * (
            since + 1 + quarter[row] / 2 - len(since)
        )
        below_n = line_n - force_n[part]
        low = int(np.argmax(below_n[: len(since) // 2]))
        if below_n[low] <= detection_n:
            continue
        near, off = (low + int(np.argmax(below_n[low:] < level * detection_n)) for level in (4, 1))
        way_mm = x_mm[part]
        beyond = way_mm[off:] <= way_mm[off] - REACH * max(float(way_mm[near] - way_mm[off]), 0.0)
        first[row] += off + int(np.argmax(beyond))
    return first


def _fixed(found: Baseline, fixed: ForceZero, seen: BoolArray) -> Baseline:
    """Return the same stretches with a zero that was recorded or stated.

    Where no policy was requested, untouched stretches that show another force say how far it may be off.
    """
    count = len(found.at_contact_n)
    none = np.zeros(count)
    doubt_n = none
    if not fixed.asked:
        departure_n = np.abs(found.at_contact_n - fixed.value_n)
        doubt_n = np.where(seen, np.hypot(DEPARTURE_SHARE * departure_n, found.u_n), 0.0)
    return replace(
        found,
        at_contact_n=np.full(count, fixed.value_n),
        per_sample_n=none,
        u_n=np.hypot(fixed.u_n, doubt_n),
        misled=np.zeros(count, bool),
    )


def _strayed(cycles: Cycles, across: Changes, wander: Wander) -> tuple[FloatArray, FloatArray]:
    """What a zero may have strayed from a straight line, as standard uncertainties: where it can be furthest
    off, and what that adds to a loop over its stroke.

    Notes
    -----
    A random walk whose ends are known strays furthest in the middle, with a quarter of the variance that it
    has after the same way with one end free (Brownian bridge). What it adds to a loop is the integral of
    force over position, positive during loading and negative during unloading: with S the platen's way in, as
    a share of the stroke, its variance is the integral of S^2 less the integral of S squared over the
    length.
    """
    apart = across.lag[:, 0]
    departed_n = np.nan_to_num(np.abs(across.change_n[:, 0] - wander.drift_n * apart))
    walk_n2 = np.nan_to_num(wander.walk_n2) * np.isfinite(across.change_n[:, 0])
    moving = np.maximum(cycles.release - cycles.contact, 1) - (cycles.unload_start - cycles.load_end)
    standing = cycles.unload_start - cycles.load_end
    loop = moving / 3 + standing - (moving / 2 + standing) ** 2 / apart
    zero_u = np.maximum(np.sqrt(walk_n2 * apart / 4), DRIFT_SHARE * departed_n)
    return zero_u, np.maximum(np.sqrt(walk_n2 * np.maximum(loop, 0.0)), DRIFT_SHARE / 2 * departed_n)


def _misled(
    force_n: FloatArray, first: IntArray, stop: IntArray, zero_n: FloatArray, most_n: FloatArray
) -> BoolArray:
    """Return whether stretches hold another force than their zero, or more than one; never where they are
    empty."""
    mean_n = means(force_n, first, stop)
    scatter_n2 = _scatter_n2(force_n, first, stop)
    away: BoolArray = (np.abs(mean_n - zero_n) > most_n) | (scatter_n2 > most_n**2)
    return away


def _scatter_n2(force_n: FloatArray, first: IntArray, stop: IntArray) -> FloatArray:
    force_n, first, stop = copied_out(force_n, first, stop)
    scatter_n2: FloatArray = means(force_n**2, first, stop) - means(force_n, first, stop) ** 2
    return scatter_n2


def _let_go_mm(
    signals: Signals, cycles: Cycles, level_n: FloatArray, noise: MeasuringNoise, limit_mm: FloatArray
) -> FloatArray:
    """Return the position beyond which the platen is clean after a release: a specimen that took a set
    lets go early."""
    x_mm = signals.position_mm
    last = np.maximum(cycles.release - 1, cycles.unload_start)
    fallen = first_below(signals.force_n, cycles.unload_start, last, level_n)
    reach_mm = np.maximum(REACH * (x_mm[fallen] - x_mm[last]), REACH_NOISES * noise.position_mm)
    return np.maximum(limit_mm, x_mm[last] - reach_mm)


def _window(signals: Signals) -> int:
    """Return the samples of the window that a zero is the mean of."""
    steps_s = np.diff(signals.time_s[:STEP_SAMPLES])
    step_s = float(np.median(steps_s)) if len(steps_s) else np.nan
    return int(np.clip(round(WINDOW_S / step_s), *WINDOW_SAMPLES)) if step_s > 0 else UNTIMED_WINDOW


def _place(start: IntArray, stop: IntArray, share: float, count: int) -> IntArray:
    """Return the samples at a share of the way through stretches."""
    place = np.minimum(start + (share * (stop - start)).astype(np.int64), np.maximum(stop - 1, start))
    return np.minimum(place, count - 1)


def _farthest(x_mm: FloatArray, start: IntArray, stop: IntArray) -> FloatArray:
    """Farthest of a few positions in each stretch."""
    places = np.stack([x_mm[_place(start, stop, share, len(x_mm))] for share in PLACES])
    farthest: FloatArray = places.min(axis=0)
    return farthest


def _farthest_sample(x_mm: FloatArray, cycles: Cycles, which: BoolArray) -> IntArray:
    """Return the samples at which the platen was farthest away before some of the contacts; the first one
    of the stretch before the others."""
    farthest = cycles.before.copy()
    for row in np.flatnonzero(which & (cycles.contact > cycles.before)).tolist():
        farthest[row] += int(np.argmin(x_mm[cycles.before[row] : cycles.contact[row]]))
    return farthest


def _clean(
    x_mm: FloatArray, start: IntArray, stop: IntArray, limit_mm: FloatArray
) -> tuple[IntArray, IntArray]:
    """First and last sample of the part of a no-load stretch that is farther away than its limit.

    The platen goes away, rests and comes back: the ends of the clean part are found by bisection from a
    sample that is clean. Where none of a few is, the part is empty (last before first).
    """
    length = stop - start
    clean = np.full(len(start), -1)
    for share in PLACES:
        candidate = _place(start, stop, share, len(x_mm))
        good = (length > 0) & (x_mm[candidate] <= limit_mm)
        clean = np.where((clean < 0) & good, candidate, clean)
    found = clean >= 0
    safe = np.where(found, clean, np.minimum(start, len(x_mm) - 1))
    first = first_below(x_mm, np.minimum(start, safe), safe, limit_mm)
    last = first_above(x_mm, safe, np.maximum(stop - 1, safe), np.nextafter(limit_mm, np.inf))
    last = np.where(x_mm[last] > limit_mm, last - 1, last)
    return np.where(found, first, start), np.where(found, last, start - 1)
