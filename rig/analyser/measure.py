"""Every quantity of every cycle of a segment, as columns.

Plan: zeros, toe regions and peaks come from the samples; each stroke is then reduced to nodes, and all else
is read off those tables, a block of cycles at a time. Nothing here remembers an earlier segment except
through the data that it is given.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from math import sqrt

import numpy as np

from rig.analyser.baseline import Baseline, baseline
from rig.analyser.blocks import MOST_BLOCKS, Blocks, block_means, even_blocks, stroke_blocks
from rig.analyser.breaks import Breaks, Pressed, find_breaks, loaded_until, went_on_mm
from rig.analyser.curves import Knee
from rig.analyser.peak import Side, Tip, Turn, find_turns
from rig.analyser.ragged import BoolArray, Nodes, along_rows, first_above, first_below, means
from rig.analyser.roughness import Roughness, RoughnessRecord
from rig.analyser.strokes import END_REACH, Columns, Contacts, Context, Strokes
from rig.analyser.toe import ToeFit, ToeZone, fit_toes
from rig.analyser.wander import ZeroRecord
from rig.calibration import Frame, Signals
from rig.samples import FloatArray, IntArray
from rig.segmenter import Cycles, Flag, FlagArray, Segment, reduced

BLOCK_NODES = 400_000
"""Cycles worked on together hold this many nodes of a stroke at the most: some megabytes a table. Fewer
would spend the time on calls, more on memory."""

CREEP_PARTS = 10
CREPT_SHARE = 0.005
"""Creep is the way from the second tenth of a hold to its last; it is reported above this share of the
depth."""

LAG_S, LAG_ROWS = 1.0, 10
LAG_SHARE, LAG_NOISES = 0.003, 6.0
"""A platen stops, and within this time or number of rows the force rises by this share of itself and by this
many standard deviations of its noise: it lags. A specimen's own force falls, and a zero drifts by less."""

LAG_DEADBANDS = 1.5
"""A platen that brakes goes on by the deadband after it seems to have stopped, and by what noise hides."""

INITIAL_BLOCKS = 36
INITIAL_SAMPLES = 3

TOE_OWN_U, TOE_CURVED = "toe_own_u", "toe_curved"
TOE_SHAPES = (("toe_half", "toe_half_noise"), ("toe_quarter", "toe_quarter_noise"))
"""Columns that permanent sets are found from, and that leave the analysis with no row: see `ToeFit`."""

MOST_ABOVE_ROWS = 1.045
"""A peak force lies no higher above the zero than this many times the largest row: by half a step of a stroke
of eleven rows. What fewer rows would add is left in its uncertainty."""

CREST_ROW_NOISES = 8.0
CREST_NOISE = 2.0
CREST_NOISE_SHARE = 0.015
CREST_BEHIND = 0.02
CREST_MISFIT = 0.05
"""A row that lies above a stroke's peak by the first number of noises, and before this share of its last
rows, is a crest of few rows; the largest of many rows is off by the second. Noise of more than a share of the
force, and of more than at rest, is the teeth of a crush. A crest is no parabola by the last share of what it
falls by beside its top."""

TIP_ERRORS = 2.0
"""A tip before a break is the peak where no row lies above it by more than this many uncertainties."""

PEAK_NAMES = ("peak_force_n", "deflection_at_peak_force_mm", "secant_n_per_mm")

_NOT_WHOLE: Flag = (
    Flag.STARTS_IN_CONTACT
    | Flag.CONTACT_KEPT_BEFORE
    | Flag.CONTACT_KEPT_AFTER
    | Flag.NOT_RELEASED
    | Flag.ONE_WAY
)
"""Flags that already say why a cycle has no no-load stretch on one side."""


