"""The engine that takes a recording in parts and hands out its cycles as they close.

A cycle closes when enough of the no-load stretch behind it is known (or that stretch ends), or at the turn
where a press that is still in contact comes in again. Every rule looks at samples by their content and
their distance from what it decides, never at the edges of the parts, so that the live page and a file give
the same cycles. The buffer holds the open cycle and the no-load stretch before it; everything older has
left with its cycles.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from rig.calibration import Signals
from rig.samples import FloatArray, IntArray, Status
from rig.segmenter.contact import REACH_SAMPLES, ContactSwitch, Levels
from rig.segmenter.held import held
from rig.segmenter.noise import WINDOW_SAMPLES, Noise, frozen_noise
from rig.segmenter.spans import Cycles, Flag, FlagArray, Segment
from rig.segmenter.turns import next_kept_turn, peaks_and_dwells, turns_once

ON_NOISES = 12.0
"""Contact is detected at this many standard deviations of the force: never by noise alone, and with room
for `OFF_NOISES`."""

OFF_NOISES = 4.0
"""Contact ends below this many: far enough above zero for noise and a drift within one press, far enough
below the other level that noise on a slow touch does not switch to and fro."""

ON_RESOLUTIONS = 5.0
DEADBAND_NOISES = 6.0
DEADBAND_RESOLUTIONS = 3.0
"""A position turns when it comes back by this many standard deviations, or steps of its resolution."""

DWELL_S = 0.1
DWELL_SAMPLES = 8
"""A stop shorter than this, or of fewer samples, is how a platen turns that brakes first."""

AFTER_S = 1.0
AFTER_SAMPLES = (8, 4096)
"""How much of the no-load stretch behind a press is waited for before the cycle closes, within these
counts."""

GAP_SHARE = 0.01
"""A gap of more than this share of a cycle's samples hides too much of a stroke: the cycle is flagged, as it
is for any gap beside its turn."""

PAUSE_STEPS = 10.0
PAUSE_SHARE = 0.02
"""A pause between samples above this many usual steps and this share of the cycle's time counts as a gap."""


@dataclass(frozen=True, slots=True)
class SegmenterSettings:
    """What a person may state instead of leaving it to the recording.

    Parameters
    ----------
    contact_force_n
        Presses that do not reach this force are touches, not cycles; None: the detection level.
    force_noise_n, position_noise_mm
        Standard deviations of a single sample; None: taken from the start of the recording.
    after_s
        How much of the no-load stretch behind a press is waited for before the cycle closes.
    """

    contact_force_n: float | None = None
    force_noise_n: float | None = None
    position_noise_mm: float | None = None
    after_s: float = AFTER_S


