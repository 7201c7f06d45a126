"""Pieces are the unit: figures of a batch against closed forms and planted spreads."""

import math

import numpy as np
import pytest
from made_pieces import STIFFNESS, piece, pieces
from made_studies import study_values
from scipy import stats

from rig.errors import InputError
from rig.population import (
    average_pieces,
    batch_figures,
    gauge_study,
    pieces_needed,
    split_spread,
    tolerance_factor,
)


def half_width(figures):
    return (figures.high - figures.low) / 2


def test_cycles_taken_for_pieces_would_have_shrunk_the_interval_fivefold_and_are_not():
    """Eight pieces of twenty cycles; pieces differ by 0.10, cycles of a piece by 0.02 N/mm."""
    rng = np.random.default_rng(7)
    cycles = 2.0 + rng.normal(0, 0.10, (8, 1)) + rng.normal(0, 0.02, (8, 20))
    means = cycles.mean(axis=1)
    wrong = stats.t.ppf(0.975, 159) * cycles.std(ddof=1) / math.sqrt(160)
    right = stats.t.ppf(0.975, 7) * means.std(ddof=1) / math.sqrt(8)
    found = half_width(batch_figures(pieces(means), STIFFNESS))
    # t(7)/t(159) = 1.197, root of 160/8 = 4.47, and single cycles spread hardly more than means
    assert right / wrong == pytest.approx(1.197 * 4.47, rel=0.05)
    assert found == pytest.approx(right, rel=1e-9)
    assert found / wrong > 5


def test_captures_of_one_piece_are_one_piece():
    values = [2.0, 2.3, 1.9]
    once = batch_figures(pieces(values), STIFFNESS)
    again = [
        piece(f"spring-{number}", value + way, capture=f"{number} {way}")
        for number, value in enumerate(values)
        for way in (-0.01, 0.01)
    ]
    twice = batch_figures(again, STIFFNESS)
    assert twice.n == 3
    assert half_width(twice) == pytest.approx(half_width(once), rel=1e-9)


def test_pieces_of_one_name_in_two_batches_are_two():
    assert len(average_pieces([piece("1", 2.0, batch="spring"), piece("1", 2.1, batch="autumn")])) == 2


def test_what_is_random_in_a_capture_shrinks_with_captures_and_the_calibration_does_not():
    (mean,) = average_pieces([piece("a", 2.0, u=0.05, shared=0.03, capture=str(n)) for n in range(4)])
    # 0.05^2 - 0.03^2 = 0.04^2, a quarter of that variance is 0.02^2
    assert mean.u_shared[STIFFNESS] == pytest.approx(0.03)
    assert mean.u[STIFFNESS] == pytest.approx(math.hypot(0.02, 0.03))


def test_more_pieces_do_not_shrink_the_calibrations_part():
    values = np.tile([1.9, 2.1], 5000)
    figures = batch_figures(pieces(values, shared=0.05), STIFFNESS)
    assert half_width(figures) == pytest.approx(1.96 * 0.05, rel=0.01)
    assert figures.shared_u == pytest.approx(0.05)


def test_a_calibration_from_few_readings_widens_the_interval_of_many_pieces():
    figures = batch_figures(pieces(np.tile([1.9, 2.1], 5000), shared=0.05, freedom=4.0), STIFFNESS)
    # the scatter leaves 0.1/100 N/mm: nearly all is the calibration's, with its four degrees of freedom
    assert figures.freedom == pytest.approx(4.0, rel=0.01)
    assert half_width(figures) == pytest.approx(stats.t.ppf(0.975, 4) * 0.05, rel=0.01)


def test_scatter_and_calibration_join_by_welch_and_satterthwaite():
    values = [2.0, 2.1, 2.3, 1.8]
    figures = batch_figures(pieces(values, shared=0.1, freedom=5.0), STIFFNESS)
    scatter2, shared2 = np.var(values, ddof=1) / 4, 0.01
    freedom = (scatter2 + shared2) ** 2 / (scatter2**2 / 3 + shared2**2 / 5)
    assert figures.freedom == pytest.approx(freedom)
    assert figures.shared_freedom == 5.0
    assert half_width(figures) == pytest.approx(stats.t.ppf(0.975, freedom) * math.sqrt(scatter2 + shared2))


