"""A nip's gap, spread, grip, losses and speeds against arithmetic by hand, small steps and Monte Carlo."""

from __future__ import annotations

import json
from math import isclose, pi, sqrt

import numpy as np
import pytest
from nip_pieces import curved_piece, spring_piece
from scipy.stats import ttest_ind

from rig.aids import Nip, answer_nip, friction_speed_mm_per_s, needed_friction
from rig.core.measured import Measured
from rig.errors import InputError

MU = Measured(0.6, 0.05)


def nip(**changes: object) -> Nip:
    about: dict[str, object] = {"force_n": 80.0, "wheels_mm": (100.0,), "friction": MU}
    return Nip(**(about | changes))  # type: ignore[arg-type]


def test_a_spring_of_four_newtons_a_mm_is_held_with_80_n_at_20_mm_less_than_its_size():
    answer = answer_nip([spring_piece("a", 4.0)], nip())
    assert answer.figures["deflection_mm"].mean == pytest.approx(20.0)
    assert answer.figures["gap_mm"].mean == pytest.approx(70.0)
    assert answer.figures["sensitivity_n_per_mm"].mean == pytest.approx(4.0)


def test_the_energy_lost_is_the_loops_share_of_the_work_up_to_that_squeeze():
    # work to 20 mm is 4 x 20^2 / 2 = 800 mJ; a fifth of it stays
    answer = answer_nip([spring_piece("a", 4.0, back=0.8)], nip())
    assert answer.figures["hysteresis_pct"].mean == pytest.approx(20.0)
    assert answer.figures["loss_mj"].mean == pytest.approx(160.0)


def test_the_gap_s_interval_is_that_of_pieces():
    # deflections 80/k: 22.2222, 20, 18.1818; mean 20.13468, sd 2.02356; t(2) = 4.30265; half 5.0268
    pieces = [spring_piece(str(k), k) for k in (3.6, 4.0, 4.4)]
    gap = answer_nip(pieces, nip()).figures["gap_mm"]
    assert gap.mean == pytest.approx(90 - 20.13468, abs=1e-4)
    assert gap.sd == pytest.approx(2.02356, abs=1e-4)
    assert gap.high - gap.mean == pytest.approx(5.0268, abs=1e-3)


def test_captures_of_one_piece_are_no_pieces_of_their_own():
    once, again = spring_piece("a", 4.0), spring_piece("a", 4.2)
    answer = answer_nip([once, again, spring_piece("b", 4.0)], nip())
    assert answer.figures["gap_mm"].n == 2


def test_the_force_in_one_gap_spreads_as_stiffnesses_do():
    # mean gap 20.13468 mm of squeeze: 72.485, 80.539, 88.593 N; sd 0.4 x 20.13468 = 8.05387
    pieces = [spring_piece(str(k), k) for k in (3.6, 4.0, 4.4)]
    force = answer_nip(pieces, nip()).figures["force_at_gap_n"]
    assert force.mean == pytest.approx(4.0 * 20.13468, abs=1e-3)
    assert force.sd == pytest.approx(8.05387, abs=1e-4)


def test_grip_joins_the_friction_s_spread_with_that_of_the_next_piece():
    # u(N)^2 = 8.05387^2 (1 + 1/3) = 86.487; u(G)^2 = (80 x 0.05)^2 + 0.6^2 x 86.487 = 47.135
    pieces = [spring_piece(str(k), k) for k in (3.6, 4.0, 4.4)]
    grip = answer_nip(pieces, nip()).grip_n
    assert grip.value == pytest.approx(48.0)
    assert grip.u == pytest.approx(sqrt(47.135), rel=1e-4)


def test_the_calibration_s_part_of_the_gap_is_not_divided_by_pieces():
    # force 2 %: 0.02 x 80 / 4 = 0.4 mm; position 1 %: 0.2 mm; size 0.3 mm; together sqrt(0.29)
    about = {"size": Measured(90.0, 0.3), "force_share": 0.02, "position_share": 0.01}
    pieces = [spring_piece(name, 4.0, **about) for name in "abcdef"]
    answer = answer_nip(pieces, nip())
    assert answer.figures["gap_mm"].shared_u == pytest.approx(sqrt(0.29))
    assert answer.figures["force_at_gap_n"].shared_u == pytest.approx(4 * sqrt(0.29))


