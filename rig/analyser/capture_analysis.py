"""One recording from first sample to summary.

Takes samples in parts of any size and keeps no more of them than the open cycle; what it hands out are
columns, a block for each part, and at the end the whole table with its summary and warnings. Whoever wants
rows as they come reads the blocks.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from rig.analyser.measure import Datum, measure
from rig.analyser.relaxation import LEFT_AFTER_S, PronySeries, fit_prony, force_left_pct
from rig.analyser.result import CaptureResult, Loop, good_cycles
from rig.analyser.settings import AnalysisSettings, MeasuringNoise
from rig.analyser.softening import softening
from rig.analyser.strokes import Columns, Context
from rig.analyser.warning import Start, warnings_about
from rig.calibration import Aligner, Calibration, Signals
from rig.samples import COUNTS, FloatArray, Samples
from rig.segmenter import Flag, Segment, Segmenter, SegmenterSettings

SOFTENING_SHARE = 0.5
"""Softening is watched at this share of the first cycle's peak deflection."""

SHALLOW_SHARE = 0.5
"""A press shallower than this share of the median one is a half press."""

DWELL_S = 1.0
"""Dwells shorter than this are turns with a stop, and no relaxation is read from them."""

PART_SAMPLES = 1 << 18
"""A recording on disk is best read in parts of so many samples: some megabytes, and few calls."""

LOOPS = 24
LOOP_POINTS = 400

_SOFTENING = "softening"


@dataclass(slots=True)
class _State:
    """What one segment leaves for the next."""

    carried: Datum | None = None
    first: Datum | None = None
    first_at_force: Datum | None = None
    last_depth_mm: float = np.nan
    softening_mm: float | None = None
    prony: PronySeries | None = None
    points: tuple[FloatArray, FloatArray] | None = None
    samples_in_cycles: int = 0


