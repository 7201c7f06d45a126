"""The engine that takes a recording in parts and hands out its cycles as they close.

It begins when the opening of the recording has told its noise, zero and direction. A cycle closes when enough
of the no-load stretch behind it is known (or that stretch ends), or at the turn where a press that is still
in contact comes in again. Every rule looks at samples by their content and their distance from what it
decides, never at the edges of the parts, so that the live page and a file give the same cycles. The buffer
holds the open cycle and the no-load stretch before it; everything older has left with its cycles.

Which presses are cycles is decided by the largest press so far: one that is light and shallow beside it is a
contact check, an event of its own. The first presses wait for each other (`HELD_BACK_S`), so that any
number of checks before the first cycle are no cycles either; where somebody watches
(`SegmenterSettings.prompt`), only light ones wait. A file is never read so."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, fields, replace

import numpy as np
import numpy.typing as npt

from rig.calibration import Signals
from rig.samples import FloatArray, IntArray, Sense, Status
from rig.segmenter.contact import REACH_SAMPLES, ContactSwitch, Levels
from rig.segmenter.growing import GrowingSignals
from rig.segmenter.held import held_and_clipped
from rig.segmenter.noise import Noise
from rig.segmenter.opening import (
    DEADBAND_NOISES,
    DEADBAND_RESOLUTIONS,
    FIRST_LOOK,
    LOOKS_PER_LENGTH,
    SURELY_SHORT,
    Motion,
    earliest_end,
    judge,
    longest_opening,
)
from rig.segmenter.padding import reduced
from rig.segmenter.spans import ContactChecks, Cycles, Flag, FlagArray, Segment
from rig.segmenter.spikes import PART_SAMPLES, SpikeFilter, usual_step
from rig.segmenter.turns import next_kept_turn, peaks_and_holds, turns_once
from rig.segmenter.zero import ForceZero, ZeroPolicy

BoolArray = npt.NDArray[np.bool_]

ON_NOISES = 12.0
"""Contact is detected at this many standard deviations of the force: never by noise alone, and with room
for `OFF_NOISES`."""

OFF_NOISES = 4.0
"""Contact ends below this many: far enough above zero for noise and a drift within one press, far enough
below the other level that noise on a slow contact does not switch to and fro."""

ON_RESOLUTIONS = 5.0

HOLD_S = 0.1
HOLD_SAMPLES = 5
"""A stop shorter than this, or of fewer samples, is how a platen turns that brakes first."""

AFTER_S = 1.0
AFTER_SAMPLES = (8, 4096)
"""How much of the no-load stretch behind a press is waited for before the cycle closes, within these
counts."""

GAP_SHARE = 0.01
"""A gap of more than this share of a cycle's samples hides too much of a stroke: the cycle is flagged, as it
is for any gap beside its turn."""

PAUSE_STEPS = 10.0
ROW_STEPS = 1.5
"""Rows that are farther apart than this many of their neighbours' steps have others missing between them."""

PAUSE_SHARE = 0.02
"""A pause between samples above this many usual steps and this share of the cycle's time counts as a gap."""

LIGHT_SHARE = 0.1
LIGHT_DEPTH_SHARE = 0.3
SHALLOW_SHARE = 0.1
SHALLOW_FORCE_SHARE = 0.5
"""A press below the first two shares of the largest force and depth so far, or below the other two, is a
contact check. Both force and depth: a half press of a densifying foam is light, and one of a worn part
shallow."""

CONTACT_FORCES = 2.0
MOST_CHECK_SHARE = 0.3
"""So is one below this many stated contact forces, where that is no more than this share of the largest."""

LIGHT_LEVELS = 20.0
"""A first press below this many detection levels is never handed out at once; nor is one below
`CONTACT_FORCES`."""

HELD_BACK_S = 60.0
HELD_BACK_SAMPLES = 1 << 15
LONGEST_HELD_BACK = 4
MOST_HELD_BACK = 24
"""The first presses wait for others to be compared with: no longer than this from one to the next, this many
times as long for all, and no more of them than this."""

MOST_CHECKS = 4096
"""Contact checks kept with their numbers; more are only counted."""

ONE_WAY_SHARE = 0.1
"""A recording that ends before the platen has gone back by this share of the depth holds no unloading."""

WHOLE_SHARE = 0.02
"""A press between two forces is whole if it ends within this share of the depth from where it began."""

RELEASED_SHARE = 0.01
"""A press whose force has fallen to this share of its largest, with the platen back at the contact, has let
go: what is left is the rig's, not the specimen's."""


