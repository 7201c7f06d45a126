"""One recording from first sample to summary.

Takes samples in parts of any size and keeps no more of them than the open cycle; what it hands out are
columns, a block for each part, and at the end the whole table with its summary and warnings. Whoever wants
rows as they come reads the blocks. The blocks go to a store of rows, or nowhere: then nothing that is kept
grows with the number of cycles.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np

from rig.analyser.backlash import freed_of_backlash
from rig.analyser.compared import FIRST_PRESSES, StrokeWander, compared
from rig.analyser.examined import MOST_SAMPLES, Examined, first_of
from rig.analyser.loops import LoopKeeper
from rig.analyser.outside import flagged_outside
from rig.analyser.peak import arrival_s
from rig.analyser.plausible import without_absurd
from rig.analyser.propagation import Propagation
from rig.analyser.ragged import Nodes
from rig.analyser.relaxation import RETENTION_AFTER_S, PronySeries, fit_prony, force_retention_pct
from rig.analyser.result import CaptureResult, Loop
from rig.analyser.row_store import ColumnTable, FlaggedTable, RowsInMemory, RowStore, joined, part_of
from rig.analyser.settings import AnalysisSettings, MeasuringNoise
from rig.analyser.softening import SofteningFit
from rig.analyser.spoiling import spoilt
from rig.analyser.strokes import Columns, Context
from rig.analyser.tally import TABLE_ROWS, ColumnTally
from rig.analyser.view import CalibratedView
from rig.analyser.warning import Start, warnings_about
from rig.calibration import Aligner, Calibration, Signals
from rig.samples import COUNTS, FloatArray, Samples
from rig.segmenter import Flag, Segment, Segmenter, SegmenterSettings, single_position_noise_mm

SOFTENING_SHARE = 0.5
"""Softening is watched at this share of the first cycle's peak deflection."""

SHALLOW_SHARE = 0.5
ALIKE_SHARE = 0.25
"""A press shallower than the first share of the median one is a half press, where half of all presses lie
within the second of it."""

HOLD_S = 1.0
"""Holds shorter than this are turns with a stop, and no relaxation is read from them."""

PART_SAMPLES = 1 << 17
"""A recording on disk is best read in parts of this many samples: what is worked on at once then takes some
thirty megabytes. Each part costs some 25 ms beside its cycles."""

_SOFTENING = "softening"
_ZERO_DRIFT = "zero_drift"

_RECORDED = ("contact_mm", "contact_at_force_mm", "zero_n")
"""Columns in the recording's own coordinates."""
_SOFTENING_FORCE = f"{_SOFTENING}.loading_n"


@dataclass(slots=True)
class _State:
    """What one segment leaves for the next."""

    softening_mm: float | None = None
    prony: PronySeries | None = None
    points: tuple[FloatArray, FloatArray] | None = None
    samples_in_cycles: int = 0
    wander: StrokeWander | None = None


@dataclass(slots=True)
class _Thin:
    """The few columns that are kept of every cycle: half presses and softening are decided at the end."""

    cycle: list[FloatArray] = field(default_factory=list)
    flags: list[FloatArray] = field(default_factory=list)
    depth_mm: list[FloatArray] = field(default_factory=list)
    softening_n: list[FloatArray] = field(default_factory=list)

    def take(self, columns: Columns) -> None:
        self.cycle.append(columns["cycle"])
        self.flags.append(columns["flags"])
        self.depth_mm.append(columns["peak_deflection_mm"])
        self.softening_n.append(columns[_SOFTENING_FORCE])


