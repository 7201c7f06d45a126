"""Spreads of repeats, appraisers and pieces, against simulated truth and another implementation."""

import json

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from made_studies import columns_of, study_values
from scipy.stats import f_oneway
from statsmodels.formula.api import ols

from rig.errors import InputError
from rig.population import GaugeResult, gauge_study
from rig.population.gauge import drift_p

SHAPE = (10, 3, 3)


def made(seed=1, shape=SHAPE, **spreads):
    return columns_of(study_values(np.random.default_rng(seed), shape, **spreads))


def rows(model):
    return {each.source: each for each in model.anova}


def test_the_analysis_of_variance_is_that_of_another_implementation():
    table = pd.DataFrame(made(interaction=0.3)).sample(frac=1, random_state=2)
    theirs = sm.stats.anova_lm(ols("value ~ C(piece) * C(appraiser)", table).fit())
    ours = rows(gauge_study(table).chosen)
    names = {"piece": "C(piece)", "appraiser": "C(appraiser)", "piece x appraiser": "C(piece):C(appraiser)"}
    for name, other in (names | {"repeat": "Residual"}).items():
        assert ours[name].degrees_of_freedom == theirs.df[other]
        assert ours[name].sum_of_squares == pytest.approx(theirs.sum_sq[other], rel=1e-10)
    # theirs compares with the repeats throughout; ours takes pieces and appraisers as drawn from many
    assert ours["piece x appraiser"].p == pytest.approx(theirs["PR(>F)"][names["piece x appraiser"]])
    assert ours["piece"].f == pytest.approx(theirs.mean_sq["C(piece)"] / theirs.mean_sq.iloc[2])


def test_the_pooled_analysis_is_that_of_a_model_without_interaction():
    table = pd.DataFrame(made())
    theirs = sm.stats.anova_lm(ols("value ~ C(piece) + C(appraiser)", table).fit())
    study = gauge_study(table, interaction="pooled")
    assert study.chosen.name == "interaction pooled"
    ours = rows(study.chosen)
    assert ours["piece"].f == pytest.approx(theirs.F["C(piece)"])
    assert ours["appraiser"].p == pytest.approx(theirs["PR(>F)"]["C(appraiser)"])
    assert ours["repeat"].mean_square == pytest.approx(theirs.mean_sq["Residual"])


def test_one_appraiser_is_a_one_way_study_without_reproducibility():
    table = made(shape=(8, 1, 4))
    study = gauge_study(table)
    by_piece = np.reshape(table["value"], (8, 4))
    assert study.chosen.name == "one appraiser"
    assert study.other is None
    assert rows(study.chosen)["piece"].f == pytest.approx(f_oneway(*by_piece).statistic)
    repeats = study.component("repeatability")
    assert repeats.variance == pytest.approx(by_piece.var(axis=1, ddof=1).mean())
    assert study.component("gauge").variance == repeats.variance
    with pytest.raises(KeyError):
        study.component("reproducibility")


def test_a_large_study_finds_the_spreads_that_it_was_made_with():
    study = gauge_study(
        made(3, (150, 40, 4), pieces=0.8, appraisers=0.3, interaction=0.15, repeat=0.1), tolerance=6.0
    )
    for name, sd in (
        ("pieces", 0.8), ("reproducibility", 0.3), ("piece x appraiser", 0.15), ("repeatability", 0.1),
    ):  # fmt: skip
        each = study.component(name)
        assert each.sd_low < sd < each.sd_high
        assert each.sd == pytest.approx(sd, rel=0.25)
    gauge = study.component("gauge")
    # variances add: 0.09 + 0.0225 + 0.01 = 0.1225, whose root is 0.35; six of them in a tolerance of 6
    assert gauge.sd == pytest.approx(0.35, rel=0.2)
    assert gauge.of_tolerance_pct == pytest.approx(100 * gauge.sd)
    assert study.component("total").variance == pytest.approx(
        gauge.variance + study.component("pieces").variance
    )


def test_per_cents_and_categories_are_those_of_hand_arithmetic():
    # two pieces, one appraiser: repeats 1, 3 and 11, 13; both variances within are 2, of the means 50
    table = {"piece": "aabb", "appraiser": ["rig"] * 4, "trial": [1, 2, 1, 2], "value": [1, 3, 11, 13]}
    study = gauge_study(table | {"piece": list("aabb")}, tolerance=60.0)
    repeats, pieces, total = (study.component(each) for each in ("repeatability", "pieces", "total"))
    assert (repeats.variance, pieces.variance, total.variance) == pytest.approx((2.0, 49.0, 51.0))
    assert repeats.contribution_pct == pytest.approx(100 * 2 / 51)
    assert repeats.of_total_pct == pytest.approx(100 * (2 / 51) ** 0.5)
    assert repeats.of_tolerance_pct == pytest.approx(10 * 2**0.5)
    # 1.41 * 7 / 1.4142 = 6.98
    assert study.chosen.categories == 6


def test_a_component_below_zero_is_set_to_zero_and_said():
    # the appraisers' means are equal, so that only the noise of the cells is taken off
    values = study_values(np.random.default_rng(4), SHAPE)
    values -= values.mean((0, 2), keepdims=True)
    study = gauge_study(columns_of(values))
    reproducibility = study.component("reproducibility")
    assert (reproducibility.variance, reproducibility.set_to_zero) == (0.0, True)
    assert reproducibility.degrees_of_freedom is None
    assert any("reproducibility came out below zero" in note for note in study.notes)


