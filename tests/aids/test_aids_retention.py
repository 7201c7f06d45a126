"""Pulls of pieces put together: pieces are the unit, wear is a trend, the calibration's part stays whole."""

import json
import math

import numpy as np
import pytest

from rig.aids import COLUMNS, PulledPiece, answer_pull, pull_trend
from rig.errors import InputError
from rig.population import PieceResult


def piece(name, peaks, *, capture=None, batch="A", u=0.1, shared=0.0, calibration="bench", **circumstances):
    peaks = np.asarray(peaks, float)
    columns = {"peak_n": peaks, "slip_n": 0.75 * peaks, "slip_mm": 0 * peaks + 0.5}
    columns |= {"travel_mm": 0 * peaks + 8.0, "work_mj": 2.5 * peaks}
    result = PieceResult(
        name, batch, "new", capture or name, {}, {}, {}, {"calibration": calibration, **circumstances}, None
    )
    return PulledPiece(
        result,
        columns | {f"{each}_u": np.full(len(peaks), u) for each in COLUMNS},
        dict.fromkeys(COLUMNS, shared),
    )


def test_the_first_pull_of_each_piece_is_what_a_new_piece_does():
    answer = answer_pull([piece("a", [20, 10, 5]), piece("b", [24, 12, 6])])
    assert answer.figures["first_peak_pull_n"].mean == 22.0
    # (35/3 + 42/3) / 2
    assert answer.figures["mean_peak_pull_n"].mean == pytest.approx(77 / 6)
    assert answer.figures["pull_work_mj"].mean == pytest.approx(55.0)


def test_the_interval_is_that_of_pieces_however_often_each_was_pulled():
    few = answer_pull([piece("a", [20]), piece("b", [22]), piece("c", [24])]).figures["first_peak_pull_n"]
    many = answer_pull([piece(name, [n] * 30) for name, n in zip("abc", (20, 22, 24), strict=True)])
    # t(2, 0.975) = 4.3027; sd 2, over the root of 3
    assert few.high - few.mean == pytest.approx(4.3027 * 2 / math.sqrt(3), rel=1e-4)
    assert many.figures["first_peak_pull_n"].high == pytest.approx(few.high)


def test_the_calibrations_part_is_not_divided_by_the_number_of_pieces():
    pieces = [piece(f"p{n}", [20.0 + 0.001 * n], shared=0.01) for n in range(50)]
    figures = answer_pull(pieces).figures["first_peak_pull_n"]
    assert figures.shared_u == pytest.approx(0.2, rel=2e-3)  # 1 % of 20 N
    assert figures.u >= 0.2


def test_captures_of_one_piece_follow_each_other():
    answer = answer_pull([piece("a", [20, 18], capture="one"), piece("a", [16.2, 14.58], capture="two")])
    assert answer.figures["first_peak_pull_n"].n == 1
    assert answer.figures["first_peak_pull_n"].mean == 20.0
    (trend,) = answer.trends.values()
    assert (trend.pulls, trend.change_pct) == (4, pytest.approx(-10.0))  # each 0.9 of the one before
    assert any("follow each other" in note for note in answer.notes)


def test_a_first_pull_that_does_not_count_is_not_replaced_by_the_second():
    answer = answer_pull([piece("a", [math.nan, 18, 17]), piece("b", [24, 23, 22])])
    assert answer.figures["first_peak_pull_n"].names == ("b",)
    assert any("first pull of a does not count" in note for note in answer.notes)


def test_unlike_numbers_of_pulls_are_said():
    said = answer_pull([piece("a", [20, 18]), piece("b", [20, 18, 16])]).notes
    assert any("pulled 2 to 3 times" in note for note in said)
    assert not any("times" in note for note in answer_pull([piece("a", [20]), piece("b", [21])]).notes)


def test_the_trend_has_the_interval_of_a_straight_line():
    change = pull_trend(np.exp(np.array([3.0, 2.9, 2.9, 2.8])))
    # slope -0.06; squares left 0.02 - 0.018, u = sqrt(0.002 / 2 / 5); t(2, 0.975) = 4.3027
    assert change.change_pct == pytest.approx(100 * (math.exp(-0.06) - 1))
    assert change.low == pytest.approx(100 * (math.exp(-0.06 - 4.3027 * 0.0141421) - 1), rel=1e-4)
    assert change.high == pytest.approx(100 * (math.exp(-0.06 + 4.3027 * 0.0141421) - 1), rel=1e-3)


def test_two_pulls_give_a_change_without_an_interval_and_one_gives_none():
    assert pull_trend(np.array([20.0])) is None
    two = pull_trend(np.array([20.0, 19.0]))
    assert (two.change_pct, two.low, two.high) == (pytest.approx(-5.0), None, None)


def test_a_gap_in_the_pulls_keeps_their_numbers():
    assert pull_trend(np.array([20.0, math.nan, 16.2])).change_pct == pytest.approx(-10.0)


def test_a_pulls_uncertainty_has_the_calibrations_part():
    one = piece("a", [20.0], u=0.3, shared=0.02)
    assert one.u_of("peak_n")[0] == pytest.approx(0.5)  # 0.3 and 2 % of 20 are 0.3 and 0.4
    (row,) = answer_pull([one]).as_dict()["pulls"]
    assert row["peak_n_u"] == pytest.approx(0.5)


def test_pieces_read_with_different_calibrations_or_rates_are_not_put_together_unsaid():
    pieces = [piece("a", [20], rate="1 mm/s"), piece("b", [22], rate="5 mm/s")]
    with pytest.raises(InputError, match="rate"):
        answer_pull(pieces)
    assert any("rate" in note for note in answer_pull(pieces, ["rate"]).notes)


def test_pulls_of_which_none_counts_are_refused_by_capture():
    with pytest.raises(InputError, match="capture a: found no pull with a peak that counts"):
        answer_pull([piece("a", [math.nan])])
    with pytest.raises(InputError, match="found no capture"):
        answer_pull([])


def test_the_answer_is_json_and_says_where_its_formulas_are_from():
    document = json.loads(json.dumps(answer_pull([piece("a", [20, math.nan])]).as_dict(), allow_nan=False))
    assert document["pulls"][1]["peak_n"] is None
    assert all(each["source"] and each["limits"] for each in document["formulas"])