@dataclass(slots=True)
class CaptureAnalysis:
    """Analyses a recording that arrives in parts.

    Parameters
    ----------
    calibration
        Of the rig at the time, or a better one.
    settings
        How to measure.
    """

    calibration: Calibration
    settings: AnalysisSettings = field(default_factory=AnalysisSettings)
    _aligner: Aligner = field(init=False)
    _segmenter: Segmenter = field(init=False)
    _blocks: list[Columns] = field(init=False, default_factory=list)
    _loops: list[Loop] = field(init=False, default_factory=list)
    _loop_stride: int = field(init=False, default=1)
    _state: _State = field(init=False, default_factory=_State)
    _recorded_zero: bool = field(init=False, default=False)
    _timed: bool = field(init=False, default=True)
    _resolutions: tuple[float, float] = field(init=False, default=(0.0, 0.0))

    def __post_init__(self) -> None:
        self._aligner = Aligner(self.calibration)
        self._segmenter = Segmenter(SegmenterSettings(contact_force_n=self.settings.contact_force_n))

    def push(self, samples: Samples) -> Columns | None:
        """Take the next part; hand out the cycles that closed."""
        self._recorded_zero = samples.position_channel.unit != COUNTS
        self._timed = samples.clock != "none"
        signals = self._aligner.push(samples)
        return None if signals is None else self._take(signals)

    def _take(self, signals: Signals) -> Columns | None:
        self._resolutions = (signals.force_resolution_n, signals.position_resolution_mm)
        segment = self._segmenter.push(signals)
        return None if segment is None else self._measure(segment)

    def finish(self) -> CaptureResult:
        """The recording has ended: the whole table."""
        rest = self._aligner.finish()
        if rest is not None:
            self._take(rest)
        segment = self._segmenter.finish()
        if segment is not None:
            self._measure(segment)
        columns: Columns = {}
        if self._blocks:
            columns = {
                name: np.concatenate([block[name] for block in self._blocks]) for name in self._blocks[0]
            }
            _flag_shallow(columns)
        soft = None
        good = good_cycles(columns, 0)
        if self._state.softening_mm is not None and columns:
            name = f"{_SOFTENING}.loading_n"
            soft = softening(columns["cycle"][good], columns[name][good], self._state.softening_mm)
        for name in [each for each in columns if each.startswith(f"{_SOFTENING}.")]:
            del columns[name]
        noise = self._noise()
        result = CaptureResult(
            columns,
            self.settings,
            noise,
            self._segmenter.contact_force_n,
            _summary(columns, self.settings.conditioning),
            soft,
            self._state.prony,
            self._segmenter.touches,
            tuple(self._loops),
            (),
        )
        return replace(result, warnings=warnings_about(result, self._start()))

    def _start(self) -> Start:
        """What is known of how the recording began."""
        return Start(self._timed, self._recorded_zero, self._state.points)

    def _noise(self) -> MeasuringNoise | None:
        found = self._segmenter.noise
        if found is None:
            return None
        return MeasuringNoise(found.force_n, found.position_mm, *self._resolutions, found.samples)

    def _measure(self, segment: Segment) -> Columns:
        noise = self._noise()
        assert noise is not None
        state = self._state
        context = Context(
            self.settings,
            noise,
            self._segmenter.detection_n,
            self._segmenter.contact_force_n,
            self._segmenter.deadband_mm,
            self.calibration.compliance_mm_per_n,
            self._recorded_zero,
            {_SOFTENING: self._softening_depth(segment, noise)},
        )
        columns = measure(segment, context, state.carried, state.first)
        self._remember(columns)
        columns |= self._set_columns(columns)
        columns |= self._relaxation_columns(segment, columns)
        self._keep_loops(segment, columns)
        if state.points is None and state.samples_in_cycles == 0:
            cycles = segment.cycles
            loading = slice(int(cycles.contact[0]), int(cycles.load_end[0]) + 1)
            state.points = (segment.signals.position_mm[loading], segment.signals.force_n[loading])
        state.samples_in_cycles += int((segment.cycles.release - segment.cycles.contact).sum())
        self._blocks.append(columns)
        return columns

    def _softening_depth(self, segment: Segment, noise: MeasuringNoise) -> float:
        """Half the way of the first cycle, measured once for the whole recording."""
        if self._state.softening_mm is None:
            x_mm, first = segment.signals.position_mm, segment.cycles
            self._state.softening_mm = SOFTENING_SHARE * float(
                x_mm[first.load_end[0]] - x_mm[first.contact[0]]
            )
        return self._state.softening_mm

    def _remember(self, columns: Columns) -> None:
        state = self._state
        contact, contact_u = columns["contact_mm"], columns["contact_mm_u"]
        known = np.flatnonzero(np.isfinite(contact))
        if len(known):
            state.carried = Datum(float(contact[known[-1]]), float(contact_u[known[-1]]))
            state.first = state.first or Datum(float(contact[known[0]]), float(contact_u[known[0]]))
        elif self._recorded_zero and state.first is None:
            state.first = state.carried = Datum(0.0, 0.0)
        at_force = columns["contact_at_force_mm"]
        known = np.flatnonzero(np.isfinite(at_force))
        if len(known) and state.first_at_force is None:
            state.first_at_force = Datum(
                float(at_force[known[0]]), float(columns["contact_at_force_mm_u"][known[0]])
            )

    def _set_columns(self, columns: Columns) -> Columns:
        """Permanent set: shift of the contact at the contact force against the first one."""
        at_force, at_force_u = columns["contact_at_force_mm"], columns["contact_at_force_mm_u"]
        first = self._state.first_at_force or Datum(np.nan, np.nan)
        origin = columns["contact_mm"]
        if self.settings.datum == "first" and self._state.first is not None:
            origin = np.where(np.isfinite(origin), self._state.first.contact_mm, np.nan)
        shift = at_force - first.contact_mm
        is_reference = shift == 0.0
        shift_u = np.where(is_reference, np.nan, np.hypot(at_force_u, first.contact_u_mm))
        imposed = origin + columns["peak_deflection_mm"] - first.contact_mm
        before = np.concatenate([[self._state.last_depth_mm], imposed[:-1]])
        if len(imposed):
            self._state.last_depth_mm = float(imposed[-1])
        result = {"set_mm": shift, "set_mm_u": shift_u}
        with np.errstate(divide="ignore", invalid="ignore"):
            result["set_pct_of_deflection"] = 100 * shift / before
            result["set_pct_of_deflection_u"] = 100 * shift_u / before
        height = self.settings.free_height_mm
        if height:
            result |= {
                "set_pct_of_height": 100 * shift / height,
                "set_pct_of_height_u": 100 * shift_u / height,
            }
        return result

    def _relaxation_columns(self, segment: Segment, columns: Columns) -> Columns:
        """Force left in long dwells; a Prony series of the first one."""
        names = [f"relaxation_left_{after_s:.0f}s_pct" for after_s in LEFT_AFTER_S]
        result = {
            each: np.full(len(columns["cycle"]), np.nan) for name in names for each in (name, f"{name}_u")
        }
        noise = self._noise()
        assert noise is not None
        signals, cycles = segment.signals, segment.cycles
        for row in np.flatnonzero(columns["dwell_s"] >= DWELL_S):
            dwell = slice(int(cycles.load_end[row]), int(cycles.unload_start[row]) + 1)
            force_n = signals.force_n[dwell] - columns["zero_n"][row]
            peak_n, peak_u = (float(columns[name][row]) for name in ("peak_force_n", "peak_force_n_u"))
            left = force_left_pct(signals.time_s[dwell], force_n, peak_n, noise.force_n, peak_u)
            for name, value in left.items():
                result[name][row] = value
            if self._state.prony is None and columns["flags"][row] == 0:
                part = slice(int(cycles.contact[row]), dwell.stop)
                pressed_n = signals.force_n[part] - columns["zero_n"][row]
                frame_mm = self.calibration.compliance_mm_per_n * pressed_n
                deflection_mm = signals.position_mm[part] - frame_mm - columns["contact_mm"][row]
                self._state.prony = fit_prony(signals.time_s[part], deflection_mm, pressed_n)
        return result

    def _keep_loops(self, segment: Segment, columns: Columns) -> None:
        """Keep every so many cycles for drawing, the stride doubling as they become many."""
        cycles, compliance = segment.cycles, self.calibration.compliance_mm_per_n
        for row, number in enumerate(cycles.number.tolist()):
            if (number - 1) % self._loop_stride:
                continue
            start = max(int(cycles.before[row]), int(cycles.contact[row]) - LOOP_POINTS // 4)
            whole = np.arange(start, int(cycles.release[row]))
            picked = whole[:: -(-len(whole) // LOOP_POINTS)]
            force_n = segment.signals.force_n[picked] - columns["zero_n"][row]
            position_mm = segment.signals.position_mm[picked] - compliance * force_n
            deepest = cycles.load_end[row]
            frame_mm = compliance * (segment.signals.force_n[deepest] - columns["zero_n"][row])
            deepest_mm = segment.signals.position_mm[deepest] - frame_mm
            origin_mm = deepest_mm - columns["peak_deflection_mm"][row]
            self._loops.append(Loop(number, position_mm - origin_mm, force_n))
            if len(self._loops) > LOOPS:
                self._loop_stride *= 2
                self._loops = [each for each in self._loops if (each.cycle - 1) % self._loop_stride == 0]


def _flag_shallow(columns: Columns) -> None:
    depth = columns["peak_deflection_mm"]
    good = (columns["flags"] == 0) & np.isfinite(depth)
    if good.sum() < 3:
        return
    shallow = good & (depth < SHALLOW_SHARE * np.median(depth[good]))
    flags = columns["flags"].astype(np.uint32)
    flags[shallow] |= np.uint32(Flag.SHALLOW)
    columns["flags"] = flags.astype(np.float64)


def _summary(columns: Columns, conditioning: int) -> dict[str, dict[str, Any]]:
    good = good_cycles(columns, conditioning)
    summary: dict[str, dict[str, Any]] = {}
    for name, values in columns.items():
        if f"{name}_u" not in columns:
            continue
        known = values[good & np.isfinite(values)]
        summary[name] = {
            "mean": float(known.mean()) if len(known) else np.nan,
            "sd": float(known.std(ddof=1)) if len(known) > 1 else np.nan,
            "n": len(known),
        }
    return summary