@dataclass(frozen=True, slots=True)
class ReadStrokes:
    """The force zeros of cycles, the blocks of their loading, and the nodes of their strokes."""

    zero: Baseline
    coming: Blocks
    loading: Nodes
    unloading: Nodes

    @classmethod
    def of(cls, signals: Signals, cycles: Cycles, context: Context, zeros: ZeroRecord) -> ReadStrokes:
        """Read strokes from contact to the deep end; the changes of the zero go into the record."""
        zero = baseline(
            signals,
            cycles,
            context.noise,
            context.detection_n,
            steady_u_n=context.steady_u_n,
            walk_noise_n=context.walk_noise_n,
            drift_doubt=context.drift_doubt,
            record=zeros,
            fixed=context.zero,
        )
        coming = stroke_blocks(signals.position_mm, zero.loading_first, cycles.load_end, turn_last=True)
        going = stroke_blocks(signals.position_mm, cycles.unload_start, zero.unloading_last, turn_last=False)
        loading, unloading = (
            _stroke(signals, blocks, zero, cycles.contact, context.frame) for blocks in (coming, going)
        )
        return cls(zero, coming, loading, _reversed(unloading))


@dataclass(frozen=True, slots=True)
class Datum:
    """A position from which deflections count."""

    contact_mm: float
    contact_u_mm: float


