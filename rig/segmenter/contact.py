"""In contact or not: a two-level switch on the force, with a zero that follows drift.

Problem: the zero drifts over hours by more than the level that detects a contact, and the level has to be
low so that a soft toe region is not missed.

Plan: contact begins above `on_n`, and ends where two samples in a row are below `off_n`, or, should the
zero have drifted too far for that within one press, where the platen is clearly farther away than where it
reached. The zero is looked at again while the platen stands still out of contact, after every
`WINDOW_S`, and at the end of each no-load stretch around its farthest position, where the specimen's
toe region cannot be mistaken for drift. A force that jumps while the platen stands there, and then stays, is
no contact but a zero that was set anew. Where it has left the zero in use by more than a fraction of `off_n`,
it is frozen anew from that moment on. Between such moments the zero is constant, so that whole parts are
classified by arrays; a restart costs at most one piece again.

The rule looks only at samples up to the one it decides on: any cutting of the recording gives the same
stretches.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rig.samples import FloatArray, IntArray
from rig.segmenter.noise import Noise
from rig.segmenter.padding import padded_rows

PIECE_SAMPLES = 32768

WINDOW_S = 0.256
WINDOW_SAMPLES = (8, 4096)
"""The zero is looked at over windows of this length, within these counts."""

AWAY_SHARE = 0.1
AWAY_DEADBANDS = 3.0
"""A platen farther from the specimen than the contact, by this share of the press's depth and this
many deadbands, has let go whatever the force says: no specimen grows by a tenth of its squeeze within
one press."""

SPENT_SHARE = 0.05
"""Nor does one push from farther than the contact: a platen that is there by the deadbands alone,
with no more than this share of the press's largest force, has let go as well."""

MOST_KEPT = 1.5
"""A platen at rest keeps no more friction than this many times what drags it on its way in."""

REACH_SAMPLES = 4096
"""How far back into a no-load stretch its farthest position is looked for."""

RESTED_WINDOWS = 16
"""A platen that stays away from the specimen for this number of windows has rested: its zero is followed."""

MOVED_SHARE = 0.25
MOVED_ERRORS = 4.0
"""A zero that moved by this share of the release level, and by this many standard errors of its mean, is
frozen anew: well before a release could be missed, and not for the noise of a mean over a few samples."""

SURELY_AWAY = 64
"""A no-load stretch of this many samples is not a gap in a burst of noise, whatever the platen does in it."""

JUMP_WINDOWS = 4
"""A zero that jumped is looked for in this many windows from the jump on: it may be stirred at first."""

JUMP_LOOKS_BACK = 4
"""A platen that came in within this many windows may have met the specimen: a force that then rises and stays
is no zero that jumped."""

MOST_SET = 4
"""A zero is set anew at one sample this often at the most: two windows that end there and disagree, as in
noise on both channels, would set it by turns for ever."""

FEWEST_BEFORE_FIRST = 8
"""Samples before the first contact from which its zero can be told again."""

MEDIAN_ERROR = 1.25
"""Standard error of a median beside that of a mean, for normal noise."""

_NEVER = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True)
class Levels:
    """Forces above zero, in N, at which contact begins and ends."""

    on_n: float
    off_n: float


@dataclass(frozen=True, slots=True)
class _Look:
    """Windows over which the zero is looked at, and the moment from which the answer counts."""

    first: IntArray
    last: IntArray
    moment: IntArray


