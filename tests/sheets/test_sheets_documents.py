"""Documents, frames and tables say what the result says, and nothing that JSON or a reader cannot hold."""

import io
import json
import math
from types import SimpleNamespace

import numpy as np
import pytest
import scipy.stats
from made_results import made_header, made_result
from rich.console import Console

from rig.core import Quantity, quantity, rounded
from rig.results import capture_document, cycles_frame
from rig.sheets import cycle_table, summary_table
from rig.sheets.tables import KEY_FORCE, SHOWN_CYCLES, answer_sentence

RESULT = made_result()
DOCUMENT = capture_document("captures/one", made_header(), RESULT)

MEASURED = (
    "contact_mm",
    "contact_at_force_mm",
    "peak_force_n",
    "peak_deflection_mm",
    "secant_n_per_mm",
    "tangent_n_per_mm",
    "initial_n_per_mm",
    "energy_absorbed_mj",
    "energy_returned_mj",
    "loss_mj",
    "hysteresis_pct",
    "set_mm",
    "rate_mm_per_s",
)
"""What a cycle of the document holds at least, each with its standard uncertainty."""


def test_the_document_names_the_capture_and_what_was_in_it():
    named = {name: DOCUMENT[name] for name in ("capture", "specimen", "batch", "free_height_mm", "datum")}
    assert named == {
        "capture": "captures/one", "specimen": "F-90 no. 3", "batch": "spring", "free_height_mm": 40.0,
        "datum": "cycle",
    }  # fmt: skip


@pytest.mark.parametrize("result", [RESULT, made_result(0), made_result(1, height_mm=None, at=())], ids=str)
def test_the_document_is_json_without_not_a_number(result):
    text = json.dumps(capture_document("one", made_header(), result), allow_nan=False)
    assert json.loads(text)["specimen"] == "F-90 no. 3"


def test_not_a_number_and_infinity_are_empty_in_the_document():
    result = made_result()
    result.columns["secant_n_per_mm"][:2] = math.inf, math.nan
    cycles = capture_document("one", made_header(), result)["cycles"]
    assert [cycle["secant_n_per_mm"] is None for cycle in cycles] == [True, True, False, False]


@pytest.mark.parametrize("name", MEASURED)
def test_every_measured_number_of_a_cycle_has_its_uncertainty(name):
    for cycle in DOCUMENT["cycles"][1:]:
        assert isinstance(cycle[name], float)
        assert cycle[f"{name}_u"] > 0


def test_a_cycle_has_its_number_flags_and_times():
    cycle = DOCUMENT["cycles"][2]
    assert (cycle["cycle"], cycle["flags"]) == (3, [])
    assert cycle["end_s"] - cycle["start_s"] == pytest.approx(2 * 10 / 12, abs=0.05)


def test_forces_at_depths_stand_in_a_list_with_the_secants_there():
    readings = DOCUMENT["cycles"][0]["at"]
    assert [each["at"] for each in readings] == ["20%", "5mm"]
    assert readings[1]["loading_n"] == pytest.approx(12.5, abs=0.05)
    assert readings[1]["unloading_n"] == pytest.approx(10.0, abs=0.05)
    assert readings[1]["secant_loading_n_per_mm"] == pytest.approx(2.5, abs=0.01)


def test_a_depth_that_is_not_reached_is_empty():
    readings = capture_document("one", made_header(), made_result(at=("15 mm",)))["cycles"][0]["at"]
    assert set(readings[0].values()) == {"15mm", None}


def test_the_summary_has_mean_deviation_and_number():
    entry = DOCUMENT["summary"]["secant_n_per_mm"]
    values = RESULT.columns["secant_n_per_mm"]
    low, high = scipy.stats.t.interval(0.95, 3, values.mean(), scipy.stats.sem(values))
    expected = {
        "mean": pytest.approx(values.mean()),
        "u": pytest.approx(scipy.stats.sem(values)),
        "half95": pytest.approx((high - low) / 2),
        "sd": pytest.approx(values.std(ddof=1)),
        "n": 4,
    }
    assert DOCUMENT["summary"]["at"][0]["loading_n"]["n"] == 4
    assert {name: entry[name] for name in expected} == expected


def test_a_summary_over_nothing_has_no_mean():
    result = made_result(2, conditioning=5)
    entry = capture_document("one", made_header(), result)["summary"]["secant_n_per_mm"]
    assert entry == {"mean": None, "u": None, "half95": None, "sd": None, "n": 0}


def test_the_document_says_what_made_it():
    assert DOCUMENT["software"].startswith("pressrig ")
    assert DOCUMENT["settings"]["at"] == ["20%", "5 mm"]
    assert DOCUMENT["settings"]["contact_force_n"] > 0
    assert DOCUMENT["noise"]["force_n"] == pytest.approx(0.005, rel=0.3)
    assert DOCUMENT["warnings"] == list(RESULT.warnings)


