"""Bring force and position to the same instants.

Problem: a filtered converter reports a force that is older than the position beside it, and a slow one
averages over its conversion and repeats its last value. Pressing at 10 mm/s, 25 ms of delay alone turn into
several points of false hysteresis.

Plan: keep only new conversions where the device marks them (status bit 6); each belongs to the stretch of
time that it averaged over, less the stated delay, and gets the mean position over that stretch. Whether
the device marks conversions, and how long one takes, is decided once from the first samples, so that a
recording read in any chunks comes out the same. Cost: one running integral and two interpolations where
there is a delay or a slow converter, nothing otherwise.

A converter that is new in every sample may be of any kind, so no conversion time is taken off there.
"""

from __future__ import annotations

import numpy as np

from rig.calibration.calibration import Calibration
from rig.calibration.signals import Signals
from rig.samples import COUNTS, US_PER_S, FloatArray, IntArray, Samples, Status

DECISION_SAMPLES = 512
DECISION_S = 2.0
FEWEST_TO_DECIDE = 16
"""How many samples decide whether conversions are marked, or those of how long a time: a 10-per-second
converter read at 500 per second shows ten of them, and a stream of 10 per second need not be waited for."""

SLOW_SHARE = 0.95
"""Below this share of new conversions, the converter is slower than the stream."""


class Aligner:
    """Turns consecutive parts of one recording into consecutive `Signals`.

    Attributes
    ----------
    taken_mm
        The first positions as they were taken, where those handed out lie between them: smoother than single
        ones by a share that no mean over them keeps. None where they are handed out as they are, or as means
        over conversions that hardly share any.
    """

    def __init__(self, calibration: Calibration) -> None:
        self._calibration = calibration
        self.taken_mm: FloatArray | None = None
        self._waiting: list[Samples] = []
        self._waiting_count = 0
        self._decided = False
        self._only_fresh = False
        self._delay_s = calibration.delay.s
        self._conversion_s = 0.0
        self._next_seq_without_loss: int | None = None
        self._past_time_s: FloatArray = np.empty(0)
        self._past_position_mm: FloatArray = np.empty(0)
        self._past_area_mm_s: FloatArray = np.empty(0)

    def push(self, samples: Samples) -> Signals | None:
        """Return the signals of the samples given so far and not yet handed out; None while still
        deciding."""
        if not len(samples):
            return None
        if self._decided:
            return self._align(samples)
        self._waiting.append(samples)
        self._waiting_count += len(samples)
        first, waited = self._waiting[0], self._waiting_count
        lasted_s = (int(samples.time_us[-1]) - int(first.time_us[0])) / US_PER_S if waited else 0.0
        enough = waited >= FEWEST_TO_DECIDE and lasted_s >= DECISION_S and samples.clock != "none"
        return self._decide() if enough or waited >= DECISION_SAMPLES else None

    def finish(self) -> Signals | None:
        """Return the rest of a recording that ended before there was enough to decide."""
        return None if self._decided or not self._waiting_count else self._decide()

    def _decide(self) -> Signals:
        samples = Samples.concatenate(self._waiting)
        self._waiting.clear()
        self._decided = True
        head = samples[:DECISION_SAMPLES]
        if samples.clock != "none":
            until_us = int(samples.time_us[0]) + DECISION_S * US_PER_S
            head = head[: max(int(np.searchsorted(head.time_us, until_us)) + 1, FEWEST_TO_DECIDE)]
        fresh = (head.status & Status.FRESH_FORCE) != 0
        self._only_fresh = bool(fresh.any())
        # a slow converter: how long one conversion takes is the mean time between new ones
        if self._only_fresh and fresh.mean() < SLOW_SHARE and fresh.sum() > 1:
            new_s = self._calibration.time_s(head)[fresh]
            self._conversion_s = float(new_s[-1] - new_s[0]) / (len(new_s) - 1)
        if self._delay_s and not self._conversion_s and samples.clock != "none":
            self.taken_mm = self._calibration.position_mm(head)
        return self._align(samples)

    def _align(self, samples: Samples) -> Signals:
        calibration = self._calibration
        # scaled first, cut to new conversions last: positions between them are needed for the means
        time_s = calibration.time_s(samples)
        position_mm = calibration.position_mm(samples)
        force_n = calibration.force_n(samples)
        status, lost = samples.status, self._lost_before(samples)
        if (self._delay_s or self._conversion_s) and samples.clock != "none":
            time_s, position_mm = self._move_back(time_s, position_mm)
        if self._only_fresh:
            keep = (status & Status.FRESH_FORCE) != 0
            if not keep.all():
                time_s, position_mm, force_n = time_s[keep], position_mm[keep], force_n[keep]
                status, lost = status[keep], lost[keep]
        return Signals(
            time_s,
            force_n,
            position_mm,
            status,
            lost,
            calibration.force_resolution_n(samples.force_channel),
            calibration.position_resolution_mm(samples.position_channel),
            self._conversion_s > 0,
            samples.force_channel.unit != COUNTS,
        )

    def _lost_before(self, samples: Samples) -> IntArray:
        if not len(samples):
            return samples.seq
        if self._next_seq_without_loss is None:
            self._next_seq_without_loss = int(samples.seq[0])
        lost = samples.seq - (self._next_seq_without_loss + np.arange(len(samples)))
        self._next_seq_without_loss += len(samples)
        return lost

    def _move_back(self, time_s: FloatArray, position_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the middles of the conversions in s, and the mean positions over them in mm (the first known
        one before the start)."""
        known_s = np.concatenate([self._past_time_s, time_s])
        known_mm = np.concatenate([self._past_position_mm, position_mm])
        if not len(known_s):
            return time_s, position_mm
        ended_s = time_s - self._delay_s
        began_s = ended_s - self._conversion_s
        if self._conversion_s:
            # positions are straight between samples; before the first one the platen is taken to have stood
            area = self._area_mm_s(known_s, known_mm)
            early = known_mm[0] * np.minimum(ended_s - known_s[0], 0.0)
            earlier = known_mm[0] * np.minimum(began_s - known_s[0], 0.0)
            until = np.interp(ended_s, known_s, area) + early
            since = np.interp(began_s, known_s, area) + earlier
            aligned_mm = (until - since) / self._conversion_s
        else:
            aligned_mm = np.interp(ended_s, known_s, known_mm)
        # of the past, only what the next samples reach back to
        needed_from_s = known_s[-1] - self._delay_s - self._conversion_s
        first = max(int(np.searchsorted(known_s, needed_from_s)) - 1, 0)
        self._past_time_s, self._past_position_mm = known_s[first:], known_mm[first:]
        self._past_area_mm_s = self._past_area_mm_s[first:]
        return (ended_s + began_s) / 2, aligned_mm

    def _area_mm_s(self, known_s: FloatArray, known_mm: FloatArray) -> FloatArray:
        """Return the running integral of position over time at the known samples, in mm s.

        It goes on from the last total in order, so that its rounding does not depend on how a recording is
        cut: positions stand on a grid of counts, where the smallest difference can turn a comparison.
        """
        past = self._past_area_mm_s if len(self._past_area_mm_s) else np.zeros(1)
        new = slice(len(past) - 1, None)
        slices = (known_mm[1:] + known_mm[:-1])[new] / 2 * np.diff(known_s)[new]
        totals = np.cumsum(np.concatenate([past[-1:], slices]))
        self._past_area_mm_s = np.concatenate([past, totals[1:]])
        return self._past_area_mm_s
