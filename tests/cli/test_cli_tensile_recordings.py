"""Tensile recordings as another laboratory writes them: pulled to break, and pulled again and again.

The laws are closed forms; their peak, energy and stiffness are integrals and quotients written down here.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

RATE_HZ, NOISE_N, SPEED_MM_PER_S = 100.0, 0.02, 1.0
BREAK_MM = 30.0


def pulled_n(x_mm):
    """A strap that stiffens less and less: 20 N (1 - exp(-x / 5 mm)) + 1 N/mm x."""
    return 20 * (1 - np.exp(-x_mm / 5)) + x_mm


PEAK_N = 20 * (1 - np.exp(-6)) + 30.0
# integral of the law from 0 to 30 mm
ENERGY_MJ = 20 * (30.0 - 5 * (1 - np.exp(-6))) + 450.0


def to_break(*, after_mm):
    x_mm = np.arange(0, BREAK_MM + after_mm, SPEED_MM_PER_S / RATE_HZ)
    return x_mm, np.where(x_mm < BREAK_MM, pulled_n(x_mm), 0.0)


def again_and_again():
    """Three pulls of 15 mm at 4 N/mm; coming back, less by 0.3 (1 - (x / 15 mm)^2) of the force."""
    out = np.arange(0, 15, 0.05)
    back = 15 - out
    rest = np.zeros(100)
    unloading_n = 4 * back * (0.7 + 0.3 * (back / 15) ** 2)
    return np.tile(np.r_[out, back, rest], 3), np.tile(np.r_[4 * out, unloading_n, rest], 3)


# 4 N/mm (0.7 x^2 / 2 + 0.3 x^4 / (4 * 15^2)) at 15 mm
RETURNED_MJ = 4 * (0.7 * 15**2 / 2 + 0.3 * 15**2 / 4)


@pytest.fixture
def analysed(in_process, tmp_path):
    """Cycles of a table that was imported in tension and analysed with the command line."""

    def run(x_mm, force_n, *, sign=1, lead_s=1.0, start_mm=0.0):
        still = np.zeros(round(lead_s * RATE_HZ))
        x_mm, force_n = np.r_[still, x_mm], np.r_[still, force_n]
        force_n = force_n + np.random.default_rng(3).normal(0, NOISE_N, len(force_n))
        table = tmp_path / "strap.csv"
        rows = np.c_[np.arange(len(x_mm)) / RATE_HZ, start_mm + sign * x_mm, sign * force_n]
        heading = "Time (s),Extension (mm),Load (N)"
        np.savetxt(table, rows, fmt="%.4f", delimiter=",", header=heading, comments="")
        capture = in_process("import", table, "--sense", "tension", "--out", tmp_path / "c").out.strip()
        document = json.loads(in_process("analyse", capture, "--json").out)
        return (document.get("captures") or [document])[0]["cycles"]

    return run


@pytest.mark.parametrize("sign", [1, -1], ids=["pulls above zero", "pulls below zero"])
@pytest.mark.parametrize("after_mm", [1.0, 0.03], ids=["goes on", "ends at the break"])
@pytest.mark.parametrize("lead_s", [1.0, 0.0], ids=["still first", "moves at once"])
def test_a_pull_to_break_has_its_peak_energy_and_place(analysed, sign, after_mm, lead_s) -> None:
    (pull,) = analysed(*to_break(after_mm=after_mm), sign=sign, lead_s=lead_s)
    assert "break" in pull["flags"]
    truth = {"peak_force_n": PEAK_N, "energy_absorbed_mj": ENERGY_MJ, "secant_n_per_mm": PEAK_N / BREAK_MM}
    for name, true in truth.items():
        assert abs(pull[name] - true) <= 2 * pull[f"{name}_u"], name
        assert pull[f"{name}_u"] <= 0.01 * true, name
    # within the last rows before it, which the noise does not tell apart
    assert pull["break_mm"] == pytest.approx(BREAK_MM, abs=0.1)


@pytest.mark.parametrize("sign", [1, -1], ids=["pulls above zero", "pulls below zero"])
@pytest.mark.parametrize("start_mm", [0.0, 50.0])
def test_cyclic_tension_gets_every_quantity(analysed, sign, start_mm) -> None:
    pulls = analysed(*again_and_again(), sign=sign, start_mm=start_mm)
    assert len(pulls) == 3
    truth = {
        "peak_force_n": 60.0,
        "secant_n_per_mm": 4.0,
        "chord_n_per_mm": 4.0,
        "initial_n_per_mm": 4.0,
        "energy_absorbed_mj": 450.0,
        "energy_returned_mj": RETURNED_MJ,
        "hysteresis_pct": 100 * (1 - RETURNED_MJ / 450),
        "peak_deflection_mm": 15.0,
    }
    for name, true in truth.items():
        for pull in pulls:
            assert abs(pull[name] - true) <= 2.5 * pull[f"{name}_u"], name
