"""Force calibrations: the scale that they find, and what is refused or said of their readings."""

import math

import numpy as np
import pytest

from rig.calibration import (
    Calibration,
    Gravity,
    ReferenceFacts,
    Share,
    Surroundings,
    calibrate_force,
    drawn,
    force_table,
    mass_load_n,
    scale_budget,
    shifts,
)
from rig.errors import InputError

ZERO = 8_400.0
PER_COUNT_N = 1e-3
LOADS = (0, 10, 20, 30, 40, 50)
BENCH = Surroundings(Gravity.stated("9.8145 m/s^2"))


def rows(*pairs, heading="load_N,counts"):
    """A table of (reference, counts)."""
    return "\n".join([heading, *(",".join(str(cell) for cell in pair) for pair in pairs)])


def straight(loads=LOADS, zero=ZERO, seed=1):
    """Readings of a straight cell with a noise of one count."""
    noise = np.random.default_rng(seed).normal(0, 1, len(loads))
    return [
        (load, f"{zero + load / PER_COUNT_N + each:.3f}") for load, each in zip(loads, noise, strict=True)
    ]


def calibrated(text, **how):
    return calibrate_force(force_table(text, "cell.csv"), **how)


def refusal(text, **how):
    with pytest.raises(InputError) as refused:
        calibrated(text, **how)
    return str(refused.value)


def test_the_scale_of_a_straight_cell_is_found_within_its_uncertainty():
    scale = calibrated(rows(*straight(), *straight(seed=2))).scale
    u = math.sqrt(scale.uncertainty.covariance[0][0]) / scale.uncertainty.unit_counts
    assert scale.bends == ()
    assert scale.per_count == pytest.approx(PER_COUNT_N, abs=3 * u)
    # a count of noise, twelve readings within 50000 counts: 1e-3/(17078 sqrt(12)) is 1.7e-8
    assert u == pytest.approx(1.7e-8, rel=0.5)
    assert scale.zero_counts == pytest.approx(ZERO, abs=2)
    assert scale.range_counts == pytest.approx((ZERO, ZERO + 50_000), abs=5)


def test_a_bent_cell_gets_its_bend_about_the_zero():
    # F = 1e-3 c + 5e-10 c^2, so c = (sqrt(1e-6 + 2e-9 F) - 1e-3) / 1e-9
    counts = [(load, ZERO + (math.sqrt(1e-6 + 2e-9 * load) - 1e-3) / 1e-9) for load in LOADS]
    scale = calibrated(rows(*counts, *counts), degree=2).scale
    assert scale.terms == pytest.approx((1e-3, 5e-10), rel=1e-6)
    assert scale.zero_counts == pytest.approx(ZERO, abs=1e-3)


def test_runs_whose_zeros_differ_do_not_blur_the_scale():
    table = rows(*straight(), *straight(zero=ZERO + 400, seed=2), *straight(zero=ZERO - 300, seed=3))
    result = calibrated(table)
    assert [each.run for each in result.table.readings] == ["1"] * 6 + ["2"] * 6 + ["3"] * 6
    assert result.fitted.fit.residual_sd == pytest.approx(PER_COUNT_N, rel=0.5)


def test_masses_press_with_their_weight_less_that_of_the_air():
    # 2 kg at 9.8145 m/s^2, less 1.2 parts of air in 8000: 19.626056 N
    assert mass_load_n(2.0, 9.8145) == pytest.approx(19.629 * (1 - 1.2 / 8000), rel=1e-12)
    masses = [(load / 10, counts) for load, counts in straight()]
    scale = calibrated(rows(*masses, heading="mass_kg,counts"), surroundings=BENCH).scale
    assert scale.per_count == pytest.approx(PER_COUNT_N * mass_load_n(1.0, 9.8145) / 10, rel=1e-4)
    assert "9.8145 m/s^2 as stated" in scale.record.references[1]


def test_masses_without_gravity_are_refused():
    assert '--gravity "9.8145 m/s^2"' in refusal(rows(*straight(), heading="mass_kg,counts"))


