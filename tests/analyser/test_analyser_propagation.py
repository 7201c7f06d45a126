"""What the calibration's uncertainty does to a result, against the derivatives of closed forms."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
import scipy.stats
from press_recordings import CALIBRATION, counts, power, presses

from rig.analyser import AnalysisSettings, CaptureAnalysis, budget, monte_carlo
from rig.calibration import (
    Backlash,
    Delay,
    Frame,
    Provenance,
    ReadBy,
    ScaleUncertainty,
    Share,
    drawn,
)
from rig.core.measured import coverage_factor
from rig.errors import InputError

K_N_PER_MM, DEPTH_MM, SPEED_MM_PER_S = 4.0, 10.0, 10.0
FORCE = replace(
    CALIBRATION.force, uncertainty=ScaleUncertainty(1e5, ((0.0,),), shares=(Share("references", 2e-3),))
)
POSITION = replace(
    CALIBRATION.position, uncertainty=ScaleUncertainty(1e4, ((0.0,),), shares=(Share("block", 3e-3),))
)
SPRING = counts(presses(3), power(K_N_PER_MM)(presses(3)), seed=3)


def analysis_of(samples=SPRING, *, examine=0, recorded_on=None, calibration=CALIBRATION, **settings):
    analysis = CaptureAnalysis(
        calibration, AnalysisSettings(**settings), examine=examine, recorded_on=recorded_on
    )
    analysis.push(samples)
    return analysis, analysis.finish()


def part_of(name, **parts):
    """The calibration's part of a quantity's uncertainty, and the quantity, in the middle cycle."""
    _, result = analysis_of(calibration=replace(CALIBRATION, **parts))
    return result.columns[f"{name}_u_calibration"][1], result.columns[name][1]


@pytest.mark.parametrize(
    ("name", "relative"),
    [
        ("peak_force_n", 2e-3),
        ("secant_n_per_mm", 2e-3),
        ("energy_absorbed_mj", 2e-3),
        ("peak_deflection_mm", 0.0),
    ],
)
def test_a_wrong_force_scale_is_as_wrong_in_force_stiffness_and_work(name, relative):
    u, value = part_of(name, force=FORCE)
    assert u == pytest.approx(relative * value, rel=0.01, abs=2e-5 * value)


@pytest.mark.parametrize(
    ("name", "relative"),
    [
        ("peak_deflection_mm", 3e-3),
        ("secant_n_per_mm", 3e-3),
        ("energy_absorbed_mj", 3e-3),
        ("peak_force_n", 0.0),
    ],
)
def test_a_wrong_position_scale_is_as_wrong_in_deflection_stiffness_and_work(name, relative):
    u, value = part_of(name, position=POSITION)
    assert u == pytest.approx(relative * value, rel=0.01, abs=2e-5 * value)


def test_parts_of_independent_inputs_are_summed_in_squares():
    u, value = part_of("energy_absorbed_mj", force=FORCE, position=POSITION)
    assert u == pytest.approx(np.hypot(2e-3, 3e-3) * value, rel=0.01)


def test_scales_do_nothing_to_a_ratio_of_works():
    u, _ = part_of("hysteresis_pct", force=FORCE, position=POSITION)
    assert u < 1e-3


def test_a_doubtful_frame_counts_with_the_square_of_the_stiffness():
    # d = x - c F and k = F/d, so dk/dc = k^2
    u_mm_per_n = 2e-4
    frame = Frame((50.0,), (0.0,), (((50 * u_mm_per_n) ** 2,),))
    u, value = part_of("secant_n_per_mm", frame=frame)
    assert u == pytest.approx(value**2 * u_mm_per_n, rel=0.01)


COMPLIANCE_MM_PER_N = 0.1
"""Of a frame that takes two fifths of the travel."""

FRAME_SHARES = (
    Share("force calibration, references", 2e-3),
    Share("position calibration, block", 3e-3),
)


def soft_frame(*read_by):
    return Frame(
        (50.0,), (50 * COMPLIANCE_MM_PER_N,), ((0.0,),), shares=FRAME_SHARES, read_by=ReadBy(*read_by)
    )


def test_a_frame_read_by_the_same_scales_undoes_what_they_are_wrong_by():
    # x = d + c F is wrong by e_x, c F is taken off wrong by e_x too: k = F/d is left with e_F and e_x
    frame = soft_frame(FORCE.identity, POSITION.identity, 22.0)
    u, value = part_of("secant_n_per_mm", force=FORCE, position=POSITION, frame=frame)
    assert value == pytest.approx(1 / (1 / K_N_PER_MM - COMPLIANCE_MM_PER_N), rel=2e-3)
    assert u == pytest.approx(np.hypot(2e-3, 3e-3) * value, rel=0.01)


def test_a_frame_read_by_older_scales_is_wrong_by_those_as_well():
    # of d, c F is K c/(1 - K c): each error counts once in F or x, and again, independently, in the frame
    lever = K_N_PER_MM * COMPLIANCE_MM_PER_N / (1 - K_N_PER_MM * COMPLIANCE_MM_PER_N)
    wanted = np.hypot(1 + lever, lever) * np.hypot(2e-3, 3e-3)
    u, value = part_of("secant_n_per_mm", force=FORCE, position=POSITION, frame=soft_frame("older", "older"))
    assert u == pytest.approx(wanted * value, rel=0.01)


def test_a_drawn_scale_takes_its_frame_along():
    frame = soft_frame(FORCE.identity, POSITION.identity, 22.0)
    calibration = replace(CALIBRATION, force=FORCE, position=POSITION, frame=frame)
    other = drawn(calibration, np.random.default_rng(5))
    assert other.frame.force_n[0] / 50 == pytest.approx(other.force.per_count / FORCE.per_count)
    assert other.frame.deflection_at_mm[0] / 5 == pytest.approx(other.position.per_count / POSITION.per_count)
    assert other.frame.force_n[0] != 50.0


def test_a_doubtful_delay_is_false_hysteresis():
    # a force late by tau lies k v tau below loading and above unloading: 2 k v tau d of k d^2/2
    u_s = 0.5e-3
    u, _ = part_of("hysteresis_pct", delay=Delay(0.0, u_s))
    assert u == pytest.approx(100 * 4 * SPEED_MM_PER_S * u_s / DEPTH_MM, rel=0.06)


def test_doubtful_backlash_moves_the_way_out_only():
    # the way out moved by b: k b d of k d^2/2
    u_mm = 0.01
    u, _ = part_of("hysteresis_pct", backlash=Backlash(0.0, u_mm))
    assert u == pytest.approx(100 * 2 * u_mm / DEPTH_MM, rel=0.05)
    # but for the stretch behind, whose clean part begins a sample sooner or later
    absorbed_u, absorbed_mj = part_of("energy_absorbed_mj", backlash=Backlash(0.0, u_mm))
    assert absorbed_u == pytest.approx(0.0, abs=1e-5 * absorbed_mj)


def test_set_keeps_only_what_the_two_contacts_do_not_share():
    u, _ = part_of("set_mm", position=POSITION, delay=Delay(0.0, 1e-3))
    contact_u, _ = part_of("contact_mm", position=POSITION, delay=Delay(0.0, 1e-3))
    assert u < 0.05 * contact_u


def test_a_fit_of_few_points_leaves_few_degrees_of_freedom():
    few = ScaleUncertainty(1e5, ((0.2**2,),), 5.0)
    _, result = analysis_of(
        calibration=replace(CALIBRATION, force=replace(CALIBRATION.force, uncertainty=few))
    )
    u, part = (result.columns[f"peak_force_n{end}"][1] for end in ("_u", "_u_calibration"))
    # Welch and Satterthwaite, with the reading's part known from many samples
    assert result.columns["peak_force_n_freedom"][1] == pytest.approx(5 * (u / part) ** 4, rel=1e-9)


def test_intervals_come_from_students_t():
    freedom = np.array([1.0, 4.0, 17.5, np.inf])
    # infinitely many are taken as a very large number of them
    assert coverage_factor(freedom) == pytest.approx(scipy.stats.t.ppf(0.975, freedom), rel=1e-11)


def test_many_cycles_do_not_make_a_wrong_scale_right():
    cycles = 12
    samples = counts(presses(cycles), power(K_N_PER_MM)(presses(cycles)), seed=4)
    _, result = analysis_of(samples, calibration=replace(CALIBRATION, force=FORCE))
    entry = result.summary["secant_n_per_mm"]
    assert entry["n"] == cycles
    assert entry["u"] == pytest.approx(2e-3 * entry["mean"], rel=0.05)
    assert entry["u"] > 3 * entry["sd"] / np.sqrt(cycles)


def test_without_any_known_uncertainty_the_reading_stands_alone():
    _, result = analysis_of()
    assert not any(name.endswith(("_u_calibration", "_freedom")) for name in result.columns)


def lagging(position_mm, backlash_mm):
    """What a reading with backlash shows: it follows upwards, and lags downwards."""
    shown = np.empty_like(position_mm)
    last = position_mm[0]
    for at, true_mm in enumerate(position_mm):
        last = min(max(last, true_mm), true_mm + backlash_mm)
        shown[at] = last
    return shown


def test_known_backlash_is_taken_off_the_way_out():
    backlash_mm, true_mm = 0.05, presses(3)
    samples = counts(lagging(true_mm, backlash_mm), power(K_N_PER_MM)(true_mm), seed=5)
    _, raw = analysis_of(samples)
    _, freed = analysis_of(samples, calibration=replace(CALIBRATION, backlash=Backlash(backlash_mm)))
    # the way out reads too deep by b: b k d of k d^2/2 is missing
    assert raw.columns["hysteresis_pct"] == pytest.approx(200 * backlash_mm / DEPTH_MM, abs=0.05)
    assert np.abs(freed.columns["hysteresis_pct"]).max() < 0.02


@pytest.mark.parametrize(
    ("parts", "covered"),
    [  # a count is 1 mN or 5 um, with the zero of the force at nothing
        ({"force": replace(CALIBRATION.force, range_counts=(0.0, 39_000.0))}, "force from 0 to 39 N"),
        (
            {"position": replace(CALIBRATION.position, range_counts=(4_100.0, 8_000.0))},
            "position from 20.5 to 40 mm",
        ),
        (
            {"position": replace(CALIBRATION.position, range_counts=(3_000.0, 5_900.0))},
            "position from 15 to 29.5 mm",
        ),
        ({"frame": Frame((39.0,), (0.0,), ((1e-8,),))}, "frame compliance up to 39 N"),
    ],
    ids=["force above", "contact below", "turn above", "frame"],
)
def test_a_press_beyond_what_was_calibrated_is_flagged_and_left_out(parts, covered):
    _, result = analysis_of(calibration=replace(CALIBRATION, **parts))
    assert result.flags == [["outside calibration"]] * 3
    assert result.summary["peak_force_n"]["n"] == 0
    assert any("outside calibration" in each for each in result.warnings)
    assert any(f"The calibration covers {covered}" in each for each in result.warnings)


def test_a_press_within_the_calibrated_range_is_not_flagged():
    ranges = {
        "force": replace(CALIBRATION.force, range_counts=(0.0, 41_000.0)),
        "position": replace(CALIBRATION.position, range_counts=(3_000.0, 6_100.0)),
    }
    _, result = analysis_of(calibration=replace(CALIBRATION, **ranges))
    assert result.flags == [[]] * 3


def test_what_was_never_calibrated_is_said_with_every_result():
    _, result = analysis_of(calibration=replace(CALIBRATION, force=FORCE))
    told = [each for each in result.warnings if each.startswith("Not calibrated")]
    assert len(told) == 1
    assert "position, time offset, frame compliance, backlash" in told[0]


@pytest.mark.parametrize(("day", "overdue"), [(date(2026, 6, 1), False), (date(2026, 6, 2), True)])
def test_a_calibration_is_overdue_the_day_after_it_expires(day, overdue):
    old = replace(FORCE, record=Provenance(date(2025, 6, 1), date(2026, 6, 1)))
    _, result = analysis_of(calibration=replace(CALIBRATION, force=old), recorded_on=day)
    assert any("overdue" in each and "force" in each for each in result.warnings) == overdue


MEASURED = replace(
    CALIBRATION,
    force=replace(
        FORCE, uncertainty=ScaleUncertainty(1e5, ((0.06**2,),), 30.0, (Share("references", 4e-4),))
    ),
    position=replace(POSITION, uncertainty=ScaleUncertainty(1e4, ((0.01**2,),), 30.0)),
    delay=Delay(0.0, 2e-4, 30.0),
    frame=Frame((25.0, 60.0), (0.02, 0.05), ((1e-6, 0.0), (0.0, 1e-6)), 30.0),
)
MAIN = ("peak_force_n", "secant_n_per_mm", "energy_absorbed_mj", "hysteresis_pct", "set_mm")


def test_the_parts_of_a_budget_make_up_the_whole():
    analysis, result = analysis_of(calibration=MEASURED, examine=3)
    found = budget(analysis.examined, analysis.applied)
    assert found.cycle == 3
    for name in MAIN:
        at = found.names.index(name)
        assert found.value[at] == result.columns[name][2]
        assert found.u[at] == pytest.approx(result.columns[f"{name}_u"][2], rel=0.02)
        assert np.sqrt((found.parts[:, at] ** 2).sum()) == pytest.approx(found.u[at], rel=1e-9)


def test_a_budget_names_the_part_that_dominates():
    analysis, _ = analysis_of(
        calibration=replace(CALIBRATION, delay=Delay(0.0, 2e-4), force=FORCE), examine=3
    )
    found = budget(analysis.examined, analysis.applied)

    def largest(name):
        return found.sources[int(found.parts[:, found.names.index(name)].argmax())]

    assert largest("hysteresis_pct") == "delay"
    assert largest("energy_absorbed_mj") == "force calibration, references"


def test_propagation_agrees_with_monte_carlo_within_a_tenth():
    analysis, _ = analysis_of(calibration=MEASURED, examine=2)
    drawn = monte_carlo(analysis.examined, analysis.applied, 500, seed=11)
    at = [drawn.budget.names.index(name) for name in MAIN]
    assert drawn.budget.half95[at] == pytest.approx((drawn.high - drawn.low)[at] / 2, rel=0.1)


def test_draws_of_a_toe_scatter_as_its_fit_says():
    # recorded noise and drawn noise together are no misfit: the toe region must not be shortened for them
    sphere = counts(presses(2), power(2.5, 1.5)(presses(2)), seed=1)
    analysis, _ = analysis_of(sphere, examine=2)
    found = monte_carlo(analysis.examined, analysis.applied, 100, seed=2)
    at = [found.budget.names.index(name) for name in ("contact_mm", "toe_exponent")]
    assert ((found.high - found.low)[at] / 2 / found.budget.half95[at] < 1.4).all()


def test_too_few_draws_are_refused():
    analysis, _ = analysis_of(examine=2)
    with pytest.raises(InputError, match="found 20 draws, expected 100 or more"):
        monte_carlo(analysis.examined, analysis.applied, 20)


def test_a_budget_of_nothing_is_refused():
    analysis, _ = analysis_of(examine=0)
    with pytest.raises(InputError, match="no cycle to examine"):
        budget(analysis.examined, analysis.applied)
