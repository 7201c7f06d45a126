"""Exact factors against NIST Special Publication 811, 2008, appendix B: 1 in = 25.4 mm,
1 lbf = 4.448 221 615 260 5 N, standard gravity 9.806 65 m/s^2; and the ounce from the exact pound.
"""

from __future__ import annotations

import pytest

from rig import units


@pytest.mark.parametrize(
    ("unit", "to", "published"),
    [
        ("in", "mm", 25.4),
        ("lbf", "N", 4.4482216152605),
        ("oz", "g", 453.59237 / 16),
        ("kgf", "N", 9.80665),
    ],
)
def test_factors_are_exactly_the_published_ones(unit: str, to: str, published: float) -> None:
    # Source: NIST Special Publication 811, 2008, appendix B; recalled. The ounce is recomputed: a
    # sixteenth of the exact pound of 0.453 592 37 kg (agreement of 1959, recalled).
    assert units.factor(unit, to) == published


def test_a_scale_reading_of_one_ounce_is_its_mass_times_standard_gravity() -> None:
    # Source: NIST Special Publication 811, 2008, appendix B (recalled); recomputed from the exact pound of
    # 0.453 592 37 kg.
    assert units.parse("1 oz", "N") == pytest.approx(28.349523125e-3 * 9.80665, rel=1e-15)
