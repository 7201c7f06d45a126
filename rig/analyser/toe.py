"""Where the platen met the specimen: the zero-force contact, from a fit of F = k (x - x0)^n to the toe region
of the loading stroke.

Problem: a force that can be told from noise comes later than the contact, by a few hundredths of a
millimetre on a spring and by tenths on a sphere; every deflection counts from the contact.

Plan: fit position of contact, exponent (bounded, or stated) and size at once, to all samples from the last
clean no-load one up to a share of the peak force, by damped least squares on all cycles together. Where
the curve does not follow a power that far, the toe region is shortened and fitted again. An exponent that
noise may only raise would pull straight toe regions early, so one that cannot be told from 1 is taken for it.
The covariance carries the extrapolation's uncertainty: a free exponent costs most of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from math import sqrt

import numpy as np

from rig.analyser.blocks import block_means, even_blocks
from rig.analyser.ragged import BoolArray, Nodes, first_above, row_sums
from rig.analyser.remembered import WHITE, variance_of_sums
from rig.analyser.roughness import Roughness
from rig.analyser.settings import MeasuringNoise
from rig.analyser.symmetric import inverse_symmetric3, times_vector
from rig.calibration import Frame
from rig.samples import FloatArray, IntArray

FOOT_NODES = 32
EXPONENTS = (1.0, 2.5)
"""A flat face on a spring has 1, a sphere 1.5, a cone 2; a face out of parallel adds some."""

TOP_SHARES = (0.15, 0.075, 0.04, 0.02)
"""The toe region reaches up to this share of the peak force, the next one where the fit is poor."""

TOP_DETECTIONS = 6.0
"""and to this many detection levels at the least."""

FEW_SHARE = 0.5
"""A toe region of few samples is tried up to this share of the peak force."""

SPHERE = 1.5

SHORTER = {"half": 0.5, "quarter": 0.25}
"""Toe regions of these shares of the height are set beside the whole."""

OWN_SHARE = 0.5
CLEAR = 2.0
POOR_FIT = 2.0
"""Standard deviations of chi-square above its expectation at which a shorter toe region is tried."""

CLEAR_MISFIT = 4.0
"""A fit of such a reduced chi-square is poor whatever its noise is."""

FREE_EXPONENT_NODES = 6
TOLD_APART = 1.0
"""An exponent nearer to 1 than this many of its standard uncertainties is taken for 1. At twice that, toe
regions of true exponents of 1.05 would be taken for straight and lie beyond two uncertainties one time in
eight."""

STEPS = 20
STRAIGHT_ROUNDS = 3
SETTLED_GAIN = 1e-3
"""A step that lowers chi-square by less than this moves no parameter by more than a few hundredths of its
uncertainty."""

ROUNDING = 1e-10
LARGEST_DAMPING = 1e8
ROUNDING_LEFT = 48.0
"""A mean over consecutive positions of a moving platen is off by a share of a step that depends on where
the steps fall: half of what a single reading is off by (res^2/12)."""

BENT_SHARE = 0.2
"""No toe region is a power of the deflection exactly: at its top it departs from one by up to this share of
the force, as far as the samples allow, since faces are rough and materials relax or yield."""

CHANCE_GAIN = 18.0
"""Chi-square that no width gains in some hundred presses by noise alone, or by a law that is nearly a power:
a smaller one made contacts of clean springs and rings up to nine times as uncertain as they scatter."""

MOVES_ON = 0.5
"""A contact that moved while the toe region was shortened for a better fit would move on by this share."""

EDGE_WIDTHS = np.geomspace(1 / 256, 1.0, 17)
EDGE_STEPS = np.gradient(EDGE_WIDTHS)
SHARP = 0.3
"""Widths of an edge that are tried, as shares of the toe region, and what each stands for; a face without one
counts as much as this many widths of the whole toe region."""

LEAP_SHARE = 0.1
LATEST_CONTACT = 0.95
EARLIER_NOISES = 3.0
SURE_SHARE = 0.01
"""A force of this share of the peak is a load, whatever is known of the noise."""

LATE_ERRORS = 3.0
"""A contact this many standard uncertainties behind a sample in contact is no contact."""
SMALLEST = 1e-30
"""Keeps divisions and logarithms finite where a row holds nothing."""


@dataclass(frozen=True, slots=True)
class ToeFit:
    """Contacts, each column of shape (m,); not-a-number where there is no toe region to fit.

    Parameters
    ----------
    contact_mm, contact_u_mm
        Zero-force contact and its standard uncertainty.
    at_force_mm, at_force_u_mm
        Where the loading stroke passes the contact force.
    exponent, exponent_u
        n of the toe region.
    misfit, freedom
        Reduced chi-square of the fit, and its degrees of freedom.
    at_force_own_u_mm
        The part of `at_force_u_mm` without what the shape of the toe region adds.
    half_mm, half_u_mm, quarter_mm, quarter_u_mm
        How far `at_force_mm` moved in toe regions of half and of a quarter of the height, with the standard
        uncertainty that noise gives that. A specimen pressed again shows much the same.
    curved_mm
        How far a sphere's exponent would move `at_force_mm` where nothing tells it from a spring's; else 0.
    contact_bent_mm, at_force_bent_mm
        How far a departure from the power law that the samples do not show would move the two positions;
        along a line, also one that they show.
    contact_edge_mm, at_force_edge_mm
        How far an edge that meets it first moves them, as the samples show it; 0 where none is looked for.
    """

    contact_mm: FloatArray
    contact_u_mm: FloatArray
    at_force_mm: FloatArray
    at_force_u_mm: FloatArray
    exponent: FloatArray
    exponent_u: FloatArray
    misfit: FloatArray
    freedom: FloatArray
    at_force_own_u_mm: FloatArray
    half_mm: FloatArray
    half_u_mm: FloatArray
    quarter_mm: FloatArray
    quarter_u_mm: FloatArray
    curved_mm: FloatArray
    contact_bent_mm: FloatArray
    at_force_bent_mm: FloatArray
    contact_edge_mm: FloatArray
    at_force_edge_mm: FloatArray

    @classmethod
    def unknown(cls, count: int) -> ToeFit:
        """Feet that have not been fitted."""
        columns = {each.name: np.full(count, np.nan) for each in fields(cls)}
        return cls(**columns | {"misfit": np.full(count, np.inf), "freedom": np.zeros(count)})

    def selected(self, rows: IntArray) -> ToeFit:
        """Return the fits of some rows."""
        return ToeFit(*(getattr(self, each.name)[rows] for each in fields(self)))

    def replaced(self, rows: IntArray, other: ToeFit, which: BoolArray | IntArray) -> ToeFit:
        """These fits with some of them taken from `other`."""
        columns = {}
        for name in (each.name for each in fields(self)):
            columns[name] = getattr(self, name).copy()
            columns[name][rows] = getattr(other, name)[which]
        return ToeFit(**columns)


@dataclass(frozen=True, slots=True)
class ToeZone:
    """Loading strokes to be fitted: samples from `first` to `last`, force already free of its zero.

    Parameters
    ----------
    x_mm, force_n
        Samples of the segment, shape (n,).
    first, contact, last
        Last clean no-load sample, first detected sample, end of loading, shape (m,).
    zero_n, zero_per_sample_n
        Force zero at `contact` and its change per sample, shape (m,).
    zero_u_n
        Its standard uncertainty, shape (m,).
    rough
        What a single force is worth, in each press.
    frame
        What gives besides the specimen.
    """

    x_mm: FloatArray
    force_n: FloatArray
    first: IntArray
    contact: IntArray
    last: IntArray
    zero_n: FloatArray
    zero_per_sample_n: FloatArray
    zero_u_n: FloatArray
    rough: Roughness
    frame: Frame = field(default_factory=Frame)

    def selected(self, rows: IntArray) -> ToeZone:
        """Return the zone of some cycles."""
        return ToeZone(
            self.x_mm,
            self.force_n,
            self.first[rows],
            self.contact[rows],
            self.last[rows],
            self.zero_n[rows],
            self.zero_per_sample_n[rows],
            self.zero_u_n[rows],
            self.rough.selected(rows),
            self.frame,
        )


def fit_toes(
    zone: ToeZone,
    peak_n: FloatArray,
    noise: MeasuringNoise,
    *,
    detection_n: float,
    contact_force_n: float,
    exponent: float | None,
) -> ToeFit:
    """Fit the toe region of every cycle, shortening it where the power law does not hold that far.

    Parameters
    ----------
    peak_n
        Peak forces above zero, shape (m,).
    detection_n, contact_force_n
        Forces that detect contact and that count as contact.
    exponent
        Stated exponent; None to fit it.
    """
    toe = ToeFit.unknown(len(peak_n))
    moved_mm2 = np.zeros(len(peak_n))
    chosen_n = np.maximum(TOP_SHARES[0] * peak_n, TOP_DETECTIONS * detection_n)
    rows = np.arange(len(peak_n))
    for share in TOP_SHARES:
        top_n = np.maximum(share * peak_n, TOP_DETECTIONS * detection_n)
        tried = _fit(zone.selected(rows), top_n[rows], noise, contact_force_n, exponent)
        better = tried.misfit < toe.misfit[rows]
        moved_mm = tried.contact_mm[better] - toe.contact_mm[rows[better]]
        moved_mm2[rows[better]] += np.nan_to_num(moved_mm) ** 2
        toe = toe.replaced(rows[better], tried, better)
        chosen_n[rows[better]] = top_n[rows[better]]
        rows = rows[tried.misfit > 1 + POOR_FIT * np.sqrt(2 / np.maximum(tried.freedom, 1))]
        if not len(rows):
            break
    if exponent is None:
        toe = _of_few(toe, zone, peak_n, chosen_n, noise, contact_force_n=contact_force_n)
    whole = toe
    every = np.tile(np.arange(len(peak_n)), len(SHORTER))
    shorter_n = np.concatenate([share * chosen_n for share in SHORTER.values()])
    shorter = _fit(zone.selected(every), shorter_n, noise, contact_force_n, exponent, edged=False)
    for name, rows in zip(SHORTER, np.split(np.arange(len(every)), len(SHORTER)), strict=True):
        part = shorter.selected(rows)
        toe = _compared(toe, part, name)
        # nor farther than shorter toe regions leave possible
        left_mm2 = (part.contact_mm - whole.contact_mm) ** 2 + part.contact_u_mm**2
        moved_mm2 = np.fmin(moved_mm2, left_mm2 / MOVES_ON**2)
    toe = _beside_rows(toe, zone, detection_n, contact_force_n)
    toe = _before_load(toe, zone, peak_n, noise, contact_force_n)
    # a fit that would put the contact before the last untouched sample says no more than that it lies behind
    # it
    clean_mm, reached = zone.x_mm[zone.first], np.maximum(zone.contact, zone.first + 1)
    leap_mm = np.maximum(zone.x_mm[reached] - clean_mm, 0.0)
    # between rows that lie far apart, evenly likely anywhere; dense ones show a toe region in between
    leapt = (toe.contact_mm <= clean_mm) & (leap_mm > LEAP_SHARE * (zone.x_mm[zone.last] - clean_mm))
    doubt_mm = np.where(leapt, leap_mm / sqrt(3), 0.0)
    # what shorter toe regions show of a departure from the power law is in already
    departed = {
        name: np.hypot(
            np.fmax(
                getattr(toe, f"{name}_u_mm"),
                np.hypot(getattr(whole, f"{name}_u_mm"), getattr(whole, f"{name}_bent_mm")),
            ),
            np.nan_to_num(getattr(whole, f"{name}_edge_mm")),
        )
        for name in ("contact", "at_force")
    }
    doubt_mm = np.hypot(doubt_mm, MOVES_ON * np.sqrt(moved_mm2))
    return replace(
        toe,
        contact_mm=np.where(leapt, clean_mm, toe.contact_mm),
        contact_u_mm=np.hypot(departed["contact"], doubt_mm),
        at_force_u_mm=departed["at_force"],
    )


def _beside_rows(toe: ToeFit, zone: ToeZone, detection_n: float, contact_force_n: float) -> ToeFit:
    """Contacts of clearly poor fits with what single rows say against them: where force passes a third of the
    detection level and all of it, a line through both leaves zero as far again before."""
    rows = np.flatnonzero((toe.misfit > CLEAR_MISFIT) & np.isfinite(toe.contact_mm))
    if not len(rows):
        return toe
    some, levels_n = zone.selected(rows), (detection_n / 3, detection_n, contact_force_n)
    passed = [first_above(zone.force_n, some.first, some.last, some.zero_n + level_n) for level_n in levels_n]
    # to half a row
    low_mm, detected_mm, reached_mm = (
        (zone.x_mm[at] + zone.x_mm[np.maximum(at - 1, some.first)]) / 2 for at in passed
    )
    contact_mm = low_mm - (detected_mm - low_mm) / 2
    for u_mm, off_mm in (
        (toe.contact_u_mm, np.maximum(toe.contact_mm[rows] - contact_mm, 0.0)),
        (toe.at_force_u_mm, np.abs(toe.at_force_mm[rows] - reached_mm)),
    ):
        u_mm[rows] = np.where(off_mm > CLEAR * u_mm[rows], np.hypot(u_mm[rows], off_mm / sqrt(2)), u_mm[rows])
    return toe


def _before_load(
    toe: ToeFit, zone: ToeZone, peak_n: FloatArray, noise: MeasuringNoise, contact_force_n: float
) -> ToeFit:
    """Contacts without those that the samples contradict: behind a force above the contact force, or nowhere.

    A toe region that is no power of the deflection, or that few rows show, may be fitted by a line that
    begins deep in the press, or by none at all. The contact then lies somewhere between the last untouched
    sample and the first one in contact.
    """
    level_n = np.maximum(contact_force_n, SURE_SHARE * peak_n)
    reached = first_above(zone.force_n, zone.contact, zone.last, zone.zero_n + level_n)
    reached_mm, clean_mm = zone.x_mm[reached], zone.x_mm[zone.first]
    reach_mm = np.maximum(zone.x_mm[zone.last] - clean_mm, SMALLEST)
    step_mm = np.abs(reached_mm - zone.x_mm[np.maximum(reached - 1, zone.first)])
    tolerance_mm = step_mm + EARLIER_NOISES * noise.position_mm
    is_late = toe.contact_mm > reached_mm + tolerance_mm
    is_late &= toe.contact_mm - reached_mm > LATE_ERRORS * np.nan_to_num(toe.contact_u_mm)
    is_void = ~np.isfinite(toe.contact_mm) | ~(toe.contact_u_mm <= reach_mm)
    rows = np.flatnonzero((is_late | is_void) & (reached_mm > clean_mm))
    if not len(rows):
        return toe
    between_mm = reached_mm[rows] - clean_mm[rows]
    columns = {each.name: getattr(toe, each.name).copy() for each in fields(toe)}
    columns["contact_mm"][rows] = reached_mm[rows] - between_mm / 2
    columns["contact_u_mm"][rows] = between_mm / sqrt(12)
    columns["at_force_mm"][rows] = reached_mm[rows] - step_mm[rows] / 2
    columns["at_force_u_mm"][rows] = np.hypot(step_mm[rows] / sqrt(12), noise.position_mm)
    columns["at_force_own_u_mm"][rows] = columns["at_force_u_mm"][rows]
    return ToeFit(**columns)


def _of_few(
    toe: ToeFit,
    zone: ToeZone,
    peak_n: FloatArray,
    chosen_n: FloatArray,
    noise: MeasuringNoise,
    *,
    contact_force_n: float,
) -> ToeFit:
    """Feet that hold too few samples for an exponent: fitted further up, as far as a power goes through; else
    with the doubt of an exponent that is not known.
    """
    rows = np.flatnonzero(np.isfinite(toe.contact_mm) & np.isnan(toe.exponent_u))
    if not len(rows):
        return toe
    few = zone.selected(rows)
    higher = _fit(few, FEW_SHARE * peak_n[rows], noise, contact_force_n, None)
    good = np.isfinite(higher.exponent_u)
    good &= higher.misfit <= 1 + POOR_FIT * np.sqrt(2 / np.maximum(higher.freedom, 1))
    toe = toe.replaced(rows[good], higher, good)
    rows = rows[~good]
    if not len(rows):
        return toe
    # nothing tells a spring from a sphere: the truth is as likely at the one as anywhere up to the other, and
    # may lie beyond that
    beside = few.selected(np.flatnonzero(~good))
    curved = _fit(beside, chosen_n[rows], noise, contact_force_n, SPHERE, edged=False)
    for name in ("contact", "at_force"):
        apart = np.nan_to_num(getattr(curved, f"{name}_mm") - getattr(toe, f"{name}_mm")[rows])
        getattr(toe, f"{name}_u_mm")[rows] = np.hypot(getattr(toe, f"{name}_u_mm")[rows], apart / sqrt(2))
    toe.curved_mm[rows] = apart
    return toe


def _compared(toe: ToeFit, shorter: ToeFit, part: str) -> ToeFit:
    """Contacts set beside those of a lower toe region.

    A curve that is no power of the deflection (a face out of parallel, a foam that yields early) fits well
    enough under noise, and moves the contact with the height of the fit. As much of the difference as stands
    out of twice its noise is put right; what stands out of its noise at all is in the uncertainty.
    """
    columns = {}
    for name in ("contact", "at_force"):
        value, u = getattr(toe, f"{name}_mm"), getattr(toe, f"{name}_u_mm")
        other, other_u = getattr(shorter, f"{name}_mm"), getattr(shorter, f"{name}_u_mm")
        apart = np.where(np.isfinite(other), other - value, 0.0)
        # a part of the same samples: its own variance less that of the whole, but no less than a share of it
        apart_u2 = np.nan_to_num(np.maximum(other_u**2 - u**2, (OWN_SHARE * other_u) ** 2))
        trust = np.where(
            apart != 0, np.maximum(1 - CLEAR**2 * apart_u2 / np.where(apart != 0, apart, 1.0) ** 2, 0.0), 0.0
        )
        shown = np.sqrt(np.maximum(apart**2 - apart_u2, 0.0))
        columns[f"{name}_mm"] = value + trust * apart
        # halving the height once more would move it by less than this halving did
        columns[f"{name}_u_mm"] = np.sqrt(
            u**2 + trust**2 * apart_u2 + np.where(np.isfinite(u), shown**2, 0.0)
        )
    # of the position at the contact force, as the loop leaves it
    columns |= {f"{part}_mm": apart, f"{part}_u_mm": np.sqrt(apart_u2)}
    columns["at_force_own_u_mm"] = np.hypot(toe.at_force_own_u_mm, trust * np.sqrt(apart_u2))
    return replace(toe, **columns)


def _fit(
    zone: ToeZone,
    top_n: FloatArray,
    noise: MeasuringNoise,
    contact_force_n: float,
    exponent: float | None,
    *,
    edged: bool = True,
) -> ToeFit:
    slope = zone.zero_per_sample_n
    last = first_above(zone.force_n, zone.contact, zone.last, zone.zero_n + top_n)
    # a handful of samples in contact is needed even where one step already passes the top
    last = np.minimum(np.maximum(last, zone.contact + 3), zone.last)
    blocks = even_blocks(zone.first, last, FOOT_NODES)
    x_mm, force_n = block_means([zone.x_mm, zone.force_n], blocks)
    force_n = force_n - zone.zero_n[:, None] - slope[:, None] * (blocks.middle - zone.contact[:, None])
    x_mm = x_mm - zone.frame.deflection_mm(force_n)
    table = _Power.begin(Nodes.of(x_mm, force_n, blocks.count), zone.rough, noise, exponent)
    table.solve_straight()
    table.solve_curved()
    # along a straight toe region the weights are even already
    table.reweight(noise)
    table.solve_curved()
    table.straighten()
    return table.result(noise, zone.zero_u_n, contact_force_n, edged=edged)


@dataclass(slots=True)
class _Power:
    """F = a u^n with u = (x - x0)/scale, for each row; parameters q = (x0/scale, n, a)."""

    x: FloatArray
    force_n: FloatArray
    count: FloatArray
    scale_mm: FloatArray
    origin_mm: FloatArray
    parameters: FloatArray
    free: BoolArray
    weight: FloatArray
    earliest: FloatArray
    rough: Roughness
    noise_n: FloatArray

    @classmethod
    def begin(
        cls,
        nodes: Nodes,
        rough: Roughness,
        noise: MeasuringNoise,
        exponent: float | None,
    ) -> _Power:
        """Scale each row and guess its parameters from three heights of the toe region."""
        x_mm, force_n, count = nodes.x_mm, nodes.force_n, nodes.count
        rows, last = np.arange(len(x_mm)), nodes.lengths - 1
        top_x, top_n = x_mm[rows, last], np.maximum(force_n[rows, last], SMALLEST)
        upper = np.maximum(top_x - _crossing(x_mm, force_n, count, top_n / 2), 1e-9)
        lower = np.maximum(top_x - upper - _crossing(x_mm, force_n, count, top_n / 4), 1e-9)
        in_contact = ((count > 0) & (force_n > top_n[:, None] / 20)).sum(axis=1)
        free = (in_contact >= FREE_EXPONENT_NODES) & (exponent is None)
        guess = np.clip(np.log(2) / np.log(np.maximum(upper / lower, 1.1)), *EXPONENTS)
        n = np.where(free, guess, exponent or 1.0)
        # half the force stands at 2^(-1/n) of the way
        scale = upper / (1 - 0.5 ** (1 / n))
        origin = top_x - scale
        x = (x_mm - origin[:, None]) / scale[:, None]
        # nothing was in contact at the first sample: the contact cannot lie before it
        earliest = x[:, 0] - EARLIER_NOISES * noise.position_mm / scale
        noise_n = np.maximum(rough.at(force_n), SMALLEST)
        steady = _weights(count, (n * top_n / scale)[:, None], noise_n, noise)
        return cls(
            x,
            force_n,
            count,
            scale,
            origin,
            np.stack([np.maximum(earliest, 0.0), n, top_n], axis=1),
            free,
            steady,
            earliest,
            rough,
            noise_n,
        )

    def reweight(self, noise: MeasuringNoise) -> None:
        """Weights by the local slope: noise of position counts as force where the curve is steep."""
        slope = -self._model(self.parameters, slice(None))[1] / self.scale_mm[:, None]
        self.weight = _weights(self.count, slope, self.noise_n, noise)

    @property
    def straight(self) -> BoolArray:
        """Rows whose exponent is held at 1."""
        held: BoolArray = ~self.free & (self.parameters[:, 1] == 1.0)
        return held

    def solve_curved(self) -> None:
        """Damped least squares on all rows; each keeps its own damping, and settles by itself."""
        damping = np.full(len(self.x), 1e-3)
        active = np.flatnonzero(~self.straight)
        if not len(active):
            return
        misfit, gradient, normal = (np.empty((len(self.x), *shape)) for shape in ((), (3,), (3, 3)))
        misfit[active], gradient[active], normal[active] = self._normal(self.parameters[active], active)
        for _ in range(STEPS):
            step = self._step(gradient[active], normal[active], damping[active], active)
            hoped = 2 * _dots(gradient[active], step) - _dots(step, times_vector(normal[active], step))
            trial = self.parameters[active] + step
            trial_misfit, trial_gradient, trial_normal = self._normal(trial, active)
            # what rounding makes of a step that changes nothing decides nothing
            better = trial_misfit <= misfit[active] * (1 + ROUNDING)
            gained = misfit[active] - trial_misfit
            good = active[better]
            self.parameters[good] = trial[better]
            misfit[good], gradient[good] = trial_misfit[better], trial_gradient[better]
            normal[good] = trial_normal[better]
            damping[active] *= np.where(better, 0.125, 10.0)
            # a row held in a corner of its bounds gains nothing, however small its steps
            settled = np.where(better, gained, hoped) < SETTLED_GAIN
            settled |= damping[active] > LARGEST_DAMPING
            # nodes enter and leave a straight toe region with every step: it is solved as a line afterwards
            failed = np.flatnonzero(~better & self.free[active])
            if len(failed):
                rows = active[failed]
                # by what the scatter would be where the step hopes to lead: far off, it tells nothing
                left = np.maximum(misfit[rows] - hoped[failed], 0.0)
                doubt = TOLD_APART * self._exponent_u(left, normal[rows], rows)
                farther = np.maximum(self.parameters[rows, 1], trial[failed, 1])
                settled[failed] |= farther - EXPONENTS[0] < doubt
            active = active[~settled]
            if not len(active):
                break

    def straighten(self) -> None:
        """Take exponents that cannot be told from their lower bound for it; the doubt of a free one is kept.

        An exponent that noise may only raise would pull the contacts of all straight toe regions the same
        way.
        """
        # those at the bound too: rounding alone would decide which of them lie on it
        near = np.flatnonzero(self.free)
        if not len(near):
            return
        misfit, _, normal = self._normal(self.parameters[near], near)
        doubt = TOLD_APART * self._exponent_u(misfit, normal, near)
        near = near[self.parameters[near, 1] - EXPONENTS[0] < doubt]
        self.parameters[near, 1] = EXPONENTS[0]
        self._straight_lines(near)

    def _exponent_u(self, misfit: FloatArray, normal: FloatArray, rows: IntArray) -> FloatArray:
        """Return the standard uncertainty of the exponents of some rows, whose chi-square and normal
        matrices these are."""
        scatter = np.maximum(misfit / np.maximum(np.count_nonzero(self.count[rows], axis=1) - 3, 1), 1.0)
        exponent_u: FloatArray = np.sqrt(np.maximum(inverse_symmetric3(normal)[:, 1, 1], 0) * scatter)
        return exponent_u

    def solve_straight(self) -> None:
        """Rows with exponent 1: a straight line through the nodes it lies above zero at, found again from
        its own toe region."""
        self._straight_lines(np.flatnonzero(self.straight))

    def _straight_lines(self, rows: IntArray) -> None:
        """Shift and size of some rows as straight lines."""
        if not len(rows):
            return
        x, force_n, earliest = self.x[rows], self.force_n[rows], self.earliest[rows]
        shift = self.parameters[rows, 0]
        size = self.parameters[rows, 2]
        for _ in range(STRAIGHT_ROUNDS):
            weight = np.where(x > shift[:, None], self.weight[rows], 0.0)
            total = np.maximum(row_sums(weight), SMALLEST)
            mean_x = row_sums(weight * x) / total
            mean_n = row_sums(weight * force_n) / total
            away = x - mean_x[:, None]
            spread = row_sums(weight * away**2)
            slope = row_sums(weight * away * force_n) / np.maximum(spread, SMALLEST)
            usable = (spread > 0) & (slope > 0)
            found = np.where(usable, mean_x - mean_n / np.where(usable, slope, 1.0), shift)
            shift = np.clip(found, earliest, LATEST_CONTACT)
            # a line held at the earliest contact turns about it
            lever = np.where(x > shift[:, None], x - shift[:, None], 0.0)
            held_slope = row_sums(self.weight[rows] * lever * force_n) / np.maximum(
                row_sums(self.weight[rows] * lever**2), SMALLEST
            )
            size = np.where(usable & (shift == found), slope, held_slope)
        self.parameters[rows, 0], self.parameters[rows, 2] = shift, size

    def _step(
        self, gradient: FloatArray, normal: FloatArray, damping: FloatArray, rows: IntArray
    ) -> FloatArray:
        """Return a damped step that ends on a bound where it would have passed it, the other parameters
        adapting."""
        here = self.parameters[rows]
        step = _damped_step(gradient, normal, damping)
        step[~self.free[rows], 1] = 0.0
        for which, low, high in ((1, *EXPONENTS), (0, self.earliest[rows], LATEST_CONTACT)):
            bounded = np.minimum(np.maximum(here[:, which] + step[:, which], low), high) - here[:, which]
            past = np.flatnonzero((bounded != step[:, which]) & (self.free[rows] | (which == 0)))
            if len(past):
                step[past] = _step_with_fixed(
                    gradient[past], normal[past], damping[past], which, bounded[past]
                )
        step[:, 1] = np.minimum(np.maximum(here[:, 1] + step[:, 1], EXPONENTS[0]), EXPONENTS[1]) - here[:, 1]
        return step

    def _model(self, parameters: FloatArray, rows: IntArray | slice) -> tuple[FloatArray, ...]:
        """Return the force and its derivatives with respect to the three parameters."""
        shift, n, size = (parameters[:, k : k + 1] for k in range(3))
        u = self.x[rows] - shift
        inside = u > 0
        u = np.where(inside, u, 1.0)
        logarithm = np.log(u)
        power = np.where(inside, np.exp(n * logarithm), 0.0)
        force = size * power
        return force, -n * force / u, force * logarithm, power

    def _normal(
        self, parameters: FloatArray, rows: IntArray | slice
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Chi-square, half its gradient and the normal matrix of each row; a held exponent is left out."""
        force, by_shift, by_n, by_size = self._model(parameters, rows)
        weight = self.weight[rows]
        residual = self.force_n[rows] - force
        by_n = by_n * self.free[rows, None]
        columns = (by_shift, by_n, by_size)
        normal, gradient = np.empty((len(force), 3, 3)), np.empty((len(force), 3))
        # a sum of products for each pair: ten times as fast as small matrices where rows are many
        for first, column in enumerate(columns):
            weighted = weight * column
            gradient[:, first] = _dots(weighted, residual)
            for second in range(first, 3):
                normal[:, first, second] = normal[:, second, first] = _dots(weighted, columns[second])
        normal[~self.free[rows], 1, 1] = 1.0
        return _dots(weight * residual, residual), gradient, normal

    def result(
        self, noise: MeasuringNoise, zero_u_n: FloatArray, contact_force_n: float, *, edged: bool
    ) -> ToeFit:
        """Contacts with their uncertainties: fit, force zero, and the position's own step; and, if `edged`,
        what an edge that meets the specimen first may do."""
        rows = slice(None)
        misfit, _, normal = self._normal(self.parameters, rows)
        freedom = np.count_nonzero(self.count, axis=1) - np.where(self.free, 3, 2)
        misfit = misfit / np.maximum(freedom, 1)
        inverse = inverse_symmetric3(normal)
        inverse[~self.free, 1, :] = inverse[~self.free, :, 1] = 0.0
        # a shifted zero moves the whole toe region: its effect is solved for like a residual of one
        # everywhere
        force, by_shift, by_n, by_size = self._model(self.parameters, rows)
        by_all = np.stack([by_shift, by_n * self.free[:, None], by_size], axis=2)
        pull = (by_all * self.weight[:, :, None]).sum(axis=1)
        by_zero = times_vector(inverse, pull)
        by_scatter = inverse * np.maximum(misfit, 1.0)[:, None, None]
        by_drift = by_zero[:, :, None] * by_zero[:, None, :] * (zero_u_n**2)[:, None, None]
        shift, n, size = self.parameters.T
        size = np.maximum(size, SMALLEST)
        reach = (contact_force_n / size) ** (1 / n)
        logarithm = np.log(np.maximum(reach, SMALLEST))
        to_contact = np.zeros_like(self.parameters)
        to_contact[:, 0] = 1.0
        to_force = np.stack([np.ones_like(n), -reach * logarithm / n, -reach / (n * size)], axis=1)
        step_mm = noise.position_resolution_mm / sqrt(12)
        directions = np.stack([to_contact, to_force])
        scattered, drifted = (
            np.maximum(np.einsum("kri,rij,krj->kr", directions, each, directions), 0.0)
            for each in (by_scatter, by_drift)
        )
        if (self.rough.correlated > WHITE).any():
            # correlated noise scatters less about the curve than it moves the curve
            pull = np.einsum("kri,rij,rnj->krn", directions, inverse, by_all) * (self.weight * self.noise_n)
            scattered = np.maximum(scattered, variance_of_sums(pull, self.count, self.rough.correlated))
        # a departure that grows with the root of the deflection beyond the power; what it does to the
        # parameters is solved for likewise, and what it may come to the samples say
        departed = force * np.sqrt(np.maximum(self.x - shift[:, None], 0.0))
        pull = np.einsum("rji,rj->ri", by_all, self.weight * departed)
        by_departed = times_vector(inverse, pull)
        known = np.maximum(_dots(self.weight * departed, departed) - _dots(pull, by_departed), 0.0)
        known = known / np.maximum(misfit, 1.0)
        departure2 = 1 / (BENT_SHARE**-2 + known)
        # what the samples show of it counts as far as it stands out of its own doubt
        shown = _dots(self.weight * (self.force_n - force), departed) / np.maximum(misfit, 1.0) * departure2
        # an exponent that was taken for 1, or nearly so, brings its own doubt, which is as large
        told_apart = np.sqrt(np.maximum(by_scatter[:, 1, 1], SMALLEST)) * TOLD_APART
        hidden = np.where(self.free, np.clip((n - EXPONENTS[0]) / told_apart - 1, 0.0, 1.0), 1.0)
        departure = np.sqrt(
            departure2 * hidden**2 + np.where(self.free, 0.0, np.maximum(shown**2 - departure2, 0.0))
        )
        bent = np.einsum("kri,ri->kr", directions, by_departed)
        bent[1] += reach**1.5 / n
        bent_mm = np.abs(bent) * departure * self.scale_mm
        edge_mm = np.zeros((2, len(n)))
        if edged and self.x.shape[1] > 1:
            edge_mm = self._edge(by_all, inverse, directions, reach=reach, zero_u_n=zero_u_n) * self.scale_mm
        contact_u, at_force_u = np.hypot(np.sqrt(scattered + drifted) * self.scale_mm, step_mm)
        contact = self.origin_mm + self.scale_mm * shift
        poor = (freedom < 0) | ~np.isfinite(contact)
        nothing = np.where(poor, np.nan, 0.0)
        return ToeFit(
            contact + nothing,
            contact_u + nothing,
            contact + self.scale_mm * reach + nothing,
            at_force_u + nothing,
            n + nothing,
            np.where(self.free, np.sqrt(np.maximum((by_scatter + by_drift)[:, 1, 1], 0)), np.nan),
            np.where(poor, np.inf, misfit),
            np.maximum(freedom, 0).astype(np.float64),
            at_force_u + nothing,
            *np.zeros((5, len(n))),
            *bent_mm,
            *edge_mm,
        )

    def _edge(
        self,
        by_all: FloatArray,
        inverse: FloatArray,
        directions: FloatArray,
        *,
        reach: FloatArray,
        zero_u_n: FloatArray,
    ) -> FloatArray:
        """Return how far an edge that meets it first moves the contact and the place at the contact force, as
        root mean squares over all widths of it, shape (2, m).

        Notes
        -----
        1. A face that meets the specimen over a width t, evenly, gives k t/2 (u/t)^2, then a line that
           leaves zero in the middle of t. It lies above that line by k (t/2 - |x - x0|)^2 / (2 t).
        2. No edge is as likely as all widths up to the toe region's together. Each counts by its likelihood,
           the curve having adapted to it, as far as that exceeds the one of no edge (Bayes' theorem; a state
           of knowledge as a density: JCGM 101:2008, 6.3, recalled).
        """
        shift, n, size = self.parameters.T
        residual = self.force_n - self._model(self.parameters, slice(None))[0]
        widths = np.outer(EDGE_WIDTHS, np.maximum(1.0 - shift, 0.0))
        slope = n * size * np.maximum(widths, SMALLEST) ** (n - 1)
        over = np.maximum(widths[..., None] / 2 - np.abs(self.x - shift[:, None]), 0.0)
        edge_n = slope[..., None] * over**2 / np.maximum(2 * widths[..., None], SMALLEST)
        pulls = np.einsum("rij,rnj,rn->rin", inverse, by_all, self.weight)
        adapted = np.einsum("rin,trn->tri", pulls, edge_n)
        left_n = edge_n - np.einsum("rni,tri->trn", by_all, adapted)
        # a force zero that is off leaves samples before the contact off as well, as an edge does
        zero = 1.0 - np.einsum("rni,ri->rn", by_all, pulls.sum(axis=2))
        known = _dots(self.weight * zero, zero) + 1 / np.maximum(zero_u_n, SMALLEST) ** 2

        def misfit(left: FloatArray) -> FloatArray:
            by_zero = np.einsum("rn,rn,...rn->...r", self.weight, zero, left)
            square: FloatArray = np.einsum("rn,...rn->...r", self.weight, left**2) - by_zero**2 / known
            return square

        without = misfit(residual)
        gained = without - misfit(residual - left_n)
        freedom = np.maximum(np.count_nonzero(self.count, axis=1) - 3, 1)
        scatter = (without - np.maximum(gained.max(axis=0), 0.0)) / freedom
        # less what noise gains
        gained = gained / np.maximum(scatter, 1.0) / self.rough.correlated - CHANCE_GAIN
        # the first sample may lie on the edge, whose force is hidden in noise there
        row = np.diff(self.x[:, :2])[:, 0] / np.maximum(self.count[:, 0], 1)
        gained = np.where(widths / 2 <= shift - self.x[:, 0] + row, gained, -np.inf)
        moved = np.einsum("kri,tri->ktr", directions, adapted)
        moved[0] += widths / 2
        # the place at the contact force moves by what the edge still adds there
        there = np.maximum(widths / 2 - reach, 0.0) ** 2 / np.maximum(2 * widths, SMALLEST)
        moved[1] += there * (widths / reach) ** (n - 1)
        # what the samples do not tell from no edge moves nothing
        top = np.maximum(gained.max(axis=0), 0.0)
        none = np.exp(-top / 2)
        likelihood = EDGE_STEPS[:, None] * np.maximum(np.exp((gained - top) / 2) - none, 0.0)
        mean2 = np.einsum("tr,ktr->kr", likelihood, moved**2) / (likelihood.sum(axis=0) + SHARP * none)
        edge: FloatArray = np.sqrt(np.nan_to_num(mean2))
        return edge


