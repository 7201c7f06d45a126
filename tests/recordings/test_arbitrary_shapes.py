"""Tables of any shape: nothing reported lies outside what the table holds, and nothing fails in numpy.

Shapes are stretches of rows that run straight in position and force, with noise, jumps and wrong rows: some
look like presses, most like nothing. Warnings of numpy are errors in these tests. `PRESSRIG_RECORDINGS=300`
tries many more, other ones each time.
"""

import os
import tempfile

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from known_failures import KNOWN
from recording_kinds import Recording
from recording_scores import CommandError, absurdities, analysed

LONG = "PRESSRIG_RECORDINGS" in os.environ
EXAMPLES = 2000 if LONG else 40

stretch = st.tuples(
    st.integers(1, 60),
    st.sampled_from([0.0, 0.0, 1.0, 5.0, -1.0, -5.0, 1e-3, 40.0]),
    st.sampled_from([0.0, 0.0, 1.0, 20.0, -1.0, -20.0, 1e-3, 500.0]),
)
"""Rows, and how far position and force go over them."""

table = st.fixed_dictionaries(
    {
        "stretches": st.lists(stretch, min_size=1, max_size=14),
        "step_s": st.sampled_from([1e-3, 0.01, 0.1, 1.0]),
        "noise_n": st.sampled_from([0.0, 1e-4, 0.02, 2.0]),
        "noise_mm": st.sampled_from([0.0, 1e-4, 0.01, 0.5]),
        "wrong": st.integers(0, 3),
        "decimals": st.sampled_from([(4, 0, 0), (4, 2, 3), (6, 6, 6)]),
        "seed": st.integers(0, 2**20),
    }
)


def drawn(shape):
    random = np.random.default_rng(shape["seed"])
    rows, further_mm, further_n = (np.array(each) for each in zip(*shape["stretches"], strict=True))
    row_mm = np.concatenate([[0.0], np.repeat(further_mm / rows, rows)]).cumsum()
    row_n = np.concatenate([[0.0], np.repeat(further_n / rows, rows)]).cumsum()
    row_mm = row_mm + shape["noise_mm"] * random.normal(size=len(row_mm))
    row_n = row_n + shape["noise_n"] * random.normal(size=len(row_n))
    wrong = random.integers(0, len(row_n), shape["wrong"])
    row_n[wrong] += random.normal(size=len(wrong)) * 300
    row_mm[wrong] += random.normal(size=len(wrong)) * 30
    row_s = shape["step_s"] * np.arange(len(row_n))
    return Recording("shape", shape["seed"], row_s, row_mm, row_n, shape["decimals"], [], at_mm=1.0)


@pytest.mark.xfail(("arbitrary shapes", "absurd") in KNOWN, reason="known", strict=False)
@settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize=not LONG,
    # making a failing table simpler takes longer than all the rest
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(table)
def test_nothing_reported_lies_outside_what_the_table_holds(tmp_path, shape):
    recording = drawn(shape)
    try:
        # a table that is drawn twice would be skipped as imported before
        document = analysed(recording, tempfile.mkdtemp(dir=tmp_path))
    except CommandError as refusal:
        # a table of one or two rows may be refused, in words
        assert "Traceback" not in str(refusal)
        return
    forces = (float(recording.row_n.min()), float(recording.row_n.max()))
    assert not [each for cycle in document["cycles"] for each in absurdities(recording, cycle, forces)]
