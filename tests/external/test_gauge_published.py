"""Gauge studies and one-way analyses as published."""

import re
from importlib.resources import files

import numpy as np
import pytest

from rig.population import gauge_study, laboratory_study
from rig.population.laboratories import h_limit, k_limit
from rig.population.outliers import critical_distance

# AIAG, Measurement Systems Analysis, ANOVA method, worked study: 10 parts, 3 appraisers, 3 trials.
# Recomputed. Trials in order, parts 1 to 10.
READINGS = {
    "A": """.29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36 / .41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
        / .64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31""",
    "B": """.08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68 / .25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62
        / .07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50""",
    "C": """.04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49 / -.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45
    -1.77
        / -.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16""",
}
DEVIATIONS = {
    "repeatability": "0.19993",
    "reproducibility": "0.22684",
    "gauge": "0.30237",
    "pieces": "1.04233",
    "total": "1.08530",
}


def worked_study():
    rows = [
        (part, name, trial, float(value))
        for name, text in READINGS.items()
        for trial, line in enumerate(text.split("/"), 1)
        for part, value in enumerate(line.split(), 1)
    ]
    return dict(zip(("piece", "appraiser", "trial", "value"), zip(*rows, strict=True), strict=True))


def test_the_worked_study_comes_out_to_all_its_digits():
    # Source: AIAG, Measurement Systems Analysis, 4th edition, 2010, worked study of 10 parts (edition and
    # year recalled); recomputed.
    study = gauge_study(worked_study(), interaction="pooled")
    assert {name: f"{study.component(name).sd:.5f}" for name in DEVIATIONS} == DEVIATIONS
    assert study.chosen.categories == 4


def test_the_interaction_is_far_from_seen_and_both_models_are_shown():
    # Source: AIAG, Measurement Systems Analysis, 4th edition, 2010, worked study of 10 parts (edition and
    # year recalled); recomputed.
    # F = 0.434 for part by appraiser on 18 and 60 degrees of freedom, p = 0.974.
    study = gauge_study(worked_study())
    assert study.interaction_p == pytest.approx(0.974, abs=5e-4)
    kept = {row.source: row for row in study.chosen.anova}
    assert kept["piece x appraiser"].f == pytest.approx(0.434, abs=5e-4)
    assert kept["repeat"].degrees_of_freedom == 60


# NIST Statistical Reference Datasets, analysis of variance; data and certified values ship inside SciPy.
# Most values of SmLs04 to 09 have 7 or 13 equal leading digits; what a double holds of them limits agreement.
CERTAIN = {
    "SiRstv": 1e-11, "SmLs01": 1e-12, "SmLs02": 1e-12, "SmLs03": 1e-12, "AtmWtAg": 1e-9,
    "SmLs04": 1e-9, "SmLs05": 1e-9, "SmLs06": 1e-9, "SmLs07": 1e-4, "SmLs08": 1e-4, "SmLs09": 1e-4,
}  # fmt: skip


def certified(name):
    """Treatments and values of a data set, and its certified F and sum of squares within."""
    text = (files("scipy") / "stats/tests/data/nist_anova" / f"{name}.dat").read_text(encoding="ascii")
    _, data = re.split(r"\nData: .*\n", text)[-2:]
    between = re.search(r"^Between .*?(\d+) +(\S+) +(\S+) +(\S+)$", text, re.MULTILINE)
    within = re.search(r"^Within .*?(\d+) +(\S+) +(\S+)$", text, re.MULTILINE)
    rows = np.array([line.split() for line in data.splitlines() if line.strip()], float)
    return rows, float(between[4]), float(within[2])


@pytest.mark.parametrize("name", CERTAIN)
def test_one_way_analyses_agree_with_the_certified_ones(name):
    # Source: NIST Statistical Reference Datasets, analysis of variance, 1998 (year recalled); read from
    # the package.
    rows, f, within = certified(name)
    treatment = rows[:, 0].astype(int)
    order = np.argsort(treatment, kind="stable")
    trials = np.concatenate([np.arange(count) for count in np.bincount(treatment)[1:]])
    study = gauge_study(
        {
            "piece": treatment[order],
            "appraiser": ["one"] * len(rows),
            "trial": trials,
            "value": rows[order, 1],
        }
    )
    piece, repeat = study.chosen.anova
    assert piece.f == pytest.approx(f, rel=CERTAIN[name])
    assert repeat.sum_of_squares == pytest.approx(within, rel=CERTAIN[name])


COAL = """.71 .71 .70 .71 / .69 .67 .68 / .66 .65 .69 / .67 .65 .66 / .70 .69 .66 .71 .69 / .73 .74 .73
    / .71 .71 .69 / .70 .65 .68"""
SERUM = """41.03 41.45 41.37 / 41.17 42.00 41.15 / 41.01 40.68 42.66 / 39.37 42.37 42.63 / 41.88 41.19 41.32
    / 43.28 40.50 42.28 / 41.08 41.27 39.02 / 43.36 42.65 41.72"""


def laboratories(text):
    rows = [
        (number, float(value)) for number, line in enumerate(text.split("/"), 1) for value in line.split()
    ]
    return dict(zip(("laboratory", "value"), zip(*rows, strict=True), strict=True))


def test_sulphur_in_coal_by_eight_laboratories_with_unequal_numbers():
    # Source: ISO 5725-2:1994, annex B, first example, level 1; recalled.
    # Data and figures from memory: m = 0.690, s_r = 0.015, s_R = 0.026, no laboratory rejected.
    (found,) = laboratory_study(laboratories(COAL)).materials
    figures = (found.mean, found.repeatability.sd, found.reproducibility.sd)
    assert [f"{value:.3f}" for value in figures] == ["0.690", "0.015", "0.026"]
    assert {check.verdict for check in found.checks} == {""}


def test_glucose_in_serum_by_eight_laboratories():
    # Source: ASTM E691, 1999, worked example of glucose in serum, material A; recalled.
    # Data and figures from memory: mean 41.5183, standard deviation of laboratory means 0.6061,
    # s_r = s_R = 1.0632, limits 2.98.
    (found,) = laboratory_study(laboratories(SERUM)).materials
    means = [each.mean for each in found.laboratories]
    assert f"{found.mean:.4f} {np.std(means, ddof=1):.4f}" == "41.5183 0.6061"
    assert f"{found.repeatability.sd:.4f} {found.reproducibility.sd:.4f}" == "1.0632 1.0632"
    assert found.reproducibility.limit == pytest.approx(2.98, abs=0.04)  # 2.8 times there


def test_limits_of_h_and_k_and_critical_values_of_the_outlier_tests():
    # Source: ASTM E691, 1999, limits of h and k; ISO 5725-2:1994, tables of critical values; recalled.
    # 8 laboratories of 3 results: h 2.15 and k 2.06 at 0.5 %; Cochran 0.516 and 0.615, Grubbs 2.126 and 2.274
    # at 5 % and 1 %.
    assert f"{h_limit(8, 0.005):.2f} {k_limit(2, 16, 0.005):.2f}" == "2.15 2.06"
    # C is k^2 / p; one of 8 laboratories is the extreme one
    assert [f"{k_limit(2, 16, p / 8) ** 2 / 8:.3f}" for p in (0.05, 0.01)] == ["0.516", "0.615"]
    assert [critical_distance(8, p / 2) for p in (0.05, 0.01)] == pytest.approx([2.126, 2.274], abs=1e-3)