@pytest.mark.parametrize("spread", [0.0, 0.1, 0.6])
def test_no_test_of_the_values_chooses_the_model(spread):
    table = made(6, interaction=spread)
    kept, pooled = (gauge_study(table, interaction=each) for each in ("kept", "pooled"))
    assert gauge_study(table) == kept
    assert (kept.chosen, kept.other) == (pooled.other, pooled.chosen)
    assert (kept.chosen.name, kept.other.name) == ("interaction kept", "interaction pooled")
    assert 0 <= kept.interaction_p == pooled.interaction_p <= 1


def test_one_trial_counts_the_interaction_as_repeats_and_says_so():
    table = made(shape=(6, 3, 1))
    study = gauge_study(table)
    assert (study.chosen.name, study.other, study.interaction_p) == ("interaction pooled", None, None)
    theirs = sm.stats.anova_lm(ols("value ~ C(piece) + C(appraiser)", pd.DataFrame(table)).fit())
    assert study.component("repeatability").variance == pytest.approx(theirs.mean_sq["Residual"])
    assert any("One trial" in note or "one trial" in note for note in study.notes)


def test_appraisers_stand_with_their_own_means_and_repeats():
    values = study_values(np.random.default_rng(5), (12, 2, 4), repeat=0.05)
    values[:, 1] += np.random.default_rng(6).normal(0.5, 0.4, (12, 4))
    study = gauge_study(columns_of(values))
    first, second = study.appraisers
    assert second.difference == pytest.approx((second.mean - first.mean) / 2)
    for place, each in enumerate(study.appraisers):
        assert each.sd == pytest.approx(values[:, place].var(axis=1, ddof=1).mean() ** 0.5)
        assert each.degrees_of_freedom == 36
    assert any("repeatability differs between appraisers" in note for note in study.notes)


def test_pieces_that_soften_from_trial_to_trial_are_told_of():
    values = study_values(np.random.default_rng(7), SHAPE, repeat=0.05)
    assert not any("from trial to trial" in note for note in gauge_study(columns_of(values)).notes)
    values -= 0.1 * np.arange(3)
    assert any("from trial to trial" in note for note in gauge_study(columns_of(values)).notes)


def test_the_test_for_drift_is_the_two_way_analysis_of_another_implementation():
    table = pd.DataFrame(made(8, shape=(6, 2, 4)))
    cells = table.assign(cell=table.piece + table.appraiser)
    theirs = sm.stats.anova_lm(ols("value ~ C(cell) + C(trial)", cells).fit())
    assert drift_p(table["value"].to_numpy().reshape(6, 2, 4)) == pytest.approx(theirs["PR(>F)"]["C(trial)"])


def test_equal_values_everywhere_have_no_percentages_and_do_not_crash():
    study = gauge_study(columns_of(np.full(SHAPE, 4.25)))
    gauge = study.component("gauge")
    assert (gauge.sd, gauge.of_total_pct, study.chosen.categories) == (0.0, None, None)
    assert any("to the last digit" in note for note in study.notes)
    json.dumps(study.as_dict(), allow_nan=False)


def test_a_result_survives_a_file():
    study = gauge_study(made(), quantity="stiffness", unit="N/mm", tolerance=2.0)
    assert GaugeResult.from_dict(json.loads(json.dumps(study.as_dict(), allow_nan=False))) == study


def test_what_is_no_study_is_refused_with_its_file():
    with pytest.raises(InputError, match=r"old\.json: not a gauge study"):
        GaugeResult.from_dict({"quantity": "stiffness"}, where="old.json")


@pytest.mark.parametrize(
    ("shape", "asked", "words"),
    [
        ((1, 3, 3), {}, "one piece"),
        ((5, 1, 1), {}, "measured only once"),
        (SHAPE, {"tolerance": 0.0}, "tolerance: found 0"),
        (SHAPE, {"tolerance": float("nan")}, "tolerance: found nan"),
        (SHAPE, {"level": 95}, "level: found 95"),
    ],
)
def test_a_study_that_says_nothing_is_refused_in_words(shape, asked, words):
    with pytest.raises(InputError, match=words):
        gauge_study(made(shape=shape), **asked)


def test_a_study_whose_model_a_test_chose_is_refused_by_its_field():
    document = gauge_study(made()).as_dict() | {"pool_above_p": 0.25}
    with pytest.raises(InputError, match=r"old\.json: pool_above_p: an older study"):
        GaugeResult.from_dict(document, where="old.json")


def test_a_whole_is_no_less_than_its_parts_even_where_pieces_do_not_spread():
    values = study_values(np.random.default_rng(9), (3, 1, 2))
    study = gauge_study(columns_of(values - values.mean((1, 2), keepdims=True)))
    repeats, gauge, total = (study.component(each) for each in ("repeatability", "gauge", "total"))
    assert study.component("pieces").set_to_zero
    assert total.sd == gauge.sd == repeats.sd
    assert repeats.sd_low <= gauge.sd_low <= total.sd_low
    assert repeats.sd_high <= gauge.sd_high <= total.sd_high