def test_units_may_stand_in_each_cell():
    grams = [(f"{100 * load} g", counts) for load, counts in straight()]
    kilograms = [(load / 10, counts) for load, counts in straight()]
    one = calibrated(rows(*grams, heading="mass,counts"), surroundings=BENCH).scale
    other = calibrated(rows(*kilograms, heading="mass [kg],counts"), surroundings=BENCH).scale
    assert one.per_count == pytest.approx(other.per_count, rel=1e-12)


def test_stated_gravity_is_right_to_half_its_last_digit():
    # 0.005/sqrt(3)/9.81
    assert Gravity.stated("9.81 m/s^2").relative_u == pytest.approx(2.943e-4, rel=1e-3)
    assert Gravity.stated("9.8145 m/s^2").relative_u == pytest.approx(2.941e-6, rel=1e-3)


def test_a_certificate_becomes_a_share_of_the_uncertainty():
    result = calibrated(rows(*straight()), references=ReferenceFacts("cell R2, certificate 7", 5e-4))
    shares = {each.source: each.relative_u for each in result.scale.uncertainty.shares}
    assert shares["references"] == 5e-4
    whole = scale_budget(result.scale)[-1]
    assert whole.u == pytest.approx(50 * 5e-4, rel=0.01)  # 50 N; the scatter is a hundred times smaller
    assert not any("reference-u" in caution for caution in result.cautions)
    assert any("reference-u" in caution for caution in calibrated(rows(*straight())).cautions)


def test_an_absolute_uncertainty_of_the_references_holds_at_every_load():
    references = ReferenceFacts("cell R2, certificate 7", 0.0, 0.2)
    result = calibrated(rows(*straight(), *straight(seed=2)), references=references)
    (share,) = [each for each in result.scale.uncertainty.shares if each.source == "references"]
    assert Share.from_dict(share.as_dict()) == share
    assert result.scale.record.references[0].endswith("standard uncertainty 0.2 N at every value")
    assert scale_budget(result.scale)[-1].u == pytest.approx(0.2, rel=0.01)  # the scatter is far smaller
    # 0.2 N at the smallest load of 10 N and at all above it, and in proportion below
    loads_n = np.array([0.0, 5.0, 10.0, 30.0, 50.0])
    counts = result.scale.counts(loads_n)
    moved = [each.calibration.force.value(counts) - loads_n for each in shifts(Calibration(result.scale))]
    assert np.sqrt(np.sum(np.square(moved), axis=0)) == pytest.approx([0, 0.1, 0.2, 0.2, 0.2], abs=2e-3)
    # drawn at random it is as uncertain
    random = np.random.default_rng(3)
    forces = [float(drawn(Calibration(result.scale), random).force.value(counts)[2]) for _ in range(400)]
    assert np.std(forces) == pytest.approx(0.2, rel=0.15)


def test_off_centre_loads_share_their_half_range():
    # 40 N reads 40 counts more at the left and 80 less at the right: half of 120 counts is 0.06 N of 40 N
    placed = [
        *((*pair, "") for pair in straight(seed=4)),
        (40, ZERO + 40_040, "left"),
        (40, ZERO + 39_920, "right"),
    ]
    result = calibrated(rows(*placed, heading="load_N,counts,place"))
    (share,) = [each for each in result.scale.uncertainty.shares if each.source == "off-centre load"]
    assert share.relative_u == pytest.approx(0.06 / 40 / math.sqrt(3), rel=0.05)
    assert len(result.used) == 6


def test_falling_readings_share_what_they_hold_back():
    # coming down, 30 N reads 60 counts more: 0.06 N, 0.2 %; half of it either way
    table = rows(*straight((0, 10, 20, 30, 40, 50)), (30, ZERO + 30_060), (0, ZERO))
    result = calibrated(table)
    assert result.figures["reversibility_pct"] == pytest.approx(0.2, abs=0.01)
    (share,) = [each for each in result.scale.uncertainty.shares if each.source == "reversibility"]
    assert share.relative_u == pytest.approx(0.001 / math.sqrt(3), rel=0.05)


