"""Every quantity of every cycle of a segment, as columns.

Plan: zeros, feet and peaks come from the samples; each stroke is then reduced to nodes, and all else is
read off those tables, a block of cycles at a time. Nothing here remembers an earlier segment except
through `Carried`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt

import numpy as np

from rig.analyser.baseline import Baseline, baseline
from rig.analyser.curves import Knee, force_at, knee
from rig.analyser.energy import work
from rig.analyser.foot import Foot, FootZone, fit_feet
from rig.analyser.peak import peak_positions
from rig.analyser.ragged import LocalFit, Nodes, block_means, block_middles, polynomial_at
from rig.analyser.settings import AnalysisSettings, Depth, MeasuringNoise
from rig.calibration import Signals
from rig.samples import FloatArray, IntArray
from rig.segmenter import Cycles, Flag, Segment

STROKE_NODES = 96
BLOCK_CYCLES = 4096
"""Cycles worked on together: their tables stay in the processor's cache."""

PEAK_NODES = 4
"""A fit at the peak takes this many nodes at the least."""

INITIAL_NODES = 3
"""Where the initial window holds fewer nodes, the first ones in contact take its place."""

FEW_NODES = 4
DROP_SHARE = 0.1
DROP_NOISES = 12.0
DROP_SPAN = 0.03
"""A force that falls by more than this share, and this many standard deviations, within this share of the
depth while the platen comes in has slipped or broken: a bending specimen takes longer."""

UNEVEN_SHARE = 0.05
"""A stroke that comes back by more than this share of its depth on the way is uneven."""

