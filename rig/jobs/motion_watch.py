"""Whether a platen does what it was ordered to do, from its samples alone.

Problem: a device can accept a motion and do something else: go the wrong way, past its target, too fast, not
at all, or never say that it ended. Its own limits and trips may be wrong in the same way. Plan: before each
motion the driver states its course; every sample is compared with it in the thread that reads: direction and
both ends, speed, progress, time due, the force of a press, a force that grows while the platen goes away, and
leaps of position. What leaves the course by more than a stated tolerance is returned in words, with numbers.
Between motions the course is to stand. Cost: some ten passes over arrays per batch.

This is a second line. The hard-wired emergency stop and the limits of the rig itself come first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from rig.methods import RigLimits, overshoot_mm
from rig.samples import FloatArray

BoolArray = npt.NDArray[np.bool_]

SLACK_MM = 0.5
"""Backlash, noise and braking: a platen may be so far off its course before it is halted."""

SLACK_SHARE = 0.02
"""Of the way: the position sensor and the motor's steps may differ by their scales."""

FASTER = 1.5
"""A platen may go so much faster than ordered, beyond the slack; clocks and scales differ by less."""

SLOWEST = 0.5
"""A platen that is behind half the ordered speed, beyond the slack, makes no progress."""

START_S = 0.5
"""Device time from acceptance until the platen must have begun to move."""

DUE = 2.0
DUE_S = 2.0
"""A motion has to end within this many times its expected time, and this much more."""

HOLE_S = 1.0
"""A hole in the samples of this length is not held against the progress of the platen, once per motion."""

LEAP_MM = 2.0
LEAP_SPEEDS = 3.0
"""A position further from the one before than this, and than this many times the top speed allows, leapt."""

MOST_LEAPS = 1
"""One sample can be damaged and pass its check; a second leap in one motion is the sensor's."""

BACK_OFF_MM = 5.0
"""Homing may leave its switch by so much to find its edge."""

HOMING_WAY = 1.1
HOMING_WAY_MM = 20.0
"""A rig may stand beyond the stated travel before it is homed, by so much."""

STILL_MM = 0.2
"""Homing that moves less than this in `DUE_S` makes no progress."""

GROWTH_SHARE = 0.02
GROWTH_PART = 0.05
"""While the platen goes away force may rise by this share of the span of the force limits, and by this part
of itself."""

GROWTH_NOISES = 6.0
"""Beside the share: this many standard deviations of noise lie between the least and the next reading."""

FREED_MM = 3.0
"""A release that has gone this far must have brought a force beyond its limit down, and the converter out of
its saturation, which a platen runs past by less. Until then readings do not tell where the platen goes."""

SETTLING_S = 0.3
"""A filtered force goes on rising for so long after the platen has stopped, beside its stated delay."""

GONE_AT = 0.8
GONE_SHARE = 0.5
LEAST_PAST_MM = 3.0
"""Past this share of the depth, and at least so deep, a force below this share of the contact force says that
the specimen or the reading of its force is gone. A slow foam may not have come back before."""

LEFT_SHARE = 0.125
"""A held part relaxes, a slow foam by two thirds; one with less than this share of its press's end force
and less than `GONE_SHARE` of its contact force is gone (common practice, no source)."""

FLAT_MM = 10.0
FLAT_NOISES = 5.0
"""No part is pressed further by this while its force stays within this many standard deviations of noise."""

HIGH_SHARE = 0.75
"""Of a cycle's span: beyond it the platen was up, below the rest of it down again."""

Kind = Literal["move", "press", "home", "cycle", "release", "stand"]


@dataclass(frozen=True, slots=True)
class IntendedMotion:
    """What a motion is to be.

    `place`: the step or purpose, for the words.
    `kind`: `press` ends at a force; `release` goes away from what is pressed too hard; `stand` is no motion.
    `target_mm`: where it ends; of a press the position limit, of a cycle its upper end; None: home, or stand.
    `goal_n`: force that ends a press.
    `time_s`, `cycle_s`: how long it takes, and one cycle of it; None: as the way and the speed say.
    `contact_mm`, `contact_n`: where the specimen was met, and with which force; None: not known. Of `stand`:
    the specimen is held, and the least force that is left of it.
    """

    place: str
    kind: Kind
    speed_mm_per_s: float
    target_mm: float | None = None
    low_mm: float | None = None
    goal_n: float | None = None
    time_s: float | None = None
    cycle_s: float = 0.0
    contact_mm: float | None = None
    contact_n: float = 0.0


