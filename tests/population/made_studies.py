"""Studies of invented floats with known spreads, and a table with its columns."""

import numpy as np


def study_values(rng, shape, *, pieces=1.0, appraisers=0.2, interaction=0.0, repeat=0.2, studies=()):
    """Values of shape (*studies, pieces, appraisers, trials) with the stated standard deviations."""
    p, a, r = shape
    return (
        rng.normal(0, pieces, (*studies, p, 1, 1))
        + rng.normal(0, appraisers, (*studies, 1, a, 1))
        + rng.normal(0, interaction, (*studies, p, a, 1))
        + rng.normal(0, repeat, (*studies, p, a, r))
    )


def columns_of(values, *, kinds=None):
    """Columns of a table of trials, one row a value."""
    p, a, r = (each.ravel() for each in np.indices(values.shape))
    columns = {
        "piece": [f"F-90 no. {each + 1}" for each in p],
        "appraiser": [f"hand {chr(ord('A') + each)}" for each in a],
        "trial": [int(each) + 1 for each in r],
        "value": values.ravel(),
    }
    return columns if kinds is None else columns | {"kind": [kinds[each] for each in a]}