class Segmenter:
    """Finds cycles in a recording that arrives in parts.

    Parameters
    ----------
    settings
        What is stated rather than found.

    Attributes
    ----------
    noise
        Frozen noise; None until enough of the recording is known.
    touches
        Presses that did not reach the contact force, or in which the platen did not move.
    """

    def __init__(self, settings: SegmenterSettings | None = None) -> None:
        self._settings = settings or SegmenterSettings()
        self.noise: Noise | None = None
        self.touches = 0
        self._buffer: Signals | None = None
        self._offset = 0
        self._switch: ContactSwitch | None = None
        self._stretches: deque[_Stretch] = deque()
        self._release = 0
        self._after_samples = AFTER_SAMPLES[1]
        self._usual_step_s = np.nan
        self._shortest_dwell = DWELL_SAMPLES
        self._looked_at = 0
        self._count = 0

    @property
    def deadband_mm(self) -> float:
        """Reversals of position below this are noise."""
        if self.noise is None:
            return 0.0
        resolution_mm = self._buffer.position_resolution_mm if self._buffer is not None else 0.0
        return max(DEADBAND_NOISES * self.noise.position_mm, DEADBAND_RESOLUTIONS * resolution_mm)

    @property
    def detection_n(self) -> float:
        """Force above zero at which contact is detected."""
        if self.noise is None:
            return 0.0
        resolution_n = self._buffer.force_resolution_n if self._buffer is not None else 0.0
        return max(ON_NOISES * self.noise.force_n, ON_RESOLUTIONS * resolution_n)

    @property
    def contact_force_n(self) -> float:
        """Force above zero that counts as contact: the stated one, else the detection level."""
        stated = self._settings.contact_force_n
        return self.detection_n if stated is None else stated

    def push(self, signals: Signals) -> Segment | None:
        """Take the next part; hand out the cycles that closed, if any."""
        if not len(signals):
            return None
        self._buffer = signals if self._buffer is None else Signals.concatenate([self._buffer, signals])
        if self._switch is None:
            if len(self._buffer) < WINDOW_SAMPLES:
                return None
            self._freeze()
            signals = self._buffer
        self._follow_contact(signals)
        return self._closed(at_end=False)

    def finish(self) -> Segment | None:
        """The recording has ended: hand out what is left, flagged where it is not whole."""
        if self._buffer is None:
            return None
        if self._switch is None:
            self._freeze()
            self._follow_contact(self._buffer)
        return self._closed(at_end=True)

    def _freeze(self) -> None:
        assert self._buffer is not None
        settings = self._settings
        found = frozen_noise(self._buffer)
        self.noise = Noise(
            found.zero_n,
            found.force_n if settings.force_noise_n is None else settings.force_noise_n,
            found.position_mm if settings.position_noise_mm is None else settings.position_noise_mm,
            found.samples,
            found.repeats,
        )
        on_n = self.detection_n
        self._switch = ContactSwitch(
            Levels(on_n, on_n * OFF_NOISES / ON_NOISES),
            self.noise.zero_n,
            self.noise.force_n,
            self.deadband_mm,
            zero_count=max(self.noise.samples, 1),
            follow=self.noise.samples > 0,
        )
        steps_s = np.diff(self._buffer.time_s[:WINDOW_SAMPLES])
        if len(steps_s) and np.isfinite(steps_s).all() and np.median(steps_s) > 0:
            self._usual_step_s = float(np.median(steps_s))
            self._shortest_dwell = max(DWELL_SAMPLES, int(np.ceil(DWELL_S / self._usual_step_s)))
            self._after_samples = int(np.clip(np.ceil(settings.after_s / self._usual_step_s), *AFTER_SAMPLES))

    def _follow_contact(self, signals: Signals) -> None:
        """Note where contact begins and ends in new signals."""
        assert self._switch is not None
        flips, zeros_n = self._switch.push(signals.force_n, signals.position_mm)
        for flip, zero_n in zip(flips.tolist(), zeros_n.tolist(), strict=True):
            if self._stretches and self._stretches[-1].release is None:
                self._stretches[-1].release = flip
            else:
                if self._stretches:
                    self._stretches[-1].next_contact = flip
                before = self._stretches[-1].release if self._stretches else self._release
                self._stretches.append(_Stretch(before or 0, flip, zero_n))

    def _closed(self, *, at_end: bool) -> Segment | None:
        """Cycles that can be closed now, with the signals that they need."""
        assert self._buffer is not None
        known = self._offset + len(self._buffer)
        whole: list[_Stretch] = []
        while self._stretches and self._stretches[0].is_settled(known, self._after_samples, at_end=at_end):
            whole.append(self._stretches.popleft())
        cycles = self._split(whole, known)
        if whole:
            self._looked_at = 0
            self._release = known if whole[-1].release is None else whole[-1].release
        if not at_end and self._stretches:
            cycles = _Columns.joined([cycles, self._kept_so_far(self._stretches[0], known)])
        accepted = self._accepted(cycles)
        segment = self._segment(accepted) if len(accepted) else None
        self._forget(known)
        return segment

    def _split(self, stretches: list[_Stretch], known: int) -> _Columns:
        """Cycles of settled stretches, split where contact was kept."""
        if not stretches:
            return _Columns.empty()
        assert self._buffer is not None
        columns = _Columns.of(stretches, known, self._after_samples)
        single = turns_once(
            self._buffer.position_mm,
            columns.contact - self._offset,
            columns.release - self._offset,
            self.deadband_mm,
        )
        if single.all():
            return columns
        parts = []
        for row in range(len(stretches)):
            part = columns.row(row)
            parts.append(part if single[row] else self._split_kept(part))
        return _Columns.joined(parts)

    def _split_kept(self, part: _Columns) -> _Columns:
        """One settled stretch of several presses, as a cycle each."""
        assert self._buffer is not None
        parts: list[_Columns] = []
        while True:
            here = slice(int(part.contact[0]) - self._offset, int(part.release[0]) - self._offset)
            turn = next_kept_turn(self._buffer.position_mm[here], self.deadband_mm)
            if turn is None:
                return _Columns.joined([*parts, part])
            closed, part = part.split_at(int(part.contact[0]) + turn)
            parts.append(closed)

    def _kept_so_far(self, stretch: _Stretch, known: int) -> _Columns:
        """Cycles already closed by a turn within a stretch that is not settled."""
        assert self._buffer is not None
        parts = [_Columns.empty()]
        # the newest sample may turn out to be the first one out of contact
        end = known - 1 if stretch.release is None else stretch.release
        while True:
            length = end - stretch.contact
            if length < self._looked_at + self._looked_at // 16:
                break
            here = slice(stretch.contact - self._offset, end - self._offset)
            turn = next_kept_turn(self._buffer.position_mm[here], self.deadband_mm)
            if turn is None:
                self._looked_at = length
                break
            self._looked_at = 0
            closed, _ = _Columns.of([stretch], known, 0).split_at(stretch.contact + turn)
            parts.append(closed)
            stretch.contact = stretch.before = stretch.contact + turn
            stretch.kept = True
        return _Columns.joined(parts)

    def _accepted(self, columns: _Columns) -> _Columns:
        """Leave out touches: presses below the contact force, and knocks without travel."""
        if not len(columns):
            return columns
        assert self._buffer is not None
        bounds = columns.bounds() - self._offset
        force_n = np.append(self._buffer.force_n, -np.inf)
        position_mm = np.append(self._buffer.position_mm, -np.inf)
        peak_n = np.maximum.reduceat(force_n, bounds)[0::2] - columns.zero_n
        deepest_mm = np.maximum.reduceat(position_mm, bounds)[0::2]
        shallowest_mm = np.minimum.reduceat(np.append(self._buffer.position_mm, np.inf), bounds)[0::2]
        real = (peak_n >= self.contact_force_n) & (deepest_mm - shallowest_mm > self.deadband_mm)
        self.touches += int((~real).sum())
        return columns if real.all() else columns.selected(real)

    def _segment(self, columns: _Columns) -> Segment:
        assert self._buffer is not None
        # the turn that two cycles share belongs to both
        first, last = int(columns.before.min()), int(columns.after.max()) + 1
        signals = self._buffer[first - self._offset : last - self._offset]
        contact, release = columns.contact - first, columns.release - first
        load_end, unload_start = peaks_and_dwells(
            signals.position_mm, contact, release, self.deadband_mm, self._shortest_dwell
        )
        number = self._count + 1 + np.arange(len(contact))
        self._count += len(contact)
        cycles = Cycles(
            number,
            columns.before - first,
            contact,
            load_end,
            unload_start,
            release,
            columns.after - first,
            columns.zero_n,
            columns.flags | self._status_flags(signals, contact, load_end, unload_start, release),
        )
        assert self.noise is not None
        stuck = held(signals, cycles, self.noise, self._usual_step_s, self._shortest_dwell)
        cycles.flags[stuck] |= np.uint32(Flag.READING_HELD)
        return Segment(signals, cycles, first)

    def _status_flags(
        self,
        signals: Signals,
        contact: IntArray,
        load_end: IntArray,
        unload_start: IntArray,
        release: IntArray,
    ) -> FlagArray:
        """Flags that the device's status, lost samples and pauses imply."""
        bounds = np.stack([contact, release], axis=1).ravel()
        status = np.bitwise_or.reduceat(np.append(signals.status, np.uint8(0)), bounds)[0::2]
        flags = np.zeros(len(contact), np.uint32)
        for bit, flag in (
            (Status.FORCE_SATURATED, Flag.FORCE_SATURATED),
            (Status.POSITION_FAULT, Flag.POSITION_FAULT),
            (Status.FORCE_TRIP, Flag.FORCE_TRIP),
        ):
            flags[(status & bit) != 0] |= np.uint32(flag)
        # the step to the first sample behind the release counts too
        within = np.stack([contact, np.minimum(release, len(signals) - 1) + 1], axis=1).ravel()
        lost = np.diff(signals.lost, prepend=signals.lost[:1])
        gap = np.maximum.reduceat(np.append(lost, 0), within)[0::2]
        pause_s = np.maximum.reduceat(
            np.append(np.diff(signals.time_s, prepend=signals.time_s[:1]), 0), within
        )[0::2]
        duration_s = signals.time_s[release - 1] - signals.time_s[contact]
        paused = (pause_s > PAUSE_STEPS * self._usual_step_s) & (pause_s > PAUSE_SHARE * duration_s)
        flags[(gap > GAP_SHARE * (release - contact)) | paused] |= np.uint32(Flag.SAMPLES_LOST)
        for turn in (load_end, unload_start):
            beside = np.minimum(turn + 1, len(signals) - 1)
            flags[(lost[turn] > 0) | (lost[beside] > 0)] |= np.uint32(Flag.SAMPLES_LOST)
        return flags

    def _forget(self, known: int) -> None:
        """Drop signals that no cycle to come needs."""
        assert self._buffer is not None
        if self._stretches:
            keep_from = min(max(self._stretches[0].before, self._stretches[0].contact - REACH_SAMPLES), known)
        else:
            keep_from = max(self._release, known - REACH_SAMPLES)
        if keep_from > self._offset:
            self._buffer = self._buffer[keep_from - self._offset :]
            self._offset = keep_from


