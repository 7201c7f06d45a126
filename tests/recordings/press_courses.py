"""Where a platen is at every instant: a dense, even course in time, built piece by piece.

A course knows its own presses: between which instants each one runs, where its hold begins and ends, and
whether it is only a contact check. Nothing here depends on the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

SETTLED_TIMES = 6.0
"""An overshoot has settled after this many of its time constants: 0.25 % of it is left."""


@dataclass(frozen=True)
class Press:
    """One press of a course, as indices of its dense instants.

    Parameters
    ----------
    first, last
        It leaves its start, and is back there.
    arrived, hold_first, hold_last
        The drive first reaches its depth, has settled there, and leaves it; all the same without a hold.
    is_check
        A contact check: no cycle.
    """

    first: int
    last: int
    arrived: int
    hold_first: int
    hold_last: int
    is_check: bool = False


@dataclass
class Course:
    """Positions at even steps of time, in mm, growing towards the specimen."""

    step_s: float
    at_mm: float
    presses: list[Press] = field(default_factory=list)
    _parts: list[np.ndarray] = field(default_factory=list)

    def __post_init__(self):
        self._parts.append(np.array([self.at_mm]))

    @property
    def index(self) -> int:
        """The newest instant."""
        return sum(len(part) for part in self._parts) - 1

    @property
    def position_mm(self) -> np.ndarray:
        return np.concatenate(self._parts)

    @property
    def time_s(self) -> np.ndarray:
        return np.arange(self.index + 1) * self.step_s

    def rest(self, seconds):
        self._parts.append(np.full(max(round(seconds / self.step_s), 0), self.at_mm))

    def go(self, to_mm, speed_mm_per_s, *, brake_s=0.0, speeds=None):
        """Move at an even speed that is reached and left over `brake_s`.

        Parameters
        ----------
        speeds
            Function of a number of instants that gives relative speeds, for a hand.
        """
        distance_mm = abs(to_mm - self.at_mm)
        if distance_mm == 0:
            return
        brake_s = min(brake_s, distance_mm / speed_mm_per_s)
        duration_s = distance_mm / speed_mm_per_s + brake_s
        count = max(round(duration_s / self.step_s), 2)
        share = (np.arange(count) + 0.5) / count
        speed = np.ones(count)
        if brake_s > 0:
            speed = np.clip(np.minimum(share, 1 - share) * duration_s / brake_s, 0.0, 1.0)
        if speeds is not None:
            speed = speed * speeds(count)
        way = np.cumsum(speed)
        self._parts.append(self.at_mm + (to_mm - self.at_mm) * way / way[-1])
        self.at_mm = to_mm

    def settle(self, to_mm, tau_s, *, ringing=False):
        """Come back from an overshoot, straight or ringing."""
        count = max(round(SETTLED_TIMES * tau_s / self.step_s), 1)
        elapsed = np.arange(1, count + 1) * self.step_s / tau_s
        away = np.exp(-elapsed) * (np.cos(2.0 * elapsed) if ringing else 1.0)
        self._parts.append(to_mm + (self.at_mm - to_mm) * away)
        self.at_mm = float(self._parts[-1][-1])

    def creep(self, by_mm, seconds, tau_s):
        """Go on slowly while the drive is said to stand."""
        elapsed = np.arange(1, max(round(seconds / self.step_s), 1) + 1) * self.step_s
        self._parts.append(self.at_mm + by_mm * (1 - np.exp(-elapsed / tau_s)))
        self.at_mm = float(self._parts[-1][-1])

    def press(
        self,
        depth_mm,
        speed_mm_per_s,
        *,
        back_mm=None,
        brake_s=0.02,
        hold_s=0.0,
        overshoot_mm=0.0,
        settle_s=0.05,
        ringing=False,
        creep_mm=0.0,
        creep_tau_s=5.0,
        one_way=False,
        is_check=False,
        speeds=None,
        unload_speed_mm_per_s=None,
    ):
        """Press to a position, stay there if asked, come back to where the press began or to `back_mm`."""
        first, start_mm = self.index, self.at_mm
        self.go(depth_mm + overshoot_mm, speed_mm_per_s, brake_s=brake_s, speeds=speeds)
        arrived = self.index
        if overshoot_mm:
            self.settle(depth_mm, settle_s, ringing=ringing)
        hold_first = self.index
        if creep_mm:
            self.creep(creep_mm, hold_s, creep_tau_s)
        elif hold_s:
            self.rest(hold_s)
        hold_last = self.index
        if not one_way:
            to_mm = start_mm if back_mm is None else back_mm
            self.go(to_mm, unload_speed_mm_per_s or speed_mm_per_s, brake_s=brake_s, speeds=speeds)
        self.presses.append(Press(first, self.index, arrived, hold_first, hold_last, is_check))


def hand_speeds(random, roughness=0.5, swells=6):
    """Relative speeds of a hand: a few smooth swells, never standing still."""

    def speeds(count):
        share = np.linspace(0.0, 1.0, count)
        waves = sum(
            random.normal() / (1 + wave) * np.cos(np.pi * wave * share + random.uniform(0, 2 * np.pi))
            for wave in range(1, swells + 1)
        )
        return np.exp(roughness * waves)

    return speeds


def motor_speeds(random, ripple=0.12):
    """Relative speeds of a motor with a screw: a ripple at a rate of its own and a little noise."""
    periods = random.uniform(20.0, 120.0)

    def speeds(count):
        share = np.linspace(0.0, 1.0, count)
        return 1 + ripple * np.sin(2 * np.pi * (periods * share + random.uniform())) * random.uniform(
            0.3, 1.0
        )

    return speeds
