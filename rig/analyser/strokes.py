"""What is read off both strokes of a block of cycles: peaks, stiffness, work, forces at depths, knee,
flags."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import sqrt

import numpy as np

from rig.analyser.baseline import Baseline
from rig.analyser.curves import READING_NODES, Knee, force_at, knee
from rig.analyser.energy import work
from rig.analyser.peak import Side, Turn
from rig.analyser.ragged import BoolArray, LocalFit, Nodes, polynomial_at, row_sums
from rig.analyser.settings import AnalysisSettings, Depth, MeasuringNoise
from rig.calibration import Frame
from rig.samples import FloatArray
from rig.segmenter import Cycles, Flag, FlagArray, ForceZero

PEAK_NODES = 4
"""A fit at the peak takes this many nodes at the least."""

CARRIED_SHARE = 0.15
"""What a force is carried along the tangent, from the samples next to the turn to the turn, is uncertain
by this share, and by the difference of both strokes' tangents."""

STEADY_SAMPLES = 3
LARGER_ERRORS = 4.0
LARGER_SHARE = 0.1
"""A node before the turn holds the largest force if it is a mean of so many samples, and larger than the
force at the turn by so many standard errors; a share of the difference is left as uncertainty, for
what the nodes average over."""

RATE_NODES = 3
WORKING_RATE = 0.7
"""Nodes that the platen passed at less than this share of its rate in the tangent's window are braked
ones."""

FEW_NODES = 4
UNEVEN_SHARE = 0.05
"""A stroke that comes back by more than this share of its depth on the way is uneven."""

