"""Curves as curves: bands hold what they say they hold."""

import numpy as np
import pytest
from made_pieces import curves, piece
from scipy import stats

from rig.errors import InputError
from rig.population import Curve, curve_band, curve_difference, simultaneous_band

X_MM = np.linspace(0.0, 20.0, 41)
STUDIES = 300


def float_curves(rng, count, *, softer=0.0):
    """Foam floats: pieces differ in their stiffness and in how soon they stiffen, and a little at random."""
    k = 2.0 - softer + rng.normal(0, 0.1, (count, 1))
    later = rng.normal(0, 0.01, (count, 1))
    return k * X_MM + (0.05 + later) * X_MM**2 + rng.normal(0, 0.02, (count, len(X_MM)))


def test_the_band_of_a_difference_holds_the_whole_true_curve_in_92_to_98_per_cent(monkeypatch):
    monkeypatch.setattr("rig.population.curve_bands.DRAWS", 500)
    rng = np.random.default_rng(1)
    truth = -0.3 * X_MM
    whole = point = 0
    for _ in range(STUDIES):
        first, second = float_curves(rng, 8), float_curves(rng, 8, softer=0.3)
        mean, low, high, factor, point_factor = simultaneous_band(first, second)
        whole += bool(((low <= truth) & (truth <= high)).all())
        narrow = (high - mean) * point_factor / factor
        point += bool((np.abs(mean - truth) <= narrow).all())
    assert 92 <= 100 * whole / STUDIES <= 98
    # bands that hold each point let the whole curve out far more often
    assert 100 * point / STUDIES < 88


def test_at_one_point_the_factor_is_students():
    rng = np.random.default_rng(2)
    before = rng.normal(0, 1, (7, 1))
    *_, factor, point = simultaneous_band(before, before + rng.normal(0, 1, (7, 1)), paired=True)
    assert point == pytest.approx(stats.t.ppf(0.975, 6))
    assert factor == pytest.approx(point, rel=0.05)


@pytest.mark.parametrize("counts", [(6, 6), (9, 4), (40, 30)])
def test_drawing_means_and_spreads_gives_the_band_of_drawing_the_curves(counts, monkeypatch):
    monkeypatch.setattr("rig.population.curve_bands.DRAWS", 8000)
    rng = np.random.default_rng(5)
    first, second = (float_curves(rng, count) for count in counts)
    whole = simultaneous_band(first, second)
    monkeypatch.setattr("rig.population.curve_bands.MANY_PIECES", 1)
    drawn = simultaneous_band(first, second)
    assert not np.array_equal(whole[1], drawn[1])
    # the quantile of 8000 draws settles to a per cent
    assert drawn[3] == pytest.approx(whole[3], rel=0.03)


def test_the_band_of_many_pieces_is_that_of_normal_errors():
    rng = np.random.default_rng(6)
    first, second = (rng.normal(0, 1, (400, 30)) for _ in range(2))
    *_, factor, point = simultaneous_band(first, second)
    # thirty independent points: each is held with the thirtieth root of 95 %
    assert factor == pytest.approx(stats.norm.ppf(0.5 + 0.95 ** (1 / 30) / 2), rel=0.03)
    assert point == pytest.approx(1.96, abs=0.01)


def test_the_same_curves_give_the_same_band():
    rng = np.random.default_rng(3)
    first, second = float_curves(rng, 5), float_curves(rng, 5)
    once, again = simultaneous_band(first, second), simultaneous_band(first, second)
    assert np.array_equal(once[1], again[1])


def test_the_difference_says_over_which_deflections_two_groups_part():
    rng = np.random.default_rng(4)
    flat = np.where(X_MM > 10, -1.0 * (X_MM - 10), 0.0)
    first = [rng.normal(0, 0.2) + 2 * X_MM for _ in range(8)]
    second = [rng.normal(0, 0.2) + 2 * X_MM + flat for _ in range(8)]
    found = curve_difference(
        ("spring", curves(first, X_MM, batch="spring")), ("autumn", curves(second, X_MM, batch="autumn"))
    )
    ((begin, end),) = found.apart
    assert 10 < begin < 11.5
    assert end == 20.0


def test_the_mean_curve_and_its_bands_are_those_of_its_points():
    forces = [k * X_MM for k in (1.8, 2.0, 2.2)]
    band = curve_band("spring", curves(forces, X_MM, batch="spring"), deflection_mm=np.array([5.0, 10.0]))
    assert band.loading_n == pytest.approx([10.0, 20.0])
    assert band.unloading_n == pytest.approx([9.0, 18.0])
    # sd 1.0 and 2.0 N, t(2) = 4.3027
    assert band.high_n - band.loading_n == pytest.approx(4.3027 / np.sqrt(3) * np.array([1.0, 2.0]), rel=1e-4)
    assert band.loading_n - band.low_n == pytest.approx(band.high_n - band.loading_n)
    assert (band.tolerance_high_n > band.high_n).all()
    assert (band.tolerance_low_n < band.low_n).all()


def test_a_piece_that_was_pressed_less_far_ends_its_part_of_the_band():
    far, near = 2 * X_MM, np.where(X_MM <= 10, 2.2 * X_MM, np.nan)
    band = curve_band(
        "spring", curves([far, near], X_MM, batch="spring"), deflection_mm=np.array([5.0, 15.0])
    )
    assert band.count.tolist() == [2.0, 1.0]
    assert band.loading_n == pytest.approx([10.5, 30.0])
    assert np.isfinite(band.low_n).tolist() == [True, False]
    assert band.as_dict()["low_n"][1] is None


def test_a_difference_reaches_as_far_as_all_pieces_were_pressed():
    short = np.where(X_MM <= 10, 2.0 * X_MM, np.nan)
    first = curves([2.0 * X_MM, 2.1 * X_MM], X_MM, batch="spring")
    second = curves([short, 1.9 * X_MM], X_MM, batch="autumn")
    found = curve_difference(("spring", first), ("autumn", second))
    assert found.deflection_mm[-1] == 10.0
    assert np.isfinite(found.low_n).all()


def test_paired_curves_are_compared_piece_by_piece():
    slopes = [1.0, 2.0, 3.0]
    before = [piece(str(n), 1.0, curve=Curve(X_MM, k * X_MM, k * X_MM)) for n, k in enumerate(slopes)]
    after = [
        piece(str(n), 1.0, state="abused", curve=Curve(X_MM, f * X_MM, f * X_MM))
        for n, f in enumerate(np.array(slopes) - [0.29, 0.30, 0.31])
    ]
    found = curve_difference(("new", before), ("abused", after), paired=True)
    assert found.high_n[-1] < 0
    apart = curve_difference(("new", before), ("abused", after))
    assert apart.high_n[-1] > 0


def test_groups_without_curves_have_no_band():
    assert curve_band("spring", [piece("a", 1.0)]) is None
    assert curve_difference(("a", [piece("a", 1.0)]), ("b", [piece("b", 1.0)])) is None


def test_curves_of_unequal_length_are_refused():
    with pytest.raises(InputError, match="expected two rows or more of equal length"):
        simultaneous_band(np.zeros((3, 4)), np.zeros((3, 5)))
