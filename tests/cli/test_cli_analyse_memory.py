"""The memory of `pressrig analyse` does not follow the number of cycles.

The full size, 2 000 and 80 000 cycles, is a benchmark: tests/benchmarks/bench_analyse_memory.py.
"""

from __future__ import annotations

import json
import math
import tracemalloc

import pytest
from pounded_captures import peak_memory_kib, pounded_capture

from rig.results import SpilledRows, analyse_capture, cycle_entries, cycle_frames

FEWEST, FEW, MANY = 100, 8000, 16000
"""The last two are many times what is read at a time: from there on nothing may grow."""


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    return tmp_path_factory.mktemp("pounded")


@pytest.fixture(scope="module")
def captures(home):
    return {cycles: pounded_capture(home, cycles) for cycles in (FEWEST, FEW, MANY)}


def traced_peak(capture) -> int:
    """Bytes that arrays and objects took at the most while a capture was analysed and written."""
    tracemalloc.start()
    try:
        with SpilledRows() as store:
            _, result = analyse_capture(capture, store=store)
            written = sum(1 for _ in cycle_entries(result)) + sum(len(each) for each in cycle_frames(result))
            assert written == 2 * len(result)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_further_cycles_take_less_than_their_rows_would(captures) -> None:
    traced_peak(captures[FEWEST])  # imports are no part of it
    few, many = (traced_peak(captures[cycles]) for cycles in (FEW, MANY))
    # A row is nearly a kilobyte; 32 bytes of it are kept: number, flags, depth and softening.
    assert many - few < 100 * (MANY - FEW)


def test_the_command_takes_the_same_memory_for_twice_the_cycles(home, captures) -> None:
    few, many = (peak_memory_kib(home, "analyse", captures[cycles], "--json") for cycles in (FEW, MANY))
    assert many < 1.05 * few


def test_a_pounded_capture_has_all_its_cycles_in_the_document(home, captures) -> None:
    peak_memory_kib(home, "analyse", captures[FEWEST], "--json")
    (document,) = json.loads((home / "output.txt").read_text())["captures"]
    assert [each["cycle"] for each in document["cycles"]] == list(range(1, FEWEST + 1))
    # The capture's own truth: 2.5 N/mm, 3 % of softening and 0.05 mm of set for each decade of cycles.
    assert document["softening"]["pct_per_decade"] == pytest.approx(-3.0, abs=0.1)
    assert document["cycles"][-1]["set_mm"] == pytest.approx(0.05 * math.log10(FEWEST), abs=0.02)