@dataclass(slots=True)
class CaptureAnalysis:
    """Analyses a recording that arrives in parts.

    Parameters
    ----------
    calibration
        Of the rig at the time, or a better one.
    settings
        How to measure.
    keep
        Whether rows are kept for the result. Without, as a live analysis of days needs it, blocks are only
        handed out: the result holds the cycles that closed with the recording, and its summary and softening
        are running sums over all, in which half presses are not told from whole ones.
    store
        Where rows are kept; None: in memory.
    propagate
        Whether the calibration's uncertainty goes into every cycle; a live analysis leaves it to later ones.
    examine
        This many first cycles are kept with their samples, for a budget or a Monte Carlo.
    recorded_on
        Day of the recording, on which a calibration may have been overdue; None if it is not known.
    """

    calibration: Calibration
    settings: AnalysisSettings = field(default_factory=AnalysisSettings)
    keep: bool = True
    store: RowStore | None = None
    propagate: bool = True
    examine: int = 0
    recorded_on: date | None = None
    examined: Examined = field(init=False)
    _applied: Calibration = field(init=False)
    _view: CalibratedView = field(init=False)
    _propagation: Propagation | None = field(init=False, default=None)
    _aligner: Aligner = field(init=False)
    _segmenter: Segmenter = field(init=False)
    _rows: RowStore = field(init=False)
    _thin: _Thin = field(init=False, default_factory=_Thin)
    _tally: ColumnTally = field(init=False)
    _softening: SofteningFit = field(init=False, default_factory=SofteningFit)
    _keeper: LoopKeeper = field(init=False, default_factory=LoopKeeper)
    _state: _State = field(init=False, default_factory=_State)
    _first: list[Segment] | None = field(init=False)
    _recorded_zero: bool = field(init=False, default=False)
    _timed: bool = field(init=False, default=True)
    _resolutions: tuple[float, float] = field(init=False, default=(0.0, 0.0))

    def __post_init__(self) -> None:
        self._aligner = Aligner(self.calibration)
        self._segmenter = _segmenter(self.settings, prompt=not self.keep)
        self._rows = RowsInMemory() if self.store is None else self.store
        self._tally = ColumnTally(self.settings.conditioning)
        self.examined = Examined(self.examine)
        # who watches cycles as they come does not wait for others to compare them with
        self._first = [] if self.keep else None
        self._applied = self.calibration
        self._view = CalibratedView(self._applied)

    @property
    def applied(self) -> Calibration:
        """The calibration without the scales of channels that their source had already scaled."""
        return self._applied

    @property
    def loops(self) -> tuple[Loop, ...]:
        """Some cycles so far, spread over the recording, for drawing."""
        return tuple(self._keeper.spread)

    @property
    def latest_loops(self) -> tuple[Loop, ...]:
        """The newest cycles, six at the most, thinned to 200 points or fewer; the newest is the last."""
        return tuple(self._keeper.latest)

    @property
    def contact_checks(self) -> int:
        """Contact checks so far: light presses that are no cycles."""
        return self._segmenter.check_count

    def push(self, samples: Samples) -> Columns | None:
        """Take the next part; hand out the cycles that closed."""
        self._recorded_zero = samples.position_channel.unit != COUNTS
        self._timed = samples.clock != "none"
        if self._propagation is None:
            self._applied = self.calibration.for_channels(samples.force_channel, samples.position_channel)
            self._view = CalibratedView(self._applied)
            self._propagation = Propagation(self._applied if self.propagate else Calibration())
        signals = self._aligner.push(samples)
        return None if signals is None else self._take(signals)

    def _take(self, signals: Signals) -> Columns | None:
        self._resolutions = (signals.force_resolution_n, signals.position_resolution_mm)
        segment = self._segmenter.push(signals)
        return None if segment is None else self._measured(segment)

    def _measured(self, segment: Segment) -> Columns | None:
        """Measure a segment; the first presses wait until they can be compared with each other."""
        if self._first is None:
            return self._measure(segment)
        self._first.append(first_of(segment, len(segment.cycles)))
        cycles = sum(len(each.cycles) for each in self._first)
        samples = sum(len(each.signals) for each in self._first)
        return self._measure_first() if cycles >= FIRST_PRESSES or samples >= MOST_SAMPLES else None

    def _measure_first(self) -> Columns | None:
        """Measure the presses that waited, with what they differ by."""
        waiting, self._first = self._first, None
        if not waiting:
            return None
        number, strokes, left = [], [], FIRST_PRESSES
        for segment in waiting:
            rows = min(left, len(segment.cycles))
            if rows:
                first = segment
                if rows < len(segment.cycles):
                    first = replace(segment, cycles=segment.cycles.selected(np.arange(rows)))
                strokes.append(self._view.first_strokes(first, self._context(segment)))
                number.append(first.cycles.number)
            left -= rows
        both = (Nodes.joined([pair[0] for pair in strokes]), Nodes.joined([pair[1] for pair in strokes]))
        self._state.wander = compared(np.concatenate(number), both, self._segmenter.detection_n)
        return joined([self._measure(segment) for segment in waiting])

    def finish(self) -> CaptureResult:
        """The recording has ended: the whole table."""
        rest = self._aligner.finish()
        closing = [] if rest is None else [self._take(rest)]
        segment = self._segmenter.finish()
        if segment is not None:
            closing.append(self._measured(segment))
        closing.append(self._measure_first())
        table = self._kept() if self.keep else _closing([each for each in closing if each])
        soft = None
        if self._state.softening_mm is not None:
            soft = self._softening.result(self._state.softening_mm)
        result = CaptureResult(
            table,
            self.settings,
            self._noise(),
            self._segmenter.contact_force_n,
            self._tally.summary(),
            soft,
            self._state.prony,
            self._segmenter.check_count,
            self._segmenter.contact_checks,
            self._segmenter.zero,
            self.loops,
            (),
            self.calibration,
        )
        told = (*warnings_about(result, self._start(), self._tally), *self._about_calibration())
        return replace(result, warnings=told)

    def _about_calibration(self) -> tuple[str, ...]:
        """Warnings of the calibration; none without a cycle."""
        return self._applied.complaints(self.recorded_on) if self._tally.cycles else ()

    def _kept(self) -> ColumnTable:
        """Return the rows of the store with their last flags, counted."""
        table, thin = self._rows.table(), self._thin
        if not thin.flags:
            return table
        cycle, flags, depth_mm, softening_n = (
            np.concatenate(parts) for parts in (thin.cycle, thin.flags, thin.depth_mm, thin.softening_n)
        )
        flags = _shallow_flagged(flags, depth_mm)
        if self.settings.excluded:
            out = np.isin(cycle, self.settings.excluded)
            flags = np.where(out, flags.astype(np.int64) | Flag.EXCLUDED, flags).astype(np.float64)
        if isinstance(table, dict):
            table["flags"] = flags
        else:
            table = FlaggedTable(table, flags)
        for start in range(0, len(flags), TABLE_ROWS):
            self._tally.take(part_of(table, slice(start, start + TABLE_ROWS)))
        sound = ~spoilt(flags, [_SOFTENING_FORCE])[0]
        self._softening.take(cycle[sound], softening_n[sound])
        return table

    def _keep(self, columns: Columns) -> None:
        """Leave measured rows where they are kept, or only count them."""
        shown = _shown(columns)
        if self.keep:
            self._thin.take(columns)
            self._rows.add(shown)
        else:
            self._tally.take(shown)
            sound = ~spoilt(columns["flags"], [_SOFTENING_FORCE])[0]
            self._softening.take(columns["cycle"][sound], columns[_SOFTENING_FORCE][sound])

    def _start(self) -> Start:
        """Return what is known of how the recording began."""
        return Start(self._timed, self._recorded_zero, self._state.points)

    def _noise(self) -> MeasuringNoise | None:
        found = self._segmenter.noise
        if found is None:
            return None
        position_mm, taken_mm = found.position_mm, self._aligner.taken_mm
        if taken_mm is not None:
            # positions between samples look quieter than means over them are
            position_mm = max(position_mm, single_position_noise_mm(taken_mm, found.samples))
        return MeasuringNoise(
            found.force_n,
            position_mm,
            *self._resolutions,
            found.samples,
            found.rest_force_n,
            found.force_share,
            found.correlated_samples,
        )

    def _context(self, segment: Segment) -> Context:
        """Return what is known when a segment is measured."""
        noise = self._noise()
        assert noise is not None
        return Context(
            self.settings,
            noise,
            self._segmenter.detection_n,
            self._segmenter.contact_force_n,
            self._segmenter.deadband_mm,
            self._applied.frame,
            self._recorded_zero,
            {_SOFTENING: self._softening_depth(segment)},
            self._applied.backlash.mm > 0,
            zero=self._segmenter.zero,
            wander=self._state.wander,
        )

    def _measure(self, segment: Segment) -> Columns:
        state, context = self._state, self._context(segment)
        assert self._propagation is not None
        self.examined.take(segment, context)
        columns = without_absurd(segment, self._view.measure(segment, context), context)
        columns["flags"] = flagged_outside(segment, columns, self._applied)
        columns = self._propagation.widen(segment, context, columns)
        columns |= self._relaxation_columns(segment, columns)
        direction = segment.signals.direction
        signals = freed_of_backlash(segment.signals, segment.cycles, self._applied.backlash.mm)
        self._keeper.take(replace(segment, signals=signals), columns, self._applied.frame)
        if state.points is None and state.samples_in_cycles == 0:
            cycles = segment.cycles
            loading = slice(int(cycles.contact[0]), int(cycles.load_end[0]) + 1)
            # copied, so that the part they are cut from can go
            state.points = (
                segment.signals.position_mm[loading].copy(),
                segment.signals.force_n[loading].copy(),
            )
        state.samples_in_cycles += int((segment.cycles.release - segment.cycles.contact).sum())
        if direction < 0:
            # places and zeros are those of the recording; all else is positive in the working direction
            columns |= {name: direction * columns[name] for name in _RECORDED}
        self._keep(columns)
        return columns

    def _softening_depth(self, segment: Segment) -> float:
        """Return half the way of the first cycle, measured once for the whole recording."""
        if self._state.softening_mm is None:
            x_mm, first = segment.signals.position_mm, segment.cycles
            self._state.softening_mm = SOFTENING_SHARE * float(
                x_mm[first.load_end[0]] - x_mm[first.contact[0]]
            )
        return self._state.softening_mm

    def _relaxation_columns(self, segment: Segment, columns: Columns) -> Columns:
        """Force retention in long holds; a Prony series of the first one."""
        names = [f"force_retention_{after_s:.0f}s_pct" for after_s in RETENTION_AFTER_S]
        result = {
            each: np.full(len(columns["cycle"]), np.nan) for name in names for each in (name, f"{name}_u")
        }
        noise = self._noise()
        assert noise is not None
        signals, cycles = segment.signals, segment.cycles
        for row in np.flatnonzero(columns["hold_s"] >= HOLD_S):
            hold = slice(int(cycles.load_end[row]), int(cycles.unload_start[row]) + 1)
            force_n = signals.force_n[hold] - columns["zero_n"][row]
            # the zero goes on drifting while the platen stands
            since = np.arange(hold.start, hold.stop) - cycles.contact[row]
            force_n = force_n - columns[_ZERO_DRIFT][row] * since
            peak_n, peak_u = (float(columns[name][row]) for name in ("peak_force_n", "peak_force_n_u"))
            left = force_retention_pct(
                signals.time_s[hold],
                force_n,
                peak_n,
                noise,
                arrived_s=arrival_s(signals, hold.start, int(cycles.contact[row])),
                peak_u_n=peak_u,
                zero_u_n=float(columns["zero_n_u"][row]),
            )
            for name, value in left.items():
                result[name][row] = value
            if self._state.prony is None and not spoilt(columns["flags"][row : row + 1], [names[0]])[0, 0]:
                part = slice(int(cycles.contact[row]), hold.stop)
                pressed_n = signals.force_n[part] - columns["zero_n"][row]
                frame_mm = self._applied.frame.deflection_mm(pressed_n)
                deflection_mm = signals.position_mm[part] - frame_mm - columns["contact_mm"][row]
                self._state.prony = fit_prony(signals.time_s[part], deflection_mm, pressed_n)
        return result


