"""The answer of a gauge study is worded by what its intervals allow."""

import re
from dataclasses import replace

import html5lib
import numpy as np
import pytest
from rich.console import Console

from rig.population import TrialTable, compare_kinds, gauge_study
from rig.sheets import GaugeStudy, gauge_answer, gauge_notes, gauge_tables, save_gauge_report


def made(*, kinds=("hand", "hand", "driven"), hand_sd=0.2, bias=0.0, trials=3, **asked):
    rng = np.random.default_rng(21)
    p, a = 8, len(kinds)
    hand = np.array([kind == "hand" for kind in kinds])[:, np.newaxis]
    noise = rng.normal(0, np.where(hand, hand_sd, 0.05), (p, a, trials))
    values = 5 + rng.normal(0, 1, (p, 1, 1)) + noise + bias * hand
    table = TrialTable(tuple("abcdefgh"), tuple(f"no. {n}" for n in range(a)), values, kinds)
    result = gauge_study(table, quantity="stiffness", unit="N/mm", **asked)
    comparison = compare_kinds(table) if len(set(kinds)) > 1 else None
    return GaugeStudy(table, result, comparison=comparison)


def printed(study):
    console = Console(width=160, record=True, file=None, quiet=False)
    with console.capture() as taken:
        for table in gauge_tables(study, plain=True):
            console.print(table)
    return taken.get()


def test_a_hand_that_repeats_worse_and_reads_higher_is_said_to():
    first = gauge_answer(made(bias=0.5))[0]
    assert first.startswith("Repeats by hand spread")
    assert "hand reads 0.4" in first or "hand reads 0.5" in first
    assert "N/mm higher on the same pieces" in first


def test_what_cannot_be_told_apart_is_said_not_to_be():
    first = gauge_answer(made(hand_sd=0.05))[0]
    assert first.startswith("Repeats by hand and driven do not differ measurably")
    assert "their means do not differ measurably" in first


def test_a_hand_that_repeats_better_is_said_to():
    assert "spread less than driven ones" in gauge_answer(made(hand_sd=0.01))[0]


def test_a_single_hand_says_that_it_stands_for_itself():
    assert "only for these appraisers" in gauge_answer(made(kinds=("hand", "driven")))[1]


def test_a_rig_that_does_not_spread_has_no_ratio_in_words():
    study = made()
    still = replace(study.comparison, ratio=None, ratio_low=None, ratio_high=None)
    assert "repeats to the last digit" in gauge_answer(replace(study, comparison=still))[0]


def test_the_share_of_the_gauge_is_said_with_its_interval_and_categories():
    study = made(kinds=("driven",), tolerance=6.0)
    (said,) = gauge_answer(study)
    gauge = study.result.component("gauge")
    assert said.startswith(f"The gauge accounts for {gauge.of_total_pct:.2g} % of the total spread (")
    assert f"{gauge.of_tolerance_pct:.2g} % of the tolerance" in said
    assert f"tells {study.result.chosen.categories} categories of pieces apart" in said


@pytest.mark.parametrize(
    ("asked", "other"), [("kept", "counted as repeats"), ("pooled", "kept as its own source")]
)
def test_the_answer_gives_the_gauge_by_both_models(asked, other):
    study = made(interaction=asked)
    share = study.result.other.component("gauge").of_total_pct
    last = gauge_answer(study)[-1]
    assert last.startswith(f"With the interaction {other}")
    assert f"the gauge accounts for {share:.2g} % (" in last
    assert f"p = {study.result.interaction_p:.3g}" in gauge_notes(study)[0]


def test_a_page_holds_every_reading_and_every_number(tmp_path):
    study = made(kinds=("hand", "driven"))
    page = save_gauge_report(study, "Gauge study", tmp_path).read_text(encoding="utf-8")
    names = {path.stem for path in tmp_path.glob("*.png")}
    assert names == {"variance", "pieces-1"}
    root = html5lib.parse(page, namespaceHTMLElements=False)
    cells = {"".join(cell.itertext()) for cell in root.iter() if cell.tag in ("td", "th", "dd")}
    numbers = np.array([float(cell) for cell in cells if re.fullmatch(r"-?\d+\.\d+", cell)])
    means = study.table.measured.mean(axis=2)
    for piece, row in zip(study.table.pieces, means, strict=True):
        assert piece in cells
        assert all(np.abs(numbers - mean).min() < 0.006 for mean in row)
    for model in (study.result.chosen, study.result.other):
        assert f"F, {model.name}" in cells
        assert {f"{row.sum_of_squares:.5g}" for row in model.anova} <= cells
        assert {f"{part.contribution_pct:.1f}" for part in model.components} <= cells
    ranges = np.ptp(study.table.measured, axis=2).mean()
    assert np.abs(numbers - ranges).min() < 0.005 * ranges


def test_a_dozen_pieces_share_a_picture(tmp_path):
    values = np.random.default_rng(3).normal(size=(30, 1, 2))
    table = TrialTable(tuple(f"p{n}" for n in range(30)), ("rig",), values, ("driven",))
    save_gauge_report(GaugeStudy(table, gauge_study(table)), "Many", tmp_path)
    assert {path.stem for path in tmp_path.glob("pieces-*.png")} == {"pieces-1", "pieces-2", "pieces-3"}


@pytest.mark.parametrize("values", [np.full((3, 2, 2), 4.25), np.arange(6.0).repeat(2).reshape(3, 2, 2)])
def test_a_study_in_which_nothing_repeats_differently_is_still_drawn(values, tmp_path):
    table = TrialTable(("a", "b", "c"), ("x", "y"), values, ("hand", "hand"))
    assert save_gauge_report(GaugeStudy(table, gauge_study(table)), "Coarse", tmp_path).exists()


def test_both_models_stand_in_the_tables():
    text = printed(made())
    assert "parts of the spread, interaction kept" in text
    assert "parts of the spread, interaction pooled" in text


def test_a_part_set_to_zero_is_marked_in_its_table():
    study = made()
    zero = [each.name for each in study.result.chosen.components if each.set_to_zero]
    assert zero
    assert "set to zero" in printed(study)


def test_one_trial_still_makes_tables_and_words():
    study = made(kinds=("hand", "hand"), trials=1)
    assert any("one trial" in note for note in gauge_notes(study))
    assert "interaction pooled" in printed(study)