SMALLEST_NOISE_N = 1e-12
"""Keeps weights finite in a recording without noise or resolution."""

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
    behind_play
        Whether positions are read behind a play that is taken off.
    zero
        The force zero that quantities count from; None: the mean of the untouched stretches.
    steady_u_n, walk_noise_n, drift_doubt
        Doubts about the force zero, as `rig.analyser.baseline.baseline` takes them.
    """

    settings: AnalysisSettings
    noise: MeasuringNoise
    detection_n: float
    contact_force_n: float
    deadband_mm: float
    frame: Frame = field(default_factory=Frame)
    recorded_zero: bool = False
    extra_depths_mm: Mapping[str, float] | None = None
    behind_play: bool = False
    steady_u_n: float | None = None
    walk_noise_n: float | None = None
    drift_doubt: float = 1.0
    zero: ForceZero | None = None


@dataclass(frozen=True, slots=True)
class Contacts:
    """Where the strokes' deflection counts from.

    Parameters
    ----------
    mm, u_mm
        Contact of each cycle's stretch and its standard uncertainty, shape (m,).
    touched
        Whether the cycle itself began with a touch.
    early, late
        Nodes of loading and unloading within the initial window.
    lows
        The sample that loading begins with, and the one that unloading ends with.
    """

    mm: FloatArray
    u_mm: FloatArray
    touched: BoolArray
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
        contact: Contacts,
        zero: Baseline,
        context: Context,
    ) -> None:
        self.loading, self.unloading = loading, unloading
        self.peak_mm, self.peak_u_mm = turn.x_mm, turn.u_mm
        self.contact_mm, self.contact_u_mm, self.touches = contact.mm, contact.u_mm, contact.touched
        self.early, self.late, self.lows = contact.early, contact.late, contact.lows
        self.context = context
        self.zero_u_n, self.zero_tilt_u_n = zero.u_n, zero.tilt_u_n
        self.depth_mm = self.peak_mm - self.contact_mm
        self.noise_n = np.full(len(self.peak_mm), max(context.noise.force_n, SMALLEST_NOISE_N))
        start_mm = np.where(self.touches, self.contact_mm, _shallowest(loading))
        self.stroke_mm = self.peak_mm - start_mm
        last = np.maximum(loading.lengths - 1, 0)[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            overall = np.take_along_axis(loading.force_n, last, axis=1)[:, 0] / self.stroke_mm
        # noise of position counts as noise of force along the stroke's overall slope
        self.slope_noise_n = np.hypot(
            self.noise_n, np.nan_to_num(overall, posinf=0.0) * context.noise.position_mm
        )
        coming, going = self._tangent(loading), self._tangent(unloading)
        # on the last micrometres a relaxing specimen follows neither tangent
        unsure = np.nan_to_num(np.abs(coming.slope - going.slope)) + CARRIED_SHARE * np.abs(coming.slope)
        self.turning = self._carried(coming, turn.loading, unsure)
        self.peak = self._largest(self.turning, turn.loading)
        self.turned = self._carried(going, turn.unloading, unsure)

    def _tangent(self, nodes: Nodes) -> LocalFit:
        """Tangent at the deep end of a stroke, from the part of it that was not braked."""
        stroke = np.where(self.stroke_mm > 0, self.stroke_mm, 1.0)[:, None]
        share = (self.peak_mm[:, None] - nodes.x_mm) / stroke
        deep = nodes.real & (share <= self.context.settings.tangent_window)
        deep &= _at_working_rate(nodes, deep)
        few = np.count_nonzero(deep, axis=1) < PEAK_NODES
        at_end = nodes.lengths[:, None] - 1 - np.arange(nodes.x_mm.shape[1])
        deep = np.where(few[:, None], nodes.real & (at_end < PEAK_NODES) & (share < 1), deep)
        return polynomial_at(nodes, deep, self.peak_mm, self.slope_noise_n, 2)

    def _carried(self, tangent: LocalFit, side: Side, unsure: FloatArray) -> LocalFit:
        """The force of the samples next to the turn, carried along the tangent to the turn."""
        beyond_mm = self.peak_mm - side.x_mm
        value = side.force_n + np.nan_to_num(tangent.slope) * beyond_mm
        value_u = np.hypot(self.noise_n / np.sqrt(side.count), np.nan_to_num(unsure) * beyond_mm)
        return replace(tangent, value=value, value_u=value_u)

    def _largest(self, peak: LocalFit, side: Side) -> LocalFit:
        """The force that stands for the peak: a relaxing specimen has its largest before a braking platen
        turns."""
        nodes = self.loading
        steady = nodes.real & (nodes.count >= STEADY_SAMPLES)
        # three nodes together: the noise of a single one would be picked out as the largest
        force_n = (nodes.force_n[:, :-2] + nodes.force_n[:, 1:-1] + nodes.force_n[:, 2:]) / 3
        whole = steady[:, :-2] & steady[:, 1:-1] & steady[:, 2:]
        if not whole.any():
            return peak
        force_n = np.where(whole, force_n, -np.inf)
        rows = np.arange(len(force_n))
        best = np.argmax(force_n, axis=1)
        largest_n = force_n[rows, best]
        largest_u = self.noise_n / np.sqrt(3 * np.maximum(nodes.count[rows, best + 1], 1))
        side_u = self.noise_n / np.sqrt(side.count)
        earlier = largest_n > peak.value + LARGER_ERRORS * np.hypot(largest_u, side_u)
        with np.errstate(invalid="ignore"):
            between_u = np.hypot(largest_u, LARGER_SHARE * (largest_n - peak.value))
        value = np.where(earlier, largest_n, peak.value)
        return replace(peak, value=value, value_u=np.where(earlier, between_u, peak.value_u))

    def peak_columns(self, origin_mm: FloatArray, origin_u: FloatArray) -> Columns:
        """Peak force and deflection, and the secant there."""
        force_n, tangent = self.peak.value, np.nan_to_num(self.peak.slope)
        depth = self.peak_mm - origin_mm
        force_u = np.sqrt(self.peak.value_u**2 + self.zero_u_n**2 + (tangent * self.peak_u_mm) ** 2)
        depth_u = np.hypot(self.peak_u_mm, origin_u)
        with np.errstate(divide="ignore", invalid="ignore"):
            secant = force_n / depth
            # a peak that was read too deep raises force and deflection together
            along = (tangent - secant) * self.peak_u_mm
            secant_u = (
                np.sqrt(self.peak.value_u**2 + self.zero_u_n**2 + along**2 + (secant * origin_u) ** 2) / depth
            )
            back = self.turned.value / depth
            back_u = np.sqrt(self.turned.value_u**2 + self.zero_u_n**2 + (back * depth_u) ** 2) / depth
        columns = {
            "peak_force_n": force_n,
            "peak_force_n_u": force_u,
            "peak_deflection_mm": depth,
            "peak_deflection_mm_u": depth_u,
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
        """Work in and out, their difference, and what is made of it."""
        noise = self.context.noise
        kept_after = (cycles.flags & np.uint32(Flag.CONTACT_KEPT_AFTER)) != 0
        released = (cycles.flags & np.uint32(Flag.NOT_RELEASED)) == 0
        noise_n = float(self.noise_n[0]) if len(self.noise_n) else 0.0
        lets_go = ~kept_after & np.isfinite(self.contact_mm)
        into, out = (
            work(
                nodes,
                contact_mm=self.contact_mm,
                touches=touches,
                low=low,
                end_mm=self.peak_mm,
                end_n=end.value,
                force_noise_n=noise_n,
                position_noise_mm=noise.position_mm,
            )
            for nodes, touches, low, end in (
                (self.loading, self.touches, self.lows[0], self.turning),
                (self.unloading, lets_go, self.lows[1], self.turned),
            )
        )
        # a loading that begins above zero force misses what lies below its first sample: at the most a
        # triangle down to a recorded zero; without one nobody can tell
        begins_n = np.maximum(self.lows[0].force_n, 0.0)
        headless = ~self.touches & ((cycles.flags & np.uint32(Flag.CONTACT_KEPT_BEFORE)) == 0)
        missing_mm = np.where(headless, self.lows[0].x_mm - self.contact_mm, 0.0)
        missing_mj = np.abs(begins_n * missing_mm) / 2
        in_mj = into.mj + np.where(headless & ~np.isfinite(missing_mj), np.nan, 0.0)
        out_mj = np.where(released & (self.unloading.lengths > 1), out.mj, np.nan)
        shared_u = np.hypot(self.zero_u_n * self.stroke_mm, self.peak.value * self.peak_u_mm)
        tilt_u = self.zero_tilt_u_n * self.stroke_mm
        in_u = np.sqrt(into.noise_u**2 + into.chord_u**2 + shared_u**2 + missing_mj**2)
        out_u = np.sqrt(out.noise_u**2 + out.chord_u**2 + shared_u**2)
        loss = in_mj - out_mj
        loss_u = np.sqrt(into.noise_u**2 + out.noise_u**2 + into.chord_u**2 + out.chord_u**2 + tilt_u**2)
        with np.errstate(divide="ignore", invalid="ignore"):
            hysteresis = 100 * loss / in_mj
            hysteresis_u = 100 * np.hypot(loss_u, loss / in_mj * in_u) / in_mj
            chord = (self.turning.value - self.lows[0].force_n) / self.stroke_mm
            swing = np.pi * chord * (self.stroke_mm / 2) ** 2
            factor = np.where(kept_after & ~self.touches, loss / swing, np.nan)
            factor_u = np.where(kept_after & ~self.touches, loss_u / swing, np.nan)
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
        low, high = self.context.settings.chord
        run = (high - low) * self.depth_mm
        ends = np.stack(
            [self.contact_mm + low * self.depth_mm, self.contact_mm + high * self.depth_mm], axis=1
        )
        sides = (
            ("", self.loading, self.peak, self.early),
            ("_unloading", self.unloading, self.turned, self.late),
        )
        for suffix, nodes, end, foot in sides:
            columns[f"tangent{suffix}_n_per_mm"] = end.slope
            columns[f"tangent{suffix}_n_per_mm_u"] = end.slope_u
            initial = self._initial(foot)
            columns[f"initial{suffix}_n_per_mm"] = initial.slope
            columns[f"initial{suffix}_n_per_mm_u"] = np.hypot(
                initial.slope_u, initial.bend * self.contact_u_mm
            )
            fit = force_at(nodes, ends, self.slope_noise_n)
            lower, upper = fit.slope.T
            with np.errstate(divide="ignore", invalid="ignore"):
                chord = (fit.value[:, 1] - fit.value[:, 0]) / run
                # the ends stand at shares of the way from contact to peak, and move with both
                by_contact = upper * (1 - high) - lower * (1 - low) + chord * (high - low)
                by_peak = upper * high - lower * low - chord * (high - low)
                moved = np.hypot(by_contact * self.contact_u_mm, by_peak * self.peak_u_mm)
                # what rounding of positions leaves in a few nodes
                place_n = np.hypot(lower, upper) * self._step_mm / sqrt(READING_NODES)
                spread = np.sqrt(fit.value_u[:, 0] ** 2 + fit.value_u[:, 1] ** 2 + moved**2 + place_n**2)
                columns[f"chord{suffix}_n_per_mm"] = chord
                columns[f"chord{suffix}_n_per_mm_u"] = spread / run
        return columns

    @property
    def _step_mm(self) -> float:
        return self.context.noise.position_resolution_mm / sqrt(12)

    def _initial(self, nodes: Nodes) -> LocalFit:
        """Slope in the middle of the initial window."""
        low, high = self.context.settings.initial_window
        centre = self.contact_mm + (low + high) / 2 * self.depth_mm
        # a specimen that has let go within the window has no slope there
        held = (nodes.force_n[:, 0] > self.context.detection_n / 2) & (
            np.take_along_axis(nodes.force_n, np.maximum(nodes.lengths - 1, 0)[:, None], axis=1)[:, 0]
            > self.context.detection_n / 2
        )
        known = np.isfinite(centre) & held
        return polynomial_at(
            nodes, nodes.real & known[:, None], np.where(known, centre, 0.0), self.slope_noise_n, 2
        )

    def depth_columns(self, origin_mm: FloatArray, origin_u: FloatArray) -> Columns:
        """Force on both strokes at the depths asked for."""
        settings = self.context.settings
        wanted = {depth_name(each): each.deflection_mm(settings.free_height_mm) for each in settings.depths()}
        wanted |= self.context.extra_depths_mm or {}
        if not wanted:
            return {}
        deflections = np.array([np.inf if each is None else each for each in wanted.values()])
        target = np.nan_to_num(origin_mm, nan=np.inf)[:, None] + deflections
        columns: Columns = {}
        for stroke, nodes in (("loading", self.loading), ("unloading", self.unloading)):
            fit = force_at(nodes, target, self.slope_noise_n)
            place_u = np.hypot(self._step_mm, origin_u)[:, None]
            force_u = np.sqrt(fit.value_u**2 + self.zero_u_n[:, None] ** 2 + (fit.slope * place_u) ** 2)
            for column, name in enumerate(wanted):
                columns[f"{name}.{stroke}_n"] = fit.value[:, column]
                columns[f"{name}.{stroke}_n_u"] = force_u[:, column]
        return columns

    def knee(self) -> Knee:
        """Knee of the loading strokes."""
        return knee(
            self.loading, self.contact_mm, self.peak_mm, self.slope_noise_n, self.context.settings.knee_drop
        )

    def flags(self) -> FlagArray:
        """What the strokes themselves show to be out of order."""
        flags = np.zeros(len(self.peak_mm), np.uint32)
        inside = self.loading.real & (self.loading.force_n > self.context.detection_n / 2)
        flags[np.count_nonzero(inside, axis=1) < FEW_NODES] |= np.uint32(Flag.FEW_SAMPLES)
        flags[self.touches & ~np.isfinite(self.contact_mm)] |= np.uint32(Flag.TOE_REGION_UNCLEAR)
        x = self.loading.x_mm
        deepest = np.maximum.accumulate(np.where(inside, x, -np.inf), axis=1)
        back = np.where(inside, deepest - x, 0.0).max(axis=1)
        flags[back > np.maximum(UNEVEN_SHARE * self.stroke_mm, self.context.deadband_mm)] |= np.uint32(
            Flag.UNEVEN_STROKE
        )
        return flags


def _at_working_rate(nodes: Nodes, window: BoolArray) -> BoolArray:
    """Which nodes of a window the platen passed at no less than a share of its usual rate there.

    A relaxing specimen's force lags behind a braking platen in another way than along the stroke.
    """
    reach = min(RATE_NODES, (nodes.x_mm.shape[1] - 1) // 2)
    if not reach:
        return window
    middle = np.cumsum(nodes.count, axis=1) - nodes.count / 2
    ahead = np.minimum(np.arange(nodes.x_mm.shape[1]) + reach, np.maximum(nodes.lengths - 1, 0)[:, None])
    behind = np.maximum(np.arange(nodes.x_mm.shape[1]) - reach, 0)
    run = np.take_along_axis(nodes.x_mm, ahead, axis=1) - nodes.x_mm[:, behind]
    time = np.take_along_axis(middle, ahead, axis=1) - middle[:, behind]
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


def _shallowest(nodes: Nodes) -> FloatArray:
    shallowest: FloatArray = np.where(nodes.real, nodes.x_mm, np.inf).min(axis=1)
    return shallowest
