"""Tables of trials are put in order, or refused with the name of the cell."""

import math

import numpy as np
import pandas as pd
import pytest
from made_studies import columns_of, study_values

from rig.errors import InputError
from rig.population import arrange_trials

VALUES = study_values(np.random.default_rng(1), (4, 2, 3))


def table(**changed):
    return columns_of(VALUES) | changed


def without(row):
    return pd.DataFrame(table()).drop(index=row)


def test_rows_in_any_order_fill_the_block():
    shuffled = pd.DataFrame(table()).sample(frac=1, random_state=5).sort_values("trial", kind="stable")
    arranged = arrange_trials(shuffled)
    for p, piece in enumerate(arranged.pieces):
        for a, appraiser in enumerate(arranged.appraisers):
            found = VALUES[int(piece.split()[-1]) - 1, "AB".index(appraiser[-1])]
            assert arranged.measured[p, a].tolist() == found.tolist()
    assert not arranged.measured.flags.writeable


def test_a_missing_trial_names_its_piece_appraiser_and_trial():
    with pytest.raises(InputError, match=r"piece 'F-90 no. 1', appraiser 'hand B': 2 trials \(no trial 2\)"):
        arrange_trials(without([4]))


def test_a_missing_cell_names_its_piece_and_appraiser():
    with pytest.raises(InputError, match=r"piece 'F-90 no. 2', appraiser 'hand A': no trial at all"):
        arrange_trials(without([6, 7, 8]))


def test_a_doubled_trial_names_its_row_in_the_file():
    trials = [*columns_of(VALUES)["trial"]]
    trials[2] = 1
    with pytest.raises(InputError, match=r"v\.csv, row 4: piece 'F-90 no. 1', .* trial '1' appears twice"):
        arrange_trials(table(trial=trials), where="v.csv", rows=range(2, 26))


@pytest.mark.parametrize("wrong", ["soft", "", None, float("inf"), "1,5"])
def test_a_value_that_is_no_number_names_its_row(wrong):
    values = VALUES.ravel().tolist()
    values[7] = wrong
    with pytest.raises(InputError, match=r"row 8: value .* not a finite number"):
        arrange_trials(table(value=values))


def test_a_missing_column_is_named_with_those_found():
    columns = table()
    del columns["trial"]
    with pytest.raises(InputError, match=r"column 'trial' is missing; found piece, appraiser, value"):
        arrange_trials(columns)


def test_an_empty_name_is_refused():
    with pytest.raises(InputError, match=r"row 1: piece is empty"):
        arrange_trials(table(piece=[" "] * 24))


def test_columns_of_unequal_length_are_refused():
    with pytest.raises(InputError, match="unequal length"):
        arrange_trials(table(value=[1.0]))
    with pytest.raises(InputError, match="unequal length"):
        arrange_trials(table(kind=["hand"]))


def test_an_appraiser_is_of_one_kind():
    with pytest.raises(InputError, match=r"appraiser 'hand A' is of kind 'hand' and of kind 'driven'"):
        arrange_trials(table(kind=["hand", "driven"] * 12))


def test_an_empty_kind_of_a_data_frame_is_none():
    kinds = ["hand" if appraiser == "hand A" else math.nan for appraiser in table()["appraiser"]]
    assert set(arrange_trials(table(kind=kinds)).kinds) == {"hand", ""}


def test_the_part_of_a_kind_keeps_its_values():
    arranged = arrange_trials(columns_of(VALUES, kinds=("hand", "driven")))
    driven = arranged.by_kind("driven")
    assert driven.appraisers == ("hand B",)
    assert driven.measured[:, 0].tolist() == VALUES[:, 1].tolist()
    with pytest.raises(InputError, match="no appraiser is 'foot'; found driven, hand"):
        arranged.by_kind("foot")


def test_trials_stand_by_their_numbers_not_by_their_rows():
    columns = {
        "piece": ["a"] * 3,
        "appraiser": ["rig"] * 3,
        "trial": ["10", "2", "1"],
        "value": [3.0, 2.0, 1.0],
    }
    assert arrange_trials(columns).measured.ravel().tolist() == [1.0, 2.0, 3.0]