def test_one_piece_has_no_interval_and_says_so():
    answer = answer_nip([spring_piece("a", 4.0)], nip())
    assert answer.figures["gap_mm"].low is None
    assert any("no interval" in each for each in answer.notes)


def test_speed_from_grip_over_the_travel_agrees_with_a_piece_moved_in_small_steps():
    # Two laws of motion, not work and energy: the wheel drags the top of a ball by F, the plate holds its
    # foot by f; m a = F + f and (0.4 m r^2)(a / r) = (F - f) r, so that f = F - 0.4 m a.
    force_n, mass_kg, travel_m = 0.6 * 80, 0.038, 0.12
    speed = way = 0.0
    step_s = 1e-6
    while way < travel_m:
        acceleration = 2 * force_n / (1.4 * mass_kg)
        held_n = force_n - 0.4 * mass_kg * acceleration
        assert isclose(mass_kg * acceleration, force_n + held_n)
        speed += acceleration * step_s
        way += speed * step_s
    found = friction_speed_mm_per_s(mu=0.6, force_n=80.0, travel_mm=120.0, mass_g=38.0, inertia=0.4)
    assert found / 1000 == pytest.approx(speed, rel=1e-3)


def test_between_two_wheels_both_drag_and_nothing_turns():
    # v^2 = 4 x 0.6 x 80 x L / 0.04 kg; L = 2 sqrt(10 x (200 + 90 - 10)) = 105.83 mm: v = 22.539 m/s
    piece = spring_piece("a", 4.0)
    answer = answer_nip([piece], nip(wheels_mm=(100.0, 100.0), mass_g=Measured(40.0), friction=Measured(0.6)))
    assert answer.travel_mm == pytest.approx(105.8301, abs=1e-3)
    assert answer.friction_speed_mm_per_s.value == pytest.approx(22539, rel=1e-4)


def test_against_a_plate_a_piece_leaves_at_half_the_rim_s_speed_and_between_wheels_at_all_of_it():
    piece = spring_piece("a", 4.0)
    assert answer_nip([piece], nip(rim_mm_per_s=4000.0)).no_slip_mm_per_s == 2000.0
    between = nip(rim_mm_per_s=4000.0, wheels_mm=(100.0, 80.0))
    assert answer_nip([piece], between).no_slip_mm_per_s == 4000.0


def test_force_as_it_grows_and_falls_gives_less_speed_by_the_root_of_its_mean_share():
    # for a large wheel the squeeze along the way is nearly d (1 - (x/L)^2), whose mean is two thirds
    answer = answer_nip(
        [spring_piece("a", 0.4)], nip(force_n=0.8, wheels_mm=(5000.0,), mass_g=Measured(40.0))
    )
    share = (answer.filled_speed_mm_per_s.value / answer.friction_speed_mm_per_s.value) ** 2
    assert share == pytest.approx(2 / 3, rel=1e-3)


def test_uncertainty_of_the_speed_agrees_with_a_monte_carlo():
    rng = np.random.default_rng(5)
    mu, mass_g = rng.normal(0.6, 0.05, 200_000), rng.normal(38.0, 1.0, 200_000)
    answer = answer_nip([spring_piece("a", 4.0)], nip(mass_g=Measured(38.0, 1.0)))
    # v = sqrt(4 mu N L / (1.4 m)), L = 2 sqrt(20 x 270) mm; mJ over g is m^2/s^2
    drawn = 1000 * np.sqrt(4 * mu * 80 * 2 * sqrt(20 * 270) / (1.4 * mass_g))
    assert answer.friction_speed_mm_per_s.u == pytest.approx(drawn.std(), rel=0.02)


def test_uncertainty_of_grip_agrees_with_a_monte_carlo_over_new_pieces():
    rng = np.random.default_rng(6)
    stiffness = rng.normal(4.0, 0.2, 60)
    answer = answer_nip([spring_piece(f"p{place}", k) for place, k in enumerate(stiffness)], nip())
    mu, new = rng.normal(0.6, 0.05, 200_000), rng.normal(4.0, 0.2, 200_000)
    drawn = mu * new * (90 - answer.figures["gap_mm"].mean)
    # sixty pieces know their spread to 9 %, of which the grip's spread holds about a fifth
    assert answer.grip_n.u == pytest.approx(drawn.std(), rel=0.08)


