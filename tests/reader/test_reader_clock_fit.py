from __future__ import annotations

import numpy as np
import pytest

from rig.reader import ClockFit


def fitted(seed: int, drift_ppm: float = 50.0, seconds: float = 120.0) -> ClockFit:
    """Receipts every 16 ms whose latency is up to 8 ms, from a device whose clock began 4000 s ago."""
    rng = np.random.default_rng(seed)
    fit = ClockFit()
    for device_s in 4_000.0 + np.arange(0, seconds, 0.016):
        host_s = 77.0 + device_s * (1 + drift_ppm * 1e-6) + rng.uniform(0, 0.008)
        fit.add(round(device_s * 1e6), host_s)
    return fit


@pytest.mark.parametrize("drift_ppm", [50.0, -50.0, 0.0, 5_000.0])
def test_a_planted_drift_is_found_within_its_uncertainty(drift_ppm: float) -> None:
    line = fitted(1, drift_ppm).line()
    assert line is not None
    assert line.drift_u_ppm < 3
    assert line.drift_ppm == pytest.approx(drift_ppm, abs=3 * line.drift_u_ppm)
    assert line.offset_s == pytest.approx(77.004, abs=3 * line.offset_u_s)


def test_the_stated_uncertainty_is_the_spread_of_repeated_fits() -> None:
    lines = [fitted(seed, seconds=20.0).line() for seed in range(40)]
    spread = np.std([line.drift_ppm for line in lines if line], ddof=1)
    stated = np.mean([line.drift_u_ppm for line in lines if line])
    assert stated == pytest.approx(spread, rel=0.35)


def test_there_is_no_fit_before_there_is_enough() -> None:
    fit = ClockFit()
    for n in range(9):
        fit.add(n * 1_000, n * 0.001)
    assert fit.line() is None
    still = ClockFit()
    for _ in range(20):
        still.add(1_000, 1.0)
    assert still.line() is None