_NOT_WHOLE = Flag.STARTS_IN_CONTACT | Flag.CONTACT_KEPT_BEFORE | Flag.CONTACT_KEPT_AFTER | Flag.NOT_RELEASED
"""Flags that already say why a cycle has no no-load stretch on one side."""

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
    compliance_mm_per_n
        Of the frame.
    recorded_zero
        Whether the source's own zero of position means the untouched specimen, as in a table read by hand.
    extra_depths_mm
        Deflections at which forces are wanted besides the asked ones, by column name.
    """

    settings: AnalysisSettings
    noise: MeasuringNoise
    detection_n: float
    contact_force_n: float
    deadband_mm: float
    compliance_mm_per_n: float = 0.0
    recorded_zero: bool = False
    extra_depths_mm: Mapping[str, float] | None = None


@dataclass(frozen=True, slots=True)
class Datum:
    """A position from which deflections count."""

    contact_mm: float
    contact_u_mm: float


def measure(segment: Segment, context: Context, carried: Datum | None, first: Datum | None) -> Columns:
    """Measure all cycles of a segment.

    Parameters
    ----------
    carried
        Contact of the stretch that the first cycle may continue.
    first
        First contact of the recording, if it lies in an earlier segment.

    Returns
    -------
    Columns of shape (m,): each quantity by name, with its standard uncertainty under the name and "_u";
    `flags` as float-free uint32. Not-a-number where a quantity cannot be had.
    """
    cycles = segment.cycles
    parts = []
    for start in range(0, len(cycles), BLOCK_CYCLES):
        block = cycles.selected(np.arange(start, min(start + BLOCK_CYCLES, len(cycles))))
        # one block may hold strokes of twenty samples and of ten thousand: they go by size of their tables
        columns, datum, first = _measure_block(segment.signals, block, context, carried, first)
        carried = datum
        parts.append(columns)
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _measure_block(
    signals: Signals, cycles: Cycles, context: Context, carried: Datum | None, first: Datum | None
) -> tuple[Columns, Datum | None, Datum | None]:
    noise = context.noise
    zero = baseline(signals, cycles, noise, context.detection_n)
    kept = (cycles.flags & np.uint32(Flag.CONTACT_KEPT_BEFORE)) != 0
    headless = kept | ((cycles.flags & np.uint32(Flag.STARTS_IN_CONTACT)) != 0)
    rough_peak_n = signals.force_n[cycles.load_end] - zero.at_contact_n
    foot = _feet(signals, cycles, zero, rough_peak_n, context, ~headless)
    contact, contact_u = _stretch_contacts(foot, kept, carried, context.recorded_zero & headless)
    if first is None:
        first = _first_datum(contact, contact_u)
    origin, origin_u = contact, contact_u
    if context.settings.datum == "first" and first is not None:
        origin = np.where(np.isfinite(contact), first.contact_mm, np.nan)
        origin_u = np.where(np.isfinite(contact), first.contact_u_mm, np.nan)

    peak_mm, peak_u = peak_positions(
        signals.position_mm,
        cycles.contact,
        cycles.load_end,
        cycles.unload_start,
        cycles.release - 1,
        noise,
        context.deadband_mm,
    )
    compliance = context.compliance_mm_per_n
    peak_mm = peak_mm - compliance * rough_peak_n
    loading = _stroke(signals, zero.loading_first, cycles.load_end, zero, cycles.contact, compliance)
    unloading = _reversed(
        _stroke(signals, cycles.unload_start, zero.unloading_last, zero, cycles.contact, compliance)
    )
    strokes = _Strokes(loading, unloading, contact, peak_mm, peak_u, ~headless, zero, context)
    columns: Columns = {}
    columns |= _contact_columns(foot, headless)
    columns |= strokes.peak_columns(origin, origin_u)
    columns |= strokes.energy_columns(cycles)
    columns |= strokes.stiffness_columns()
    columns |= strokes.depth_columns(origin)
    columns |= _knee_columns(strokes.knee(), contact - origin)
    columns |= _time_columns(signals, cycles, context)
    columns["zero_n"], columns["zero_n_u"] = zero.at_contact_n, zero.u_n
    columns["cycle"] = cycles.number.astype(np.float64)
    flags = cycles.flags | strokes.flags(foot, headless)
    whole = (cycles.flags & np.uint32(_NOT_WHOLE)) == 0
    flags[zero.one_sided & whole] |= np.uint32(Flag.ONE_SIDED_BASELINE)
    columns["flags"] = flags.astype(np.float64)
    last = np.flatnonzero(np.isfinite(contact))
    datum = carried if not len(last) else Datum(float(contact[last[-1]]), float(contact_u[last[-1]]))
    return columns, datum, first


def _feet(
    signals: Signals,
    cycles: Cycles,
    zero: Baseline,
    peak_n: FloatArray,
    context: Context,
    which: np.ndarray,
) -> Foot:
    """Feet of the cycles that begin with a touch; not-a-number for the others."""
    foot = Foot.unknown(len(cycles))
    rows = np.flatnonzero(which)
    if not len(rows):
        return foot
    zone = FootZone(
        signals.position_mm,
        signals.force_n,
        zero.loading_first,
        cycles.contact,
        cycles.load_end,
        zero.at_contact_n,
        zero.per_sample_n,
        zero.u_n,
        context.compliance_mm_per_n,
    ).selected(rows)
    fitted = fit_feet(
        zone,
        peak_n[rows],
        context.noise,
        context.detection_n,
        context.contact_force_n,
        context.settings.foot_exponent,
    )
    return foot.replaced(rows, fitted, np.arange(len(rows)))


def _stretch_contacts(
    foot: Foot, kept: np.ndarray, carried: Datum | None, recorded: np.ndarray
) -> tuple[FloatArray, FloatArray]:
    """Contact of each cycle's stretch: its own, or that of the press in which contact was last made."""
    contact, contact_u = foot.contact_mm.copy(), foot.contact_u_mm.copy()
    contact[recorded], contact_u[recorded] = 0.0, 0.0
    own = np.where(kept, -1, np.arange(len(kept)))
    source = np.maximum.accumulate(own)
    inherited = kept & (source >= 0)
    contact[inherited] = contact[source[inherited]]
    contact_u[inherited] = contact_u[source[inherited]]
    from_before = kept & (source < 0)
    if carried is not None:
        contact[from_before], contact_u[from_before] = carried.contact_mm, carried.contact_u_mm
    return contact, contact_u


def _first_datum(contact: FloatArray, contact_u: FloatArray) -> Datum | None:
    known = np.flatnonzero(np.isfinite(contact))
    return Datum(float(contact[known[0]]), float(contact_u[known[0]])) if len(known) else None