def test_a_wrong_reference_is_pointed_at():
    pairs = straight((0, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50)) + straight(
        (0, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50), seed=2
    )
    pairs[4] = (20, float(pairs[4][1]) - 50)
    assert any(
        caution.startswith("cell.csv line 6: lies +0.04") for caution in calibrated(rows(*pairs)).cautions
    )


@pytest.mark.parametrize("runs", [3, 4])
def test_two_loads_that_were_exchanged_in_one_run_are_both_pointed_at(runs):
    pairs = [pair for seed in range(runs) for pair in straight((0, 10, 20, 30, 40, 50), seed=seed)]
    exchanged = len(pairs) - 4, len(pairs) - 3
    first, second = (pairs[place] for place in exchanged)
    pairs[exchanged[0]], pairs[exchanged[1]] = (first[0], second[1]), (second[0], first[1])
    told = [caution for caution in calibrated(rows(*pairs)).cautions if "off the curve" in caution]
    assert [caution[: caution.index(":")] for caution in told] == [
        f"cell.csv line {place + 2}" for place in exchanged
    ]
    # each by the difference of the two loads
    assert "lies -10 N off" in told[0]
    assert "lies +10 N off" in told[1]


def test_good_readings_are_seldom_pointed_at():
    told = sum(
        "off the curve"
        in " ".join(calibrated(rows(*straight(seed=seed), *straight(seed=seed + 500))).cautions)
        for seed in range(200)
    )
    assert told <= 8  # by chance 2; more than 8 less often than once in 4000


def test_readings_marked_as_left_out_are_left_out():
    kept = [(*pair, "yes") for pair in straight()]
    kept.insert(3, (99, 5, "no"))
    assert len(calibrated(rows(*kept, heading="load_N,counts,kept")).used) == 6


def swapped():
    pairs = straight()
    pairs[2], pairs[3] = (20, pairs[3][1]), (30, pairs[2][1])
    return rows(*pairs)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        (
            rows((0, 0), (10, 5), (5, 3), (20, 9)),
            "cell.csv line 5: references out of order: 20 N comes after 5",
        ),
        (swapped(), "cell.csv line 5: counts do not follow the references"),
        (
            rows((0, 9), (10, 5), (20, 1)),
            "cell.csv: sign error: counts fall from 9 to 1 while the load rises; swap",
        ),
        (
            rows((0, 0), (10, 2**23 - 1)),
            "cell.csv line 3: saturated: 8388607 counts is the end of a converter",
        ),
        (rows((0, 0, 0), (10, 5, 1), heading="load_N,counts,status"), "cell.csv line 3: saturated"),
        (
            rows((0, 0, 1), (10, 5, -1), heading="load_N,counts,u_counts"),
            "cell.csv line 3: u_counts: found '-1', expected a number of counts, or nothing",
        ),
        (rows((0, 0), ("500 g", 5)), "cell.csv line 3: units mixed: load is in N by its heading, but"),
        (
            rows((0, 0), ("500 g", 5), ("2 lbf", 9), heading="load,counts"),
            "cell.csv line 3: g is a unit of mass, in a column of loads",
        ),
        (
            rows((0, 0), ("500 g", 5), ("2 lbf", 9), heading="mass,counts"),
            "cell.csv line 4: mass: unit 'lbf' does not convert to 'kg'",
        ),
        (
            rows((0, 0), (500, 5), heading="mass,counts"),
            "cell.csv line 3: mass: '500' has no unit; write `mass_kg`",
        ),
        (rows((0, 0), (-5, 5)), "cell.csv: sign error: counts fall from 5 to 0 while the load rises"),
        (rows((0, 0), (5, "five")), "cell.csv line 3: counts: found 'five', expected a number"),
        (rows((0, 0), (5, 1, 2)), "cell.csv, line 3: found 3 cells, expected 2 as in the headings"),
        (
            rows((0, 0), heading="force_N,counts"),
            "cell.csv, line 1: found a column 'force_N', expected mass, load",
        ),
        (rows((0, 0), heading="load_N,run"), "cell.csv, line 1: no column counts"),
        (rows((5, 1), (5, 2)), "cell.csv: found one reference only"),
        (
            rows((0, 0, "left"), (5, 1, "left"), heading="load_N,counts,place"),
            "cell.csv: every load is off the centre; expected the place empty, or centre",
        ),
        (rows((0, 0), (5, 1)), "cell.csv: 2 readings for 2 unknowns of degree 1 leave no scatter"),
        ("", "cell.csv: found nothing, expected headings and rows"),
        ("# none\nload_N,counts\n", "cell.csv, line 2: found headings only"),
    ],
)
def test_readings_that_cannot_be_right_are_refused_with_their_line(text, complaint):
    assert refusal(text).startswith(complaint)


