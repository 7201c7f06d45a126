"""Statistics of pieces against published values and against other implementations."""

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW, ttost_ind, ttost_paired

from rig.population import (
    extreme_deviates,
    grubbs,
    hedges_g,
    holm,
    howe_factor,
    judge_margin,
    laboratory_study,
    mean_difference,
    mean_of,
    tolerance_factor,
)

NAMES = np.random.default_rng(20)
SPRING = NAMES.normal(2.0, 0.10, 9)
AUTUMN = NAMES.normal(1.9, 0.25, 13)


def test_howes_tolerance_factor_is_that_of_the_handbook():
    # Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2012, 7.2.6.3 (recalled): 43 pieces,
    # 90 % content, 99 % confidence; recomputed.
    assert howe_factor(43, 0.90, 0.99) == pytest.approx(2.217, abs=5e-4)


def test_the_exact_tolerance_factor_lies_near_howes_formula():
    # Source: W. G. Howe, Two-sided tolerance limits for normal populations, J. Am. Stat. Assoc. 64, 1969:
    # good to a per cent from some ten pieces on; recalled.
    for count in (10, 43, 200):
        for content in (0.90, 0.99):
            assert tolerance_factor(count, content, 0.95) == pytest.approx(
                howe_factor(count, content, 0.95), rel=0.01
            )


def test_the_largest_of_eight_readings_of_a_mass_spectrometer_is_an_outlier():
    # Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2012, 1.3.5.17.1 (recalled), Grubbs' test,
    # one-sided, 5 %; recomputed.
    found = grubbs(
        np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]), significance=0.05, sides=1
    )
    assert found.place == 7
    assert found.statistic == pytest.approx(2.4687, abs=1e-4)
    assert found.critical == pytest.approx(2.032, abs=5e-4)
    assert found.outlying


ROSNER = """-0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69 1.70
1.76 1.77 1.81 1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40
2.47 2.54 2.62 2.64 2.90 2.92 2.92 2.93 3.21 3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01"""


TWO_OUTLYING = (
    (5, 0.0018, 0.0090),
    (6, 0.0116, 0.0349),
    (8, 0.0563, 0.1101),
    (10, 0.1150, 0.1864),
    (15, 0.2530, 0.3367),
    (20, 0.3585, 0.4391),
)


@pytest.mark.parametrize(("count", "at_1_pct", "at_5_pct"), TWO_OUTLYING)
def test_two_outlying_laboratories_are_judged_as_in_the_standards_table(count, at_1_pct, at_5_pct):
    # Source: ISO 5725-2:1994, Table 5, Grubbs' test for two outlying laboratories; recalled. Columns: number
    # of laboratories, critical values at 1 % and at 5 % significance.
    inner = np.linspace(-1, 1, count - 2)

    def share(far):
        return np.sum(inner**2) / np.sum((values := np.append(inner, [far, far])) ** 2 - values.mean() ** 2)

    for critical, significance, near in ((at_1_pct, 0.01, 0.0015), (at_5_pct, 0.05, 0.003)):
        far = brentq(lambda far, critical=critical: share(far) - critical, 1, 1000)
        # the farthest mean has a twin, so that it alone is no outlier and the two are judged
        means = np.append(inner, [far, far + 1e-9])
        table = {
            "laboratory": np.repeat(np.arange(count), 2),
            "value": (means[:, None] + [-1e-6, 1e-6]).ravel(),
        }
        check = laboratory_study(table).materials[0].checks[-1]
        assert (check.test, check.laboratory) == ("Grubbs for two", f"{count - 2} and {count - 1}")
        assert check.p == pytest.approx(significance, abs=near)