def _stroke(
    signals: Signals, first: IntArray, last: IntArray, zero: Baseline, contact: IntArray, compliance: float
) -> Nodes:
    """Nodes of a stroke, free of force zero and of the frame's own give."""
    (x_mm, force_n), count = block_means([signals.position_mm, signals.force_n], first, last, STROKE_NODES)
    force_n = force_n - zero.at(block_middles(first, last, STROKE_NODES), contact)
    return Nodes.of(x_mm - compliance * force_n, force_n, np.where((last >= first)[:, None], count, 0.0))


def _reversed(nodes: Nodes) -> Nodes:
    """The same strokes from their last node to their first, padding still at the end."""
    index = np.maximum(nodes.lengths[:, None] - 1 - np.arange(nodes.x_mm.shape[1]), 0)
    return Nodes.of(
        np.take_along_axis(nodes.x_mm, index, axis=1),
        np.take_along_axis(nodes.force_n, index, axis=1),
        np.where(nodes.real, np.take_along_axis(nodes.count, index, axis=1), 0.0),
    )


class _Strokes:
    """Both strokes of a block of cycles, and what is read off them."""

    def __init__(
        self,
        loading: Nodes,
        unloading: Nodes,
        contact_mm: FloatArray,
        peak_mm: FloatArray,
        peak_u_mm: FloatArray,
        touches: np.ndarray,
        zero: Baseline,
        context: Context,
    ) -> None:
        self.loading, self.unloading = loading, unloading
        self.contact_mm, self.peak_mm, self.peak_u_mm = contact_mm, peak_mm, peak_u_mm
        self.touches, self.context = touches, context
        self.zero_u_n, self.zero_tilt_u_n = zero.u_n, zero.tilt_u_n
        self.depth_mm = peak_mm - contact_mm
        self.noise_n = np.full(len(peak_mm), max(context.noise.force_n, SMALLEST_NOISE_N))
        start_mm = np.where(touches, contact_mm, _shallowest(loading))
        self.stroke_mm = peak_mm - start_mm
        last = np.maximum(loading.lengths - 1, 0)[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            overall = np.take_along_axis(loading.force_n, last, axis=1)[:, 0] / self.stroke_mm
        # noise of position counts as noise of force along the stroke's overall slope
        self.slope_noise_n = np.hypot(
            self.noise_n, np.nan_to_num(overall, posinf=0.0) * context.noise.position_mm
        )
        self.peak = self._end_fit(loading)
        self.turned = self._end_fit(unloading)

    def _end_fit(self, nodes: Nodes) -> LocalFit:
        """Force and tangent at the deep end of a stroke."""
        share = (self.peak_mm[:, None] - nodes.x_mm) / np.where(self.stroke_mm > 0, self.stroke_mm, 1.0)[
            :, None
        ]
        deep = nodes.real & (share <= self.context.settings.tangent_window)
        few = np.count_nonzero(deep, axis=1) < PEAK_NODES
        at_end = nodes.lengths[:, None] - 1 - np.arange(nodes.x_mm.shape[1])
        deep = np.where(few[:, None], nodes.real & (at_end < PEAK_NODES) & (share < 1), deep)
        return polynomial_at(nodes, deep, self.peak_mm, self.slope_noise_n, 2)

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
        ends = (self.contact_mm, self.touches, self.peak_mm, self.peak.value)
        into = work(self.loading, *ends, noise_n, noise.position_mm)
        ends = (self.contact_mm, ~kept_after & np.isfinite(self.contact_mm), self.peak_mm, self.turned.value)
        out = work(self.unloading, *ends, noise_n, noise.position_mm)
        in_mj = into.mj
        out_mj = np.where(released & (self.unloading.lengths > 1), out.mj, np.nan)
        shared_u = np.hypot(self.zero_u_n * self.stroke_mm, self.peak.value * self.peak_u_mm)
        tilt_u = self.zero_tilt_u_n * self.stroke_mm
        in_u = np.sqrt(into.noise_u**2 + into.chord_u**2 + shared_u**2)
        out_u = np.sqrt(out.noise_u**2 + out.chord_u**2 + shared_u**2)
        loss = in_mj - out_mj
        loss_u = np.sqrt(into.noise_u**2 + out.noise_u**2 + into.chord_u**2 + out.chord_u**2 + tilt_u**2)
        with np.errstate(divide="ignore", invalid="ignore"):
            hysteresis = 100 * loss / in_mj
            hysteresis_u = 100 * np.hypot(loss_u, loss / in_mj * in_u) / in_mj
            low_n = _shallow_force(self.loading)
            chord = (self.peak.value - low_n) / self.stroke_mm
            swing = np.pi * chord * (self.stroke_mm / 2) ** 2
            factor = np.where(kept_after & ~self.touches, loss / swing, np.nan)
            factor_u = np.where(kept_after & ~self.touches, loss_u / swing, np.nan)
        return {
            "energy_in_mj": in_mj,
            "energy_in_mj_u": in_u,
            "energy_out_mj": out_mj,
            "energy_out_mj_u": np.where(np.isfinite(out_mj), out_u, np.nan),
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
        for suffix, nodes, end in (
            ("", self.loading, self.peak),
            ("_unloading", self.unloading, self.turned),
        ):
            columns[f"tangent{suffix}_n_per_mm"] = end.slope
            columns[f"tangent{suffix}_n_per_mm_u"] = end.slope_u
            initial = self._initial(nodes)
            columns[f"initial{suffix}_n_per_mm"] = initial.slope
            columns[f"initial{suffix}_n_per_mm_u"] = initial.slope_u
            fit = force_at(nodes, ends, self.slope_noise_n)
            step_n = self._step_mm * (fit.slope[:, 1] - fit.slope[:, 0])
            with np.errstate(divide="ignore", invalid="ignore"):
                columns[f"chord{suffix}_n_per_mm"] = (fit.value[:, 1] - fit.value[:, 0]) / run
                columns[f"chord{suffix}_n_per_mm_u"] = (
                    np.sqrt(fit.value_u[:, 0] ** 2 + fit.value_u[:, 1] ** 2 + step_n**2) / run
                )
        return columns

    @property
    def _step_mm(self) -> float:
        return self.context.noise.position_resolution_mm / sqrt(12)

    def _initial(self, nodes: Nodes) -> LocalFit:
        """Slope in the middle of the initial window."""
        low, high = self.context.settings.initial_window
        share = (nodes.x_mm - self.contact_mm[:, None]) / np.where(self.depth_mm > 0, self.depth_mm, 1.0)[
            :, None
        ]
        window = nodes.real & (share >= low) & (share <= high)
        few = np.count_nonzero(window, axis=1) < INITIAL_NODES
        touching = nodes.real & (share > 0)
        window |= few[:, None] & touching & (np.cumsum(touching, axis=1) <= INITIAL_NODES)
        centre = self.contact_mm + (low + high) / 2 * self.depth_mm
        return polynomial_at(nodes, window, np.nan_to_num(centre), self.slope_noise_n, 1)

    def depth_columns(self, origin_mm: FloatArray) -> Columns:
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
            force_u = np.sqrt(fit.value_u**2 + self.zero_u_n[:, None] ** 2 + (fit.slope * self._step_mm) ** 2)
            for column, name in enumerate(wanted):
                columns[f"{name}.{stroke}_n"] = fit.value[:, column]
                columns[f"{name}.{stroke}_n_u"] = force_u[:, column]
        return columns

    def knee(self) -> Knee:
        """Knee of the loading strokes."""
        return knee(
            self.loading, self.contact_mm, self.peak_mm, self.slope_noise_n, self.context.settings.knee_drop
        )

    def flags(self, foot: Foot, headless: np.ndarray) -> np.ndarray:
        """What the strokes themselves show to be out of order."""
        flags = np.zeros(len(self.peak_mm), np.uint32)
        inside = self.loading.real & (self.loading.force_n > self.context.detection_n / 2)
        flags[np.count_nonzero(inside, axis=1) < FEW_NODES] |= np.uint32(Flag.FEW_SAMPLES)
        flags[~headless & ~np.isfinite(foot.contact_mm)] |= np.uint32(Flag.FOOT_UNCLEAR)
        x, f = self.loading.x_mm, self.loading.force_n
        highest = np.maximum.accumulate(np.where(self.loading.real, f, -np.inf), axis=1)
        stroke = np.where(self.stroke_mm > 0, self.stroke_mm, np.inf)[:, None]
        fell = f[:, :-1] - f[:, 1:]
        sudden = (x[:, 1:] - x[:, :-1] <= DROP_SPAN * stroke) & self.loading.real[:, 1:]
        large = (fell > DROP_SHARE * highest[:, :-1]) & (fell > DROP_NOISES * self.noise_n[:, None])
        flags[(sudden & large & (x[:, 1:] < self.peak_mm[:, None] - DROP_SPAN * stroke)).any(axis=1)] |= (
            np.uint32(Flag.FORCE_DROPPED)
        )
        deepest = np.maximum.accumulate(np.where(inside, x, -np.inf), axis=1)
        back = np.where(inside, deepest - x, 0.0).max(axis=1)
        flags[back > np.maximum(UNEVEN_SHARE * self.stroke_mm, self.context.deadband_mm)] |= np.uint32(
            Flag.UNEVEN_STROKE
        )
        return flags


SMALLEST_NOISE_N = 1e-12


def depth_name(depth: Depth) -> str:
    """Column name of a depth."""
    return f"at {depth.label}"


def _shallowest(nodes: Nodes) -> FloatArray:
    shallowest: FloatArray = np.where(nodes.real, nodes.x_mm, np.inf).min(axis=1)
    return shallowest


def _shallow_force(nodes: Nodes) -> FloatArray:
    return nodes.force_n[:, 0]


def _contact_columns(foot: Foot, headless: np.ndarray) -> Columns:
    own = np.where(headless, np.nan, 0.0)
    return {
        "contact_mm": foot.contact_mm + own,
        "contact_mm_u": foot.contact_u_mm + own,
        "contact_at_force_mm": foot.at_force_mm + own,
        "contact_at_force_mm_u": foot.at_force_u_mm + own,
        "foot_exponent": foot.exponent + own,
        "foot_exponent_u": foot.exponent_u + own,
    }


def _knee_columns(found: Knee, offset_mm: FloatArray) -> Columns:
    return {
        "knee_mm": found.deflection_mm + offset_mm,
        "knee_mm_u": found.deflection_u_mm,
        "knee_n": found.force_n,
        "knee_n_u": found.force_u_n,
        "negative_stiffness_mm": found.negative_mm + offset_mm,
        "negative_stiffness_mm_u": found.negative_u_mm,
        "knee_resolved": found.resolved.astype(np.float64),
    }


def _time_columns(signals: Signals, cycles: Cycles, context: Context) -> Columns:
    """Start, end, rates and dwell."""
    time_s, x_mm = signals.time_s, signals.position_mm
    last = cycles.release - 1
    columns: Columns = {"start_s": time_s[cycles.contact], "end_s": time_s[last]}
    noise_mm = context.noise.position_mm * sqrt(2)
    height = context.settings.free_height_mm
    for suffix, start, stop in (
        ("", cycles.contact, cycles.load_end),
        ("_unloading", cycles.unload_start, last),
    ):
        duration = time_s[stop] - time_s[start]
        travel = np.abs(x_mm[stop] - x_mm[start])
        with np.errstate(divide="ignore", invalid="ignore"):
            rate = np.where(duration > 0, travel / duration, np.nan)
            rate_u = np.where(duration > 0, noise_mm / duration, np.nan)
        columns[f"rate{suffix}_mm_per_s"], columns[f"rate{suffix}_mm_per_s_u"] = rate, rate_u
        if height:
            columns[f"rate{suffix}_pct_per_s"] = 100 * rate / height
            columns[f"rate{suffix}_pct_per_s_u"] = 100 * rate_u / height
    dwell = time_s[cycles.unload_start] - time_s[cycles.load_end]
    step = np.where(cycles.load_end > 0, time_s[cycles.load_end] - time_s[cycles.load_end - 1], np.nan)
    columns["dwell_s"], columns["dwell_s_u"] = dwell, step / sqrt(6)
    return columns


__all__ = ["Columns", "Context", "Datum", "depth_name", "measure"]
