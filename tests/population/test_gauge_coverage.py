"""Intervals hold the truth as often as they say, over simulated studies.

They do so for every component of the model that keeps the interaction, which leads unless somebody asks for
the other one. No test of the same values chooses the model, so nothing comes between interval and level.
"""

import numpy as np
import pytest
from made_studies import study_values

from rig.population.components import (
    all_terms,
    gauge_share_interval,
    mean_squares,
    part_intervals,
)
from rig.population.kinds import compare_kinds
from rig.population.trials import TrialTable

STUDIES = 4000
SHAPES = {
    "ten pieces, three people": ((10, 3, 3), {"appraisers": 0.25, "interaction": 0.15}),
    "five pieces, two people": ((5, 2, 2), {"appraisers": 0.3, "interaction": 0.2}),
    "people almost alike": ((10, 3, 3), {"appraisers": 0.05, "interaction": 0.02}),
    "the rig alone": ((10, 1, 3), {"appraisers": 0.0}),
}


def truths(appraisers, interaction=0.0, pieces=1.0, repeat=0.2):
    gauge = appraisers**2 + interaction**2 + repeat**2
    return {
        "repeatability": repeat**2,
        "reproducibility": appraisers**2,
        "piece x appraiser": interaction**2,
        "gauge": gauge,
        "pieces": pieces**2,
        "total": gauge + pieces**2,
    }


def held(low, high, truth):
    return 100 * float(np.mean((low <= truth) & (truth <= high)))


@pytest.mark.parametrize("name", SHAPES)
def test_each_interval_holds_the_truth_in_93_to_97_per_cent(name):
    shape, spreads = SHAPES[name]
    values = study_values(np.random.default_rng(11), shape, studies=(STUDIES,), **spreads)
    squares, truth = mean_squares(values), truths(**spreads)
    for part, (low, high, _) in part_intervals(all_terms(squares, shape), 0.95).items():
        assert 93 < held(low, high, truth[part]) < 97.5, part


@pytest.mark.parametrize("name", SHAPES)
def test_the_share_of_the_gauge_is_held_in_93_to_97_per_cent(name):
    shape, spreads = SHAPES[name]
    values = study_values(np.random.default_rng(12), shape, studies=(STUDIES // 2,), **spreads)
    low, high = gauge_share_interval(mean_squares(values), shape, 0.95, draws_log2=10)
    truth = truths(**spreads)
    assert 93 < held(low, high, (truth["gauge"] / truth["total"]) ** 0.5) < 97.5


def test_a_hand_and_the_rig_are_told_apart_as_often_as_stated():
    rng, runs = np.random.default_rng(14), 1000
    ratios = these = others = 0
    for _ in range(runs):
        people = rng.normal(0.3, 0.2, 3)
        spread = np.array([0.2, 0.2, 0.2, 0.06])[:, np.newaxis]
        values = (
            rng.normal(0, 1, (10, 1, 1))
            + np.append(people, 0.0)[:, np.newaxis]
            + rng.normal(0, spread, (10, 4, 3))
        )
        table = TrialTable(tuple("abcdefghij"), tuple("ABCR"), values, ("hand",) * 3 + ("driven",))
        found = compare_kinds(table)
        ratios += found.ratio_low <= 0.2 / 0.06 <= found.ratio_high
        these += found.bias_low <= people.mean() <= found.bias_high
        others += found.others_low <= 0.3 <= found.others_high
    assert 930 < ratios < 970
    assert 930 < these < 970
    # two spreads with a factor each, and the repeats in both: rather too wide
    assert others > 940