@dataclass(frozen=True, slots=True)
class SegmenterSettings:
    """What a person may state instead of leaving it to the recording.

    Parameters
    ----------
    contact_force_n
        Presses that do not reach this force are contact checks, not cycles; None: the detection level.
    force_noise_n, position_noise_mm
        Standard deviations of a single sample; None: taken from the recording.
    after_s
        How much of the no-load stretch behind a press is waited for before the cycle closes.
    zero
        Force zero that is asked for.
    sense
        Working direction.
    prompt
        Whether a first press of some size is handed out at once, as whoever watches expects, rather than
        compared with the next. A check before the first press may then be told for a cycle.
    pulls_apart
        Whether a force that turns to pull ends a press, as where pulls are looked for; otherwise a part that
        pulls with the platen deep in a press is fixed to both platens.
    """

    contact_force_n: float | None = None
    force_noise_n: float | None = None
    position_noise_mm: float | None = None
    after_s: float = AFTER_S
    zero: ZeroPolicy = field(default_factory=ZeroPolicy)
    sense: Sense = "compression"
    prompt: bool = False
    pulls_apart: bool = False


class Segmenter:
    """Finds cycles in a recording that arrives in parts.

    Parameters
    ----------
    settings
        What is stated rather than found.

    Attributes
    ----------
    noise, zero
        Of the recording; None until its opening is known.
    check_count
        Contact checks so far.
    """

    def __init__(self, settings: SegmenterSettings | None = None) -> None:
        self._settings = settings or SegmenterSettings()
        self.noise: Noise | None = None
        self.zero: ForceZero | None = None
        self.check_count = 0
        self._checks: list[ContactChecks] = []
        self._buffer: Signals | None = None
        self._room = GrowingSignals()
        self._offset = 0
        self._next_look = FIRST_LOOK
        self._direction = 1
        self._spikes: SpikeFilter | None = None
        self._spiked: IntArray = np.empty(0, np.int64)
        self._switch: ContactSwitch | None = None
        self._stretches: deque[_Stretch] = deque()
        self._release = 0
        self._after_samples = AFTER_SAMPLES[1]
        self._held_back_samples = HELD_BACK_SAMPLES
        self._resolutions = (0.0, 0.0)
        self._usual_step_s = np.nan
        self._shortest_hold = HOLD_SAMPLES
        self._looked_at = 0
        self._count = 0
        self._waiting = _Columns.empty()
        self._begun = _Columns.empty()
        self._has_main = False
        self._main_n = 0.0
        self._main_mm = 0.0

    @property
    def contact_checks(self) -> ContactChecks:
        """The contact checks so far, the first `MOST_CHECKS` of them."""
        return ContactChecks.joined(self._checks)

    @property
    def deadband_mm(self) -> float:
        """Reversals of position below this are noise."""
        if self.noise is None:
            return 0.0
        return max(DEADBAND_NOISES * self.noise.position_mm, DEADBAND_RESOLUTIONS * self._resolutions[1])

    @property
    def detection_n(self) -> float:
        """Force above zero at which contact is detected."""
        if self.noise is None:
            return 0.0
        least_n = max(ON_NOISES * self.noise.force_n, ON_RESOLUTIONS * self._resolutions[0])
        return self.noise.drag_n + least_n

    @property
    def _release_n(self) -> float:
        """Force above zero at which contact ends."""
        drag_n = 0.0 if self.noise is None else self.noise.drag_n
        return drag_n + (self.detection_n - drag_n) * OFF_NOISES / ON_NOISES

    @property
    def contact_force_n(self) -> float:
        """Force above zero that counts as contact: the stated one, else the detection level."""
        stated = self._settings.contact_force_n
        return self.detection_n if stated is None else stated

    @property
    def waiting_s(self) -> FloatArray:
        """When the no-load stretches ended behind the first presses, which still wait for each other: of
        those that are cycles so far. A deeper press may yet show that some were contact checks."""
        waiting = self._waiting
        if self._buffer is None or not self._enough(waiting).any():
            return np.empty(0)
        cycles = waiting.selected(~self._light_at_first(waiting))
        return self._buffer.time_s[cycles.after - 1 - self._offset]

    def push(self, signals: Signals) -> Segment | None:
        """Take the next part; hand out the cycles that closed, if any."""
        if not len(signals):
            return None
        self._resolutions = (signals.force_resolution_n, signals.position_resolution_mm)
        if self._switch is not None:
            return self._take(signals, at_end=False)
        self._buffer = self._room.appended(self._buffer, signals)
        return self._begin() if self._opened(at_end=False) else None

    def finish(self) -> Segment | None:
        """The recording has ended: hand out what is left, flagged where it is not whole."""
        if self._buffer is None:
            return None
        if self._switch is None:
            self._opened(at_end=True)
            return self._begin(at_end=True)
        return self._take(self._buffer[:0], at_end=True)

    def _opened(self, *, at_end: bool) -> bool:
        """Return whether the opening tells enough; if so, what follows from it is settled."""
        assert self._buffer is not None
        count = len(self._buffer)
        if not at_end and count < self._next_look:
            return False
        tension = self._settings.sense == "tension"
        # most looks end here: before the longest opening, only a platen that came back ends it
        earliest = 0 if tension else earliest_end(self._buffer[:SURELY_SHORT])
        while at_end or count >= self._next_look:
            if not at_end and self._next_look < earliest and self._next_look <= SURELY_SHORT:
                self._next_look += max(self._next_look // LOOKS_PER_LENGTH, 1)
                continue
            head = self._buffer[: count if at_end else self._next_look]
            motion = Motion.of(head, tension=tension)
            most = longest_opening(motion.step_s)
            if at_end or (motion.is_over and (motion.rose or not tension)):
                self._freeze(head, motion)
                return True
            if len(head) >= most:
                if motion.moved:
                    self._freeze(head, motion)
                    return True
                # a rest before the first motion: its newer half tells all there is
                drop = len(head) - most // 2
                self._offset += drop
                self._buffer = self._buffer[drop:]
                count -= drop
                self._next_look = most // 2
                earliest = 0 if tension else earliest_end(self._buffer[:SURELY_SHORT])
            self._next_look = min(self._next_look + max(self._next_look // LOOKS_PER_LENGTH, 1), most)
        return False

    def _begin(self, *, at_end: bool = False) -> Segment | None:
        """Go through all that has come so far."""
        assert self._buffer is not None
        signals, self._buffer = self._buffer, None
        return self._take(signals, at_end=at_end)

    def _take(self, signals: Signals, *, at_end: bool) -> Segment | None:
        assert self._spikes is not None
        ready, spiked = self._spikes.push(signals.turned(self._direction), at_end=at_end)
        self._spiked = np.concatenate([self._spiked, spiked])
        self._buffer = self._room.appended(self._buffer, ready)
        self._follow_contact(ready)
        return self._closed(at_end=at_end)

    def _freeze(self, head: Signals, motion: Motion) -> None:
        settings = self._settings
        found = judge(
            head,
            motion,
            settings.zero,
            force_noise_n=settings.force_noise_n,
            position_noise_mm=settings.position_noise_mm,
        )
        self.noise, self.zero, self._direction = found.noise, found.zero, found.direction
        self._release = self._offset
        steps = (
            usual_step(head.force_n, head.force_resolution_n),
            usual_step(head.position_mm, head.position_resolution_mm),
        )
        self._spikes = SpikeFilter(found.noise, steps, self._offset)
        self._switch = ContactSwitch(
            Levels(self.detection_n, self._release_n),
            found.detection_zero_n,
            found.noise,
            self.deadband_mm,
            start=self._offset,
            step_s=motion.step_s,
            follow=found.follow,
        )
        self._usual_step_s = found.step_s
        self._shortest_hold = max(HOLD_SAMPLES, int(np.ceil(HOLD_S / motion.step_s)))
        self._after_samples = int(np.clip(np.ceil(settings.after_s / motion.step_s), *AFTER_SAMPLES))
        self._held_back_samples = int(min(HELD_BACK_S / motion.step_s, HELD_BACK_SAMPLES))

    def _follow_contact(self, signals: Signals) -> None:
        """Note where contact begins and ends in new signals."""
        assert self._switch is not None
        assert self._buffer is not None
        flips, zeros_n = self._switch.push(signals.force_n, signals.position_mm)
        for flip, zero_n in zip(flips.tolist(), zeros_n.tolist(), strict=True):
            if self._stretches and self._stretches[-1].release is None:
                self._stretches[-1].release = flip
            else:
                if self._stretches and self._holds_on(self._stretches[-1], flip):
                    self._stretches[-1].release = None
                    continue
                if self._stretches:
                    self._stretches[-1].next_contact = flip
                before = (self._stretches[-1].release if self._stretches else self._release) or 0
                headless = self._none_below(before, flip, zero_n + self._release_n)
                contact = before if headless else flip
                contact_mm = float(self._buffer.position_mm[contact - self._offset])
                self._stretches.append(_Stretch(before, contact, contact_mm, zero_n))

    def _is_settled(self, stretch: _Stretch, known: int, *, at_end: bool) -> bool:
        """Return whether nothing that comes can belong to a stretch any more."""
        if not stretch.is_settled(known, self._after_samples, at_end=at_end):
            return False
        if at_end or stretch.next_contact is not None or stretch.release is None:
            return True
        # a part that pulls is pressed again, or let go where the platen comes back
        return not self._holds_on(stretch, known)

    def _holds_on(self, stretch: _Stretch, stop: int) -> bool:
        """Return whether a force that was gone turned to pull behind a stretch, with the platen deeper than
        where contact was made all the time: a part fixed to both platens snaps over without being let go.

        Only as much of the force as a release is waited for counts: the same however much is known.
        """
        assert self._buffer is not None
        if self._settings.pulls_apart or stretch.release is None:
            return False
        if not self._shortest_hold < stop - stretch.release < REACH_SAMPLES:
            return False
        behind = self._buffer[stretch.release - self._offset : stop - self._offset]
        # noise in bursts pulls as often as it pushes
        pulls = float(np.median(behind.force_n[: self._after_samples])) < stretch.zero_n - self._release_n
        return pulls and float(behind.position_mm.min()) > stretch.contact_mm + self.deadband_mm

    def _none_below(self, first: int, stop: int, level_n: float) -> bool:
        """Return whether a stretch before a contact holds no sample out of contact, as where a recording is
        triggered by a force below the detection level."""
        assert self._buffer is not None
        if not 0 < stop - first < REACH_SAMPLES:
            return False
        return bool(self._buffer.force_n[first - self._offset : stop - self._offset].min() > level_n)

    def _closed(self, *, at_end: bool) -> Segment | None:
        """Return the cycles that can be closed now, with the signals that they need."""
        assert self._buffer is not None
        known = self._offset + len(self._buffer)
        whole: list[_Stretch] = []
        while self._stretches and self._is_settled(self._stretches[0], known, at_end=at_end):
            whole.append(self._stretches.popleft())
        cycles = self._split(whole, known)
        if whole:
            self._looked_at = 0
            self._release = known if whole[-1].release is None else whole[-1].release
        if not at_end and self._stretches:
            cycles = _Columns.joined([cycles, self._kept_so_far(self._stretches[0], known)])
        cycles = self._compared(self._presses(cycles), known, at_end=at_end)
        segment = self._segment(cycles) if len(cycles) else None
        self._forget(known)
        return segment

    def _split(self, stretches: list[_Stretch], known: int) -> _Columns:
        """Return the cycles of settled stretches, split where contact was kept."""
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
            turn += int(part.contact[0])
            apart = self._lets_go(turn, float(part.zero_n[0]))
            closed, part = part.split_apart(turn) if apart else part.split_at(turn)
            parts.append(closed)

    def _kept_so_far(self, stretch: _Stretch, known: int) -> _Columns:
        """Return the cycles already closed by a turn within a stretch that is not settled."""
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
            turn += stretch.contact
            columns = _Columns.of([stretch], known, 0)
            apart = self._lets_go(turn, stretch.zero_n)
            closed, rest = columns.split_apart(turn) if apart else columns.split_at(turn)
            parts.append(closed)
            stretch.contact, stretch.before = int(rest.contact[0]), int(rest.before[0])
            stretch.kept = not apart
        return _Columns.joined(parts)

    def _lets_go(self, turn: int, zero_n: float) -> bool:
        """Return whether the force is gone at a turn between two presses, or in the row before: they were
        let go in between, if only for a row or less.

        A force that would have been gone by then, had it gone on as in the row before, was gone between rows.
        """
        assert self._buffer is not None
        place, force_n = turn - self._offset, self._buffer.force_n
        here, before, earlier = (float(force_n[max(place - back, 0)]) for back in (0, 1, 2))
        least_n = min(here, before, 2 * before - earlier)
        return least_n < zero_n + self._release_n

    def _presses(self, columns: _Columns) -> _Columns:
        """Leave out what is no press: knocks without travel. What precedes the next contact reaches back
        over them."""
        if not len(columns):
            return columns
        assert self._buffer is not None
        within = (columns.contact - self._offset, columns.release - self._offset)
        peak_n = reduced(np.maximum, self._buffer.force_n, *within) - columns.zero_n
        deepest_mm = reduced(np.maximum, self._buffer.position_mm, *within)
        shallowest_mm = reduced(np.minimum, self._buffer.position_mm, *within)
        columns = replace(columns, peak_n=peak_n, depth_mm=deepest_mm - shallowest_mm)
        pressed = columns.depth_mm > self.deadband_mm
        if pressed.all():
            return columns
        before = columns.before.copy()
        for row in np.flatnonzero(~pressed).tolist():
            if row + 1 < len(columns):
                if before[row + 1] == columns.release[row]:
                    before[row + 1] = before[row]
            elif self._stretches and self._stretches[0].before == columns.release[row]:
                self._stretches[0].before = int(before[row])
            elif not self._stretches and self._release == columns.release[row]:
                self._release = int(before[row])
        before = np.maximum(before, columns.contact - REACH_SAMPLES)
        return replace(columns, before=before).selected(pressed)

    def _compared(self, columns: _Columns, known: int, *, at_end: bool) -> _Columns:
        """Return the cycles among the presses that have closed; contact checks are noted."""
        light = np.zeros(0, bool)
        if not self._has_main:
            columns = self._waiting = _Columns.joined([self._waiting, columns])
            upto = self._first_decided(columns, known, at_end=at_end)
            if not upto:
                return _Columns.empty()
            self._waiting = _Columns.empty()
            self._has_main = True
            light = self._light_at_first(columns.selected(np.arange(upto)))
            self._main_n = float(columns.peak_n[:upto].max())
            self._main_mm = float(columns.depth_mm[:upto].max())
        else:
            columns = _Columns.joined([self._begun, columns])
            self._begun = _Columns.empty()
        if not len(columns):
            return columns
        later = columns.selected(np.arange(len(light), len(columns)))
        # each is compared with the largest so far, itself among them
        main_n = np.maximum(np.maximum.accumulate(later.peak_n), self._main_n)
        main_mm = np.maximum(np.maximum.accumulate(later.depth_mm), self._main_mm)
        light = np.append(light, _light(later, main_n, main_mm, self._settings.contact_force_n))
        self._main_n, self._main_mm = main_n[-1:].sum() or self._main_n, main_mm[-1:].sum() or self._main_mm
        columns, light = _begun_lightly(columns, light)
        if len(light) and light[-1] and columns.flags[-1] & Flag.CONTACT_KEPT_AFTER and not at_end:
            # what it begins is not known yet
            last = len(light) - 1
            self._begun, columns, light = columns.row(last), columns.selected(np.arange(last)), light[:-1]
        if light.any():
            self._note(columns.selected(light))
        return columns.selected(~light)

    def _light_at_first(self, columns: _Columns) -> BoolArray:
        """Return which of the first presses are contact checks: each is compared with the next larger
        press, so that presses which grow deeper are all presses."""
        light = np.zeros(len(columns), bool)
        order = np.argsort(-columns.peak_n, kind="stable").tolist()
        main = order[0]
        for press in order:
            main_n, main_mm = columns.peak_n[main], columns.depth_mm[main]
            light[press] = _light(columns.row(press), main_n, main_mm, self._settings.contact_force_n)[0]
            main = main if light[press] else press
        return light

    def _first_decided(self, columns: _Columns, known: int, *, at_end: bool) -> int:
        """Return how many of the first presses have to be known to tell checks from cycles; 0: not enough
        yet."""
        if not len(columns):
            return 0
        if at_end:
            return len(columns)
        # up to here no other contact has begun
        next_contact = self._stretches[0].contact if self._stretches else known
        begins = np.append(columns.contact, min(next_contact, known))
        over = np.diff(begins) > self._held_back_samples
        over |= begins[1:] - begins[0] > LONGEST_HELD_BACK * self._held_back_samples
        over[MOST_HELD_BACK - 1 :] = True
        if over.any():
            return int(np.argmax(over)) + 1
        enough = self._enough(columns) if self._settings.prompt else np.zeros(1, bool)
        return int(np.argmax(enough)) + 1 if enough.any() else 0

    def _enough(self, columns: _Columns) -> BoolArray:
        """Up to which of the first presses a person who watches takes them for cycles: one of some size, or
        two that are nearly equal, has come."""
        largest_n = np.maximum.accumulate(columns.peak_n)
        stated_n = self._settings.contact_force_n
        enough: BoolArray = largest_n > (
            LIGHT_LEVELS * self.detection_n if stated_n is None else CONTACT_FORCES * stated_n
        )
        enough[1:] |= columns.peak_n[1:] >= LIGHT_SHARE * largest_n[:-1]
        return enough

    def _note(self, checks: _Columns) -> None:
        """Keep what is known of contact checks."""
        assert self._buffer is not None
        self.check_count += len(checks)
        kept = MOST_CHECKS - sum(map(len, self._checks))
        checks = checks.selected(np.arange(min(len(checks), max(kept, 0))))
        at = checks.contact - self._offset
        self._checks.append(
            ContactChecks(
                checks.contact,
                checks.release,
                self._buffer.time_s[at],
                self._buffer.position_mm[at],
                checks.peak_n,
                checks.depth_mm,
            )
        )

    def _segment(self, columns: _Columns) -> Segment:
        assert self._buffer is not None
        # the turn that two cycles share belongs to both
        first, last = int(columns.before.min()), int(columns.after.max()) + 1
        signals = self._buffer[first - self._offset : last - self._offset]
        contact, release = columns.contact - first, columns.release - first
        load_end, unload_start = peaks_and_holds(
            signals.position_mm, contact, release, self.deadband_mm, self._shortest_hold
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
        held, cut_off = held_and_clipped(
            signals,
            cycles,
            self.noise,
            usual_step_s=self._usual_step_s,
            shortest_dwell=self._shortest_hold,
            deadband_mm=self.deadband_mm,
        )
        cycles.flags[cut_off] |= np.uint32(Flag.FORCE_SATURATED)
        cycles.flags[:] |= np.where(cut_off, np.uint32(0), held)
        spiked = np.searchsorted(self._spiked, columns.after) > np.searchsorted(self._spiked, columns.before)
        cycles.flags[spiked] |= np.uint32(Flag.SPIKE)
        self._mark_ends(signals, cycles, columns)
        return Segment(signals, cycles, first)

    def _mark_ends(self, signals: Signals, cycles: Cycles, columns: _Columns) -> None:
        """Tell presses that end with the recording from those that are not released."""
        kept = np.uint32(Flag.CONTACT_KEPT_BEFORE | Flag.STARTS_IN_CONTACT)
        for row in np.flatnonzero((cycles.flags & np.uint32(Flag.NOT_RELEASED)) != 0).tolist():
            last = int(cycles.release[row]) - 1
            x_mm = signals.position_mm
            back_mm = float(x_mm[cycles.load_end[row]] - x_mm[last])
            # of rows far apart, the last one alone may be the one that is back
            ends_n = signals.force_n[max(last - 2, 0) : last + 1]
            left_n = min(float(np.median(ends_n)), float(ends_n[-1])) - columns.zero_n[row]
            if back_mm <= max(ONE_WAY_SHARE * columns.depth_mm[row], self.deadband_mm):
                cycles.flags[row] ^= np.uint32(Flag.NOT_RELEASED | Flag.ONE_WAY)
            elif left_n <= RELEASED_SHARE * columns.peak_n[row] and x_mm[last] <= (
                x_mm[cycles.contact[row]] + self.deadband_mm
            ):
                cycles.flags[row] ^= np.uint32(Flag.NOT_RELEASED)
            elif cycles.flags[row] & kept and x_mm[last] <= (
                x_mm[cycles.contact[row]] + max(WHOLE_SHARE * columns.depth_mm[row], self.deadband_mm)
            ):
                # the platen is back where it came in under load: the other half of the press is there
                cycles.flags[row] ^= np.uint32(Flag.NOT_RELEASED | Flag.CONTACT_KEPT_AFTER)

    def _status_flags(
        self,
        signals: Signals,
        contact: IntArray,
        load_end: IntArray,
        unload_start: IntArray,
        release: IntArray,
    ) -> FlagArray:
        """Flags that the device's status, lost samples and pauses imply."""
        status = reduced(np.bitwise_or, signals.status, contact, release)
        flags = np.zeros(len(contact), np.uint32)
        for bit, flag in (
            (Status.FORCE_SATURATED, Flag.FORCE_SATURATED),
            (Status.POSITION_FAULT, Flag.POSITION_FAULT),
            (Status.FORCE_TRIP, Flag.FORCE_TRIP),
        ):
            flags[(status & bit) != 0] |= np.uint32(flag)
        # the step to the first sample behind the release counts too
        ends = np.minimum(release, len(signals) - 1) + 1
        # the count of losses only grows: equal at both ends, there was none
        whole = signals.lost[0] == signals.lost[-1]
        behind_loss = np.empty(0, np.int64) if whole else np.flatnonzero(np.diff(signals.lost)) + 1
        # a table may hold few rows of a platen that stands: nothing of a hold is hidden between two of them
        which = np.searchsorted(load_end, behind_loss, side="right") - 1
        in_hold = (which >= 0) & (unload_start > load_end)[which] & (behind_loss <= unload_start[which] + 1)
        behind_loss = behind_loss[~in_hold | self._hides_way(signals.position_mm, behind_loss)]
        gap = _largest_step(signals.lost, behind_loss, contact, ends)
        paused_at = _long_steps(signals.time_s, PAUSE_STEPS * self._usual_step_s)
        paused_at = paused_at[self._hides_way(signals.position_mm, paused_at)]
        pause_s = _largest_step(signals.time_s, paused_at, contact, ends)
        duration_s = signals.time_s[release - 1] - signals.time_s[contact]
        paused = (pause_s > 0) & (pause_s > PAUSE_SHARE * duration_s)
        flags[(gap > GAP_SHARE * (release - contact)) | paused] |= np.uint32(Flag.SAMPLES_LOST)
        for turn in (load_end, unload_start):
            beside = np.minimum(turn + 1, len(signals) - 1)
            flags[np.isin(turn, behind_loss) | np.isin(beside, behind_loss)] |= np.uint32(Flag.SAMPLES_LOST)
        return flags

    def _hides_way(self, x_mm: FloatArray, behind: IntArray) -> BoolArray:
        """Return whether rows are missing before samples: the platen moved by more than to the rows
        beside them."""
        last = len(x_mm) - 1
        step_mm, before_mm, after_mm = (
            np.abs(x_mm[np.clip(at, 0, last)] - x_mm[np.clip(at - 1, 0, last)])
            for at in (behind, behind - 1, behind + 1)
        )
        hidden: BoolArray = step_mm > np.maximum(
            ROW_STEPS * np.maximum(before_mm, after_mm), self.deadband_mm
        )
        return hidden

    def _forget(self, known: int) -> None:
        """Drop signals that no cycle to come needs."""
        assert self._buffer is not None
        if len(self._waiting):
            keep_from = int(self._waiting.before[0])
        elif self._stretches:
            keep_from = min(max(self._stretches[0].before, self._stretches[0].contact - REACH_SAMPLES), known)
        else:
            keep_from = max(self._release, known - REACH_SAMPLES)
        if len(self._begun):
            keep_from = min(keep_from, int(self._begun.before[0]))
        if keep_from > self._offset:
            self._buffer = self._buffer[keep_from - self._offset :]
            self._offset = keep_from
            self._spiked = self._spiked[np.searchsorted(self._spiked, keep_from) :]


def _long_steps(values: FloatArray, least: float) -> IntArray:
    """Return the samples that lie farther than this behind the one before."""
    found = [np.empty(0, np.int64)]
    # part by part, so that what is worked on stays in the cache
    for begin in range(1, len(values), PART_SAMPLES):
        end = min(begin + PART_SAMPLES, len(values))
        found.append(np.flatnonzero(values[begin:end] - values[begin - 1 : end - 1] > least) + begin)
    return np.concatenate(found)


def _largest_step(
    values: FloatArray | IntArray, at: IntArray, starts: IntArray, ends: IntArray
) -> FloatArray:
    """Return the largest of a few steps, each to the sample `at`, within half-open ranges; 0 without one."""
    largest = np.zeros(len(starts))
    steps = values[at] - values[at - 1]
    first, last = np.searchsorted(at, starts), np.searchsorted(at, ends)
    for row in np.flatnonzero(last > first).tolist():
        largest[row] = steps[first[row] : last[row]].max()
    return largest


def _begun_lightly(columns: _Columns, light: BoolArray) -> tuple[_Columns, BoolArray]:
    """Join light presses that were not let go with the press that they begin: they are no contact checks, but
    a preload at which the platen waits.

    Returns
    -------
    The presses that are left, and which of them are light.
    """
    kept = np.uint32(Flag.CONTACT_KEPT_BEFORE)
    joined = light[:-1] & ((columns.flags[1:] & kept) != 0) & (columns.release[:-1] == columns.contact[1:])
    if not joined.any():
        return columns, light
    before, contact, zero_n = columns.before.copy(), columns.contact.copy(), columns.zero_n.copy()
    flags, depth_mm = columns.flags.copy(), columns.depth_mm.copy()
    for row in np.flatnonzero(joined).tolist():
        before[row + 1], contact[row + 1], zero_n[row + 1] = before[row], contact[row], zero_n[row]
        began = np.uint32(Flag.CONTACT_KEPT_BEFORE | Flag.STARTS_IN_CONTACT)
        flags[row + 1] = (flags[row + 1] & ~kept) | (flags[row] & began)
        depth_mm[row + 1] = max(depth_mm[row], depth_mm[row + 1])
    whole = replace(columns, before=before, contact=contact, zero_n=zero_n, flags=flags, depth_mm=depth_mm)
    left = np.append(~joined, True)
    return whole.selected(left), light[left]


def _light(
    columns: _Columns, main_n: FloatArray | float, main_mm: FloatArray | float, contact_force_n: float | None
) -> BoolArray:
    """Return which presses are contact checks beside main presses of such a force and depth."""
    stated_n = contact_force_n or 0.0
    light: BoolArray = (columns.peak_n < LIGHT_SHARE * main_n) & (
        columns.depth_mm < LIGHT_DEPTH_SHARE * main_mm
    )
    light |= (columns.depth_mm < SHALLOW_SHARE * main_mm) & (columns.peak_n < SHALLOW_FORCE_SHARE * main_n)
    light |= columns.peak_n < np.minimum(CONTACT_FORCES * stated_n, MOST_CHECK_SHARE * main_n)
    light |= columns.peak_n < stated_n
    return light


@dataclass(slots=True)
class _Stretch:
    """A stretch of contact, as far as it is known; sample numbers count from the start of the recording.

    `contact` moves on to the last turn where contact was kept; `contact_mm` is where it was made.
    """

    before: int
    contact: int
    contact_mm: float
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
    peak_n: FloatArray
    depth_mm: FloatArray

    @classmethod
    def empty(cls) -> _Columns:
        none, no_force = np.empty(0, np.int64), np.empty(0)
        return cls(none, none, none, none, no_force, np.empty(0, np.uint32), no_force, no_force)

    @classmethod
    def of(cls, stretches: list[_Stretch], known: int, after_samples: int) -> _Columns:
        contact = np.array([stretch.contact for stretch in stretches])
        before = np.maximum([stretch.before for stretch in stretches], contact - REACH_SAMPLES)
        release = np.array([known if stretch.release is None else stretch.release for stretch in stretches])
        follows = np.array(
            [known if stretch.next_contact is None else stretch.next_contact for stretch in stretches]
        )
        after = np.minimum(follows, release + after_samples)
        flags = np.zeros(len(stretches), np.uint32)
        kept = np.array([stretch.kept for stretch in stretches])
        flags[kept] |= np.uint32(Flag.CONTACT_KEPT_BEFORE)
        flags[(before == contact) & ~kept] |= np.uint32(Flag.STARTS_IN_CONTACT)
        open_ended = np.array([stretch.release is None for stretch in stretches])
        flags[open_ended] |= np.uint32(Flag.NOT_RELEASED)
        unknown = np.full(len(stretches), np.nan)
        zero_n = np.array([stretch.zero_n for stretch in stretches])
        return cls(before, contact, release, after, zero_n, flags, unknown, unknown)

    @classmethod
    def joined(cls, parts: list[_Columns]) -> _Columns:
        return cls(*(np.concatenate([getattr(part, each.name) for part in parts]) for each in fields(cls)))

    def __len__(self) -> int:
        return len(self.contact)

    def row(self, number: int) -> _Columns:
        return self.selected(np.array([number]))

    def selected(self, which: IntArray | BoolArray) -> _Columns:
        return _Columns(*(getattr(self, each.name)[which] for each in fields(self)))

    def split_at(self, turn: int) -> tuple[_Columns, _Columns]:
        """One cycle as two at the turn where contact was kept."""
        at = np.array([turn])
        ended = np.uint32(Flag.NOT_RELEASED)
        began = np.uint32(Flag.STARTS_IN_CONTACT)
        kept_after, kept_before = np.uint32(Flag.CONTACT_KEPT_AFTER), np.uint32(Flag.CONTACT_KEPT_BEFORE)
        first = replace(self, release=at, after=at, flags=(self.flags & ~ended) | kept_after)
        second = replace(self, before=at, contact=at, flags=(self.flags & ~began) | kept_before)
        return first, second

    def split_apart(self, gone: int) -> tuple[_Columns, _Columns]:
        """One cycle as two that were let go for the one sample between them."""
        at, ended = np.array([gone]), np.uint32(Flag.NOT_RELEASED)
        began = np.uint32(Flag.STARTS_IN_CONTACT | Flag.CONTACT_KEPT_BEFORE)
        first = replace(self, release=at, after=at + 1, flags=self.flags & ~ended)
        second = replace(self, before=at, contact=at + 1, flags=self.flags & ~began)
        return first, second