def _closing(blocks: list[Columns]) -> Columns:
    columns = joined(blocks) if blocks else {}
    return _shown(columns)


def _shown(columns: Columns) -> Columns:
    """Return the columns that leave the analysis."""
    return {
        name: values
        for name, values in columns.items()
        if not name.startswith(f"{_SOFTENING}.") and name != _ZERO_DRIFT
    }


def _shallow_flagged(flags: FloatArray, depth_mm: FloatArray) -> FloatArray:
    """Flags with those of half presses among them."""
    good = ~spoilt(flags, ["peak_deflection_mm"])[0] & np.isfinite(depth_mm)
    if good.sum() < 3:
        return flags
    usual_mm = np.median(depth_mm[good])
    usual = np.abs(depth_mm[good] - usual_mm) <= ALIKE_SHARE * usual_mm
    if 2 * np.count_nonzero(usual) < len(usual):
        return flags  # presses that grow deeper, say, have no usual depth
    shallow = good & (depth_mm < SHALLOW_SHARE * usual_mm)
    return np.where(shallow, flags.astype(np.int64) | Flag.SHALLOW, flags).astype(np.float64)


def _segmenter(settings: AnalysisSettings, *, prompt: bool) -> Segmenter:
    return Segmenter(
        SegmenterSettings(
            contact_force_n=settings.contact_force_n,
            zero=settings.zero,
            sense=settings.sense,
            prompt=prompt,
        )
    )


def opening_contact_force_n(
    parts: Iterable[Samples], calibration: Calibration, settings: AnalysisSettings
) -> float:
    """Return the contact force of an analysis from as many parts of a recording as its opening takes."""
    aligner, segmenter = Aligner(calibration), _segmenter(settings, prompt=False)
    for part in parts:
        signals = aligner.push(part)
        if signals is not None:
            segmenter.push(signals)
        if segmenter.noise is not None:
            return segmenter.contact_force_n
    rest = aligner.finish()
    if rest is not None:
        segmenter.push(rest)
    segmenter.finish()
    return segmenter.contact_force_n
