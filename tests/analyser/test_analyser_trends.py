"""A quantity that goes on changing has its last cycle and its trend beside the mean; a steady one has not."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from rig.analyser.tally import ColumnTally, RunningTrend


def block(cycle, values, u):
    return {
        "cycle": cycle, "flags": np.zeros(len(cycle)), "knee_resolved": np.zeros(len(cycle)),
        "peak_force_n": values, "peak_force_n_u": np.full(len(cycle), u),
    }  # fmt: skip


def test_five_softening_cycles_name_the_last_and_their_slope():
    cycle = np.arange(1.0, 6.0)
    force = 75.0 - 12.0 * np.log10(cycle) + np.array([0.02, -0.05, 0.04, -0.02, 0.01])
    tally = ColumnTally(conditioning=0)
    tally.take(block(cycle, force, 0.06))
    entry = tally.summary()["peak_force_n"]
    fit = stats.linregress(np.log10(cycle), force)
    assert entry["trend_per_decade"] == pytest.approx(fit.slope, rel=1e-9)
    assert entry["trend_per_decade_u"] == pytest.approx(fit.stderr, rel=1e-6)
    assert (entry["last"], entry["last_u"]) == (force[-1], 0.06)


@pytest.mark.parametrize("cut", [1, 3, 7])
def test_blocks_merge_to_the_same_trend(cut):
    rng = np.random.default_rng(cut)
    cycle = np.arange(1.0, 21.0)
    table = np.stack([50 - 3 * np.log10(cycle), np.full(20, 4.0)]) + rng.normal(0, 0.1, (2, 20))
    counts = rng.random((2, 20)) < 0.8
    whole, parts = RunningTrend(2), RunningTrend(2)
    whole.take(cycle, table, np.ones((2, 20)), counts)
    for start in range(0, 20, cut):
        part = slice(start, start + cut)
        parts.take(cycle[part], table[:, part], np.ones((2, 20))[:, part], counts[:, part])
    for found, expected in zip(parts.slopes(), whole.slopes(), strict=True):
        assert found == pytest.approx(expected)
    assert parts.last == pytest.approx(whole.last)


def test_steady_cycles_have_no_trend_in_more_than_one_of_a_hundred_recordings():
    rng = np.random.default_rng(1)
    cycle = np.arange(1.0, 9.0)
    trend = RunningTrend(4000)
    trend.take(cycle, rng.normal(70, 1, (4000, 8)), np.ones((4000, 8)), np.ones((4000, 8), bool))
    # 1 % of 4000 is 40, with a standard deviation of 6.3
    assert trend.slopes()[2].sum() < 40 + 3 * 6.3


def test_three_cycles_are_too_few():
    tally = ColumnTally(conditioning=0)
    tally.take(block(np.arange(1.0, 4.0), np.array([70.0, 60.0, 50.0]), 0.1))
    assert "last" not in tally.summary()["peak_force_n"]
