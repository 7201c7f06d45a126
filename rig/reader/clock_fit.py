"""Host time against device time, as a straight line fitted while the stream runs.

Problem: a cheap board's clock is off by tens of parts in a million to half a per cent, and rates and
forecasts depend on it. Plan: running sums of the least-squares line, so that no points are kept. A late
receipt only adds noise to a point; the slope settles with the length of the recording. Cost: five numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

MIN_POINTS = 10
"""Fewer give an uncertainty that is itself uncertain by more than a quarter."""

MAX_RATIO_U_PPM = 10_000.0
"""A slope less certain than 1 % bridges an outage worse than to trust both clocks."""


@dataclass(frozen=True, slots=True)
class ClockLine:
    """host time = offset + (1 + drift) x device time, with standard uncertainties.

    `offset_s`, `offset_u_s`: host time (monotonic) at device time zero, seconds.
    `drift_ppm`, `drift_u_ppm`: parts per million by which the device's clock is slow against the host's.
    """

    offset_s: float
    offset_u_s: float
    drift_ppm: float
    drift_u_ppm: float
    points: int


class ClockFit:
    """Running fit; feed it with `add`, read `line`.

    Examples
    --------
    >>> fit = ClockFit()
    >>> for second in range(20):
    ...     fit.add(second * 1_000_000, 5.0 + second * 1.00005)
    >>> round(fit.line().drift_ppm, 3)
    50.0
    """

    def __init__(self) -> None:
        self._count = 0
        self._origin_device_s = 0.0
        self._origin_host_s = 0.0
        self._mean_x = 0.0
        self._mean_y = 0.0
        self._xx = 0.0
        self._xy = 0.0
        self._yy = 0.0

    def add(self, time_us: int, host_time: float) -> None:
        """Take in that the sample of device time `time_us` was received at `host_time` in seconds."""
        device_s = time_us * 1e-6
        if self._count == 0:
            self._origin_device_s, self._origin_host_s = device_s, host_time
        self._count += 1
        # y is how far the host has run ahead: the slope of host time itself would drown 50 ppm in rounding.
        x = device_s - self._origin_device_s
        y = (host_time - self._origin_host_s) - x
        # Sums about the running means (Welford 1962, recalled): squares of the times would lose digits.
        step_x, step_y = x - self._mean_x, y - self._mean_y
        self._mean_x += step_x / self._count
        self._mean_y += step_y / self._count
        self._xx += step_x * (x - self._mean_x)
        self._xy += step_x * (y - self._mean_y)
        self._yy += step_y * (y - self._mean_y)

    def line(self) -> ClockLine | None:
        """Return the fitted line; None with fewer than `MIN_POINTS` receipts, or no time between them."""
        if self._count < MIN_POINTS or self._xx <= 0:
            return None
        slope = self._xy / self._xx
        # Residual variance with n - 2 degrees of freedom, then the textbook variances of offset and slope.
        scatter = max(self._yy - slope * self._xy, 0.0) / (self._count - 2)
        x_at_zero = -self._origin_device_s
        offset = self._origin_host_s + x_at_zero + self._mean_y + slope * (x_at_zero - self._mean_x)
        offset_variance = scatter * (1 / self._count + (x_at_zero - self._mean_x) ** 2 / self._xx)
        return ClockLine(
            offset_s=offset,
            offset_u_s=math.sqrt(offset_variance),
            drift_ppm=slope * 1e6,
            drift_u_ppm=math.sqrt(scatter / self._xx) * 1e6,
            points=self._count,
        )

    def device_per_host(self, otherwise: float) -> float:
        """Return device seconds in a second of host time; `otherwise` if the fit does not tell yet."""
        line = self.line()
        if line is None or line.drift_u_ppm > MAX_RATIO_U_PPM or line.drift_ppm <= -1e6:
            return otherwise
        return 1.0 / (1.0 + line.drift_ppm * 1e-6)