class MotionWatch:
    """Compares one motion with its course, batch by batch.

    `noise_n`: standard deviation of the force at rest, where the converter resolves it; else 0.
    `rising_n_per_s`: how fast the force rises just before: a filter may go on so for its delay.
    `turns`: cycles that the samples show: beyond three quarters of the span, and back below one.
    `accepted`: set once the device has accepted the motion: progress and time count from then on.
    """

    def __init__(
        self,
        course: IntendedMotion,
        rig: RigLimits,
        *,
        home_mm: float = 0.0,
        noise_n: float = 0.0,
        rising_n_per_s: float = 0.0,
    ) -> None:
        self.course = course
        self.accepted = course.kind == "stand"
        self.turns = 0
        self._was_high = False
        self._rig, self._home_mm, self._noise_n = rig, home_mm, noise_n
        self._past_mm = overshoot_mm(course.speed_mm_per_s, rig)
        self._growth_n = GROWTH_SHARE * (rig.force_n[1] - rig.force_n[0])
        self._settles_s = rig.delay_s + 2 / rig.conversions_per_s + SETTLING_S
        self._settles_n = max(rising_n_per_s, 0.0) * self._settles_s
        self._start_mm: float | None = None
        self._began_s: float | None = None
        self._had_hole = False
        self._recent = np.empty((3, 0))
        self._last = (0.0, 0.0)
        self._leaps = 0
        self._homed = False
        self._lowest_mm = 0.0
        self._rising_mm = self._falling_mm = np.inf
        self._stood: tuple[float, float] | None = None
        self._turned: tuple[int, float] | None = None
        self._reached_mm: float | None = None
        self._first_n = self._resting_n = -np.inf
        self._flat: tuple[float, float, float] | None = None
        self._felt_s: float | None = None

    def look(self, time_s: FloatArray, position_mm: FloatArray, force_n: FloatArray) -> str | None:
        """Compare samples, each array of shape (n,), n > 0, in order; what left the course, in words.

        One false reading decides nothing: each is judged by the median of itself and its neighbours, so the
        last one waits for the next.
        """
        hole_s = float(np.diff(time_s, prepend=self._last[0]).max())
        if self._began_s is not None and hole_s > HOLE_S and not self._had_hole:
            # the device was reset, or the link away: what is to be said of that is not that it is slow
            self._began_s, self._had_hole = self._began_s + hole_s, True
        if self._start_mm is None:
            self._start_mm = self._lowest_mm = float(position_mm[0])
            self._last = (float(time_s[0]), self._start_mm)
            self._first_n = self._resting_n = float(force_n[0])
        kept = self._sound(time_s, position_mm)
        if self._leaps > MOST_LEAPS:
            return self._said(
                f"the position leapt {self._leaps} times, last from {self._last[1]:.2f} mm to "
                f"{float(position_mm[~kept][-1]):.6g} mm; check its sensor"
            )
        rows = np.hstack([self._recent, np.stack([time_s, position_mm, force_n])[:, kept]])
        self._recent = rows[:, -2:]
        if rows.shape[1] < 3:
            return None
        time_s = rows[0, 1:-1]
        before, here, after = rows[1:, :-2], rows[1:, 1:-1], rows[1:, 2:]
        position_mm, force_n = np.maximum(
            np.minimum(before, here), np.minimum(np.maximum(before, here), after)
        )
        self._lowest_mm = min(self._lowest_mm, float(position_mm.min()))
        self._count_turns(position_mm)
        found = self._off_course(position_mm) or self._too_fast(time_s, position_mm)
        found = found or self._late(float(time_s[-1]), float(position_mm[-1]))
        found = found or self._force_off(time_s, position_mm, force_n)
        return None if found is None else self._said(found)

    def standing(self) -> MotionWatch:
        """Return the watch over the platen while it stands where this motion ended."""
        course, start_mm = self.course, self._start_mm
        pressed_n = float(self._recent[2, -1]) if self._recent.size else -np.inf
        # on a way back out of a part the force still falls, whatever is there
        held = (
            course.contact_mm is not None
            and course.target_mm is not None
            and start_mm is not None
            and start_mm <= course.target_mm
            and pressed_n >= course.contact_n
        )
        stand = IntendedMotion(
            f"after {course.place}",
            "stand",
            course.speed_mm_per_s,
            contact_mm=course.contact_mm if held else None,
            contact_n=min(GONE_SHARE * course.contact_n, LEFT_SHARE * pressed_n),
        )
        return MotionWatch(stand, self._rig)

    def _said(self, found: str) -> str:
        return f"{self.course.place}: {found}"

    # Leaps.

    def _sound(self, time_s: FloatArray, position_mm: FloatArray) -> BoolArray:
        """Return which positions can follow those before; leaps are counted."""
        before_s = np.concatenate([[self._last[0]], time_s[:-1]])
        before_mm = np.concatenate([[self._last[1]], position_mm[:-1]])
        kept: BoolArray = np.abs(position_mm - before_mm) <= self._reach_mm(time_s - before_s)
        if not kept.all():
            for place in range(len(time_s)):
                now = (float(time_s[place]), float(position_mm[place]))
                near_home = self.course.kind == "home" and abs(now[1] - self._home_mm) <= LEAP_MM
                kept[place] = abs(now[1] - self._last[1]) <= self._reach_mm(now[0] - self._last[0])
                if not kept[place] and near_home and not self._homed:
                    # homing sets the position to zero: what follows is on another scale
                    self._homed = True
                    self._start_mm = self._lowest_mm = now[1]
                    self._recent = np.empty((3, 0))
                    self._rising_mm = self._falling_mm = np.inf
                    kept[:place] = False
                    kept[place] = True
                if kept[place]:
                    self._last = now
                else:
                    self._leaps += 1
        self._last = (float(time_s[kept][-1]), float(position_mm[kept][-1])) if kept.any() else self._last
        return kept

    def _reach_mm(self, step_s: FloatArray | float) -> FloatArray | float:
        return LEAP_MM + LEAP_SPEEDS * self._rig.speed_mm_per_s * np.maximum(step_s, 0.0)

    # Where it is.

    def _off_course(self, position_mm: FloatArray) -> str | None:
        low_mm, high_mm = self._ends()
        least_mm, most_mm = float(position_mm.min()), float(position_mm.max())
        if self.course.kind == "home":
            low_before_mm = np.minimum.accumulate(position_mm)
            low_before_mm = np.minimum(low_before_mm, self._lowest_mm)
            up_mm = float((position_mm - low_before_mm).max())
            if up_mm > BACK_OFF_MM + SLACK_MM:
                return f"went {up_mm:.2f} mm towards the part; homing must move away from it"
        if low_mm <= least_mm and most_mm <= high_mm:
            return None
        seen_mm = most_mm if most_mm > high_mm else least_mm
        return self._astray(seen_mm)

    def _ends(self) -> tuple[float, float]:
        """Lowest and highest position of the course, tolerances included."""
        course, start_mm = self.course, self._start_mm
        assert start_mm is not None
        if course.kind == "stand":
            slack_mm = SLACK_MM + self._past_mm
            return start_mm - slack_mm, start_mm + slack_mm
        if course.target_mm is None:
            if self._homed:
                return self._home_mm - BACK_OFF_MM - SLACK_MM, self._home_mm + BACK_OFF_MM + SLACK_MM
            return start_mm - self.homing_way_mm, start_mm + BACK_OFF_MM + SLACK_MM
        ends = [start_mm, course.target_mm] + ([] if course.low_mm is None else [course.low_mm])
        low_mm, high_mm = min(ends), max(ends)
        slack_mm = SLACK_MM + SLACK_SHARE * (high_mm - low_mm)
        below_mm = self._past_mm if course.kind == "cycle" or course.target_mm < start_mm else 0.0
        above_mm = self._past_mm if course.kind == "cycle" or course.target_mm >= start_mm else 0.0
        return low_mm - slack_mm - below_mm, high_mm + slack_mm + above_mm

    @property
    def homing_way_mm(self) -> float:
        """The longest way to the home switch."""
        return HOMING_WAY * max(self._rig.span_mm, self._rig.travel_mm[1]) + HOMING_WAY_MM

    def _astray(self, seen_mm: float) -> str:
        course, start_mm = self.course, self._start_mm
        assert start_mm is not None
        if course.kind == "stand":
            return f"the platen moved from {start_mm:.2f} to {seen_mm:.2f} mm although it should stand still"
        if course.kind == "cycle":
            return (
                f"the platen reached {seen_mm:.2f} mm; its cycles run from {course.low_mm:.2f} to "
                f"{course.target_mm:.2f} mm"
            )
        if course.target_mm is None:
            return f"the platen went from {start_mm:.2f} to {seen_mm:.2f} mm and met no home switch"
        if (seen_mm - start_mm) * (course.target_mm - start_mm) <= 0:
            return (
                f"the platen moved the wrong way, from {start_mm:.2f} to {seen_mm:.2f} mm; it was sent to "
                f"{course.target_mm:.2f} mm"
            )
        return f"the platen moved past its target of {course.target_mm:.2f} mm, to {seen_mm:.2f} mm"

    def _count_turns(self, position_mm: FloatArray) -> None:
        low_mm, high_mm = self.course.low_mm, self.course.target_mm
        if low_mm is None or high_mm is None:
            return
        share = (position_mm - low_mm) / (high_mm - low_mm)
        ends = share[(share >= HIGH_SHARE) | (share <= 1 - HIGH_SHARE)] >= HIGH_SHARE
        if not len(ends):
            return
        ends = np.concatenate([[self._was_high], ends])
        self.turns += int(np.count_nonzero(ends[:-1] & ~ends[1:]))
        self._was_high = bool(ends[-1])

    # How it goes.

    def _too_fast(self, time_s: FloatArray, position_mm: FloatArray) -> str | None:
        """Return a sum of the way beyond what the speed allows, in both directions: noise cancels in it."""
        if self.course.kind == "stand":
            return None
        allowed_mm = FASTER * self.course.speed_mm_per_s * time_s
        rising = np.concatenate([[self._rising_mm], position_mm - allowed_mm])
        falling = np.concatenate([[self._falling_mm], -position_mm - allowed_mm])
        lowest = np.minimum.accumulate(rising), np.minimum.accumulate(falling)
        self._rising_mm, self._falling_mm = float(lowest[0][-1]), float(lowest[1][-1])
        ahead_mm = max(float((rising[1:] - lowest[0][1:]).max()), float((falling[1:] - lowest[1][1:]).max()))
        if ahead_mm <= SLACK_MM:
            return None
        return (
            f"the platen moves faster than ordered: {ahead_mm:.2f} mm beyond {FASTER:g} times "
            f"{self.course.speed_mm_per_s:g} mm/s, at {float(position_mm[-1]):.2f} mm"
        )

    def _late(self, now_s: float, position_mm: float) -> str | None:
        course, start_mm = self.course, self._start_mm
        assert start_mm is not None
        if not self.accepted or course.kind == "stand":
            return None
        if self._began_s is None:
            self._began_s = now_s
        took_s = now_s - self._began_s
        ramp_s = course.speed_mm_per_s / self._rig.deceleration_mm_per_s2
        way_mm = self.homing_way_mm if course.target_mm is None else abs(course.target_mm - start_mm)
        whole_s = way_mm / course.speed_mm_per_s + 2 * ramp_s if course.time_s is None else course.time_s
        if took_s > DUE * whole_s + DUE_S:
            return (
                f"the motion has not ended: {took_s:.1f} s after it was accepted; {whole_s:.1f} s "
                f"expected; the platen is at {position_mm:.2f} mm"
            )
        if course.kind in ("home", "cycle"):
            return self._still(now_s, position_mm) if course.kind == "home" else self._unturned(now_s)
        if course.target_mm is None or self._reached_mm is not None:
            return None
        done_mm = (position_mm - start_mm) * np.sign(course.target_mm - start_mm)
        least_mm = SLOWEST * course.speed_mm_per_s * (took_s - START_S - ramp_s)
        if done_mm < min(least_mm, way_mm) - SLACK_MM - SLACK_SHARE * way_mm:
            return (
                f"no progress: {done_mm:.2f} mm in {took_s:.1f} s, {way_mm:.2f} mm at "
                f"{course.speed_mm_per_s:g} mm/s ordered"
            )
        return None

    def _unturned(self, now_s: float) -> str | None:
        """A block may last for days: its samples show one cycle after the other, not only its end."""
        course = self.course
        if self._turned is None or self._turned[0] != self.turns:
            self._turned = self.turns, now_s
        unturned_s = now_s - self._turned[1]
        # the first begins with the way to its lower end
        way_mm = 0.0 if self.turns else abs((course.low_mm or 0.0) - (self._start_mm or 0.0))
        if unturned_s <= DUE * (course.cycle_s + way_mm / course.speed_mm_per_s) + DUE_S:
            return None
        return (
            f"no progress: {self.turns} cycles were seen, and no more for {unturned_s:.1f} s; each takes "
            f"{course.cycle_s:.1f} s"
        )

    def _still(self, now_s: float, position_mm: float) -> str | None:
        """How far the way home is, is not known; but it does not stop on it."""
        since_s, from_mm = self._stood or (now_s, position_mm)
        if abs(position_mm - from_mm) > STILL_MM:
            since_s, from_mm = now_s, position_mm
        self._stood = since_s, from_mm
        if now_s - since_s <= DUE_S:
            return None
        return f"no progress: the platen has been at {position_mm:.2f} mm for {now_s - since_s:.1f} s"

    # What it feels.

    def _force_off(self, time_s: FloatArray, position_mm: FloatArray, force_n: FloatArray) -> str | None:
        course, start_mm = self.course, self._start_mm
        assert start_mm is not None
        if course.kind == "release":
            return self._held_on(position_mm, force_n)
        if course.kind == "home" or (course.kind == "move" and (course.target_mm or 0.0) < start_mm):
            return self._growing(time_s, force_n)
        if course.kind == "stand":
            return self._let_go(time_s, position_mm, force_n)
        if course.kind not in ("move", "press"):
            return None
        return self._past_goal(position_mm, force_n) or self._unfelt(position_mm, force_n)

    def _let_go(self, time_s: FloatArray, position_mm: FloatArray, force_n: FloatArray) -> str | None:
        """Return a part that is held keeps some of its force. One false conversion, which a slow
        converter repeats for many samples, does not say that it is gone."""
        course = self.course
        if course.contact_mm is None:
            return None
        felt = force_n >= course.contact_n
        if felt.any() or self._felt_s is None:
            self._felt_s = float(time_s[felt][-1] if felt.any() else time_s[0])
        if time_s[-1] - self._felt_s <= self._settles_s:
            return None
        return (
            f"specimen or force lost: {float(force_n[-1]):.2f} N while it was held "
            f"{float(position_mm[-1]) - course.contact_mm:.1f} mm past the contact"
        )

    def _growing(self, time_s: FloatArray, force_n: FloatArray) -> str | None:
        """The filter of a force may still rise when the platen begins to go away; then it only falls."""
        began_s = self._began_s
        settling = time_s < (np.inf if began_s is None else began_s + self._settles_s)
        noise_n = GROWTH_NOISES * self._noise_n
        if settling.any():
            # no further than it rose before, or one that goes on growing would be followed for all that time
            risen_n = min(float(force_n[settling].max()), self._first_n + self._settles_n)
            self._resting_n = max(self._resting_n, risen_n)
        # what it has fallen to counts, but no less than nothing: a part that sticks pulls before it lets go
        floor_n = min(self._resting_n, 0.0)
        lowest_n = np.minimum.accumulate(np.concatenate([[self._resting_n], force_n]))[:-1]
        lowest_n = np.maximum(np.where(settling, self._resting_n, lowest_n), floor_n)
        grown_n = force_n - lowest_n - (self._growth_n + GROWTH_PART * np.abs(lowest_n) + noise_n)
        if not settling.any():
            self._resting_n = max(min(self._resting_n, float(force_n.min())), floor_n)
        worst = int(np.argmax(grown_n))
        if grown_n[worst] <= 0:
            return None
        return (
            f"force grew from {lowest_n[worst]:.1f} to {force_n[worst]:.1f} N although the platen should "
            "move away"
        )

    def _held_on(self, position_mm: FloatArray, force_n: FloatArray) -> str | None:
        """A release begins at rest: the force falls from its first reading on."""
        low_n, high_n = self._rig.force_n
        # a part that sticks pulls before it lets go; the return to nothing is no growth
        least_n = np.minimum.accumulate(np.concatenate([[self._resting_n], force_n]))[:-1]
        least_n = np.maximum(least_n, min(self._resting_n, 0.0))
        self._resting_n = min(self._resting_n, float(force_n.min()))
        worst = int(np.argmax(force_n - least_n))
        allowed_n = self._growth_n + GROWTH_NOISES * self._noise_n
        if force_n[worst] - least_n[worst] > allowed_n:
            return (
                f"force grew from {least_n[worst]:.1f} to {force_n[worst]:.1f} N although the platen "
                "should move away"
            )
        if float(force_n.min()) < low_n:
            return (
                f"the part sticks to the platen and pulls it with {-float(force_n.min()):.1f} N, beyond the "
                f"limit of {low_n:g} N; take it off by hand"
            )
        if self.gone_mm > FREED_MM and self._resting_n > max(high_n, self._first_n - allowed_n):
            return (
                f"the force does not fall: {self._first_n:.1f} N before, {float(force_n[-1]):.1f} N after "
                f"{self.gone_mm:.1f} mm: look where the platen goes, and whether the load cell is right, "
                "before you order it again"
            )
        return None

    @property
    def gone_mm(self) -> float:
        """How far the platen has gone from where it was ordered to go."""
        return 0.0 if self._start_mm is None else abs(self._last[1] - self._start_mm)

    def _past_goal(self, position_mm: FloatArray, force_n: FloatArray) -> str | None:
        goal_n = self.course.goal_n
        if goal_n is None:
            return None
        if self._reached_mm is None:
            felt = np.flatnonzero(force_n >= goal_n)
            if not len(felt):
                return None
            self._reached_mm = float(position_mm[felt[0]])
        past_mm = float(position_mm[-1]) - self._reached_mm
        if past_mm <= SLACK_MM + self._past_mm:
            return None
        return (
            f"the platen moved on by {past_mm:.2f} mm after the force of {goal_n:g} N was reached; "
            f"now {float(force_n[-1]):.1f} N"
        )

    def _unfelt(self, position_mm: FloatArray, force_n: FloatArray) -> str | None:
        """In contact, a force that fell away or stays as it is."""
        course = self.course
        if course.contact_mm is None or course.target_mm is None:
            return None
        depth_mm = course.target_mm - course.contact_mm
        now_mm, now_n = float(position_mm[-1]), float(force_n[-1])
        in_mm = now_mm - course.contact_mm
        if in_mm > max(GONE_AT * depth_mm, LEAST_PAST_MM) and now_n < GONE_SHARE * course.contact_n:
            return (
                f"specimen or force lost: {now_n:.2f} N at {in_mm:.1f} mm past the contact found with "
                f"{course.contact_n:g} N"
            )
        if in_mm <= 0 or now_n < course.contact_n or not self._noise_n:
            self._flat = None
            return None
        since_mm, least_n, most_n = self._flat or (now_mm, now_n, now_n)
        least_n, most_n = min(least_n, float(force_n.min())), max(most_n, float(force_n.max()))
        if most_n - least_n > FLAT_NOISES * self._noise_n:
            self._flat = (now_mm, now_n, now_n)
            return None
        self._flat = (since_mm, least_n, most_n)
        if now_mm - since_mm < FLAT_MM:
            return None
        return (
            f"the force does not change: {least_n:.3f} to {most_n:.3f} N over {now_mm - since_mm:.1f} mm of "
            "travel in contact; check the load cell and its amplifier"
        )
