"""How many digits of a number are shown."""

import pytest
from made_sheets import HEIGHT_MM, batch_of

from rig.core import rounded, shown_u
from rig.population import PieceResult, batch_figures
from rig.results.design_sheet_forces import gaps_at_forces
from rig.sheets.aid_report import _mean_with_interval, _most_pieces, _of_pieces


@pytest.fixture
def comparable():
    """Three pieces that differ in their sixth digit, read by a rig of which nothing is known."""
    values = (7.998690, 7.998697, 7.998704)
    pieces = [
        PieceResult(f"F-90-{n}", "spring", "new", f"c{n}", {"travel_off_mm": each}, {}, {}, {}, None)
        for n, each in enumerate(values)
    ]
    return batch_figures(pieces, "travel_off_mm")


def test_pieces_that_hardly_differ_are_shown_with_four_digits(comparable):
    assert comparable.u < 1e-5
    assert _of_pieces("travel", comparable, "mm")[1:4] == ("7.999", "7.999", "7.999")
    assert _most_pieces("travel", comparable, "mm")[2:4] == ("7.999", "7.999")
    assert _mean_with_interval(comparable, "mm").startswith("7.999 mm")


@pytest.mark.parametrize(
    ("value", "u", "shown"),
    [
        (2.14832, 0.0002, "2.148"),
        (2.14832, 0.02, "2.148"),
        (2.14832, 0.2, "2.15"),
        (61.178, 0.3, "61.18"),
        (1234.567, 0.001, "1235"),
        (0.0021483, 1e-9, "0.002148"),
        (0.0, 0.01, "0.000"),
    ],
)
def test_a_mean_has_the_digits_of_its_uncertainty_and_four_at_the_most(value, u, shown):
    assert rounded(value, shown_u(value, u)) == shown


def test_no_gap_for_a_force_is_wider_than_the_tallest_piece_or_narrower_than_nothing():
    # three springs of 1 to 3 N/mm reach 30 N after 30, 15 and 10 mm: the interval of so few pieces that
    # differ so much runs past both ends of what a gap can be
    pieces = batch_of([1.0, 2.0, 3.0], "spring")
    heights_mm = {piece.capture: HEIGHT_MM for piece in pieces}
    [row] = gaps_at_forces({"spring": pieces}, heights_mm, [30.0])
    assert row.gaps["spring"].mean == pytest.approx(HEIGHT_MM - 55 / 3)
    assert row.gaps["spring"].tolerance_low < 0.0
    assert row.adjustment_mm == (0.0, HEIGHT_MM)
