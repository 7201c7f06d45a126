"""One material in many laboratories, against formulas by hand, another package and drawn laboratories."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.stats import f
from statsmodels.formula.api import mixedlm, ols

from rig.errors import InputError
from rig.population import laboratory_study
from rig.population.laboratories import h_limit, k_limit

UNEQUAL = (6, 2, 4, 3, 5, 2, 4, 1, 3)


def drawn(rng, count, *, between=0.3, within=0.2, mean=5.0) -> pd.DataFrame:
    """Results of laboratories, as many of each as `count` says."""
    rows = [
        (f"L{place}", value)
        for place, n in enumerate(count)
        for value in mean + between * rng.normal() + within * rng.normal(size=n)
    ]
    return pd.DataFrame(rows, columns=["laboratory", "value"])


def test_variances_are_those_of_an_analysis_of_variance_with_unequal_numbers():
    table = drawn(np.random.default_rng(1), UNEQUAL)
    (found,) = laboratory_study(table).materials
    anova = sm.stats.anova_lm(ols("value ~ C(laboratory)", table).fit())
    within, spread = anova["mean_sq"]["Residual"], anova["mean_sq"]["C(laboratory)"]
    n = np.array(UNEQUAL)
    typical = (n.sum() - (n**2).sum() / n.sum()) / (len(n) - 1)
    assert found.repeatability.sd**2 == pytest.approx(within, rel=1e-9)
    assert found.between**2 == pytest.approx((spread - within) / typical, rel=1e-9)
    assert found.reproducibility.sd**2 == pytest.approx(within + (spread - within) / typical, rel=1e-9)
    assert found.mean == pytest.approx(table["value"].mean())


def test_equal_numbers_give_the_variances_of_a_random_effects_model():
    # with equal numbers, restricted maximum likelihood and the analysis of variance agree
    table = drawn(np.random.default_rng(2), [4] * 9)
    (found,) = laboratory_study(table).materials
    model = mixedlm("value ~ 1", table, groups=table["laboratory"]).fit(reml=True)
    assert found.repeatability.sd**2 == pytest.approx(model.scale, rel=1e-4)
    assert found.between**2 == pytest.approx(float(model.cov_re.iloc[0, 0]), rel=1e-3)


def test_limits_of_h_and_k_are_exceeded_as_often_as_they_say():
    rng, laboratories, results, draws = np.random.default_rng(3), 6, 3, 100_000
    values = rng.normal(size=(draws, laboratories, results))
    means, squares = values.mean(2), values.var(2, ddof=1)
    h = np.abs(means[:, 0] - means.mean(1)) / means.std(1, ddof=1)
    k = np.sqrt(squares[:, 0] / squares.mean(1))
    within = laboratories * (results - 1)
    for significance in (0.05, 0.01):
        # 4 standard errors of a count of rare events
        near = 4 * np.sqrt(significance / draws)
        assert np.mean(h > h_limit(laboratories, significance)) == pytest.approx(significance, abs=near)
        assert np.mean(k > k_limit(results - 1, within, significance)) == pytest.approx(
            significance, abs=near
        )


def test_intervals_hold_the_truth_as_often_as_they_say():
    rng, studies = np.random.default_rng(4), 500
    held = np.zeros(2)
    for _ in range(studies):
        (found,) = laboratory_study(drawn(rng, UNEQUAL)).materials
        held += (
            found.repeatability.low < 0.2 < found.repeatability.high,
            found.reproducibility.low < np.hypot(0.2, 0.3) < found.reproducibility.high,
        )
    assert held[0] / studies == pytest.approx(0.95, abs=0.03)
    # approximate: the numbers are unequal
    assert 0.92 < held[1] / studies < 0.99


@pytest.mark.parametrize("count", [(4,) * 7, UNEQUAL])
def test_sound_laboratories_are_seldom_suspected(count):
    rng, studies = np.random.default_rng(5), 500
    suspected = {"Cochran": 0, "Grubbs": 0, "Grubbs for two": 0}
    for _ in range(studies):
        for check in laboratory_study(drawn(rng, count)).materials[0].checks:
            suspected[check.test] += check.p < 0.05
    assert {test: n / studies for test, n in suspected.items()} == pytest.approx(
        {"Cochran": 0.05, "Grubbs": 0.05, "Grubbs for two": 0.05}, abs=0.03
    )


def test_a_laboratory_with_a_large_spread_or_a_far_mean_is_named():
    table = drawn(np.random.default_rng(6), [4] * 10, between=0.05)
    wide = table.copy()
    chosen = wide["laboratory"] == "L3"
    wide.loc[chosen, "value"] += [1.5, -1.5, 1.5, -1.5]
    far = table.copy()
    far.loc[far["laboratory"] == "L7", "value"] += 2
    for changed, test, name, statistic in ((wide, "Cochran", "L3", "k"), (far, "Grubbs", "L7", "h")):
        (found,) = laboratory_study(changed).materials
        assert [(each.test, each.laboratory) for each in found.checks if each.verdict == "outlier"] == [
            (test, name)
        ]
        beyond = [
            each.name
            for each in found.laboratories
            if abs(getattr(each, statistic)) > getattr(each, f"{statistic}_limits")[1]
        ]
        assert beyond == [name]


@pytest.mark.parametrize("side", [1, -1])
def test_two_laboratories_that_hide_each_other_are_named_together(side):
    table = drawn(np.random.default_rng(6), [4] * 8, between=0.05)
    table.loc[table["laboratory"].isin(["L2", "L5"]), "value"] += side * 2
    (found,) = laboratory_study(table).materials
    assert [(each.test, each.laboratory) for each in found.checks if each.verdict == "outlier"] == [
        ("Grubbs for two", "L2 and L5")
    ]
    means = table.groupby("laboratory")["value"].mean()
    left = means.drop(["L2", "L5"])
    by_hand = ((left - left.mean()) ** 2).sum() / ((means - means.mean()) ** 2).sum()
    assert found.checks[-1].statistic == pytest.approx(by_hand)


def test_materials_are_studied_apart_and_a_single_result_has_no_spread():
    table = {
        "laboratory": ["a", "a", "b", "b", "c", "a", "a", "b"],
        "material": ["M"] * 5 + ["N"] * 3,
        "value": [1.0, 1.2, 2.0, 2.2, 1.5, 7.0, 7.2, 7.0],
    }
    first, second = laboratory_study(table).materials
    assert (first.material, second.material) == ("M", "N")
    # of a and b: variances 0.02 each, one degree of freedom each
    assert first.repeatability.sd == pytest.approx(np.sqrt(0.02))
    single = first.laboratories[2]
    assert (single.sd, single.k) == (None, None)
    assert second.between_set_to_zero
    assert second.reproducibility.sd == second.repeatability.sd
    # two laboratories have no h
    assert second.laboratories[0].h is None


def test_two_results_differ_by_more_than_the_limit_once_in_twenty_times():
    table = drawn(np.random.default_rng(7), [3] * 8)
    (found,) = laboratory_study(table).materials
    rng = np.random.default_rng(8)
    one, other = rng.normal(0, found.reproducibility.sd, size=(2, 200_000))
    assert np.mean(np.abs(one - other) > found.reproducibility.limit) == pytest.approx(0.05, abs=0.003)


def test_cochrans_probability_is_that_of_the_published_formula_for_equal_numbers():
    laboratories, results = 6, 4
    (found,) = laboratory_study(drawn(np.random.default_rng(9), [results] * laboratories)).materials
    check = found.checks[0]
    # C = 1 / (1 + (p - 1) / F), with F at p-value / number of laboratories
    ratio = (laboratories - 1) / (1 / check.statistic - 1)
    df = results - 1
    assert check.p == pytest.approx(min(1, laboratories * f.sf(ratio, df, (laboratories - 1) * df)))


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"value": [1.0]}, "column 'laboratory' is missing"),
        ({"laboratory": ["a", ""], "value": [1.0, 2.0]}, "row 2: laboratory is empty"),
        ({"laboratory": ["a", "b"], "value": [1.0, "x"]}, "row 2: value 'x' is not a finite number"),
        ({"laboratory": ["a", "a"], "value": [1.0, 2.0]}, "found one laboratory"),
        ({"laboratory": ["a", "b"], "value": [1.0, 2.0]}, "each laboratory has a single result"),
    ],
)
def test_a_table_that_cannot_be_studied_is_refused(table, said):
    with pytest.raises(InputError, match=said):
        laboratory_study(table)