def test_three_of_rosners_54_values_are_outliers():
    # Source: B. Rosner, Percentage points for a generalized ESD many-outlier procedure, Technometrics 25,
    # 1983, as printed in the NIST/SEMATECH e-Handbook, 2012, 1.3.5.17.3 (all recalled); recomputed. The first
    # two alone show nothing. The handbook's last digits differ: it prints 3.118 and 2.942 for the first two
    # (recalled).
    suspects, count = extreme_deviates(np.array(ROSNER.split(), float), 10)
    assert count == 3
    assert [round(each.statistic, 3) for each in suspects[:4]] == [3.119, 2.943, 3.179, 2.810]
    # the handbook prints its table rounded a little differently
    assert [each.critical for each in suspects[:4]] == pytest.approx([3.158, 3.151, 3.143, 3.136], abs=1.5e-3)


def test_welchs_difference_is_that_of_scipy_and_of_statsmodels():
    # Source: statsmodels and SciPy (the versions installed), their own arithmetic; read from the package.
    found = mean_difference(SPRING, AUTUMN)
    theirs = stats.ttest_ind(AUTUMN, SPRING, equal_var=False)
    assert found.freedom == pytest.approx(theirs.df)
    assert 2 * min(found.chance_above(0), found.chance_below(0)) == pytest.approx(theirs.pvalue)
    ends = CompareMeans(DescrStatsW(AUTUMN), DescrStatsW(SPRING)).tconfint_diff(usevar="unequal")
    assert found.interval() == pytest.approx(ends)


def test_a_paired_difference_is_that_of_scipy():
    # Source: SciPy (the version installed), its own arithmetic; read from the package.
    found, theirs = mean_difference(SPRING, AUTUMN[:9], paired=True), stats.ttest_rel(AUTUMN[:9], SPRING)
    ends = theirs.confidence_interval(0.95)
    assert found.interval() == pytest.approx((ends.low, ends.high))


@pytest.mark.parametrize("margin", [0.05, 0.3, 0.6])
def test_the_two_one_sided_tests_are_those_of_statsmodels(margin):
    # Source: statsmodels (the version installed), its own arithmetic; read from the package.
    ours = judge_margin(mean_difference(SPRING, AUTUMN), margin)
    assert ours.p_within == pytest.approx(ttost_ind(AUTUMN, SPRING, -margin, margin, usevar="unequal")[0])
    paired = judge_margin(mean_difference(SPRING, AUTUMN[:9], paired=True), margin)
    assert paired.p_within == pytest.approx(ttost_paired(AUTUMN[:9], SPRING, -margin, margin)[0])


def test_the_interval_of_a_mean_is_that_of_statsmodels():
    # Source: statsmodels (the version installed), its own arithmetic; read from the package.
    assert mean_of(SPRING).interval() == pytest.approx(DescrStatsW(SPRING).tconfint_mean())


def test_holms_correction_is_that_of_statsmodels():
    # Source: statsmodels (the version installed), its own arithmetic; read from the package.
    chances = [0.04, 0.001, 0.03, 0.5, 0.011, 0.011]
    assert holm(chances) == pytest.approx(multipletests(chances, method="holm")[1])


def test_hedges_correction_is_near_his_approximation():
    # Source: L. V. Hedges, Distribution theory for Glass's estimator of effect size, Journal of Educational
    # Statistics 6, 1981: 1 - 3/(4 m - 1) with m degrees of freedom; recalled.
    found = hedges_g(SPRING, AUTUMN)
    pooled = np.sqrt((8 * SPRING.var(ddof=1) + 12 * AUTUMN.var(ddof=1)) / 20)
    assert found.g == pytest.approx((AUTUMN.mean() - SPRING.mean()) / pooled * (1 - 3 / 79), rel=1e-3)


def test_the_interval_of_the_effect_size_is_where_the_noncentral_t_leaves_a_fortieth():
    # Source: SciPy (the version installed), its own arithmetic; read from the package.
    found, root, correction = hedges_g(SPRING, AUTUMN), np.sqrt(1 / 9 + 1 / 13), 1 - 3 / 79
    t = found.g / correction / root
    for end, below in ((found.low, 0.975), (found.high, 0.025)):
        assert stats.nct.cdf(t, 20, end / correction / root) == pytest.approx(below, abs=2e-3)
