"""Recovery on a design sheet: pieces measured after the same times give a mean, others do not."""

from dataclasses import replace
from math import log10

import numpy as np
import pandas as pd
import pytest
from made_sheets import batch_of, facts_of

from rig.methods import RecoveryCheck
from rig.results import design_sheet
from rig.sheets import save_design_sheet

AFTER_S = (1.0, 10.0, 100.0, 1000.0)
FIRST_MM = (2.0, 2.2, 2.4)
"""Set of three pieces a second after release, invented: 0.3 mm less for ten times the time."""

STUDENT_2 = 4.3027
"""Student's t of two degrees of freedom at 95 %, from a handbook's table (recalled)."""


def measured(first_mm: float, after_s=AFTER_S) -> tuple[RecoveryCheck, ...]:
    return tuple(RecoveryCheck(each, first_mm - 0.3 * log10(each), 0.01) for each in after_s)


def sheet_of(recoveries):
    results = batch_of([2.0] * len(recoveries), "spring")
    facts = [replace(each, recovery=found) for each, found in zip(facts_of(results), recoveries, strict=True)]
    return design_sheet(results, facts)


def test_pieces_measured_after_the_same_times_give_mean_and_interval_at_each():
    sheet = sheet_of([measured(each) for each in FIRST_MM])
    assert [each.after_s for each in sheet.recovery] == list(AFTER_S)
    at_100_s = sheet.recovery[2].figures
    assert (at_100_s.n, at_100_s.mean) == (3, pytest.approx(2.2 - 0.6))
    half_mm = STUDENT_2 * 0.2 / np.sqrt(3)
    assert (at_100_s.low, at_100_s.high) == pytest.approx((1.6 - half_mm, 1.6 + half_mm), rel=1e-4)
    assert sheet.as_dict()["recovery"][0]["mean"] == pytest.approx(2.2)


def test_contact_checks_of_a_piece_repeated_are_no_pieces_of_their_own():
    results = batch_of([2.0], "spring")
    again = [*results, replace(results[0], capture="again")]
    facts = [replace(each, recovery=measured(2.0)) for each in facts_of(again)]
    assert design_sheet(again, facts).recovery == ()


@pytest.mark.parametrize("other_s", [(1.0, 10.0, 100.0), (1.0, 10.0, 100.0, 1200.0)])
def test_contact_checks_after_different_times_are_not_pooled_and_that_is_said(other_s, tmp_path):
    sheet = sheet_of([measured(2.0), measured(2.2, other_s)])
    assert sheet.recovery == ()
    save_design_sheet(sheet, tmp_path)
    page = (tmp_path / "sheet.md").read_text(encoding="utf-8")
    assert "spring, new: the contact checks came at different times" in page
    assert not (tmp_path / "recovery.csv").exists()


def test_a_piece_without_contact_checks_is_not_among_those_that_recover(tmp_path):
    sheet = sheet_of([measured(2.0), measured(2.2), ()])
    assert {each.figures.n for each in sheet.recovery} == {2}
    save_design_sheet(sheet, tmp_path)
    page = (tmp_path / "sheet.md").read_text(encoding="utf-8")
    assert "| spring, new | 2 | 100 s | 1.50 |" in page
    table = pd.read_csv(tmp_path / "recovery.csv")
    assert table["mean"].tolist() == pytest.approx([2.1, 1.8, 1.5, 1.2])
    assert table["quantity"].unique().tolist() == ["set_left_mm"]