def test_two_batches_ask_for_the_difference_of_their_mean_gaps():
    # 80 N: 20 mm and 16 mm of squeeze
    soft = [spring_piece(f"s{place}", 4.0, batch="spring") for place in range(3)]
    hard = [spring_piece(f"a{place}", 5.0, batch="autumn") for place in range(3)]
    answer = answer_nip([*soft, *hard], nip())
    assert answer.by_batch["spring"].mean == pytest.approx(70.0)
    assert answer.by_batch["autumn"].mean == pytest.approx(74.0)
    assert answer.adjustment["between_batches"] == pytest.approx(4.0)
    assert answer.adjustment["between_batches_most"] == pytest.approx(4.0)


def test_an_adjustment_with_intervals_is_wider_by_both_batches_scatter():
    # each batch: gaps 70 -+ 1 about; sd 1.0025 of 80/k at k = 3.81, 4, 4.21 -> 20.9974, 20, 19.0024
    made = [
        spring_piece(f"{batch}{k}", k, batch=batch)
        for batch, ks in (("spring", (3.81, 4.0, 4.21)), ("autumn", (4.81, 5.0, 5.21)))
        for k in ks
    ]
    answer = answer_nip(made, nip())
    gaps = {
        "spring": [90 - 80 / k for k in (3.81, 4.0, 4.21)],
        "autumn": [90 - 80 / k for k in (4.81, 5.0, 5.21)],
    }
    # the upper end of Welch's interval of the difference, by SciPy
    welch = ttest_ind(gaps["autumn"], gaps["spring"], equal_var=False).confidence_interval(0.95)
    assert answer.adjustment["between_batches_most"] == pytest.approx(welch.high, abs=1e-4)


def test_a_piece_that_was_not_pressed_so_far_is_refused_by_name():
    with pytest.raises(InputError, match=r"piece b.*pressed to 60 N.*wanted 80 N"):
        answer_nip([spring_piece("a", 4.0), spring_piece("b", 2.0)], nip())


def test_pieces_measured_unlike_are_refused():
    warm = spring_piece("b", 4.0)
    warm.result.circumstances["temperature"] = "35 degC"  # type: ignore[index]
    with pytest.raises(InputError, match="temperature"):
        answer_nip([spring_piece("a", 4.0), warm], nip())
    assert answer_nip([spring_piece("a", 4.0), warm], nip(), ["temperature"]).figures["gap_mm"].n == 2


def test_a_plateau_s_noise_gives_one_squeeze_and_not_two():
    # rises 5 N/mm to 100 N, then wavers by 5 N: 80 N is met first at 16 mm
    def wavering(x):
        return np.minimum(5 * x, 100 + 5 * np.sin(2 * pi * x))

    answer = answer_nip([curved_piece("a", wavering)], nip())
    assert answer.figures["deflection_mm"].mean == pytest.approx(16.0, abs=0.01)


def test_the_answer_says_that_platen_force_is_not_roller_force_and_what_stays_open():
    answer = answer_nip([spring_piece("a", 4.0)], nip(friction=Measured(0.6)))
    said = " ".join(answer.notes)
    assert "Platen force at test speed is not roller force at line speed" in said
    assert "squeeze some pieces at rates as far apart" in said
    assert "friction was given without a spread" in said


def test_every_formula_has_a_source_and_limits_and_the_document_is_plain_json():
    answer = answer_nip([spring_piece("a", 4.0)], nip(mass_g=Measured(38.0), rim_mm_per_s=4000.0))
    document = json.loads(json.dumps(answer.as_dict(), allow_nan=False))
    assert {each["gives"] for each in document["formulas"]} >= {
        "gap", "sensitivity", "grip", "energy lost per pass", "contact length at the wheel",
        "speed that friction can give", "no-slip bound",
    }  # fmt: skip
    assert all(each["source"] and each["limits"] for each in document["formulas"])


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"force_n": 0.0}, "force"),
        ({"friction": Measured(0.0)}, "friction"),
        ({"wheels_mm": ()}, "wheel radii"),
        ({"wheels_mm": (-1.0,)}, "wheel radius 1"),
        ({"rim_mm_per_s": float("nan")}, "rim speed"),
        ({"inertia": 1.5}, "inertia"),
    ],
)
def test_what_cannot_be_is_refused_by_name(changes, named):
    with pytest.raises(InputError, match=named):
        nip(**changes)


def growing(rate_mm_per_s: float):
    """4 N/mm at 10 mm/s, a tenth more for each tenfold rate."""
    return 4.0 * 1.1 ** np.log10(rate_mm_per_s / 10)


