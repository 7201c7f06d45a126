"""A scale on a real pseudo-terminal that prints its time and grams: with steps, noise, drift, knocks."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.append(str(Path(__file__).parents[1] / "reader"))

from scripted_device import ScriptedDevice

from rig.wire import LineFormat

LINES_A_S = 20
SPEED_UP = 10
STEP_G = 0.1
NOISE_G = 0.06
DRIFT_G_PER_S = 0.004
SWING_S = 0.4

SCALE_FILE = """
name: table scale
wire: {format: lines, columns: [time_ms, force], force_unit: g}
"""


class TableScale(ScriptedDevice):
    """Its time passes ten times as fast as the wall's, so that tests need not wait.

    Attributes
    ----------
    loads_g
        What lies on the pan.
    """

    def __init__(self, link: Path, lines: LineFormat | None = None) -> None:
        lines = lines or LineFormat(columns=("time_ms", "force"), force_unit="g")
        super().__init__(link, talks=True, rate_hz=LINES_A_S * SPEED_UP, lines=lines)
        self.loads_g: list[float] = []
        self._felt_g = 0.0
        self._disturbed_s = 0.0
        self._zero_g = 0.35
        self._lines_sent = 0
        self._random = np.random.default_rng(6)

    @property
    def time_s(self) -> float:
        """Its own time."""
        return self._lines_sent / LINES_A_S

    def put(self, grams: float) -> None:
        """Put a piece on."""
        with self._lock:
            self.loads_g.append(grams)

    def clear(self) -> None:
        """Take all off."""
        with self._lock:
            self.loads_g.clear()

    def tare(self) -> None:
        """Press its button: what it shows is zero now."""
        with self._lock:
            self._zero_g = -sum(self.loads_g)

    def knock(self) -> None:
        """Hit the table."""
        with self._lock:
            self._disturbed_s = 3 * SWING_S

    def block(self, count):
        plain = super().block(count)
        grams = np.array([self._next_g() for _ in range(count)])
        number = self._lines_sent + np.arange(count)
        self._lines_sent += count
        return replace(plain, time_us=number * 1_000_000 // LINES_A_S, force=grams)

    def _next_g(self) -> float:
        passed_s = 1 / LINES_A_S
        self._zero_g += DRIFT_G_PER_S * passed_s
        self._felt_g += (sum(self.loads_g) - self._felt_g) * (1 - np.exp(-passed_s / (SWING_S / 4)))
        shaken_g = 25 * self._random.standard_normal() if self._disturbed_s > 0 else 0.0
        self._disturbed_s -= passed_s
        noise_g = self._random.normal(0, NOISE_G)
        return round(round((self._zero_g + self._felt_g + shaken_g + noise_g) / STEP_G) * STEP_G, 1)
