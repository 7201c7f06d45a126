"""What is read off both strokes of a block of cycles: peaks, stiffness, work, forces at depths, knee,
flags."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import sqrt

import numpy as np

from rig.analyser.baseline import Baseline
from rig.analyser.compared import StrokeWander
from rig.analyser.curves import READING_NODES, Knee, force_at, knee
from rig.analyser.energy import work
from rig.analyser.peak import PASSED_ROWS, Side, Tip, Turn
from rig.analyser.ragged import BoolArray, LocalFit, Nodes, along_rows, polynomial_at, row_sums
from rig.analyser.roughness import SMALLEST_NOISE_N, Roughness
from rig.analyser.settings import AnalysisSettings, Depth, MeasuringNoise
from rig.calibration import Frame
from rig.samples import FloatArray
from rig.segmenter import Cycles, Flag, FlagArray, ForceZero

PEAK_NODES = 6
"""A fit at the peak takes this many nodes at the least: a parabola needs them."""

ENOUGH_FOR_HALF = 10
UNRESOLVED = 0.3
LEFT_OF_TANGENT = 0.25
APART_CLEAR = 2.0
LEAST_WIDER, MOST_WIDER = 1.5, 3.0
"""Half a window is fitted where it holds this many nodes. Two windows whose uncertainties are nearly the same
still differ by noise of this share of it; and this share of their difference is left as uncertainty, for how
the curve goes on. Where the wider window does not reach this many times as far as the other, twice as
many nodes are taken for it, if they reach no farther than that many times."""

CLEAR_NOISES = 4.0
STEEPER = 0.25
UNBRAKED = 0.5
STEEP_DOUBT = 0.5
STEEP_SHARE = 0.3
SHORT_SHARE = 0.5
"""The last two nodes show a hard stop if they are steeper than the tangent by this many uncertainties and by
this share, and no nearer to each other than half of what is usual there. Half of what it adds to the tangent
is in doubt, since nothing shows where within a step a stop begins."""

STOP_ROWS = 5
"""A stop of no more rows than this is looked for in single rows; nodes show a longer one."""

PASSED_DOUBT = 0.2
"""Where a turn lies before the deepest sample, the loading stroke is carried on to it; what that adds is
uncertain by this share, since the stroke bends."""

BENT_SHARE = 0.1
"""A contact is moved by its standard uncertainty, to see what that does, where it is more than this share of
a window."""

END_REACH = 0.4
NODES_AT_END = 6
"""Nodes within this share of the initial window on either side of its ends give the forces there."""

CARRIED_SHARE = 0.15
"""What a force is carried along the tangent, from the samples next to the turn to the turn, is uncertain
by this share, and by the difference of both strokes' tangents."""

LARGER_ERRORS, NEARLY_ERRORS = 4.0, 2.5
LARGER_SHARE = 0.1
"""Three nodes before the turn hold the largest force if their mean is larger than the force at the turn by so
many standard errors, and may hold it from fewer on; a share of the difference is left as uncertainty, for
what the nodes average over."""

ARRIVAL_NODES = 3
"""Nodes in which a platen brakes for a hold, at the most, where a stroke has few."""

RATE_NODES = 3
WORKING_RATE = 0.7
"""Nodes that the platen passed at less than this share of its rate in the tangent's window are braked
ones."""

FEW_NODES = 4
UNEVEN_SHARE = 0.05
"""A stroke that comes back by more than this share of its depth on the way is uneven."""

Columns = dict[str, FloatArray]


@dataclass(frozen=True, slots=True)
class Context:
    """What is known of the recording when a segment is measured.

    Parameters
    ----------
    settings, noise
        How to measure, and what a sample is worth.
    detection_n, contact_force_n
        Forces that detect contact and that count as contact.
    deadband_mm
        Reversals of position below this are noise.
    frame
        What gives besides the specimen.
    recorded_zero
        Whether the source's own zero of position means the untouched specimen, as in a table read by hand.
    extra_depths_mm
        Deflections at which forces are wanted besides the asked ones, by column name.
    behind_backlash
        Whether positions are read behind a backlash that is taken off.
    zero
        The force zero that quantities count from; None: the mean of the untouched stretches.
    steady_u_n, walk_noise_n, drift_doubt
        Doubts about the force zero, as `rig.analyser.baseline.baseline` takes them.
    wander
        What the recording's first presses differ by; None: nothing, or nothing is known of it.
    """

    settings: AnalysisSettings
    noise: MeasuringNoise
    detection_n: float
    contact_force_n: float
    deadband_mm: float
    frame: Frame = field(default_factory=Frame)
    recorded_zero: bool = False
    extra_depths_mm: Mapping[str, float] | None = None
    behind_backlash: bool = False
    steady_u_n: float | None = None
    walk_noise_n: float | None = None
    drift_doubt: float = 1.0
    zero: ForceZero | None = None
    wander: StrokeWander | None = None


@dataclass(frozen=True, slots=True)
class Contacts:
    """Where the strokes' deflection counts from.

    Parameters
    ----------
    mm, u_mm
        Contact of each cycle's stretch and its standard uncertainty, shape (m,).
    from_contact
        Whether the cycle itself began with the contact.
    early, late
        Nodes of loading and unloading within the initial window.
    lows
        The sample that loading begins with, and the one that unloading ends with.
    """

    mm: FloatArray
    u_mm: FloatArray
    from_contact: BoolArray
    early: Nodes
    late: Nodes
    lows: tuple[Side, Side]