class ContactSwitch:
    """Follows contact through a recording.

    Parameters
    ----------
    levels
        Forces at which contact begins and ends.
    zero_n
        Force zero to begin with.
    noise
        Of the recording; its `samples` are those that the zero was taken from.
    deadband_mm
        Noise of position: a platen whose mean position moves by less than half of it within a window
        stands still.
    start
        Sample number of the first sample that will come.
    step_s
        Time between samples.
    follow
        Whether the zero may follow drift; not where the recording has no stretch to take it from.
    """

    def __init__(
        self,
        levels: Levels,
        zero_n: float,
        noise: Noise,
        deadband_mm: float,
        *,
        start: int,
        step_s: float,
        follow: bool,
    ) -> None:
        self._levels = levels
        self._zero_n = self._first_zero_n = zero_n
        self._noise = noise
        self._window = int(np.clip(round(WINDOW_S / step_s), *WINDOW_SAMPLES))
        self._jump_width = 2 * (min(self._window, REACH_SAMPLES // 2) // 2)
        self._zero_count = max(min(noise.samples, self._window), 1)
        self._deadband_mm = deadband_mm
        self._follow = follow
        self._set_at, self._times_set = -1, 0
        self._in_contact = False
        # an untouched start is known to be one; only what began under load is decided again
        self._start_settled = noise.samples > 0
        # a press that was let go early leaves a zero that may still hold some of its force
        self._provisional = False
        self._was_low = False
        self._stretch_start = start
        self._contact_mm = 0.0
        self._deepest_mm = 0.0
        self._largest_n = 0.0
        self._recording_start = self._start = self._seen = start
        self._past_n: FloatArray = np.empty(0)
        self._past_mm: FloatArray = np.empty(0)

    def push(self, force_n: FloatArray, position_mm: FloatArray) -> tuple[IntArray, FloatArray]:
        """Return where contact begins and ends, in turn, within the next part of the recording.

        Parameters
        ----------
        force_n, position_mm
            The next part, shape (n,).

        Returns
        -------
        Sample numbers from the start of the recording (the first sample in contact, one past the last,
        and so on; an end may lie one sample before this part), and the force zero in use at each.
        """
        flips, zeros_n = [np.empty(0, np.int64)], [np.empty(0)]
        for start in range(0, len(force_n), PIECE_SAMPLES):
            piece = slice(start, start + PIECE_SAMPLES)
            for found, zero_n in self._push_piece(force_n[piece], position_mm[piece]):
                flips.append(found)
                zeros_n.append(np.full(len(found), zero_n))
        return np.concatenate(flips), np.concatenate(zeros_n)

    def _push_piece(self, force_n: FloatArray, position_mm: FloatArray) -> list[tuple[IntArray, float]]:
        known_n = np.concatenate([self._past_n, force_n])
        known_mm = np.concatenate([self._past_mm, position_mm])
        origin = self._seen - len(self._past_n)
        stop = self._seen + len(force_n)
        flips = []
        away: int | None = None
        while self._seen < stop:
            found, low = self._classify(known_n[self._seen - origin :])
            upto, zero_n = stop, self._zero_n
            if self._follow:
                upto, zero_n = self._look_at_zero(found, stop, known_n, known_mm, origin)
                upto, zero_n = self._risen_at_rest(found, (upto, zero_n), known_n, known_mm, origin)
                away = self._let_go(found, upto, low, (known_n, known_mm), origin)
                jumped = self._jumped(found, upto if away is None else away, (known_n, known_mm), origin)
                if jumped is not None:
                    away, zero_n = jumped
                    self._zero_count = self._jump_width
                    self._start, self._start_settled, self._provisional = away, True, False
                elif away is not None:
                    zero_n, self._zero_count = float(known_n[away - origin]), 1
                    self._start, self._start_settled, self._provisional = away, False, True
                upto = upto if away is None else away
            found = found[found < upto]
            if self._follow and away is not None:
                found = np.append(found, away)
            flips.append((found, self._zero_n))
            self._advance(found, low, upto, (known_n, known_mm), origin)
            if zero_n != self._zero_n:
                self._times_set = self._times_set + 1 if upto == self._set_at else 1
                self._set_at, self._zero_n = upto, zero_n
        self._past_n = known_n[-REACH_SAMPLES:]
        self._past_mm = known_mm[-REACH_SAMPLES:]
        return flips

    def _advance(
        self,
        found: IntArray,
        low: npt.NDArray[np.bool_],
        upto: int,
        known: tuple[FloatArray, FloatArray],
        origin: int,
    ) -> None:
        """Remember the state at sample `upto`, after the flips before it."""
        known_n, known_mm = known
        if upto > self._seen:
            self._was_low = bool(low[upto - self._seen - 1])
        since = self._seen
        if len(found):
            self._in_contact ^= bool(len(found) % 2)
            self._stretch_start = int(found[-1])
            if self._in_contact:
                since = int(found[-1])
                self._contact_mm = float(known_mm[max(since - origin - 1, 0)])
                self._deepest_mm = float(known_mm[since - origin])
                self._largest_n = float(known_n[since - origin])
        if self._in_contact and upto > since:
            part = slice(since - origin, upto - origin)
            self._deepest_mm = max(self._deepest_mm, float(known_mm[part].max()))
            self._largest_n = max(self._largest_n, float(known_n[part].max()))
        self._seen = upto

    def _let_go(
        self,
        flips: IntArray,
        upto: int,
        low: npt.NDArray[np.bool_],
        known: tuple[FloatArray, FloatArray],
        origin: int,
    ) -> int | None:
        """Return the first sample, if any, at which a press has let go though its force has not fallen far
        enough.

        That sample's force is the zero from there on, until a better one is known: it may have been falling
        still, so that the next contact is decided again with what the platen's farthest position shows.
        """
        known_n, known_mm = known
        edges = np.concatenate([[self._seen], flips]) if self._in_contact else flips
        starts, ends = edges[0::2], edges[1::2]
        if len(starts) > len(ends):
            ends = np.concatenate([ends, [upto]])
        reaches = (starts < np.minimum(ends, upto)) & (ends > self._seen)
        starts, ends = np.maximum(starts[reaches], self._seen), np.minimum(ends[reaches], upto)
        if not len(starts):
            return None
        # the last sample out of contact: with few samples, the first one in contact may be far in
        contact_mm = known_mm[np.maximum(starts - origin - 1, 0)]
        deepest_mm, largest_n = known_mm[starts - origin], known_n[starts - origin]
        if self._in_contact and starts[0] == self._seen:
            contact_mm[0], deepest_mm[0] = self._contact_mm, self._deepest_mm
            largest_n[0] = self._largest_n
        bounds = np.array((starts, ends)).ravel("F") - origin
        nearest_mm = np.minimum.reduceat(np.append(known_mm, np.inf), bounds)[0::2]
        least_mm = AWAY_DEADBANDS * self._deadband_mm
        suspects = np.flatnonzero(nearest_mm < contact_mm - least_mm)
        if not len(suspects):
            return None
        first = [_NEVER]
        for rows, index in padded_rows(starts[suspects], ends[suspects]):
            each = suspects[rows]
            press_mm, press_n = known_mm[index - origin], known_n[index - origin]
            depth_mm = np.maximum.accumulate(np.maximum(press_mm, deepest_mm[each, None]), axis=1)
            peak_n = np.maximum.accumulate(np.maximum(press_n, largest_n[each, None]), axis=1)
            spent = press_n - self._zero_n < SPENT_SHARE * (peak_n - self._zero_n)
            share_mm = np.where(spent, 0.0, AWAY_SHARE * (depth_mm - contact_mm[each, None]))
            margin_mm = np.maximum(least_mm, share_mm)
            gone = (press_mm < contact_mm[each, None] - margin_mm) & ~low[index - self._seen]
            # a press that begins here holds a sample at least, though a damaged position leaps away with it
            gone[:, 0] &= self._in_contact & (starts[each] == self._seen)
            which = np.flatnonzero(gone.any(axis=1))
            first.extend(index[which, np.argmax(gone[which], axis=1)].tolist())
        earliest = min(first)
        return None if earliest == _NEVER else int(earliest)

    def _jumped(
        self, flips: IntArray, upto: int, known: tuple[FloatArray, FloatArray], origin: int
    ) -> tuple[int, float] | None:
        """Return where a contact without a motion is seen to be a zero that jumped, and that zero.

        In a window behind the jump the platen stands no nearer than it just was, and the force stays where it
        jumped to.
        """
        known_n, known_mm = known
        width, half = self._jump_width, self._jump_width // 2
        edges = np.concatenate([[self._stretch_start], flips]) if self._in_contact else flips
        begins = edges[0::2]
        ends = np.minimum(np.append(edges[1::2], upto)[: len(begins)], upto)
        later = np.arange(width, min(JUMP_WINDOWS * width, REACH_SAMPLES // 2) + 1, width)
        moments = begins[:, None] + later
        decided = (moments <= ends[:, None]) & (moments > self._seen) & (begins >= origin)[:, None]
        # most contacts end here: the platen is under way
        at = np.clip(moments - 1 - origin, 0, len(known_mm) - 1)
        way_mm = np.abs(known_mm[at] - known_mm[np.clip(begins - origin, 0, None)][:, None])
        for row, column in zip(*np.nonzero(decided & (way_mm <= 2 * self._deadband_mm)), strict=True):
            begin, moment = int(begins[row]) - origin, int(moments[row, column]) - origin
            stood_mm = known_mm[moment - width : moment].reshape(2, half).mean(axis=1)
            early_n, late_n = known_n[moment - width : moment].reshape(2, half).mean(axis=1).tolist()
            stays_n = max(MOVED_SHARE * self._levels.off_n, MOVED_ERRORS * float(self._error_n(half)))
            # as far back as is known however the recording was cut
            back = min(JUMP_LOOKS_BACK * width, REACH_SAMPLES // 2, begin)
            farthest_mm = float(known_mm[begin - back : moment].min())
            if (
                np.ptp(stood_mm) <= self._deadband_mm / 2
                and abs(late_n - early_n) <= stays_n
                and stood_mm.max() <= farthest_mm + self._deadband_mm
                and float(known_mm[begin:moment].max()) <= farthest_mm + 2 * self._deadband_mm
            ):
                return moment + origin, (early_n + late_n) / 2
        return None

    def _classify(self, part_n: FloatArray) -> tuple[IntArray, npt.NDArray[np.bool_]]:
        """Flips in a part with the zero in use, and which of its samples are low."""
        # where friction holds a platen that came back, it rests as far below the first zero as it drags above
        kept_n = min(max(self._first_zero_n - self._zero_n, 0.0), MOST_KEPT * self._noise.drag_n)
        high = part_n > self._zero_n + kept_n + self._levels.on_n
        low = part_n < self._zero_n + self._levels.off_n
        settled = low.copy()
        settled[1:] &= low[:-1]
        settled[0] &= self._was_low
        # 1 where contact is sure, -1 where its end is, 0 where nothing is decided: few runs of many samples
        sure = high.view(np.int8) - settled.view(np.int8)
        begin = np.concatenate([[0], np.flatnonzero(sure[1:] != sure[:-1]) + 1])
        decisive = begin[sure[begin] != 0]
        in_contact = np.concatenate([[self._in_contact], sure[decisive] > 0])
        changed = np.flatnonzero(in_contact[1:] != in_contact[:-1])
        begins = in_contact[1:][changed]
        # a release is known with the second low sample and counts from the first
        return self._seen + decisive[changed] - ~begins, low

    def _look_at_zero(
        self, flips: IntArray, stop: int, known_n: FloatArray, known_mm: FloatArray, origin: int
    ) -> tuple[int, float]:
        """Up to where the zero in use holds, and the zero from there on."""
        starts, ends, closed = self._no_load_stretches(flips, stop)
        # a stretch that is decided again has a zero of its own to follow where the platen rested in it
        rested = (starts > self._recording_start) & (ends - starts > RESTED_WINDOWS * self._window)
        later = closed & ((starts > self._start) | rested) & ~self._rests_away(known_mm, starts, ends, origin)
        look = _join(
            self._far_windows(known_mm, np.maximum(starts, ends - REACH_SAMPLES)[later], ends[later], origin),
            self._still_windows(known_mm, starts, ends, origin),
        )
        first = int(ends[0]) if len(starts) and starts[0] == self._start and closed[0] else None
        if first is not None and not self._start_settled and not self._moved_by(look, first, known_n, origin):
            self._start_settled = True
            reached = self._met_first(first, known_n, known_mm, origin)
            if reached is not None:
                return reached
        if not len(look.moment):
            return stop, self._zero_n
        moved, means_n = self._moved(look, known_n, origin)
        moved &= self._may_be_set(np.maximum(look.moment, self._seen))
        if not moved.any():
            return stop, self._zero_n
        self._provisional = False
        which = int(np.argmax(moved))
        self._zero_count = int(look.last[which] - look.first[which])
        return max(int(look.moment[which]), self._seen), float(means_n[which])

    def _risen_at_rest(
        self,
        flips: IntArray,
        holds: tuple[int, float],
        known_n: FloatArray,
        known_mm: FloatArray,
        origin: int,
    ) -> tuple[int, float]:
        """Up to where the zero in use holds and the zero from there on, if no contact can begin before that.

        A force that rises while the platen stands where it was farthest away is a zero that drifts.
        """
        upto, _ = holds
        starts, ends, closed = self._no_load_stretches(flips, upto)
        whole = closed & (ends - starts >= self._window) & (ends >= self._seen) & (ends < upto)
        whole &= self._may_be_set(ends)
        starts, ends = starts[whole], ends[whole]
        means_n = _means(known_n, np.maximum(ends - self._window - origin, 0), ends - origin)
        for row in np.flatnonzero(means_n - self._zero_n > MOVED_SHARE * self._levels.off_n).tolist():
            start, end = int(starts[row]), int(ends[row])
            window = slice(max(end - self._window - origin, 0), end - origin)
            early_mm, late_mm = (float(half.mean()) for half in np.array_split(known_mm[window], 2))
            since = max(start, end - REACH_SAMPLES, origin)
            farthest_mm = float(known_mm[since - origin : end - origin].min())
            stood = abs(late_mm - early_mm) <= self._deadband_mm / 2
            if not stood or known_mm[end - origin] > farthest_mm + self._deadband_mm:
                continue
            self._zero_count = self._window
            return end, float(means_n[row])
        return holds

    def _may_be_set(self, moments: IntArray) -> npt.NDArray[np.bool_]:
        """Return at which samples the zero may be set anew: not where it was set as often as it may be."""
        may: npt.NDArray[np.bool_] = (moments != self._set_at) | (self._times_set < MOST_SET)
        return may

    def _error_n(self, count: IntArray | int) -> FloatArray | float:
        """Return the standard error of the difference between a mean of this many samples and the zero."""
        correlated = self._noise.correlated_samples
        shares = 1 / count + 1 / self._zero_count
        return self._noise.force_n * np.sqrt(np.minimum(correlated * shares, 2.0))

    def _moved_by(self, look: _Look, moment: int, known_n: FloatArray, origin: int) -> bool:
        """Return whether a window says, up to a moment, that the zero has moved."""
        return bool((self._moved(look, known_n, origin)[0] & (look.moment <= moment)).any())

    def _moved(
        self, look: _Look, known_n: FloatArray, origin: int
    ) -> tuple[npt.NDArray[np.bool_], FloatArray]:
        """Return which windows have left the zero in use, and their means."""
        means_n = _means(known_n, look.first - origin, look.last - origin)
        count = look.last - look.first
        error_n = self._error_n(count)
        moved: npt.NDArray[np.bool_] = np.abs(means_n - self._zero_n) > np.maximum(
            MOVED_SHARE * self._levels.off_n, MOVED_ERRORS * error_n
        )
        return moved, means_n

    def _met_first(
        self, contact: int, known_n: FloatArray, known_mm: FloatArray, origin: int
    ) -> tuple[int, float] | None:
        """Return where a stretch's contact begins and the zero there, if the one in use is another.

        The stretch is the first one of a recording, or one behind a press that was let go early.

        A recording that begins under load has that load for its zero, and finds its first contact late. Only
        that nothing is in contact has been decided by it, so that much is decided again. The median stands
        for the farthest part, since the load may reach into it.
        """
        start = max(contact - REACH_SAMPLES, self._start)
        length = contact - start
        provisional, self._provisional = self._provisional, False
        if provisional and length > RESTED_WINDOWS * self._window:
            return None
        if length < (1 if provisional else FEWEST_BEFORE_FIRST):
            return None
        centre = start + int(np.argmin(known_mm[start - origin : contact - origin]))
        edges_mm = known_mm[[start - origin, contact - 1 - origin]]
        away_mm = float(edges_mm.min() - known_mm[centre - origin])
        if provisional and length < SURELY_AWAY and away_mm <= self._deadband_mm / 2:
            return None
        half = min(length // 8, self._window // 2)
        first, last = max(centre - half, start), min(centre + half + 1, contact)
        zero_n = float(np.median(known_n[first - origin : last - origin]))
        error_n = MEDIAN_ERROR * self._error_n(last - first)
        least_n = MOVED_SHARE * self._levels.off_n
        if abs(zero_n - self._zero_n) <= (least_n if provisional else max(least_n, MOVED_ERRORS * error_n)):
            return None
        high = known_n[last - origin : contact - origin] > zero_n + self._levels.on_n
        self._zero_count = last - first
        return (last + int(np.argmax(high)) if high.any() else contact), zero_n

    def _no_load_stretches(
        self, flips: IntArray, stop: int
    ) -> tuple[IntArray, IntArray, npt.NDArray[np.bool_]]:
        """Starts and ends of no-load stretches that reach into the part, and whether contact ended them."""
        edges = flips if self._in_contact else np.concatenate([[self._stretch_start], flips])
        starts, ends = edges[0::2], edges[1::2]
        closed = np.ones(len(starts), bool)
        if len(starts) > len(ends):
            ends = np.concatenate([ends, [stop]])
            closed[-1] = False
        return starts, ends, closed

    def _rests_away(
        self, known_mm: FloatArray, starts: IntArray, ends: IntArray, origin: int
    ) -> npt.NDArray[np.bool_]:
        """Return in which stretches the platen rests for a window where it is farthest away: such a rest
        tells a later zero than the sample that noise made the farthest."""
        window, half = self._window, self._window // 2
        rests = np.zeros(len(starts), bool)
        known = (ends - starts >= window) & (ends > self._seen)
        for row in np.flatnonzero(known).tolist() if 2 * window <= REACH_SAMPLES else []:
            start, end = int(starts[row]), int(ends[row])
            # whole windows of the stretch, as far back as is known however the recording was cut
            start += -(-max(end - REACH_SAMPLES - start, 0) // window) * window
            count = (end - start) // window
            stood_mm = known_mm[start - origin : start - origin + count * window].reshape(count, window)
            early_mm, late_mm = stood_mm[:, :half].mean(axis=1), stood_mm[:, half:].mean(axis=1)
            farthest_mm = known_mm[start - origin : end - origin].min()
            still = np.abs(late_mm - early_mm) <= self._deadband_mm / 2
            rests[row] = (still & (late_mm <= farthest_mm + self._deadband_mm)).any()
        return rests

    def _far_windows(self, known_mm: FloatArray, starts: IntArray, ends: IntArray, origin: int) -> _Look:
        """Windows around the farthest position of stretches that contact has ended."""
        enough = ends - starts >= 2
        starts, ends = starts[enough], ends[enough]
        if not len(starts):
            return _Look(starts, starts, starts)
        bounds = np.array((starts, ends)).ravel("F") - origin
        within = known_mm if bounds[-1] < len(known_mm) else np.append(known_mm, np.inf)
        nearest_mm = np.minimum.reduceat(within, bounds)[0::2]
        lengths = ends - starts
        owner = np.repeat(np.arange(len(starts)), lengths)
        index = np.arange(len(owner)) - np.repeat(np.cumsum(lengths) - lengths, lengths) + starts[owner]
        at_minimum = index[known_mm[index - origin] == nearest_mm[owner]]
        first_of = np.searchsorted(at_minimum, starts)
        centre = at_minimum[first_of]
        # between two presses the platen goes away and comes back; while a burst of noise flips to and fro it
        # stands or goes on one way
        edges_mm = np.minimum(known_mm[starts - origin], known_mm[ends - 1 - origin])
        away = (ends - starts >= SURELY_AWAY) | (edges_mm - nearest_mm > self._deadband_mm / 2)
        half = np.minimum(lengths // 4, self._window // 2)
        first, last = np.maximum(centre - half, starts), np.minimum(centre + half + 1, ends)
        return _Look(first[away], last[away], ends[away])

    def _still_windows(self, known_mm: FloatArray, starts: IntArray, ends: IntArray, origin: int) -> _Look:
        """Whole windows of long stretches in which the platen stood still."""
        window = self._window
        long = ends - starts >= window
        moments = [
            np.arange(start + window * max((self._seen - start) // window, 0), end + 1, window)
            for start, end in zip(starts[long], ends[long], strict=True)
        ]
        moment = np.concatenate([np.empty(0, np.int64), *moments])
        moment = moment[(moment > self._seen) & (moment - window >= origin)]
        first = moment - window
        middle = moment - self._window // 2
        travelled_mm = _means(known_mm, middle - origin, moment - origin) - _means(
            known_mm, first - origin, middle - origin
        )
        still = np.abs(travelled_mm) <= self._deadband_mm / 2
        return _Look(first[still], moment[still], moment[still])


def _join(one: _Look, other: _Look) -> _Look:
    moment = np.concatenate([one.moment, other.moment])
    order = np.argsort(moment, kind="stable")
    return _Look(
        np.concatenate([one.first, other.first])[order],
        np.concatenate([one.last, other.last])[order],
        moment[order],
    )


def _means(values: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """Return the mean of values[first:last] for each pair; none is empty."""
    if not len(first):
        return np.empty(0)
    width = last - first
    begin = np.cumsum(width) - width
    gathered = values[np.arange(int(width.sum())) + np.repeat(first - begin, width)]
    means: FloatArray = np.add.reduceat(gathered, begin) / width
    return means