def test_of_one_calibration_the_fewest_degrees_of_freedom_count_and_unlike_ones_join():
    one = [piece("a", 2.0, shared=0.04, freedom=9.0), piece("b", 2.1, shared=0.04, freedom=5.0)]
    assert batch_figures(one, STIFFNESS).shared_freedom == 5.0
    other = [piece("c", 2.2, shared=0.04, freedom=5.0, calibration="K2"), piece("d", 2.1, shared=0.04,
             freedom=5.0, calibration="K2")]  # fmt: skip
    # two equal parts of five degrees of freedom each have ten together
    assert batch_figures([*one, *other], STIFFNESS).shared_freedom == pytest.approx(10)


def test_captures_of_one_piece_keep_the_calibrations_degrees_of_freedom():
    (mean,) = average_pieces([piece("a", 2.0, shared=0.03, freedom=6.0, capture=str(n)) for n in range(4)])
    assert mean.freedom[STIFFNESS] == 6.0


def test_calibrations_that_differ_within_a_batch_are_averaged_as_independent():
    values = [*pieces([2.0, 2.1], shared=0.04), *pieces([2.0, 2.1], batch="x", shared=0.04, calibration="K2")]
    assert batch_figures(values, STIFFNESS).shared_u == pytest.approx(0.04 / math.sqrt(2))


def test_mean_sd_and_coefficient_of_variation_are_those_of_the_pieces():
    figures = batch_figures(pieces([1.0, 2.0, 3.0, 4.0]), STIFFNESS)
    assert (figures.n, figures.mean) == (4, 2.5)
    assert figures.sd == pytest.approx(math.sqrt(5 / 3))
    assert figures.cv_pct == pytest.approx(100 * math.sqrt(5 / 3) / 2.5)
    # t(3) = 3.18245 in any table
    assert half_width(figures) == pytest.approx(3.18245 * math.sqrt(5 / 3) / 2, rel=1e-5)


def test_a_quantity_of_both_signs_has_no_coefficient_of_variation():
    assert batch_figures(pieces([-1.0, 2.0, 3.0]), STIFFNESS).cv_pct is None


def test_a_torn_piece_is_flagged_and_stays_in_the_mean():
    values = [2.0, 2.05, 1.95, 2.02, 1.98, 2.01, 0.9]
    figures = batch_figures(pieces(values), STIFFNESS)
    assert figures.outliers == ("spring-6",)
    assert figures.mean == pytest.approx(sum(values) / 7)
    assert any("Outlier: spring-6" in note for note in figures.notes)


def test_two_torn_pieces_do_not_hide_each_other():
    values = [*np.random.default_rng(1).normal(2, 0.05, 18), 1.0, 1.05]
    assert set(batch_figures(pieces(values), STIFFNESS).outliers) == {"spring-18", "spring-19"}


def test_a_skew_batch_is_said_to_be_no_normal_one():
    figures = batch_figures(pieces(np.exp(np.linspace(-2, 3, 20))), STIFFNESS)
    assert figures.normal_p < 0.01
    assert any("not normally distributed" in note for note in figures.notes)


def test_one_piece_has_a_mean_and_says_why_it_has_no_interval():
    figures = batch_figures(pieces([2.0]), STIFFNESS)
    assert (figures.mean, figures.sd, figures.low, figures.tolerance_low) == (2.0, None, None, None)
    assert "One piece" in figures.notes[0]


def test_pieces_that_all_read_the_same_are_called_too_coarse():
    figures = batch_figures(pieces([2.0, 2.0, 2.0]), STIFFNESS)
    assert any("too coarse" in note for note in figures.notes)
    assert figures.normal_p is None


def test_a_quantity_that_nobody_has_is_refused_with_those_there_are():
    with pytest.raises(InputError, match="found secant_n_per_mm"):
        batch_figures(pieces([2.0, 2.1]), "softness")


@pytest.mark.parametrize(("sd", "half"), [(0.1, 0.1), (0.1, 0.03), (1.0, 0.02)])
def test_the_pieces_needed_are_the_fewest_that_reach_the_half_width(sd, half):
    count = pieces_needed(sd, half)
    assert stats.t.ppf(0.975, count - 1) * sd / math.sqrt(count) <= half
    assert stats.t.ppf(0.975, count - 2) * sd / math.sqrt(count - 1) > half