def _dots(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return the products of rows with rows."""
    products: FloatArray = np.einsum("rj,rj->r", one, other)
    return products


def _weights(count: FloatArray, slope: FloatArray, noise_n: FloatArray, noise: MeasuringNoise) -> FloatArray:
    """Inverse variance of nodes; what rounding leaves of a position does not average out within one."""
    rounding_mm2 = np.where(count > 1, noise.position_resolution_mm**2 / ROUNDING_LEFT, 0.0)
    variance = (noise_n**2 + (slope * noise.position_mm) ** 2) / np.maximum(count, 1)
    variance = variance + slope**2 * rounding_mm2
    return np.where(count > 0, 1 / np.maximum(variance, SMALLEST), 0.0)


def _damped_step(gradient: FloatArray, normal: FloatArray, damping: FloatArray) -> FloatArray:
    damped = normal.copy()
    diagonal = np.einsum("rii->ri", damped)
    diagonal *= 1 + damping[:, None]
    diagonal += SMALLEST
    return times_vector(inverse_symmetric3(damped), gradient)


def _step_with_fixed(
    gradient: FloatArray, normal: FloatArray, damping: FloatArray, which: int, amount: FloatArray
) -> FloatArray:
    """Return a step in which one parameter moves by a given amount and the others make the best of it."""
    rest = gradient - normal[:, :, which] * amount[:, None]
    rest[:, which] = 0.0
    reduced = normal.copy()
    reduced[:, which, :] = reduced[:, :, which] = 0.0
    reduced[:, which, which] = 1.0
    step = _damped_step(rest, reduced, damping)
    step[:, which] = amount
    return step


def _crossing(x_mm: FloatArray, force_n: FloatArray, count: FloatArray, level_n: FloatArray) -> FloatArray:
    """Return the position at which a row last rises above its level, between nodes."""
    real = count > 0
    below = real & (force_n < level_n[:, None])
    columns = np.arange(x_mm.shape[1])
    left = np.where(below, columns, -1).max(axis=1)
    right = np.minimum(left + 1, real.sum(axis=1) - 1)
    left = np.maximum(left, 0)
    at = np.arange(len(x_mm))
    rise = force_n[at, right] - force_n[at, left]
    share = np.where(rise > 0, (level_n - force_n[at, left]) / np.where(rise > 0, rise, 1.0), 0.0)
    crossing: FloatArray = x_mm[at, left] + np.clip(share, 0, 1) * (x_mm[at, right] - x_mm[at, left])
    return crossing