def test_two_references_cannot_carry_a_cubic():
    said = refusal(rows((0, 0), (0, 1), (50, 50_000), (50, 50_001), heading="load_N,counts"), degree=3)
    assert said.startswith("cell.csv: 2 different references in N cannot carry degree 3: it needs 4")


def test_a_cell_that_reads_the_other_way_round_can_be_meant():
    turned = [(load, -float(counts)) for load, counts in straight()]
    scale = calibrated(rows(*turned), reversed_way=True).scale
    assert scale.per_count == pytest.approx(-PER_COUNT_N, rel=1e-4)
    assert refusal(rows(*straight()), reversed_way=True).endswith("leave out --reversed")


def both_senses(press=1.0, pull=1.0, seed=3):
    """A run up and down of loads that press, then one of loads that pull, twice; noise of a count."""
    random, table = np.random.default_rng(seed), []
    for sign, gain in ((1, press), (-1, pull), (1, press), (-1, pull)):
        for load in (0, *LOADS[1:], *LOADS[-2:0:-1], 0):
            counts = ZERO + sign * load * gain / PER_COUNT_N + random.normal(0, 1)
            table.append((sign * load if load else 0, f"{counts:.3f}"))
    return table


def test_loads_that_pull_calibrate_the_scale_below_zero():
    found = calibrated(rows(*both_senses()))
    assert found.scale.value_range == pytest.approx((-50.0, 50.0), abs=0.01)
    assert found.scale.per_count == pytest.approx(PER_COUNT_N, rel=1e-5)
    assert float(found.scale.value(ZERO - 30_000)) == pytest.approx(-30.0, abs=0.005)


def test_loads_that_only_pull_calibrate_that_sense_alone():
    found = calibrated(
        rows(*[(-load, f"{ZERO - load / PER_COUNT_N + 3 * (-1) ** load:.1f}") for load in LOADS])
    )
    low, high = found.scale.value_range
    assert low == pytest.approx(-50.0, abs=0.02)
    assert high == pytest.approx(0.0, abs=0.02)


def test_runs_of_pulls_and_presses_are_told_apart_and_fall_towards_zero():
    readings = force_table(rows(*both_senses()), "cell.csv").readings
    assert [each.run for each in readings] == [run for run in "1234" for _ in range(11)]
    rising = [False] * 6 + [True] * 5
    assert [each.falling for each in readings] == rising * 4


def test_a_cell_that_is_not_alike_in_both_senses_has_that_in_its_budget():
    found = calibrated(rows(*both_senses(pull=1.004)), degree=1)
    # what pulls reads 0.4 % more than what presses; one curve lies between, half of it off either
    assert found.figures["pull_against_press_pct"] == pytest.approx(0.4, rel=0.02)
    (line,) = [each for each in scale_budget(found.scale) if each.source == "pull against press"]
    assert line.relative_u == pytest.approx(0.002 / math.sqrt(3), rel=0.02)


def test_pulls_and_presses_out_of_order_are_refused_with_their_line():
    assert refusal(rows((0, 0), (-10, -10), (-5, -5), (-20, -20))).startswith(
        "cell.csv line 5: references out"
    )