def test_no_number_of_pieces_reaches_what_the_calibration_forbids():
    assert pieces_needed(0.1, 0.09, shared_u=0.05) is None
    assert pieces_needed(0.1, 0.11, shared_u=0.05) is not None
    # t(4) = 2.776: a calibration from few readings leaves 0.139
    assert pieces_needed(0.1, 0.13, shared_u=0.05, shared_freedom=4.0) is None


def test_why_no_number_of_pieces_reaches_a_half_width_is_said_as_it_is():
    def said(wanted, shared=0.0):
        results = [piece(str(place), value, shared=shared) for place, value in enumerate([1.9, 2.0, 2.1])]
        return " ".join(batch_figures(results, STIFFNESS, wanted=wanted).notes)

    assert "the calibration's uncertainty is larger" in said(0.05, shared=0.05)
    assert "Not even 100000 pieces" in said(1e-4)
    assert "half width" not in said(0.05)


def test_the_spread_is_split_into_rig_piece_and_pieces_as_it_was_planted():
    """800 pieces of four captures: rig 0.03, the piece itself 0.04, pieces 0.12."""
    rng = np.random.default_rng(3)
    true = 2.0 + rng.normal(0, 0.12, (800, 1)) + rng.normal(0, 0.05, (800, 4))
    results = [
        piece(str(row), value, capture=f"{row} {again}", u=math.hypot(0.03, 0.06), shared=0.06)
        for row, values in enumerate(true)
        for again, value in enumerate(values)
    ]
    split = split_spread(results, STIFFNESS)
    assert split.rig_from == "stated uncertainty"
    assert split.rig_sd == pytest.approx(0.03)
    assert split.within_sd == pytest.approx(0.04, rel=0.06)
    assert split.between_sd == pytest.approx(0.12, rel=0.06)
    assert split.rig_pct + split.within_pct + split.between_pct == pytest.approx(100)


def test_a_gauge_study_says_what_the_rig_does():
    rng = np.random.default_rng(4)
    values = study_values(rng, (10, 1, 3), appraisers=0.0, pieces=0.1, repeat=0.03)
    table = {
        "piece": [p for p in range(10) for _ in range(3)],
        "appraiser": ["rig"] * 30,
        "trial": [1, 2, 3] * 10,
        "value": values.ravel(),
    }
    gauge = gauge_study(table)
    split = split_spread(pieces([2.0, 2.2, 1.9, 2.1]), STIFFNESS, gauge)
    assert split.rig_from == "gauge study"
    assert split.rig_sd == pytest.approx(gauge.component("repeatability").sd)


def test_without_repeats_what_a_piece_does_itself_is_not_told():
    split = split_spread(pieces([1.9, 2.1], u=0.01), STIFFNESS)
    # variance of the two 0.02, of which 0.0001 are the rig's
    assert split.within_sd is None
    assert split.between_sd == pytest.approx(math.sqrt(0.02 - 0.0001))


def test_a_rig_that_explains_all_leaves_nothing_to_the_pieces_and_says_so():
    split = split_spread(pieces([1.99, 2.01], u=0.5), STIFFNESS)
    assert (split.between_sd, split.set_to_zero) == (0.0, ("between pieces",))


@pytest.mark.parametrize(("count", "content", "confidence"), [(5, 0.9, 0.95), (12, 0.95, 0.9)])
def test_the_tolerance_interval_holds_its_content_as_often_as_it_says(count, content, confidence):
    values = np.random.default_rng(5).normal(size=(20_000, count))
    mean, sd = values.mean(axis=1), values.std(axis=1, ddof=1)
    k = tolerance_factor(count, content, confidence)
    held = stats.norm.cdf(mean + k * sd) - stats.norm.cdf(mean - k * sd)
    # four standard errors of a share of 20000
    assert np.mean(held >= content) == pytest.approx(confidence, abs=4 * 0.0022)


def test_most_pieces_do_not_hold_with_less_than_nothing():
    two = batch_figures(pieces([24.0, 27.0]), STIFFNESS)
    assert two.tolerance_low < 0
    assert two.most_from == 0.0
    # of what can be negative, such as a change, nothing is cut
    assert batch_figures(pieces([-4.0, 3.0]), STIFFNESS).most_from < -4.0