@dataclass(slots=True)
class _Stretch:
    """A stretch of contact, as far as it is known; sample numbers count from the start of the recording."""

    before: int
    contact: int
    zero_n: float
    release: int | None = None
    next_contact: int | None = None
    kept: bool = False

    def is_settled(self, known: int, after_samples: int, *, at_end: bool) -> bool:
        if at_end or self.next_contact is not None:
            return True
        return self.release is not None and known - self.release >= after_samples


@dataclass(frozen=True, slots=True)
class _Columns:
    """Cycles before they are numbered; sample numbers count from the start of the recording."""

    before: IntArray
    contact: IntArray
    release: IntArray
    after: IntArray
    zero_n: FloatArray
    flags: FlagArray

    @classmethod
    def empty(cls) -> _Columns:
        none = np.empty(0, np.int64)
        return cls(none, none, none, none, np.empty(0), np.empty(0, np.uint32))

    @classmethod
    def of(cls, stretches: list[_Stretch], known: int, after_samples: int) -> _Columns:
        contact = np.array([each.contact for each in stretches])
        before = np.maximum([each.before for each in stretches], contact - REACH_SAMPLES)
        release = np.array([known if each.release is None else each.release for each in stretches])
        follows = np.array([known if each.next_contact is None else each.next_contact for each in stretches])
        after = np.minimum(follows, release + after_samples)
        flags = np.zeros(len(stretches), np.uint32)
        kept = np.array([each.kept for each in stretches])
        flags[kept] |= np.uint32(Flag.CONTACT_KEPT_BEFORE)
        flags[(before == contact) & ~kept] |= np.uint32(Flag.STARTS_IN_CONTACT)
        open_ended = np.array([each.release is None for each in stretches])
        flags[open_ended] |= np.uint32(Flag.NOT_RELEASED)
        return cls(before, contact, release, after, np.array([each.zero_n for each in stretches]), flags)

    @classmethod
    def joined(cls, parts: list[_Columns]) -> _Columns:
        return cls(
            np.concatenate([part.before for part in parts]),
            np.concatenate([part.contact for part in parts]),
            np.concatenate([part.release for part in parts]),
            np.concatenate([part.after for part in parts]),
            np.concatenate([part.zero_n for part in parts]),
            np.concatenate([part.flags for part in parts]),
        )

    def __len__(self) -> int:
        return len(self.contact)

    def row(self, number: int) -> _Columns:
        return self.selected(np.array([number]))

    def selected(self, which: IntArray | np.ndarray[tuple[int], np.dtype[np.bool_]]) -> _Columns:
        return _Columns(
            self.before[which],
            self.contact[which],
            self.release[which],
            self.after[which],
            self.zero_n[which],
            self.flags[which],
        )

    def bounds(self) -> IntArray:
        """Contact and release, interleaved for `reduceat`."""
        return np.stack([self.contact, self.release], axis=1).ravel()

    def split_at(self, turn: int) -> tuple[_Columns, _Columns]:
        """One cycle as two at the turn where contact was kept."""
        at = np.array([turn])
        ended = np.uint32(Flag.NOT_RELEASED)
        began = np.uint32(Flag.STARTS_IN_CONTACT)
        kept_after, kept_before = np.uint32(Flag.CONTACT_KEPT_AFTER), np.uint32(Flag.CONTACT_KEPT_BEFORE)
        first = _Columns(self.before, self.contact, at, at, self.zero_n, (self.flags & ~ended) | kept_after)
        second = _Columns(at, at, self.release, self.after, self.zero_n, (self.flags & ~began) | kept_before)
        return first, second