def test_a_rate_series_gives_the_gap_at_the_line_s_own_rate():
    made = [spring_piece("a", growing(rate), rate_mm_per_s=rate) for rate in (1.0, 10.0, 100.0)]
    base = [spring_piece(name, 4.0, rate_mm_per_s=10.0) for name in "bc"]
    answer = answer_nip([*made, *base], nip(rim_mm_per_s=500.0))
    assert answer.base_rate_mm_per_s == pytest.approx(10.0)
    assert answer.trend.growth_pct == pytest.approx(10.0)
    # centre at 250 mm/s over half a travel of sqrt(20 x 270) = 73.485 mm: 20 mm at 68.04 mm/s
    assert answer.line["rate_mm_per_s"] == pytest.approx(68.04, abs=0.01)
    # 1.1^0.83277 = 1.08261; 80 / 1.08261 = 73.895 N; 18.474 mm of squeeze
    assert answer.line["platen_force_n"] == pytest.approx(73.895, abs=0.01)
    assert answer.line["gap_mm"].value == pytest.approx(90 - 18.474, abs=0.01)
    assert answer.line["beyond_decades"] == 0.0
    assert not any("Extrapolated" in each for each in answer.notes)


def test_captures_and_pieces_that_gap_and_spread_leave_out_are_named():
    base = [spring_piece(name, 4.0, rate_mm_per_s=10.0) for name in "abc"]
    quick = [spring_piece(name, 4.4, rate_mm_per_s=100.0) for name in "bd"]
    note = next(each for each in answer_nip([*base, *quick], nip()).notes if "other rates" in each)
    assert all(f"{each.result.capture} (100 mm/s)" in note for each in quick)
    # b was squeezed at the common rate too, d was not
    assert "Not used for gap and spread: d." in note


def test_a_line_quicker_than_what_was_measured_is_said_to_be_extrapolated():
    made = [spring_piece("a", growing(rate), rate_mm_per_s=rate) for rate in (1.0, 10.0)]
    answer = answer_nip(made, nip(rim_mm_per_s=4000.0))
    # 20 mm x 2000 / 73.485 = 544.3 mm/s: 1.7 powers of ten above 10 mm/s
    assert any("Extrapolated" in each and "1.7 powers" in each for each in answer.notes)
    assert any("do not rely on it" in each for each in answer.notes)


def test_what_the_rate_leaves_open_is_in_the_line_s_gap():
    # growths of 0.08 and 0.12 in ln F over one decade each: slope 0.1; left over four times 0.01, one degree
    # of freedom for two pieces of two rates; sum of squares of x is 1: u = 0.02; t(1) = 12.7062
    made = [
        spring_piece(name, 4.0 * np.exp(growth * (np.log10(rate) - 1)), rate_mm_per_s=rate)
        for name, growth in (("a", 0.08), ("b", 0.12))
        for rate in (10.0, 100.0)
    ]
    answer = answer_nip(made, nip(rim_mm_per_s=500.0))
    assert answer.trend.u == pytest.approx(0.02, rel=1e-6)
    low, high = answer.trend.interval_pct
    assert (low, high) == pytest.approx(
        (100 * np.expm1(0.1 - 0.254124), 100 * np.expm1(0.1 + 0.254124)), rel=1e-3
    )
    decades = abs(np.log10(answer.line["rate_mm_per_s"] / answer.base_rate_mm_per_s))
    factor = answer.line["factor"]
    assert factor.interval()[1] - factor.value == pytest.approx(factor.value * decades * 0.254124, rel=1e-3)
    assert answer.line["gap_mm"].parts["rate"] > 0


def test_a_nip_with_too_little_friction_does_not_draw_in():
    # against a plate cos b = 135/145 and tan(b/2) = 0.18898; two wheels share the overlap: cos b = 140/145
    nip = Nip(force_n=20.0, wheels_mm=(100.0,), friction=Measured(0.15, 0.0))
    assert needed_friction(nip, 90.0, 10.0) == pytest.approx(0.18898, abs=1e-5)
    wheels = Nip(force_n=20.0, wheels_mm=(100.0, 100.0), friction=Measured(0.15, 0.0))
    assert needed_friction(wheels, 90.0, 10.0) == pytest.approx(np.tan(np.arccos(140 / 145)), rel=1e-12)