def test_the_frame_has_a_row_for_each_cycle_and_units_in_its_names():
    frame = cycles_frame(RESULT)
    assert frame["cycle"].tolist() == [1, 2, 3, 4]
    assert {"force_at_20%_loading_n", "force_at_5mm_unloading_n_u", *MEASURED} <= set(frame.columns)
    np.testing.assert_array_equal(frame["secant_n_per_mm"], RESULT.columns["secant_n_per_mm"])
    assert frame["flags"].tolist() == [[], [], [], []]


def test_the_frame_of_no_cycles_has_no_rows():
    frame = cycles_frame(made_result(0))
    assert (len(frame), list(frame.columns)) == (0, ["cycle", "flags", "spoilt"])


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (12.34567, 0.012, "12.346"),
        (12.34567, 0.0996, "12.346"),
        (12.34567, 0.1, "12.35"),
        (1234.567, 25.0, "1235"),
        (-0.00012, 0.00034, "-0.00012"),
        (0.0, 0.02, "0.000"),
        (3.0, 0.0, "3"),
        (3.14159, math.nan, "3.142"),
        (math.nan, 1.0, "-"),
        (math.inf, 1.0, "-"),
        (1.0, 1e-30, "1.000000000"),
    ],
)
def test_a_number_is_shown_with_the_digits_that_its_uncertainty_leaves(value, u, text):
    assert rounded(value, u) == text


@pytest.mark.parametrize(
    ("column", "title", "unit"),
    [
        ("secant_n_per_mm", "secant stiffness at the peak", "N/mm"),
        ("hysteresis_pct", "hysteresis", "%"),
        ("set_pct_of_height", "permanent set, of free height", "%"),
        ("rate_mm_per_s", "rate of loading", "mm/s"),
        ("force_retention_10s_pct", "force retention at 10 s", "%"),
        ("at 2.5 mm.unloading_n", "force at 2.5 mm, unloading", "N"),
        ("toe_exponent", "toe exponent", ""),
    ],
)
def test_a_column_is_read_as_a_quantity_and_its_unit(column, title, unit):
    assert quantity(column) == Quantity(title, unit)


def test_every_quantity_of_a_result_has_a_unit_but_for_pure_numbers():
    bare = [name for name in RESULT.quantities() if not quantity(name).unit]
    assert bare == ["toe_exponent", "loss_factor"]


def printed(table):
    console = Console(file=io.StringIO(), width=200)
    console.print(table)
    return console.file.getvalue()


def test_a_table_has_a_line_for_each_cycle():
    lines = printed(cycle_table(RESULT, "presses", plain=True)).splitlines()
    assert lines[0].strip() == "presses"
    assert [line.split()[0] for line in lines[-4:]] == ["1", "2", "3", "4"]


def test_a_table_of_many_cycles_shows_the_first_and_the_last():
    table = cycle_table(made_result(40), "presses", plain=True)
    numbers = [line.split()[0] for line in printed(table).splitlines()[3:]]
    assert numbers == ["1", "2", "3", "4", "5", "6", "...", "35", "36", "37", "38", "39", "40"]
    assert table.row_count == SHOWN_CYCLES + 1


def test_a_table_of_many_cycles_says_how_many_it_leaves_out_and_where_all_are():
    text = printed(cycle_table(made_result(40), "presses", plain=True))
    assert "28 cycles not shown: --out FOLDER or --json gives all" in text


def test_a_table_says_why_a_cycle_is_left_out():
    assert "conditioning" in printed(cycle_table(made_result(conditioning=1), "presses", plain=True))
    last = made_result(3)
    last.columns["flags"][1] = 1 << 18
    assert "break" in printed(cycle_table(last, "presses", plain=True))


def test_the_summary_table_leaves_out_what_no_cycle_has():
    text = printed(summary_table(RESULT, "means", plain=True))
    assert "secant stiffness at the peak" in text
    assert "loss factor" not in text


@pytest.mark.parametrize(
    ("at_depth", "words"),
    [
        (2, "mean of the 2 of 3 cycles in which it could be read."),
        (3, "mean of 3 cycles."),
        # a force trip spoils the peak, and with it the secant, and not what was read before
        (5, "mean of 5 cycles."),
    ],
)
def test_the_answer_counts_the_cycles_of_the_force_that_it_gives(at_depth, words):
    means = {"peak_force_n": 60.0, "secant_n_per_mm": 2.0, "deflection_at_peak_force_mm": 30.0}
    summary = {name: {"mean": mean, "half95": 0.1 * mean, "n": 3} for name, mean in means.items()}
    summary[KEY_FORCE] = {"mean": 45.0, "half95": 4.5, "n": at_depth}
    assert words in answer_sentence(SimpleNamespace(summary=summary), "S1")


@pytest.mark.parametrize("make", [cycle_table, summary_table])
def test_tables_of_nothing_are_empty(make):
    assert make(made_result(0), "nothing", plain=False).row_count == 0
