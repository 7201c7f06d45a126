"""When a person has moved the platen as a step asks, told from samples.

Problem: a hand starts late, stops short, goes back, goes too far and never stands quite still. Plan: a stroke
is over when its goal was passed and the platen then stands or turns, so that how far it went too far is
known; its speed is the mean over the middle of the way, however long it waited before. Cost: a few
passes over each batch of samples; constant memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from rig.jobs.guidance import Pace, pace_of
from rig.jobs.hand_samples import HandSamples, first, upto
from rig.samples import FloatArray

STAND_S = 0.3
"""So long within the standing band, the platen stands: longer than a hand's tremor lasts, shorter than a
pause is noticed."""

MOST_STANDING_MM = 0.1
LEAST_STANDING_MM = 0.02
STANDING_CREEP = 0.25
"""The band is what a quarter of the speed asked for makes of `STAND_S`, within these bounds: a slow stroke
must not be taken for a stop."""

TURN_MM = 0.3
"""So far back from the farthest point, the platen has turned; a tremor moves it by a hundredth of that."""

WENT_BACK_MM = 1.0
WENT_BACK_SHARE = 0.2
"""So far back before the goal was reached, a press was given up and has to be done again."""

TOLERANCE_MM = 0.1
TOLERANCE_SHARE = 0.01
"""A depth is reached within so much, whichever is more: what a person can set on a dial."""

SPEED_FROM, SPEED_TO = 0.1, 0.9
"""The mean speed is that over the middle of the way: starting and stopping are no part of it."""

WAY_STEP_MM = 0.02
MOST_WAY_POINTS = 4096
"""Points kept of one way, a step apart; the step doubles when they do not suffice."""


@dataclass(frozen=True, slots=True)
class Aim:
    """What a stroke is to reach.

    `sign`: 1 for an approach, -1 for a way back.
    `goal_mm`: deflection; for a press to a force the deepest allowed, None for a contact check.
    `goal_n`: force; None for a way to a depth.
    `stands`: whether it is over only when the platen stands or turns; False: as soon as the goal is felt.
    """

    sign: int
    speed_mm_per_s: float
    goal_mm: float | None
    goal_n: float | None = None
    stands: bool = True

    @property
    def tolerance_mm(self) -> float:
        """Within which the goal counts as reached."""
        return (
            TOLERANCE_MM if self.goal_mm is None else max(TOLERANCE_MM, TOLERANCE_SHARE * abs(self.goal_mm))
        )


class Stroke:
    """Follows one way of the platen: an approach or a way back.

    `contact_mm`: position from which deflection counts; zero before one is known.
    `passed_mm`: position at which the goal was passed, between samples; None before.
    `stood_s`: when the platen came to stand; None if it turned, or does not stand yet.
    """

    time_left_s: float | None = None

    def __init__(self, aim: Aim, contact_mm: float) -> None:
        self.aim, self._contact_mm = aim, contact_mm
        self.passed_mm: float | None = None
        self.stood_s: float | None = None
        self._way = _Way()
        creep_mm = STANDING_CREEP * aim.speed_mm_per_s * STAND_S
        self._band_mm = min(max(creep_mm, LEAST_STANDING_MM), MOST_STANDING_MM)
        self._farthest_mm = -math.inf
        self._now_mm = math.nan
        self._now_n = self._peak_n = 0.0
        self._anchor: tuple[float, float] | None = None
        # the last two samples before those at hand
        self._before_mm = self._before_n = np.empty(0)
        self._stopped_short = False
        self._mean_mm_per_s: float | None = None
        self._fell = False
        self._went_back = 0

    @property
    def share(self) -> float:
        """How much of the way, or of the force, is done."""
        if self.passed_mm is not None:
            return 1.0
        aim = self.aim
        if aim.goal_n is not None:
            return min(max(self._now_n / aim.goal_n, 0.0), 1.0)
        begin_mm, goal_mm = self._way.begin_mm, aim.sign * (aim.goal_mm or 0.0)
        if not goal_mm > begin_mm:
            return 0.0
        return float(min(max((self._now_mm - begin_mm) / (goal_mm - begin_mm), 0.0), 1.0))

    @property
    def hint(self) -> str:
        """What to do right now."""
        aim = self.aim
        if self._stopped_short:
            return "stop: no deeper, even though the force was not reached"
        if self.passed_mm is not None:
            over_mm = self._over_mm
            too_far = "too deep" if aim.sign > 0 else "too far back"
            return (
                "there: stand still"
                if over_mm <= aim.tolerance_mm
                else f"{over_mm:.1f} mm {too_far}; hold still"
            )
        if self._fell:
            return "you returned too early; press again"
        if aim.goal_n is not None:
            return f"on: {max(aim.goal_n - self._now_n, 0.0):.3g} N to go"
        left_mm = aim.sign * (aim.goal_mm or 0.0) - self._now_mm
        way = "press on" if aim.sign > 0 else "back"
        return f"{way}: {max(left_mm, 0.0):.1f} mm to go"

    def take(self, heard: HandSamples) -> int | None:
        """Take what was heard; the index at which the stroke was over, once it is."""
        along_mm = self.aim.sign * (heard.position_mm - self._contact_mm)
        over = self._take(heard, along_mm)
        last = len(heard) - 1 if over is None else over
        self._now_mm, self._now_n = float(along_mm[last]), float(heard.force_n[last])
        self._peak_n = max(self._peak_n, float(heard.force_n[: last + 1].max()))
        return over

    def did(self) -> dict[str, Any]:
        """Return how far, how fast, and how much too far."""
        aim = self.aim
        did: dict[str, Any] = {
            "asked_mm_per_s": aim.speed_mm_per_s,
            "mean_mm_per_s": self._mean_mm_per_s,
            "pace": self.pace,
            "reached": self.passed_mm is not None and not self._stopped_short,
        }
        if aim.goal_n is not None:
            did |= {"asked_n": aim.goal_n, "peak_n": self._peak_n, "over_n": self._peak_n - aim.goal_n}
        if aim.stands:
            did["went_to_mm"] = aim.sign * self._farthest_mm
        if aim.stands and aim.goal_n is None:
            did |= {"asked_mm": aim.goal_mm, "over_mm": self._over_mm}
        if self._went_back:
            did["went_back"] = self._went_back
        return did

    def in_words(self) -> str:
        """Return how it was, for the person."""
        aim, mean = self.aim, self._mean_mm_per_s
        said = [] if mean is None else [f"{mean:.2g} mm/s of {aim.speed_mm_per_s:.2g}, {self.pace}"]
        if self._stopped_short:
            said.append(f"{self._peak_n:.4g} N of {aim.goal_n:.4g} N, at the largest permitted depth")
        elif aim.stands and aim.goal_n is not None:
            said.append(f"{self._peak_n:.4g} N of {aim.goal_n:.4g} N")
        elif aim.stands:
            went_mm, goal_mm = aim.sign * self._farthest_mm, aim.goal_mm or 0.0
            where, sign = ("gap of ", -1) if goal_mm < 0 else ("", 1)
            said.append(f"{where}{sign * went_mm:.1f} mm, asked {sign * goal_mm:.1f} mm")
        return "; ".join(said)

    @property
    def pace(self) -> Pace | None:
        """The mean speed against the one asked for; None if the way was too short to tell."""
        mean = self._mean_mm_per_s
        return None if mean is None else pace_of(mean, self.aim.speed_mm_per_s)

    @property
    def _over_mm(self) -> float:
        return max(self._farthest_mm - self.aim.sign * (self.aim.goal_mm or 0.0), 0.0)

    def _take(self, heard: HandSamples, along_mm: FloatArray) -> int | None:
        since = 0
        if self.passed_mm is None:
            passed = self._passing(heard, along_mm)
            self._way.take(heard.time_s[: upto(passed)], along_mm[: upto(passed)])
            if passed is None:
                self._look_for_a_way_back(along_mm)
                self._before_mm = np.concatenate([self._before_mm, along_mm])[-2:]
                self._before_n = np.concatenate([self._before_n, heard.force_n])[-2:]
                return None
            self._pass(heard, along_mm, passed)
            if not self.aim.stands:
                return passed
            since = passed
        return self._standing(heard.time_s[since:], along_mm[since:], since)

    def _passing(self, heard: HandSamples, along_mm: FloatArray) -> int | None:
        """First sample at which the goal is passed."""
        aim = self.aim
        if aim.goal_n is None:
            return first(along_mm >= aim.sign * (aim.goal_mm or 0.0) - aim.tolerance_mm)
        # twice in a row, so that one wild value is no contact
        felt = heard.force_n >= aim.goal_n
        before = len(self._before_n) > 0 and bool(self._before_n[-1] >= aim.goal_n)
        reached = first(felt & np.concatenate([[before], felt[:-1]]))
        if aim.goal_mm is None:
            return reached
        deepest = first(along_mm >= aim.goal_mm)
        if deepest is not None and (reached is None or deepest < reached):
            self._stopped_short = True
            return deepest
        return reached

    def _pass(self, heard: HandSamples, along_mm: FloatArray, passed: int) -> None:
        aim = self.aim
        at_mm = float(along_mm[passed])
        if aim.goal_n is not None and not self._stopped_short:
            at_mm = self._felt_at_mm(heard, along_mm, passed, aim.goal_n)
        self.passed_mm = aim.sign * at_mm + self._contact_mm
        self._mean_mm_per_s = self._way.mean_mm_per_s()
        self._farthest_mm = float(along_mm[passed])
        self._anchor = float(heard.time_s[passed]), self._farthest_mm

    def _felt_at_mm(self, heard: HandSamples, along_mm: FloatArray, passed: int, goal_n: float) -> float:
        """Return where the force passed its goal: before the first of the two samples that felt it."""
        known_mm = np.concatenate([self._before_mm, along_mm[: passed + 1]])
        known_n = np.concatenate([self._before_n, heard.force_n[: passed + 1]])
        low, high = len(known_n) - 3, len(known_n) - 2
        if low < 0 or not known_n[low] < goal_n <= known_n[high]:
            return float(known_mm[max(high, 0)])
        share = (goal_n - known_n[low]) / (known_n[high] - known_n[low])
        return float(known_mm[low] + share * (known_mm[high] - known_mm[low]))

    def _standing(self, time_s: FloatArray, along_mm: FloatArray, offset: int) -> int | None:
        """First sample at which the platen has turned, or has stood for long enough."""
        farthest_mm = np.maximum(np.maximum.accumulate(along_mm), self._farthest_mm)
        turned = first(farthest_mm - along_mm > TURN_MM)
        stood = self._stood(time_s, along_mm)
        ends = [index for index in (turned, stood) if index is not None]
        over = min(ends, default=None)
        if over != stood or stood is None:
            self.stood_s = None
        self._farthest_mm = float(farthest_mm[-1 if over is None else over])
        return None if over is None else over + offset

    def _stood(self, time_s: FloatArray, along_mm: FloatArray) -> int | None:
        assert self._anchor is not None
        at = 0
        while True:
            since_s, anchor_mm = self._anchor
            left = first(np.abs(along_mm[at:] - anchor_mm) > self._band_mm)
            until = len(along_mm) if left is None else at + left
            stood = at + int(np.searchsorted(time_s[at:until], since_s + STAND_S))
            if stood < until:
                self.stood_s = since_s
                return stood
            if left is None:
                return None
            at = until
            self._anchor = float(time_s[at]), float(along_mm[at])

    def _look_for_a_way_back(self, along_mm: FloatArray) -> None:
        """Note a press that was given up half-way."""
        if self.aim.sign < 0:
            return
        now_mm = float(along_mm[-1])
        self._farthest_mm = max(self._farthest_mm, float(along_mm.max()))
        done_mm = self._farthest_mm - self._way.begin_mm
        if not self._fell and self._farthest_mm - now_mm > max(WENT_BACK_MM, WENT_BACK_SHARE * done_mm):
            self._fell, self._went_back = True, self._went_back + 1
            self._way.restart(now_mm)
            self._farthest_mm = now_mm
        elif self._fell and now_mm - self._way.begin_mm > WENT_BACK_MM:
            self._fell, self._farthest_mm = False, now_mm


@dataclass(slots=True)
class _Way:
    """When new farthest points of a way were reached, so that a wait before it costs nothing."""

    begin_mm: float = math.inf
    _step_mm: float = WAY_STEP_MM
    _time_s: list[float] = field(default_factory=list)
    _at_mm: list[float] = field(default_factory=list)

    def restart(self, begin_mm: float) -> None:
        """Forget it: the way begins here."""
        self.begin_mm = begin_mm
        self._time_s.clear()
        self._at_mm.clear()

    def take(self, time_s: FloatArray, along_mm: FloatArray) -> None:
        """Go on with it; a point before its begin is its new begin."""
        lowest = int(np.argmin(along_mm))
        if along_mm[lowest] < self.begin_mm:
            self.restart(float(along_mm[lowest]))
            time_s, along_mm = time_s[lowest:], along_mm[lowest:]
        reached_mm = np.maximum.accumulate(along_mm)
        last_mm = self._at_mm[-1] if self._at_mm else self.begin_mm
        steps = np.floor((np.maximum(reached_mm, last_mm) - self.begin_mm) / self._step_mm)
        known = math.floor((last_mm - self.begin_mm) / self._step_mm)
        new = np.flatnonzero(np.diff(steps, prepend=known) > 0)
        self._time_s += time_s[new].tolist()
        self._at_mm += along_mm[new].tolist()
        while len(self._at_mm) > MOST_WAY_POINTS:
            self._step_mm *= 2
            self._time_s, self._at_mm = self._time_s[::2], self._at_mm[::2]

    def mean_mm_per_s(self) -> float | None:
        """Return the mean speed over the middle of the way."""
        if len(self._at_mm) < 3:
            return None
        way_mm = self._at_mm[-1] - self.begin_mm
        share = np.array([SPEED_FROM, SPEED_TO])
        begin_s, end_s = np.interp(self.begin_mm + share * way_mm, self._at_mm, self._time_s)
        return float((SPEED_TO - SPEED_FROM) * way_mm / (end_s - begin_s)) if end_s > begin_s else None
