"""Hundreds of wrong inputs and damaged captures: each ends in words and with a code that the README names."""

from __future__ import annotations

import os

import pytest
from fuzzed_inputs import failures

BATCHES = 5
CASES = 112
"""In each batch: 560 in all. PRESSRIG_FUZZ_SEED=1000 tries others, PRESSRIG_FUZZ_CASES=5000 more of them."""


@pytest.mark.skipif(os.name != "posix", reason="needs a fork")
@pytest.mark.parametrize("batch", range(BATCHES))
def test_wrong_input_ends_in_words_without_a_hang_or_a_flood_of_memory(tmp_path, batch, capsys):
    seed = int(os.environ.get("PRESSRIG_FUZZ_SEED", "20261129")) + batch
    cases = int(os.environ.get("PRESSRIG_FUZZ_CASES", str(CASES)))
    wrong = failures(tmp_path, seed, cases)
    with capsys.disabled():
        print(f"\nseed {seed}: {cases} wrong inputs, {len(wrong)} ended badly")
    assert wrong == []
