"""How fast cycles are measured, beside a general tool that measures one quantity of them.

Run as `python tests/benchmarks/bench_analysis.py`. The baseline is what a notebook would do: pandas
groupby.apply with one numpy.trapezoid for each cycle, the cycles being known. The analyser measures all
its quantities with their uncertainties, given the same cycles; a second figure adds finding the cycles.
Both run in this process, one after the other, best of three.
"""

import time
import warnings
from functools import partial

import numpy as np
import pandas as pd

from rig.analyser.measure import measure
from rig.analyser.settings import AnalysisSettings, MeasuringNoise
from rig.analyser.strokes import Context
from rig.calibration import Signals
from rig.segmenter import Segment, Segmenter

ROUNDS = 3
SIZES = ((80_000, 20), (500, 10_000))


def recording(cycles: int, samples: int) -> Signals:
    """A spring pressed by a triangle, with noise and counts."""
    rng = np.random.default_rng(1)
    phase = np.arange(cycles * samples) / samples % 1
    position = np.where(phase < 0.5, 2 * phase, 2 - 2 * phase) * 12.5 - 2.5
    position = np.concatenate([np.full(max(samples // 2, 12), -2.5), position])
    n = len(position)
    force = 2.5 * np.maximum(position, 0) + rng.normal(0, 0.005, n)
    read = position + rng.normal(0, 0.001, n)
    return Signals(
        np.arange(n) / 500,
        np.round(force / 0.001) * 0.001,
        np.round(read / 0.005) * 0.005,
        np.zeros(n, np.uint8),
        np.zeros(n, np.int64),
        0.001,
        0.005,
    )


def best(action) -> float:
    """Shortest of a few rounds, s."""
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times)


def baseline(signals: Signals, segment: Segment) -> float:
    """Seconds of pandas groupby.apply with one numpy.trapezoid per cycle."""
    cycles = segment.cycles
    number = np.repeat(np.arange(len(cycles)), cycles.after - cycles.before)
    index = np.concatenate([np.arange(a, b) for a, b in zip(cycles.before, cycles.after, strict=True)])
    frame = pd.DataFrame(
        {"cycle": number, "mm": segment.signals.position_mm[index], "n": segment.signals.force_n[index]}
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return best(lambda: frame.groupby("cycle").apply(lambda one: np.trapezoid(one["n"], one["mm"])))


def found_anew(signals: Signals) -> Segment | None:
    """Find all cycles of a recording."""
    return Segmenter().push(signals)


def main() -> None:
    """Print ratios for many short and few long cycles."""
    for cycles, samples in SIZES:
        signals = recording(cycles, samples)
        segmenter = Segmenter()
        segment = segmenter.push(signals)
        assert segment is not None
        assert segmenter.noise is not None
        found = segmenter.noise
        context = Context(
            AnalysisSettings(free_height_mm=60.0),
            MeasuringNoise(found.force_n, found.position_mm, 0.001, 0.005, found.samples),
            segmenter.detection_n,
            segmenter.contact_force_n,
            segmenter.deadband_mm,
        )
        general = baseline(signals, segment)
        measuring = best(partial(measure, segment, context, None, None))
        finding = best(partial(found_anew, signals))
        print(
            f"{len(segment.cycles)} cycles of {samples} samples: pandas, one integral {general:.3f} s; "
            f"analyser, all quantities {measuring:.3f} s ({general / measuring:.1f} times as fast); "
            f"finding the cycles {finding:.3f} s (both {general / (measuring + finding):.1f} times as fast)"
        )


if __name__ == "__main__":
    main()
