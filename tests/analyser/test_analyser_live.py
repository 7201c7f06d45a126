"""An analysis that keeps no rows hands out the same cycles, counts the same, and does not grow."""

import tracemalloc
from itertools import pairwise

import numpy as np
import pytest
from press_recordings import CALIBRATION, counts, power, presses
from scipy.stats import linregress

from rig.analyser import AnalysisSettings, CaptureAnalysis
from rig.analyser.softening import SofteningFit
from rig.analyser.tally import TABLE_ROWS, ColumnTally
from rig.segmenter import Flag

SPRING = power(2.5)
SETTINGS = AnalysisSettings(free_height_mm=40.0, conditioning=2)


def short_presses(count):
    position = presses(count, depth_mm=4.0, rest_s=0.1)
    return counts(position, SPRING(position))


SAMPLES = short_presses(30)


def live(samples=SAMPLES, part=700, **how):
    analysis = CaptureAnalysis(CALIBRATION, SETTINGS, **how)
    blocks = [analysis.push(samples[start : start + part]) for start in range(0, len(samples), part)]
    return analysis, [block for block in blocks if block is not None]


def test_blocks_and_the_result_together_are_the_whole_table():
    analysis, blocks = live(keep=False)
    rest = analysis.finish().columns
    kept, _ = live()
    whole = kept.finish().columns
    assert 0 < len(rest["cycle"]) < len(whole["cycle"]) == 30
    assert list(rest) == list(whole)
    for name, values in whole.items():
        found = np.concatenate([*(block[name] for block in blocks), rest[name]])
        # measured in other blocks, sums are rounded differently
        np.testing.assert_allclose(found, values, rtol=1e-9, atol=1e-12, err_msg=name)


def test_summary_softening_and_warnings_are_over_all_cycles():
    results = [live(keep=keep)[0].finish() for keep in (False, True)]
    assert results[0].summary["secant_n_per_mm"]["n"] == 28
    for name, entry in results[1].summary.items():
        assert results[0].summary[name] == pytest.approx(entry, rel=1e-9, abs=1e-12, nan_ok=True)
    assert results[0].softening.n == results[1].softening.n == 30
    assert results[0].softening.pct_per_decade == pytest.approx(results[1].softening.pct_per_decade)
    assert results[0].warnings == results[1].warnings


def test_an_analysis_that_keeps_no_rows_does_not_grow():
    samples = short_presses(600)
    analysis = CaptureAnalysis(CALIBRATION, SETTINGS, keep=False)
    held = []
    tracemalloc.start()
    try:
        for start in range(0, len(samples), 10_000):
            analysis.push(samples[start : start + 10_000])
            held.append(tracemalloc.get_traced_memory()[0])
    finally:
        tracemalloc.stop()
    # A row is a kilobyte: a third of the run would be 200 KB of them.
    third = len(held) // 3
    assert max(held[-third:]) < max(held[third : 2 * third]) + 100_000


def test_the_latest_loops_are_the_newest_cycles_thinned():
    samples = SAMPLES[: len(SAMPLES) - 20]
    analysis, blocks = live(samples, keep=False)
    newest = int(blocks[-1]["cycle"][-1])
    loops = analysis.latest_loops
    assert [each.cycle for each in loops] == list(range(newest - 5, newest + 1))
    for loop in loops:
        assert 100 <= len(loop.force_n) == len(loop.deflection_mm) <= 200
        assert loop.deflection_mm.max() == pytest.approx(4.0, abs=0.1)
        assert loop.force_n.max() == pytest.approx(10.0, abs=0.3)


def test_there_are_no_loops_before_the_first_cycle_has_closed():
    analysis, _ = live(SAMPLES[:400], keep=False)
    assert (analysis.loops, analysis.latest_loops) == ((), ())


def test_kept_loops_are_spread_over_the_recording():
    analysis, _ = live(keep=False)
    numbers = [each.cycle for each in analysis.loops]
    assert numbers == list(range(1, numbers[-1] + 1, numbers[1] - 1))
    assert len(numbers) > 12


def test_rows_go_to_the_store_that_is_handed_in():
    class Counting:
        def __init__(self):
            self.rows = 0

        def add(self, block):
            self.rows += len(block["cycle"])
            self.block = block

        def table(self):
            return {name: np.resize(values, self.rows) for name, values in self.block.items()}

    store = Counting()
    analysis, _ = live(store=store)
    assert len(analysis.finish()) == store.rows == 30
    assert not any(name.startswith("softening") for name in store.block)


# --- running sums


def tallied(block, conditioning, parts):
    tally = ColumnTally(conditioning)
    edges = np.linspace(0, len(block["cycle"]), parts + 1).astype(int)
    for start, stop in pairwise(edges.tolist()):
        tally.take({name: values[start:stop] for name, values in block.items()})
    return tally


@pytest.mark.parametrize("parts", [1, 3, 40])
def test_a_summary_in_parts_is_that_of_numpy_over_all(parts):
    rng = np.random.default_rng(2)
    count = TABLE_ROWS + 500
    force = 1e6 + rng.normal(0, 1e-3, count)  # a spread far below the mean is lost by plain sums of squares
    force[rng.integers(0, count, 200)] = np.nan
    flags = np.where(rng.random(count) < 0.1, float(Flag.BREAK), 0.0)
    cycle = np.arange(1.0, count + 1)
    block = {"cycle": cycle, "flags": flags, "force": force, "force_u": force, "knee_resolved": flags * 0}
    known = force[(flags == 0) & (cycle > 3) & np.isfinite(force)]
    tally = tallied(block, 3, parts)
    entry = tally.summary()["force"]
    assert entry["n"] == len(known)
    assert entry["mean"] == pytest.approx(known.mean(), rel=1e-14)
    assert entry["sd"] == pytest.approx(known.std(ddof=1), rel=1e-6)
    flagged = np.flatnonzero(flags) + 1
    assert tally.flagged[Flag.BREAK].count == len(flagged)
    assert tally.flagged[Flag.BREAK].first == flagged[:6].tolist()
    assert (tally.ever_missing("force"), tally.always_missing("force")) == (True, False)


@pytest.mark.parametrize("parts", [1, 7])
def test_softening_in_parts_is_the_line_of_scipy_over_all(parts):
    rng = np.random.default_rng(4)
    cycle = np.arange(1.0, 501)
    force = 20.0 - 1.5 * np.log10(cycle) + rng.normal(0, 0.05, 500)
    line = linregress(np.log10(cycle), force)
    fit = SofteningFit()
    for rows in np.array_split(np.arange(500), parts):
        fit.take(cycle[rows], force[rows])
    found = fit.result(5.0)
    assert found.pct_per_decade == pytest.approx(100 * line.slope / line.intercept, rel=1e-9)
    assert found.pct_per_decade_u == pytest.approx(100 * line.stderr / line.intercept, rel=1e-9)
    assert found.lost_pct == pytest.approx(100 * (1 - force[-1] / force[0]))