class Strokes:
    """Both strokes of a block of cycles, and what is read off them."""

    def __init__(
        self,
        loading: Nodes,
        unloading: Nodes,
        *,
        turn: Turn,
        holds: BoolArray,
        contact: Contacts,
        zero: Baseline,
        context: Context,
        rough: Roughness,
    ) -> None:
        self.loading, self.unloading = loading, unloading
        self.peak_mm, self.peak_u_mm = turn.x_mm, turn.u_mm
        self.contact_mm, self.contact_u_mm, self.from_contact = contact.mm, contact.u_mm, contact.from_contact
        self.early, self.late, self.lows = contact.early, contact.late, contact.lows
        self.context = context
        self.zero_u_n, self.zero_tilt_u_n = zero.u_n, zero.tilt_u_n
        self.depth_mm = self.peak_mm - self.contact_mm
        self.rough = rough
        shallowest_mm = np.where(loading.real, loading.x_mm, np.inf).min(axis=1)
        start_mm = np.where(self.from_contact, self.contact_mm, shallowest_mm)
        self.stroke_mm = self.peak_mm - start_mm
        last = np.maximum(loading.lengths - 1, 0)[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            overall = along_rows(loading.force_n, last)[:, 0] / self.stroke_mm
        self.overall_slope = np.nan_to_num(overall, posinf=0.0)
        # under load a force may be noisier, in proportion to it
        peak_n = along_rows(loading.force_n, last)[:, 0]
        self.peak_noise_n = np.maximum(self.rough.at(peak_n), SMALLEST_NOISE_N)
        self.peak_slope_noise_n = self._along_slope(self.peak_noise_n)
        self.crept = turn.crept
        self.largest_mm, self.largest_u_mm = self.peak_mm, self.peak_u_mm
        self.holds = holds
        self.sharp = (turn.loading.count == 1) & (turn.unloading.count == 1)
        coming = self._tangent(loading)
        # just behind the turn a specimen with hysteresis has no tangent: the window's stands for it
        going = self._window_fit(unloading)
        # on the last micrometres a relaxing specimen follows neither tangent
        unsure = np.nan_to_num(np.abs(coming.slope - going.slope)) + CARRIED_SHARE * np.abs(coming.slope)
        self.turning = self._carried(
            coming, loading, turn.loading, turn.tips[0], unsure=unsure, ahead=turn.ahead
        )
        self.peak = self._largest(self.turning, turn.loading)
        self._take_overshoot(turn.over)
        self.over_mj = turn.over_mj
        unknown = np.full(len(unsure), np.nan)
        turned = self._carried(going, unloading, turn.unloading, turn.tips[1], unsure=unsure, ahead=unknown)
        self.turned = replace(turned, slope=going.slope, slope_u=going.slope_u)
        # a platen that creeps on may press harder at the end of a hold than when it arrived
        later = self.crept & (self.turned.value > self.peak.value)
        self.largest_mm = np.where(later, self.peak_mm, self.largest_mm)
        self.peak = replace(
            self.peak,
            value=np.where(later, self.turned.value, self.peak.value),
            # its last samples lie short of the turn, and nothing carries them on
            value_u=np.where(
                later,
                np.hypot(
                    self.turned.value_u, np.nan_to_num(coming.slope) * (self.peak_mm - turn.unloading.x_mm)
                ),
                self.peak.value_u,
            ),
        )

    def _take_overshoot(self, over: Side) -> None:
        """Where the platen went deeper than its hold, the largest force is the one there."""
        larger = np.nan_to_num(over.force_n, nan=-np.inf) > self.peak.value
        over_u = np.hypot(self._side_u(over), np.nan_to_num(over.doubt_n))
        self.largest_mm = np.where(larger, over.x_mm, self.largest_mm)
        self.peak = replace(
            self.peak,
            value=np.where(larger, over.force_n, self.peak.value),
            value_u=np.where(larger, over_u, self.peak.value_u),
        )

    def _along_slope(self, noise_n: FloatArray) -> FloatArray:
        """Noise of single samples about the stroke: that of position counts along its overall slope."""
        by_place_n = self.overall_slope * self.context.noise.position_mm
        spread: FloatArray = np.hypot(noise_n, by_place_n.reshape(-1, *(1,) * (noise_n.ndim - 1)))
        return np.maximum(spread, SMALLEST_NOISE_N)

    def _tangent(self, nodes: Nodes) -> LocalFit:
        """Tangent at the deep end of loading, from the part of it that was not braked.

        Notes
        -----
        A parabola over the window misses the end slope of a curve that stiffens faster: by an amount that
        grows with the square of the window. So two windows are fitted, one half the other. What they differ
        by tells a third of the rest; as much of it is put right as stands out of the noise, and what is not
        stays in the uncertainty.
        """
        stroke = np.where(self.stroke_mm > 0, self.stroke_mm, 1.0)[:, None]
        share = (self._end_mm(nodes)[:, None] - nodes.x_mm) / stroke
        window = self.context.settings.tangent_window
        half, _ = self._end_fit(nodes, share, window / 2)
        whole, whole_reach = self._end_fit(nodes, share, window)
        double, double_reach = self._end_fit(nodes, share, 2 * window)
        wider, wider_reach = self._end_fit(nodes, share, 2 * window, fewest=2 * PEAK_NODES)
        same = whole.slope == double.slope
        # of few nodes both windows hold nearly the same, unless they crowd at a slow turn
        alike = (double_reach < LEAST_WIDER * whole_reach) & (wider_reach < MOST_WIDER * whole_reach)
        pairs = zip(wider.columns(), double.columns(), strict=True)
        double = LocalFit(*(np.where(alike, *pair) for pair in pairs))
        # half a window of few nodes holds only noise: then the wider one is the other of the pair
        enough = np.count_nonzero(nodes.real & (share <= window / 2), axis=1) >= ENOUGH_FOR_HALF
        fine, coarse = (
            LocalFit(*(np.where(enough, a, b) for a, b in zip(one.columns(), other.columns(), strict=True)))
            for one, other in ((half, whole), (whole, double))
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            apart = fine.slope - coarse.slope
            # the wider window holds the narrower: their difference has the difference of their variances
            apart_u2 = np.maximum(fine.slope_u**2 - coarse.slope_u**2, (UNRESOLVED * fine.slope_u) ** 2)
            # below twice its noise a difference says nothing, far above it says all
            trust = np.where(apart != 0, np.maximum(1 - APART_CLEAR**2 * apart_u2 / apart**2, 0.0), 0.0)
            # of two windows, one twice the other, the finer parabola is off by a third of the difference, the
            # coarser by four thirds
            ratio2 = np.where(alike & ~enough, np.square(wider_reach / whole_reach), 4.0)
            off = ratio2 / np.maximum(ratio2 - 1, LEAST_WIDER**2 - 1)
            slope = coarse.slope + off * trust * apart
            # a difference of up to twice its noise is not put right: half of its noise stays
            noise_u = np.hypot(coarse.slope_u, np.maximum(off * trust, 0.5) * np.sqrt(apart_u2))
            # what noise alone would make of the difference is in the noise already
            shown = np.sqrt(np.maximum(apart**2 - apart_u2, 0.0))
            left_u = np.hypot(off * (1 - trust), LEFT_OF_TANGENT) * shown
        # with too few nodes for two windows there is nothing to compare
        alone = ~np.isfinite(slope)
        slope = np.where(alone, whole.slope, slope)
        # with the same few nodes in the usual windows, the last three of them are the finer window
        bend = np.where(same, np.abs(self._slope_of_last(nodes) - slope), 0.0)
        slope_u = np.where(alone, whole.slope_u, np.sqrt(noise_u**2 + left_u**2 + bend**2))
        # a platen that crept on turns where the stroke never came to: the tangent may be meant there
        crept = np.abs(whole.bend) * (self.peak_mm - self._end_mm(nodes))
        return replace(whole, slope=slope, slope_u=np.hypot(slope_u, crept))

    def _slope_of_last(self, nodes: Nodes) -> FloatArray:
        """Return the slope at the deep end of the parabola through the last three nodes before the turn;
        that of the stroke as a whole where there are none."""
        at = np.maximum(nodes.lengths[:, None] - (1 + self.sharp)[:, None] - np.arange(3), 0)
        x, f = (along_rows(table, at).T for table in (nodes.x_mm, nodes.force_n))
        with np.errstate(divide="ignore", invalid="ignore"):
            near, far = (f[0] - f[1]) / (x[0] - x[1]), (f[1] - f[2]) / (x[1] - x[2])
            end_mm = self._end_mm(nodes)
            slope: FloatArray = near + (near - far) / (x[0] - x[2]) * (2 * end_mm - x[0] - x[1])
        return np.where(np.isfinite(slope), slope, self.overall_slope)

    def _end_mm(self, nodes: Nodes) -> FloatArray:
        """Deep end of a stroke: where a hold creeps on, short of the turn, which the stroke never came to."""
        deepest_mm = np.where(nodes.real, nodes.x_mm, -np.inf).max(axis=1)
        return np.where(self.crept, np.minimum(deepest_mm, self.peak_mm), self.peak_mm)

    def _window_fit(self, nodes: Nodes) -> LocalFit:
        """Return a parabola over the tangent's window of a stroke, at its deep end."""
        stroke = np.where(self.stroke_mm > 0, self.stroke_mm, 1.0)[:, None]
        share = (self._end_mm(nodes)[:, None] - nodes.x_mm) / stroke
        return self._end_fit(nodes, share, self.context.settings.tangent_window)[0]

    def _end_fit(
        self, nodes: Nodes, share: FloatArray, window: float, *, fewest: int = PEAK_NODES
    ) -> tuple[LocalFit, FloatArray]:
        """Return a parabola over a share of the stroke at its deep end, or over its last few nodes; and the
        share that those nodes span."""
        at_end = nodes.lengths[:, None] - 1 - np.arange(nodes.x_mm.shape[1])
        # a single sample at a sharp turn may lie behind it, or be a mean over it; the first one of a hold
        # came some time after the platen had arrived; a node that is a mean contains such a sample
        turn = (at_end == 0) & ((nodes.count > 1) | (self.sharp | self.holds)[:, None])
        deep = nodes.real & (share <= window) & ~turn
        deep &= _at_working_rate(nodes, deep)
        few = np.count_nonzero(deep, axis=1) < fewest
        last = nodes.real & ~turn & (share < 1)
        # a platen that arrives for a hold passes its last rows slowly, or stands in them
        arriving = last & (at_end <= fewest + ARRIVAL_NODES) & self.holds[:, None]
        slow = arriving & ~_at_working_rate(nodes, arriving)
        last &= ~slow
        skipped = np.minimum(np.count_nonzero(slow, axis=1), ARRIVAL_NODES)[:, None]
        deep = np.where(few[:, None], last & (at_end <= fewest + skipped), deep)
        fit = polynomial_at(
            nodes,
            deep,
            self._end_mm(nodes),
            self.peak_slope_noise_n,
            2,
            correlated=self.rough.correlated,
        )
        return fit, np.where(deep, share, 0.0).max(axis=1)

    def _side_u(self, side: Side) -> FloatArray:
        """Return the standard uncertainty of a mean over the samples next to the turn."""
        count = side.count.astype(np.float64)
        spread: FloatArray = self.peak_noise_n * np.sqrt(self.rough.fewer(count) / count)
        return spread

    def _carried(
        self,
        tangent: LocalFit,
        nodes: Nodes,
        side: Side,
        tip: Tip,
        *,
        unsure: FloatArray,
        ahead: FloatArray,
    ) -> LocalFit:
        """Return the force of the samples next to the turn, carried along the stroke's end to the turn,
        which lies some rows ahead of the deepest sample.

        A hard stop in the last samples is steeper than the window's tangent: as far as the last two nodes
        show it above the noise, theirs is the slope.
        """
        # what a hold that creeps adds or takes off follows no tangent
        beyond_mm = np.where(self.crept, 0.0, self.peak_mm - side.x_mm)
        at = [np.maximum(nodes.lengths - back, 0)[:, None] for back in (1, 2, 3, 4)]
        x, f = ([along_rows(table, each)[:, 0] for each in at] for table in (nodes.x_mm, nodes.force_n))
        window = np.nan_to_num(tangent.slope)
        noise_n = np.hypot(self.peak_noise_n, window * self.context.noise.position_mm)
        start = np.maximum(nodes.lengths - 1 - PEAK_NODES, 0)[:, None]
        before_mm = x[0] - along_rows(nodes.x_mm, start)[:, 0]
        of_nodes_mm = np.where(nodes.lengths > PEAK_NODES, before_mm / PEAK_NODES, 0.0)
        ends = Tip(np.stack(x, axis=1), np.stack(f, axis=1))
        more, more_u = _stop(ends, window, noise_n, usual_mm=of_nodes_mm, steepest=0.0)
        # nodes that are means hide a stop of a few rows, which single rows show if none before is as steep
        with np.errstate(divide="ignore", invalid="ignore"):
            slopes = np.diff(tip.force_n[:, STOP_ROWS:]) / np.diff(tip.x_mm[:, STOP_ROWS:])
        steepest = np.where(np.isfinite(slopes), slopes, 0.0).max(axis=1)
        usual_mm = (tip.x_mm[:, 0] - tip.x_mm[:, STOP_ROWS]) / STOP_ROWS
        single, single_u = _stop(tip, window, noise_n, usual_mm=usual_mm, steepest=steepest)
        more_u = np.where(single > more, single_u, more_u)
        more = np.maximum(more, single)
        slope = window + more
        value = side.force_n + slope * beyond_mm
        unsure = np.hypot(np.nan_to_num(unsure), STEEP_DOUBT * more)
        value_u = np.sqrt(self._side_u(side) ** 2 + (unsure * beyond_mm) ** 2 + np.square(side.doubt_n))
        # A sample behind the turn reads short of the line that the one before says, by all of that. One that
        # is averaged over the turn does so as well, but one of a specimen that relaxes reads true: where the
        # samples do not tell, half of what is short is put on, and is in doubt.
        run_mm = np.maximum(x[0] - x[1], 0.0)
        # Behind a kink, as of coils that close, the window's parabola ends too steep: the line is no steeper
        # than the two pairs of nodes before the turn say, as far as noise lets them say anything.
        pair_mm, earlier_mm = x[1] - x[2], x[2] - x[3]
        shows = (pair_mm > 0) & (earlier_mm > 0) & (nodes.lengths > 3)
        pair_mm, earlier_mm = np.where(shows, pair_mm, 1.0), np.where(shows, earlier_mm, 1.0)
        steep, before = (f[1] - f[2]) / pair_mm, (f[2] - f[3]) / earlier_mm
        doubt = CLEAR_NOISES * sqrt(2.0) * noise_n * (2 / pair_mm + 1 / earlier_mm)
        line = np.where(shows, np.minimum(slope, np.maximum(2 * steep - before, steep) + doubt), slope)
        # nor is the tangent any steeper than they go on to the turn, where the platen was not braked
        ahead_slope = np.maximum(steep + 2 * (steep - before), steep) + doubt
        unbraked = shows & (more == 0) & (np.minimum(pair_mm, earlier_mm) > UNBRAKED * of_nodes_mm)
        over = np.where(unbraked, np.maximum(window - ahead_slope, 0.0), 0.0)
        short_n = f[1] + line * (side.x_mm - x[1]) - side.force_n - noise_n
        coarse = (side.count == 1) & (run_mm > 0) & (nodes.lengths > 1)
        most_n = SHORT_SHARE * np.maximum(slope * run_mm, 0.0)
        half_n = np.where(coarse, np.clip(short_n, 0.0, most_n) / 2, 0.0)
        passed = np.where(coarse & ~self.crept, np.clip(-np.nan_to_num(ahead) / PASSED_ROWS, 0.0, 1.0), 0.0)
        whole_n = np.maximum(short_n, 0.0)
        short_u = np.hypot((1 - passed) * half_n, passed * PASSED_DOUBT * whole_n)
        short_u = np.hypot(short_u, np.sqrt(passed * (1 - passed)) * (whole_n - half_n))
        short_n = (1 - passed) * half_n + passed * whole_n
        return replace(
            tangent,
            value=value + short_n,
            value_u=np.hypot(value_u, short_u),
            slope=tangent.slope + more,
            # a stop's slope is that of its own samples, not of the window
            slope_u=np.hypot(np.where(more > 0, more_u, tangent.slope_u), over),
            bend=slope,
        )

    def _largest(self, peak: LocalFit, side: Side) -> LocalFit:
        """Return the force that stands for the peak: a relaxing specimen has its largest before a braking
        platen turns."""
        nodes = self.loading
        if nodes.x_mm.shape[1] < 3:
            return peak
        # three nodes together: the noise of a single one would be picked out as the largest
        force_n = (nodes.force_n[:, :-2] + nodes.force_n[:, 1:-1] + nodes.force_n[:, 2:]) / 3
        whole = nodes.real[:, :-2] & nodes.real[:, 1:-1] & nodes.real[:, 2:]
        force_n = np.where(whole, force_n, -np.inf)
        if not whole.any():
            return peak
        rows = np.arange(len(force_n))
        best = np.argmax(force_n, axis=1)
        largest_n = np.where(whole.any(axis=1), force_n[rows, best], peak.value)
        together = 3 * np.maximum(nodes.count[rows, best + 1], 1)
        largest_u = self.peak_noise_n * np.sqrt(self.rough.fewer(together) / together)
        side_u = self._side_u(side)
        errors = (largest_n - peak.value) / np.maximum(np.hypot(largest_u, side_u), SMALLEST_NOISE_N)
        earlier = errors > LARGER_ERRORS
        # what is nearly as sure may as well be: half of what the peak would rise by is in doubt
        nearly = np.clip((errors - NEARLY_ERRORS) / (LARGER_ERRORS - NEARLY_ERRORS), 0.0, 1.0)
        missed_u = np.where(nearly > 0, nearly * (largest_n - peak.value) / 2, 0.0)
        # a mean over the top of a curve lies below it: by what the outer two are below the middle one
        middle_n = nodes.force_n[rows, best + 1]
        rounded_n = np.maximum(middle_n - largest_n, 0.0)
        # how far the force falls beside them bounds what it does between: little at a smooth crest
        last = np.maximum(nodes.lengths - 1, 0)
        beside_n = np.minimum(*(nodes.force_n[rows, np.clip(best + step, 0, last)] for step in (-1, 3)))
        fell_n = np.minimum(largest_n - beside_n, largest_n - peak.value)
        between_u = np.sqrt(largest_u**2 + (LARGER_SHARE * fell_n) ** 2 + rounded_n**2 / 3)
        value = np.where(earlier, largest_n + rounded_n / 2, peak.value)
        # anywhere where it is as large, as far as noise goes
        as_large = force_n >= (largest_n - LARGER_ERRORS * largest_u)[:, None]
        wide_mm = np.where(as_large, nodes.x_mm[:, 1:-1], np.nan)
        wide_mm = np.nanmax(wide_mm, axis=1, initial=-np.inf) - np.nanmin(wide_mm, axis=1, initial=np.inf)
        step_mm = np.abs(nodes.x_mm[rows, best + 2] - nodes.x_mm[rows, best])
        self.largest_mm = np.where(earlier, nodes.x_mm[rows, best + 1], self.peak_mm)
        self.largest_u_mm = np.where(earlier, (wide_mm + step_mm) / sqrt(12), self.peak_u_mm)
        value_u = np.where(earlier, between_u, np.hypot(peak.value_u, missed_u))
        return replace(peak, value=value, value_u=value_u)

    def peak_columns(self, origin_mm: FloatArray, origin_u: FloatArray) -> Columns:
        """Peak force and deflection, and the secant to where the force is largest."""
        # in a hard stop a turn that is read too deep costs its own slope, not the window's
        force_n = self.peak.value
        tangent = np.where(self.crept, 0.0, np.nan_to_num(self.turning.bend))
        depth = self.peak_mm - origin_mm
        force_u = np.sqrt(self.peak.value_u**2 + self.zero_u_n**2 + (tangent * self.peak_u_mm) ** 2)
        depth_u = np.hypot(self.peak_u_mm, origin_u)
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = self.largest_mm - origin_mm
            secant = force_n / reach
            # a peak that was read too deep raises force and deflection together, but not at a crest
            crest = self.largest_mm != self.peak_mm
            along = np.where(crest, -secant, tangent - secant) * self.largest_u_mm
            secant_u = (
                np.sqrt(self.peak.value_u**2 + self.zero_u_n**2 + along**2 + (secant * origin_u) ** 2) / reach
            )
            back = self.turned.value / depth
            back_u = np.sqrt(self.turned.value_u**2 + self.zero_u_n**2 + (back * depth_u) ** 2) / depth
        columns = {
            "peak_force_n": force_n,
            "peak_force_n_u": force_u,
            "peak_deflection_mm": depth,
            "peak_deflection_mm_u": depth_u,
            "deflection_at_peak_force_mm": reach,
            "deflection_at_peak_force_mm_u": np.hypot(self.largest_u_mm, origin_u),
            "secant_n_per_mm": secant,
            "secant_n_per_mm_u": secant_u,
            "secant_unloading_n_per_mm": back,
            "secant_unloading_n_per_mm_u": back_u,
        }
        height = self.context.settings.free_height_mm
        if height:
            columns |= {
                "peak_compression_pct": 100 * depth / height,
                "peak_compression_pct_u": 100 * depth_u / height,
            }
        return columns

    def energy_columns(self, cycles: Cycles) -> Columns:
        """Energy absorbed and returned, their difference, and what is made of it."""
        kept_after = (cycles.flags & np.uint32(Flag.CONTACT_KEPT_AFTER)) != 0
        released = (cycles.flags & np.uint32(Flag.NOT_RELEASED)) == 0
        lets_go = ~kept_after & np.isfinite(self.contact_mm)
        # in a hold that creeps the way goes on to where it ends, at the force there
        into_end = np.where(self.crept, self.turned.value, self.turning.value)
        into, out = (
            work(
                nodes,
                contact_mm=self.contact_mm,
                from_contact=from_contact,
                low=low,
                end_mm=self.peak_mm,
                end_n=end_n,
                crept=self.crept,
                rough=self.rough,
                rest_noise_n=self.context.noise.force_n,
                position_noise_mm=self.context.noise.position_mm,
                resolution_mm=self.context.noise.position_resolution_mm,
            )
            for nodes, from_contact, low, end_n in (
                (self.loading, self.from_contact, self.lows[0], into_end),
                (self.unloading, lets_go, self.lows[1], self.turned.value),
            )
        )
        # a loading that begins above zero force misses what lies below its first sample: at the most a
        # triangle down to a recorded zero; without one it cannot be found
        begins_n = np.maximum(self.lows[0].force_n, 0.0)
        headless = ~self.from_contact & ((cycles.flags & np.uint32(Flag.CONTACT_KEPT_BEFORE)) == 0)
        missing_mm = np.where(headless, self.lows[0].x_mm - self.contact_mm, 0.0)
        missing_mj = np.abs(begins_n * missing_mm) / 2
        in_mj = into.mj + self.over_mj + np.where(headless & ~np.isfinite(missing_mj), np.nan, 0.0)
        out_mj = np.where(released & (self.unloading.lengths > 1), out.mj, np.nan)
        shared_u = np.hypot(self.zero_u_n * self.stroke_mm, self.peak.value * self.peak_u_mm)
        tilt_u = self.zero_tilt_u_n * self.stroke_mm
        # what the force at the turn may be off by weighs half of the way to the last node; both strokes read
        # it for themselves, so that it is in their difference
        ends_u = [
            end.value_u * _way_to_end(nodes, self.peak_mm) / 2
            for end, nodes in ((self.turning, self.loading), (self.turned, self.unloading))
        ]
        in_u = np.sqrt(into.noise_u**2 + into.chord_u**2 + shared_u**2 + missing_mj**2 + ends_u[0] ** 2)
        out_u = np.sqrt(out.noise_u**2 + out.chord_u**2 + shared_u**2 + ends_u[1] ** 2)
        loss = in_mj - out_mj
        loss_u = np.sqrt(into.noise_u**2 + out.noise_u**2 + into.chord_u**2 + out.chord_u**2 + tilt_u**2)
        loss_u = np.sqrt(loss_u**2 + ends_u[0] ** 2 + ends_u[1] ** 2)
        with np.errstate(divide="ignore", invalid="ignore"):
            hysteresis = 100 * loss / in_mj
            hysteresis_u = 100 * np.hypot(loss_u, loss / in_mj * in_u) / in_mj
            chord = (self.turning.value - self.lows[0].force_n) / self.stroke_mm
            swing = np.pi * chord * (self.stroke_mm / 2) ** 2
            factor = np.where(kept_after & ~self.from_contact, loss / swing, np.nan)
            factor_u = np.where(kept_after & ~self.from_contact, loss_u / swing, np.nan)
        return {
            "energy_absorbed_mj": in_mj,
            "energy_absorbed_mj_u": in_u,
            "energy_returned_mj": out_mj,
            "energy_returned_mj_u": np.where(np.isfinite(out_mj), out_u, np.nan),
            "loss_mj": loss,
            "loss_mj_u": np.where(np.isfinite(loss), loss_u, np.nan),
            "hysteresis_pct": hysteresis,
            "hysteresis_pct_u": np.where(np.isfinite(hysteresis), hysteresis_u, np.nan),
            "energy_return_pct": 100 - hysteresis,
            "energy_return_pct_u": np.where(np.isfinite(hysteresis), hysteresis_u, np.nan),
            "loss_factor": factor,
            "loss_factor_u": factor_u,
        }

    def stiffness_columns(self) -> Columns:
        """Tangent at the peak, initial stiffness and chord, on both strokes."""
        columns: Columns = {}
        sides = (
            ("", self.loading, self.peak, self.early),
            ("_unloading", self.unloading, self.turned, self.late),
        )
        for suffix, nodes, end, toe in sides:
            # through two or three samples goes any parabola
            tangent = end.only(np.count_nonzero(self._loaded(nodes), axis=1) >= FEW_NODES)
            columns[f"tangent{suffix}_n_per_mm"] = tangent.slope
            columns[f"tangent{suffix}_n_per_mm_u"] = tangent.slope_u
            chord, chord_u = self._chord(nodes, self.context.settings.chord)
            columns[f"chord{suffix}_n_per_mm"], columns[f"chord{suffix}_n_per_mm_u"] = chord, chord_u
            initial, initial_u = self._initial(nodes, toe, lets_go=bool(suffix))
            columns[f"initial{suffix}_n_per_mm"] = initial
            columns[f"initial{suffix}_n_per_mm_u"] = initial_u
        return columns

    def _loaded(self, nodes: Nodes) -> BoolArray:
        loaded: BoolArray = nodes.real & (nodes.force_n > self.context.detection_n / 2)
        return loaded

    @property
    def _step_mm(self) -> float:
        return self.context.noise.position_resolution_mm / sqrt(12)

    def _read(self, nodes: Nodes, at_mm: FloatArray) -> LocalFit:
        """Return the forces at positions, with the noise at their load."""
        return force_at(
            nodes, at_mm, lambda load_n: self._along_slope(self.rough.at(load_n)), self.rough.correlated
        )

    def _chord(self, nodes: Nodes, shares: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
        """Return the slope between two shares of the deflection, and its standard uncertainty."""
        low, high = shares
        run = (high - low) * self.depth_mm
        ends = np.stack(
            [self.contact_mm + low * self.depth_mm, self.contact_mm + high * self.depth_mm], axis=1
        )
        return self._between(nodes, self._read(nodes, ends), run, shares)

    def _between(
        self, nodes: Nodes, ends: LocalFit, run: FloatArray, shares: tuple[float, float]
    ) -> tuple[FloatArray, FloatArray]:
        """Chord between two readings at shares of the way from contact to peak."""
        low, high = shares
        lower, upper = ends.slope.T
        # the zero's drift between the ends tilts the chord; over a whole stroke it is the tilt of the zero
        tilt_n = self.zero_tilt_u_n * (high - low)
        with np.errstate(divide="ignore", invalid="ignore"):
            chord = (ends.value[:, 1] - ends.value[:, 0]) / run
            # the ends move with both the contact and the peak
            by_contact = upper * (1 - high) - lower * (1 - low) + chord * (high - low)
            by_peak = upper * high - lower * low - chord * (high - low)
            moved = np.hypot(by_contact * self.contact_u_mm, by_peak * self.peak_u_mm)
            # over a window that the contact's doubt is no small part of, slopes at its ends do not tell
            bent = np.flatnonzero(self.contact_u_mm > BENT_SHARE * run)
            if len(bent):
                moved[bent] = np.fmax(moved[bent], run[bent] * self._chord_moves(nodes, shares)[bent])
            # what rounding of positions leaves in a few nodes
            place_n = np.hypot(lower, upper) * self._step_mm / sqrt(READING_NODES)
            spread = np.sqrt((ends.value_u**2).sum(axis=1) + moved**2 + place_n**2 + tilt_n**2)
            return chord, spread / run

    def _chord_moves(self, nodes: Nodes, shares: tuple[float, float]) -> FloatArray:
        """Return by how much a chord changes, at the most, per standard uncertainty of the contact, where it
        is moved either way by as many as an even distribution reaches."""
        low, high = shares
        chords = []
        for moved_u in (-sqrt(3.0), 0.0, sqrt(3.0)):
            contact_mm = self.contact_mm + moved_u * self.contact_u_mm
            depth_mm = self.peak_mm - contact_mm
            ends_mm = np.stack([contact_mm + share * depth_mm for share in shares], axis=1)
            chords.append(np.diff(self._read(nodes, ends_mm).value, axis=1)[:, 0] / ((high - low) * depth_mm))
        return np.fmax(np.abs(chords[0] - chords[1]), np.abs(chords[2] - chords[1])) / sqrt(3.0)

    def _initial(self, nodes: Nodes, window: Nodes, *, lets_go: bool) -> tuple[FloatArray, FloatArray]:
        """Chord over the initial window, from the nodes around its ends.

        Notes
        -----
        A parabola through the nodes around each end gives the force there, whatever the curve does in
        between. Strokes too coarse for that are read between two nodes, those above the contact only: below
        it, force is zero.
        """
        low, high = self.context.settings.initial_window
        run = (high - low) * self.depth_mm
        ends_mm = [self.contact_mm + share * self.depth_mm for share in (low, high)]
        coarse = self._read(_above(nodes, self.contact_mm), np.stack(ends_mm, axis=1))
        # a specimen that has let go within the window has no slope there
        held = np.all(coarse.value > self.context.detection_n / 2, axis=1) | (not lets_go)
        known = np.asarray(np.isfinite(ends_mm[0]) & (run > 0) & held)
        known_run = np.where(known, run, 1.0)
        fits = []
        for place, end_mm in enumerate(ends_mm):
            centre = np.where(known, end_mm, 0.0)
            near = window.real & (np.abs(window.x_mm - centre[:, None]) <= END_REACH * known_run[:, None])
            enough = np.count_nonzero(near, axis=1) >= NODES_AT_END
            if lets_go:
                # no parabola goes through a release: one within reach of an end leaves no chord
                gone = (near & (window.force_n < self.context.detection_n / 2)).any(axis=1)
                known = known & ~gone
            fit = polynomial_at(
                window,
                near & np.expand_dims(known, 1),
                centre,
                self._along_slope(self.rough.at(coarse.value[:, place])),
                2,
                correlated=self.rough.correlated,
            )
            fits.append(fit.only(enough))
        fine = LocalFit(
            *(np.stack(pair, axis=1) for pair in zip(*(fit.columns() for fit in fits), strict=True))
        )
        whole = np.expand_dims(np.all(np.isfinite(fine.value), axis=1), 1)
        ends = LocalFit(
            *(np.where(whole, a, b) for a, b in zip(fine.columns(), coarse.columns(), strict=True))
        ).only(np.expand_dims(known, 1))
        return self._between(nodes, ends, run, (low, high))

    def depth_columns(self, origin_mm: FloatArray, origin_u: FloatArray) -> Columns:
        """Return the force on both strokes at the depths asked for."""
        settings = self.context.settings
        wanted = {
            depth_name(depth): depth.deflection_mm(settings.free_height_mm) for depth in settings.depths()
        }
        wanted |= self.context.extra_depths_mm or {}
        if not wanted:
            return {}
        deflections = np.array([np.inf if each is None else each for each in wanted.values()])
        target = np.nan_to_num(origin_mm, nan=np.inf)[:, None] + deflections
        columns: Columns = {}
        for stroke, nodes in (("loading", self.loading), ("unloading", self.unloading)):
            fit = self._read(nodes, target)
            place_u = np.hypot(self._step_mm, origin_u)[:, None]
            force_u = np.sqrt(fit.value_u**2 + self.zero_u_n[:, None] ** 2 + (fit.slope * place_u) ** 2)
            for column, name in enumerate(wanted):
                columns[f"{name}.{stroke}_n"] = fit.value[:, column]
                columns[f"{name}.{stroke}_n_u"] = force_u[:, column]
        return columns

    def knee(self) -> Knee:
        """Knee of the loading strokes."""
        return knee(
            _above(self.loading, self.contact_mm),
            self.contact_mm,
            self.contact_u_mm,
            self.peak_mm,
            rough=self.rough,
            place_noise_n=self.overall_slope * self.context.noise.position_mm,
            drop=self.context.settings.knee_drop,
        )

    def flags(self) -> FlagArray:
        """Return what the strokes themselves show to be out of order."""
        flags = np.zeros(len(self.peak_mm), np.uint32)
        inside = self._loaded(self.loading)
        flags[np.count_nonzero(inside, axis=1) < FEW_NODES] |= np.uint32(Flag.FEW_SAMPLES)
        flags[self.from_contact & ~np.isfinite(self.contact_mm)] |= np.uint32(Flag.TOE_REGION_UNCLEAR)
        x = self.loading.x_mm
        deepest = np.maximum.accumulate(np.where(inside, x, -np.inf), axis=1)
        back = np.where(inside, deepest - x, 0.0).max(axis=1)
        flags[back > np.maximum(UNEVEN_SHARE * self.stroke_mm, self.context.deadband_mm)] |= np.uint32(
            Flag.UNEVEN_STROKE
        )
        return flags


def _stop(
    end: Tip,
    window: FloatArray,
    noise_n: FloatArray,
    *,
    usual_mm: FloatArray,
    steepest: FloatArray | float,
) -> tuple[FloatArray, FloatArray]:
    """Return by how much a pair of samples next to the turn is clearly steeper than the window's tangent, and
    its standard uncertainty; 0 where none is.

    Parameters
    ----------
    usual_mm
        Way between two samples where the platen is not braked.
    steepest
        Slope along the stroke that a stop is clearly steeper than, too.
    """
    found = []
    for near in (0, 1):
        # a turn sample behind the turn, or averaged over it, hides the stop: the pair before shows it
        run_mm = end.x_mm[:, near] - end.x_mm[:, near + 1]
        # where the platen brakes, two samples lie too close for a slope, and a relaxing force misleads
        usable = (run_mm > UNBRAKED * usual_mm) & (run_mm > 0)
        run_mm = np.where(usable, run_mm, 1.0)
        slope = (end.force_n[:, near] - end.force_n[:, near + 1]) / run_mm
        extra = np.where(usable & (slope > (1 + STEEPER) * steepest), slope - window, 0.0)
        extra_u = sqrt(2.0) * noise_n / run_mm
        clear = extra > np.maximum(CLEAR_NOISES * extra_u, STEEPER * window)
        trust = extra**2 / (extra**2 + extra_u**2 + SMALLEST_NOISE_N)
        found.append((np.where(clear, trust * extra, 0.0), trust * extra_u))
    (first, first_u), (second, second_u) = found
    more = np.maximum(first, second)
    # one pair alone may be part of a stop that is steeper, or hold its begin; two show how far they agree
    apart = np.minimum(np.abs(first - second), STEEP_SHARE * more)
    return more, np.hypot(np.where(first > second, first_u, second_u), apart)


def _above(nodes: Nodes, contact_mm: FloatArray) -> Nodes:
    """Return the nodes with those below the contact moved to it, without force: a straight line between
    two of them does not cross the contact."""
    below = nodes.x_mm < np.nan_to_num(contact_mm, nan=-np.inf)[:, None]
    return replace(
        nodes,
        x_mm=np.where(below, np.nan_to_num(contact_mm)[:, None], nodes.x_mm),
        force_n=np.where(below, 0.0, nodes.force_n),
    )


def _at_working_rate(nodes: Nodes, window: BoolArray) -> BoolArray:
    """Return which nodes of a window the platen passed at no less than a share of its usual rate there.

    A relaxing specimen's force lags behind a braking platen in another way than along the stroke.
    """
    reach = min(RATE_NODES, (nodes.x_mm.shape[1] - 1) // 2)
    if not reach:
        return window
    middle = np.cumsum(nodes.count, axis=1) - nodes.count / 2
    ahead = np.minimum(np.arange(nodes.x_mm.shape[1]) + reach, np.maximum(nodes.lengths - 1, 0)[:, None])
    behind = np.maximum(np.arange(nodes.x_mm.shape[1]) - reach, 0)
    run = along_rows(nodes.x_mm, ahead) - nodes.x_mm.take(behind, axis=1)
    time = along_rows(middle, ahead) - middle.take(behind, axis=1)
    rate = np.where(time > 0, run / np.where(time > 0, time, 1.0), 0.0)
    usual = row_sums(np.where(window, rate * nodes.count, 0.0)) / np.maximum(
        row_sums(np.where(window, nodes.count, 0.0)), 1.0
    )
    # braking lowers the mean itself: what is left is compared with the rate of the unbraked part
    swift = window & (rate >= usual[:, None])
    usual = row_sums(np.where(swift, rate * nodes.count, 0.0)) / np.maximum(
        row_sums(np.where(swift, nodes.count, 0.0)), 1.0
    )
    return window & (rate >= WORKING_RATE * usual[:, None])


def depth_name(depth: Depth) -> str:
    """Column name of a depth."""
    return f"at {depth.label}"


def _way_to_end(nodes: Nodes, end_mm: FloatArray) -> FloatArray:
    """Return how far the last node of a stroke lies before its deep end."""
    before = nodes.real & (nodes.x_mm < end_mm[:, None])
    last_mm = np.where(before, nodes.x_mm, -np.inf).max(axis=1)
    way: FloatArray = np.where(before.any(axis=1), end_mm - last_mm, 0.0)
    return way