def measure(
    segment: Segment,
    context: Context,
    carried: Datum | None,
    first: Datum | None,
    *,
    turns_in: Signals | None = None,
    zeros: ZeroRecord | None = None,
    rough: RoughnessRecord | None = None,
    read: ReadStrokes | None = None,
) -> Columns:
    """Measure all cycles of a segment.

    Parameters
    ----------
    carried
        Contact of the stretch that the first cycle may continue.
    first
        First contact of the recording, if it lies in an earlier segment.
    turns_in
        Signals in which turns are looked for, where those of the segment were freed of a backlash.
    zeros
        How the force zero changed in earlier segments; these cycles are added. None: nothing is known.
    rough
        What earlier presses showed of their roughness, likewise.
    read
        Strokes of these few cycles that were read already, with `zeros`; None: they are read.

    Returns
    -------
    Columns of shape (m,): each quantity by name, with its standard uncertainty under the name and "_u";
    `flags` as float-free uint32. Not-a-number where a quantity cannot be had.
    """
    cycles = segment.cycles
    parts = []
    zeros = ZeroRecord() if zeros is None else zeros
    rough = RoughnessRecord() if rough is None else rough
    widest = int(np.clip((cycles.release - cycles.contact).max(initial=1), 1, MOST_BLOCKS))
    step = max(BLOCK_NODES // widest, 1)
    for start in range(0, len(cycles), step):
        block = cycles.selected(np.arange(start, min(start + step, len(cycles))))
        columns, datum, first = _measure_block(
            segment.signals,
            block,
            context,
            carried,
            first,
            read=read or ReadStrokes.of(segment.signals, block, context, zeros),
            turns_in=turns_in,
            rough=rough,
        )
        carried = datum
        parts.append(columns)
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _measure_block(
    signals: Signals,
    cycles: Cycles,
    context: Context,
    carried: Datum | None,
    first: Datum | None,
    *,
    read: ReadStrokes,
    turns_in: Signals | None,
    rough: RoughnessRecord,
) -> tuple[Columns, Datum | None, Datum | None]:
    noise, zero = context.noise, read.zero
    kept = (cycles.flags & np.uint32(Flag.CONTACT_KEPT_BEFORE)) != 0
    headless = kept | ((cycles.flags & np.uint32(Flag.STARTS_IN_CONTACT)) != 0)
    largest_n = reduced(np.maximum, signals.force_n, cycles.contact, cycles.load_end + 1)
    rough_peak_n = largest_n - zero.at_contact_n
    frame = context.frame
    loading, unloading = read.loading, read.unloading
    # what a press shows by itself, and with what presses differ by; a break is sudden, whatever wanders
    alone = rough.take((loading, unloading), noise, context.detection_n)
    worth = alone.with_wander(context.wander, (loading, unloading))
    toe = _toes(signals, cycles, zero, context, worth, peak_n=rough_peak_n, which=~headless)
    zeroed = context.recorded_zero & headless & _zero_in_reach(signals.position_mm, cycles)
    contact, contact_u = _stretch_contacts(toe, kept, carried, zeroed)
    if first is None:
        first = _known_datum(contact, contact_u, 0)
    origin, origin_u = contact, contact_u
    if context.settings.datum == "first" and first is not None:
        origin = np.where(np.isfinite(contact), first.contact_mm, np.nan)
        origin_u = np.where(np.isfinite(contact), first.contact_u_mm, np.nan)

    turn = find_turns(
        turns_in or signals, cycles, noise, context.deadband_mm, backlash=context.behind_backlash
    )
    near_mm, far_mm = (
        np.nan_to_num(contact + share * (turn.x_mm - contact), nan=np.inf)
        for share in _reach_of_initial(context)
    )
    early, late = _initial_windows(signals.position_mm, cycles, zero, near_mm, far_mm)
    strokes = Strokes(
        loading,
        unloading,
        turn=_freed(turn, zero, cycles, frame),
        holds=cycles.unload_start > cycles.load_end,
        contact=Contacts(
            contact,
            contact_u,
            ~headless,
            _stroke(signals, early, zero, cycles.contact, frame),
            _stroke(signals, late, zero, cycles.contact, frame),
            (
                _single(signals, zero.loading_first, zero, cycles.contact, frame),
                _single(signals, zero.unloading_last, zero, cycles.contact, frame),
            ),
        ),
        zero=zero,
        context=context,
        rough=worth,
    )
    pressed = partial(_pressed, signals, zero, cycles.contact, frame=frame)
    columns: Columns = (
        _contact_columns(toe, headless)
        | strokes.peak_columns(origin, origin_u)
        | strokes.energy_columns(cycles)
        | strokes.stiffness_columns()
        | strokes.depth_columns(origin, origin_u)
        | _knee_columns(strokes.knee(), contact - origin, origin_u)
        | _time_columns(signals, cycles, context)
    )
    columns |= {"zero_n": zero.at_contact_n, "zero_n_u": zero.u_n, "zero_drift": zero.per_sample_n}
    columns["cycle"] = cycles.number.astype(np.float64)
    origins = np.stack([origin, origin_u])
    columns |= _row_crests(
        columns,
        pressed,
        cycles,
        rough_peak_n,
        noise_n=strokes.peak_noise_n,
        rest_noise_n=noise.force_n,
        origin_mm=origins,
    )
    # a turn between two rows is read above all rows, but no farther than they can vouch for
    most_n = np.where(rough_peak_n > 0, MOST_ABOVE_ROWS * rough_peak_n, np.inf)
    over_n = np.maximum(columns["peak_force_n"] - most_n, 0.0)
    columns["peak_force_n"] = columns["peak_force_n"] - over_n
    columns["peak_force_n_u"] = np.hypot(columns["peak_force_n_u"], over_n)
    flags = cycles.flags | strokes.flags()
    breaks = find_breaks(
        loading,
        read.coming,
        pressed,
        noise_n=alone.at(rough_peak_n),
        stroke_mm=strokes.stroke_mm,
        deadband_mm=context.deadband_mm,
        went_on_mm=went_on_mm(signals, cycles, context.deadband_mm),
    )
    # a tip that came before the break may have been higher
    is_peak = breaks.is_peak & (breaks.force_n + TIP_ERRORS * breaks.u_n >= rough_peak_n)
    breaks = replace(breaks, x_u_mm=np.hypot(breaks.x_u_mm, noise.position_mm), is_peak=is_peak)
    columns |= _break_columns(columns, breaks, zero, origins)
    columns |= _energy_to_break(breaks, pressed, zero, np.where(headless, -np.inf, contact), worth)
    flags[breaks.found] |= np.uint32(Flag.BREAK)
    columns["hold_creep_mm"] = creep_mm = _hold_creep_mm(signals.position_mm, cycles)
    least_mm = np.maximum(CREPT_SHARE * strokes.stroke_mm, context.deadband_mm)
    flags[np.abs(creep_mm) > least_mm] |= np.uint32(Flag.HOLD_CREPT)
    flags |= _lags(signals, cycles, strokes.peak_noise_n, strokes.turning.slope, context.deadband_mm)
    whole = (cycles.flags & np.uint32(_NOT_WHOLE)) == 0
    flags[zero.one_sided & whole] |= np.uint32(Flag.ONE_SIDED_BASELINE)
    flags[zero.misled & ~headless] |= np.uint32(Flag.TOE_REGION_UNCLEAR)
    columns["flags"] = flags.astype(np.float64)
    return columns, _known_datum(contact, contact_u, -1) or carried, first


def _toes(
    signals: Signals,
    cycles: Cycles,
    zero: Baseline,
    context: Context,
    rough: Roughness,
    *,
    peak_n: FloatArray,
    which: BoolArray,
) -> ToeFit:
    """Feet of the cycles that begin with the contact; not-a-number for the others."""
    toe = ToeFit.unknown(len(cycles))
    rows = np.flatnonzero(which)
    if not len(rows):
        return toe
    zone = ToeZone(
        signals.position_mm,
        signals.force_n,
        zero.loading_first,
        cycles.contact,
        loaded_until(signals.force_n, cycles),
        zero.at_contact_n,
        zero.per_sample_n,
        zero.u_n,
        rough,
        context.frame,
    ).selected(rows)
    fitted = fit_toes(
        zone,
        peak_n[rows],
        context.noise,
        detection_n=context.detection_n,
        contact_force_n=context.contact_force_n,
        exponent=context.settings.toe_exponent,
    )
    return toe.replaced(rows, fitted, np.arange(len(rows)))


def _stretch_contacts(
    toe: ToeFit, kept: BoolArray, carried: Datum | None, recorded: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Return the contact of each cycle's stretch: its own, or that of the press in which contact was last
    made."""
    contact, contact_u = toe.contact_mm.copy(), toe.contact_u_mm.copy()
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


def _zero_in_reach(x_mm: FloatArray, cycles: Cycles) -> BoolArray:
    """Return whether position zero can be where the specimen was untouched: no further from the first
    sample than the press itself goes. Elsewhere the zero is that of some machine."""
    start_mm, deep_mm = x_mm[cycles.contact], x_mm[cycles.load_end]
    reached: BoolArray = np.abs(start_mm) <= np.abs(deep_mm - start_mm)
    return reached


def _known_datum(contact: FloatArray, contact_u: FloatArray, which: int) -> Datum | None:
    """Return the first or the last (-1) contact that is known."""
    known = np.flatnonzero(np.isfinite(contact))
    return Datum(float(contact[known[which]]), float(contact_u[known[which]])) if len(known) else None


def _pressed(
    signals: Signals, zero: Baseline, contact: IntArray, row: int, part: slice, *, frame: Frame
) -> tuple[FloatArray, FloatArray]:
    """Return the position and force of single samples of a cycle, free of force zero and frame
    compliance."""
    samples = np.arange(len(signals))[part]
    zero_n = zero.at_contact_n[row] + zero.per_sample_n[row] * (samples - contact[row])
    force_n = signals.force_n[part] - zero_n
    return signals.position_mm[part] - frame.deflection_mm(force_n), force_n


def _break_columns(columns: Columns, breaks: Breaks, zero: Baseline, origin_mm: FloatArray) -> Columns:
    """Place and force of breaks; where no other force is larger, the tip before the break is the peak.

    `origin_mm` holds the place that deflections count from and its standard uncertainty, shape (2, m).
    """
    force_n = np.stack([breaks.force_n, np.hypot(breaks.u_n, zero.u_n)])
    reach_mm = np.stack([breaks.x_mm - origin_mm[0], np.hypot(breaks.x_u_mm, origin_mm[1])])
    names = ("break_mm", "break_mm_u", "break_n", "break_n_u")
    found = dict(zip(names, [*reach_mm, *force_n], strict=True))
    return found | _peaks_at(columns, breaks.is_peak, force_n, reach_mm)


def _peaks_at(columns: Columns, which: BoolArray, force_n: FloatArray, reach_mm: FloatArray) -> Columns:
    """Peaks, their places and the secants to them, where some are tips of such a force and place, each with
    its standard uncertainty, shape (2, m)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        secant = force_n[0] / reach_mm[0]
        secant_u = secant * np.linalg.norm([force_n[1] / force_n[0], reach_mm[1] / reach_mm[0]], axis=0)
    names = [f"{name}{u}" for name in PEAK_NAMES for u in ("", "_u")]
    pairs = zip(names, [*force_n, *reach_mm, secant, secant_u], strict=True)
    return {name: np.where(which, values, columns[name]) for name, values in pairs}


def _row_crests(
    columns: Columns,
    pressed: Pressed,
    cycles: Cycles,
    largest_n: FloatArray,
    *,
    noise_n: FloatArray,
    rest_noise_n: float,
    origin_mm: FloatArray,
) -> Columns:
    """Peaks of strokes that have a crest of few rows before they turn, which nodes average away.

    The top of a parabola through three rows lies little above the largest of them, and that of a sharp tip by
    up to what the force changes by in a row on its flatter side: as far as the rows beside them bend less.
    """
    force_n, reach_mm = np.full((2, 2, len(cycles)), np.nan)
    noise_n = np.minimum(noise_n, np.maximum(CREST_NOISE_SHARE * largest_n, rest_noise_n))
    stands_out = largest_n - columns["peak_force_n"] > CREST_ROW_NOISES * noise_n
    for row in np.flatnonzero(stands_out & (noise_n > 0)).tolist():
        x_mm, row_n = pressed(row, slice(int(cycles.contact[row]), int(cycles.load_end[row]) + 1))
        top = int(np.argmax(row_n))
        if not 1 < top < len(row_n) - 2 - CREST_BEHIND * len(row_n):
            continue
        around_n = row_n[top - 2 : top + 3]
        before_n, bend_n, after_n = -np.diff(around_n, 2)
        rise_n = (around_n[3] - around_n[1]) ** 2 / (8 * bend_n)
        # a tip between two rows bends both
        bent_n = sorted([abs(before_n), abs(after_n)])
        sharp = max(1 - 2 * bent_n[0] / (bend_n + bent_n[1]), 0.0)
        flat_n = max(around_n[1] - around_n[0], 0.0), max(around_n[3] - around_n[4], 0.0)
        tip_n = max(sharp * min(flat_n) - rise_n, 0.0)
        fell_n = around_n[2] - min(around_n[1], around_n[3])
        # of many rows the largest holds noise too
        parts_n = (tip_n / sqrt(12), rise_n / 3, CREST_MISFIT * fell_n, CREST_NOISE * noise_n[row])
        value_u = np.linalg.norm([*parts_n, columns["zero_n_u"][row]])
        force_n[:, row] = around_n[2] + rise_n + tip_n / 2, value_u
        step_mm = (x_mm[top + 1] - x_mm[top - 1]) / 2
        reach_mm[:, row] = x_mm[top] - origin_mm[0, row], np.hypot(step_mm / sqrt(3), origin_mm[1, row])
    return _peaks_at(columns, np.isfinite(force_n[0]), force_n, reach_mm)


def _energy_to_break(
    breaks: Breaks, pressed: Pressed, zero: Baseline, contact_mm: FloatArray, rough: Roughness
) -> Columns:
    """Return the energy absorbed from contact, or from the first sample, up to breaks: trapezoids between
    samples."""
    energy_mj, energy_u = np.full((2, len(contact_mm)), np.nan)
    for row in np.flatnonzero(breaks.found).tolist():
        x_mm, force_n = pressed(row, slice(int(zero.loading_first[row]), int(breaks.sample[row]) + 1))
        inside = x_mm > contact_mm[row]
        start = [contact_mm[row]] if np.isfinite(contact_mm[row]) else []
        x_mm = np.concatenate([start, x_mm[inside], breaks.x_mm[row : row + 1]])
        force_n = np.concatenate([0.0 * np.array(start), force_n[inside], breaks.force_n[row : row + 1]])
        if len(x_mm) < 2:
            continue  # where the contact is not known, the way to the break is not either
        energy_mj[row] = np.trapezoid(force_n, x_mm)
        # with half of the samples, taken backwards from the break, chords miss four times as much
        missed_mj = (energy_mj[row] + np.trapezoid(force_n[::-2], x_mm[::-2])) / 3
        samples = np.array([float(len(x_mm))])
        noise_n = rough.selected(np.array([row])).at(force_n[None])[0]
        noise_mj = np.sqrt(float(np.sum((np.gradient(x_mm) * noise_n) ** 2) * rough.fewer(samples)[row]))
        way_mm = x_mm[-1] - x_mm[0]
        energy_u[row] = np.linalg.norm(
            [noise_mj, missed_mj, zero.u_n[row] * way_mm, force_n[-1] * breaks.x_u_mm[row]]
        )
    return {"energy_to_break_mj": energy_mj, "energy_to_break_mj_u": energy_u}


def _stroke(signals: Signals, blocks: Blocks, zero: Baseline, contact: IntArray, frame: Frame) -> Nodes:
    """Return the nodes of a stroke, free of force zero and of the frame's own deflection."""
    x_mm, force_n = block_means([signals.position_mm, signals.force_n], blocks)
    force_n = force_n - zero.at(blocks.middle, contact)
    return Nodes.of(x_mm - frame.deflection_mm(force_n), force_n, blocks.count)


def _reach_of_initial(context: Context) -> tuple[float, float]:
    """Shares of the depth between which nodes are wanted for the initial window: some beyond both ends."""
    low, high = context.settings.initial_window
    beyond = END_REACH * (high - low)
    return max(low - beyond, 0.0), high + beyond


def _initial_windows(
    x_mm: FloatArray, cycles: Cycles, zero: Baseline, near_mm: FloatArray, far_mm: FloatArray
) -> tuple[Blocks, Blocks]:
    """Return the samples of both strokes between the shares of the depth over which the initial stiffness is
    taken.

    Where a stroke has fewer than `INITIAL_SAMPLES` there, its first ones in contact take their place.
    """
    first = first_above(x_mm, zero.loading_first, cycles.load_end, near_mm)
    last = first_above(x_mm, first, cycles.load_end, far_mm) - 1
    few = last - first + 1 < INITIAL_SAMPLES
    first = np.where(few, np.minimum(cycles.contact, cycles.load_end), first)
    last = np.where(few, np.minimum(first + INITIAL_SAMPLES - 1, cycles.load_end), last)
    early = even_blocks(first, np.maximum(last, first), INITIAL_BLOCKS)
    first = first_below(x_mm, cycles.unload_start, zero.unloading_last, far_mm)
    last = first_below(x_mm, first, zero.unloading_last, near_mm) - 1
    few = last - first + 1 < INITIAL_SAMPLES
    last = np.where(few, np.minimum(cycles.release - 1, zero.unloading_last), last)
    first = np.where(few, np.maximum(last - INITIAL_SAMPLES + 1, cycles.unload_start), first)
    return early, even_blocks(first, np.maximum(last, first), INITIAL_BLOCKS)


def _reversed(nodes: Nodes) -> Nodes:
    """Return the same strokes from their last node to their first, padding still at the end."""
    index = np.maximum(nodes.lengths[:, None] - 1 - np.arange(nodes.x_mm.shape[1]), 0)
    return Nodes.of(
        along_rows(nodes.x_mm, index),
        along_rows(nodes.force_n, index),
        np.where(nodes.real, along_rows(nodes.count, index), 0.0),
    )


def _single(signals: Signals, index: IntArray, zero: Baseline, contact: IntArray, frame: Frame) -> Side:
    """Single samples, free of force zero and of the frame's own deflection."""
    force_n = signals.force_n[index] - zero.at(index[:, None].astype(np.float64), contact)[:, 0]
    return Side(
        signals.position_mm[index] - frame.deflection_mm(force_n), force_n, np.ones(len(index), np.int64)
    )


def _freed(turn: Turn, zero: Baseline, cycles: Cycles, frame: Frame) -> Turn:
    """Turns free of force zero and of the frame's own deflection."""
    sides = []
    for side, index in (
        (turn.loading, cycles.load_end),
        (turn.unloading, cycles.unload_start),
        (turn.over, cycles.load_end),
    ):
        force_n = side.force_n - zero.at(index[:, None].astype(np.float64), cycles.contact)[:, 0]
        sides.append(Side(side.x_mm - frame.deflection_mm(force_n), force_n, side.count, side.doubt_n))
    # over some samples the zero does not move
    zero_n = zero.at(cycles.load_end[:, None].astype(np.float64), cycles.contact)
    tips = [
        Tip(tip.x_mm - frame.deflection_mm(tip.force_n - zero_n), tip.force_n - zero_n) for tip in turn.tips
    ]
    return replace(
        turn,
        x_mm=turn.x_mm - frame.deflection_mm(sides[0].force_n),
        loading=sides[0],
        unloading=sides[1],
        over=sides[2],
        tips=(tips[0], tips[1]),
    )


def _contact_columns(toe: ToeFit, headless: BoolArray) -> Columns:
    own = np.where(headless, np.nan, 0.0)
    return {
        "contact_mm": toe.contact_mm + own,
        "contact_mm_u": toe.contact_u_mm + own,
        "contact_at_force_mm": toe.at_force_mm + own,
        "contact_at_force_mm_u": toe.at_force_u_mm + own,
        "toe_exponent": toe.exponent + own,
        "toe_exponent_u": toe.exponent_u + own,
        TOE_OWN_U: toe.at_force_own_u_mm + own,
        TOE_CURVED: toe.curved_mm + own,
        TOE_SHAPES[0][0]: toe.half_mm + own,
        TOE_SHAPES[0][1]: toe.half_u_mm + own,
        TOE_SHAPES[1][0]: toe.quarter_mm + own,
        TOE_SHAPES[1][1]: toe.quarter_u_mm + own,
    }


def _knee_columns(found: Knee, offset_mm: FloatArray, origin_u_mm: FloatArray) -> Columns:
    return {
        "knee_mm": found.deflection_mm + offset_mm,
        "knee_mm_u": np.hypot(found.deflection_u_mm, origin_u_mm),
        "knee_n": found.force_n,
        "knee_n_u": found.force_u_n,
        "negative_stiffness_mm": found.negative_mm + offset_mm,
        "negative_stiffness_mm_u": np.hypot(found.negative_u_mm, origin_u_mm),
        "knee_resolved": found.resolved.astype(np.float64),
    }


def _hold_creep_mm(x_mm: FloatArray, cycles: Cycles) -> FloatArray:
    """Return how far the platen went on in each hold once it had settled; not-a-number without a hold."""
    part = (cycles.unload_start - cycles.load_end) // CREEP_PARTS
    settled = cycles.load_end + part
    early_mm = means(x_mm, settled, settled + part)
    return means(x_mm, cycles.unload_start - part, cycles.unload_start) - early_mm


def _lags(
    signals: Signals, cycles: Cycles, noise_n: FloatArray, slope: FloatArray, deadband_mm: float
) -> FlagArray:
    """Return the flags of cycles whose force goes on rising after the platen has stopped for a hold: by more
    than along the slope of the stroke, in N/mm, while a platen settles."""
    flags = np.zeros(len(cycles), np.uint32)
    settling_n = LAG_DEADBANDS * np.maximum(np.nan_to_num(slope), 0.0) * deadband_mm
    for row in np.flatnonzero(cycles.unload_start > cycles.load_end).tolist():
        first, stop = int(cycles.load_end[row]), int(cycles.unload_start[row]) + 1
        soon = int(np.searchsorted(signals.time_s[first:stop], signals.time_s[first] + LAG_S))
        part = slice(first, min(first + max(soon, LAG_ROWS), stop))
        force_n = signals.force_n[part] - cycles.zero_n[row]
        # a platen that goes deeper, or comes back to its hold from beyond, changes the force itself
        away_mm = np.abs(signals.position_mm[part] - signals.position_mm[first])
        left = away_mm > deadband_mm
        still_n = force_n[: int(np.argmax(left)) if left.any() else len(force_n)]
        if len(still_n) < LAG_ROWS // 2:
            continue
        width = max(len(still_n) // LAG_ROWS, 1)
        rise_n = np.convolve(still_n, np.full(width, 1 / width), mode="valid").max() - still_n[0]
        if rise_n > max(LAG_SHARE * still_n[0], LAG_NOISES * noise_n[row]) + settling_n[row]:
            flags[row] = Flag.FORCE_LAGS
    return flags


def _time_columns(signals: Signals, cycles: Cycles, context: Context) -> Columns:
    """Start, end, rates and hold."""
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
    hold = time_s[cycles.unload_start] - time_s[cycles.load_end]
    step = np.where(cycles.load_end > 0, time_s[cycles.load_end] - time_s[cycles.load_end - 1], np.nan)
    columns["hold_s"], columns["hold_s_u"] = hold, step / sqrt(6)
    return columns
