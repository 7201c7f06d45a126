"""Courses that laboratories drive and the kinds of `recording_kinds.py` do not: increments with holds between
them, a hold after an overshoot of several per cent, a height that closes. The truth is arithmetic on an
instant a millisecond; rows are some of those instants with noise."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from recording_scores import COLUMNS, pressrig
from scipy.signal import lfilter

DENSE_HZ = 1000


def course(start_mm, *legs):
    """Positions at dense instants: legs of a length in s and where they end, run straight."""
    parts = [np.array([start_mm])]
    for length_s, end_mm in legs:
        count = round(length_s * DENSE_HZ)
        parts.append(np.linspace(parts[-1][-1], end_mm, count + 1)[1:])
    return np.concatenate(parts)


def solid_n(x_mm, *, k, power, share, tau_s):
    """Standard linear solid on an elastic force k d^power: exact for straight runs between instants."""
    elastic_n = k * np.clip(x_mm, 0, None) ** power
    decay = np.exp(-1 / DENSE_HZ / tau_s)
    gain = tau_s * DENSE_HZ * (1 - decay)
    branch_n = lfilter([gain], [1.0, -decay], np.diff(elastic_n, prepend=elastic_n[0]))
    return np.clip((1 - share) * elastic_n + share * branch_n, 0, None)


def imported(folder, x_mm, force_n, *options, every, seed=0, step_mm=0.0001):
    random = np.random.default_rng(seed)
    rows = np.arange(0, len(x_mm), every)
    row_mm = x_mm[rows] + random.normal(0, 0.0005, len(rows))
    table = np.stack(
        [
            rows / DENSE_HZ,
            np.rint(row_mm / step_mm) * step_mm,
            force_n[rows] + random.normal(0, 0.01, len(rows)),
        ],
        axis=1,
    )
    path = folder / "table.csv"
    np.savetxt(path, table, fmt="%.4f", delimiter=",", header="time_s,position_mm,force_n", comments="")
    said, _ = pressrig(
        "import", path, *COLUMNS, "--specimen", "F-90-001", "--out", folder / "captures", *options
    )
    return said.strip().splitlines()[-1]


def cycles(capture):
    return json.loads(pressrig("analyse", capture, "--all", "--json")[0])["captures"][0]["cycles"]


def hold(cycle, name, truth):
    value, u = cycle[name], cycle[f"{name}_u"]
    assert value is not None, name
    assert abs(value - truth) <= 2.5 * u, (name, value, u, truth)


@pytest.mark.parametrize(
    ("share", "tau_s", "ramp_s", "every"), [(0.3, 3.0, 1.0, 20), (0.6, 3.0, 0.2, 20), (0.8, 2.0, 0.5, 50)]
)
def test_stepwise_relaxation_is_read_along_its_ramps(tmp_path, share, tau_s, ramp_s, every):
    steps = [leg for step in range(1, 6) for leg in ((ramp_s, float(step)), (20.0, float(step)))]
    x_mm = course(-0.5, (2.0, -0.5), (0.5, 0.0), *steps, (3.0, -0.5), (1.0, -0.5))
    force_n = solid_n(x_mm, k=6.0, power=1.2, share=share, tau_s=tau_s)
    (cycle,) = cycles(imported(tmp_path, x_mm, force_n, every=every))
    deepest = round((2.5 + 5 * ramp_s + 4 * 20.0) * DENSE_HZ)
    work_mj = np.concatenate([[0], np.cumsum((force_n[1:] + force_n[:-1]) / 2 * np.diff(x_mm))])
    low_n, high_n = (force_n[np.argmax(x_mm >= place_mm)] for place_mm in (1.25, 3.75))
    for name, truth in {
        "peak_force_n": force_n.max(),
        "peak_deflection_mm": 5.0,
        "secant_n_per_mm": force_n.max() / 5.0,
        "chord_n_per_mm": (high_n - low_n) / 2.5,
        "energy_absorbed_mj": work_mj[deepest],
        "loss_mj": work_mj[-1],
    }.items():
        hold(cycle, name, truth)
    # a narrow truth, and as narrow an uncertainty
    assert cycle["chord_n_per_mm_u"] < 0.05 * cycle["chord_n_per_mm"]


@pytest.mark.parametrize("over_mm", [0.2, 0.55, 0.8, 1.5])
def test_the_peak_of_a_large_overshoot_is_that_of_the_overshoot(tmp_path, over_mm):
    legs = (1.0, -1.0), (2.2, 10.0 + over_mm), (0.4, 10.0), (15.0, 10.0), (2.2, -1.0), (1.0, -1.0)
    x_mm = course(-1.0, *legs)
    force_n = solid_n(x_mm, k=4.0, power=1.3, share=0.3, tau_s=2.0)
    (cycle,) = cycles(imported(tmp_path, x_mm, force_n, every=20))
    hold(cycle, "peak_force_n", force_n.max())
    hold(cycle, "loss_mj", float(np.trapezoid(force_n, x_mm)))
    begin, settled = (round(after_s * DENSE_HZ) for after_s in (3.2, 3.6))
    for after_s in (1, 10):
        early, late = (100 * force_n[at + after_s * DENSE_HZ] / force_n.max() for at in (begin, settled))
        value, u = (cycle[f"force_retention_{after_s}s_pct{end}"] for end in ("", "_u"))
        assert late - 2.5 * u <= value <= early + 2.5 * u


def test_a_large_overshoot_at_a_high_rate_is_counted_whole(tmp_path):
    legs = (1.0, -1.0), (2.2, 10.55), (0.4, 10.0), (15.0, 10.0), (2.2, -1.0), (1.0, -1.0)
    x_mm = course(-1.0, *legs)
    force_n = solid_n(x_mm, k=4.0, power=1.3, share=0.3, tau_s=2.0)
    (cycle,) = cycles(imported(tmp_path, x_mm, force_n, every=1))
    hold(cycle, "peak_deflection_mm", 10.0)
    hold(cycle, "loss_mj", float(np.trapezoid(force_n, x_mm)))


@pytest.mark.parametrize(
    ("steps", "share", "tau_s", "timing"),
    [
        (4, 0.9, 0.05, (1.0, 20)),
        (4, 0.9, 0.2, (0.5, 20)),
        (4, 0.8, 0.1, (0.2, 10)),
        (1, 0.95, 0.02, (0.5, 100)),
        (1, 0.9, 0.05, (0.2, 20)),
    ],
)
def test_a_fast_relaxation_is_no_break_and_its_peak_is_that_of_the_arrival(
    tmp_path, steps, share, tau_s, timing
):
    ramp_s, every = timing
    ends_mm = [5 * step / steps for step in range(1, steps + 1)]
    legs = [leg for end_mm in ends_mm for leg in ((ramp_s / steps, end_mm), (10.0, end_mm))]
    x_mm = course(-0.5, (1.0, -0.5), (ramp_s / 10, 0.0), *legs, (3.0, -0.5), (1.0, -0.5))
    force_n = solid_n(x_mm, k=6.0, power=1.2, share=share, tau_s=tau_s)
    (cycle,) = cycles(imported(tmp_path, x_mm, force_n, every=every))
    assert "break" not in cycle["flags"]
    hold(cycle, "peak_force_n", force_n.max())
    hold(cycle, "peak_deflection_mm", 5.0)


@pytest.mark.parametrize("every", [1, 10])
def test_a_break_on_the_way_in_is_seen(tmp_path, every):
    x_mm = course(-0.5, (1.0, -0.5), (4.0, 6.0), (3.0, -0.5), (1.0, -0.5))
    broke = int(np.argmax(x_mm >= 5.0))
    force_n = solid_n(x_mm, k=6.0, power=1.2, share=0.3, tau_s=2.0)
    tip_n = force_n[broke]
    force_n[broke + 1 :] *= 0.05
    (cycle,) = cycles(imported(tmp_path, x_mm, force_n, every=every))
    assert "break" in cycle["flags"]
    assert abs(cycle["break_n"] - tip_n) <= 3 * cycle["break_n_u"] + 0.01 * tip_n


def test_a_ramp_of_two_rows_has_no_tangent(tmp_path):
    x_mm = course(-0.5, (1.0, -0.5), (0.005, 0.0), (0.05, 5.0), (10.0, 5.0), (3.0, -0.5), (1.0, -0.5))
    force_n = solid_n(x_mm, k=6.0, power=1.2, share=0.9, tau_s=0.2)
    (cycle,) = cycles(imported(tmp_path, x_mm, force_n, every=20))
    assert cycle["tangent_n_per_mm"] is None
    assert "few samples" in cycle["flags"]


@pytest.mark.parametrize(("options", "noticed"), [((), True), (("--negate-position",), False)])
def test_a_height_that_closes_is_noticed_at_import(tmp_path, options, noticed):
    x_mm = course(-1.0, (1.0, -1.0), (3.0, 8.0), (3.0, -1.0), (1.0, -1.0))
    force_n = solid_n(x_mm, k=4.0, power=1.3, share=0.3, tau_s=2.0)
    rows = slice(None, None, 20)
    table = np.stack([np.arange(len(x_mm))[rows] / DENSE_HZ, 80.0 - x_mm[rows], force_n[rows]], axis=1)
    path = tmp_path / "table.csv"
    np.savetxt(path, table, fmt="%.4f", delimiter=",", header="time_s,position_mm,force_n", comments="")
    command = [Path(sys.executable).parent / "pressrig", "import", path, *COLUMNS, "--out", tmp_path / "out"]
    done = subprocess.run(
        [*command, "--specimen", "F-90-001", *options], capture_output=True, text=True, check=True
    )
    assert ("--negate-position" in done.stderr) == noticed
    if not noticed:
        (cycle,) = cycles(done.stdout.strip().splitlines()[-1])
        hold(cycle, "peak_force_n", force_n.max())
