"""Whole recordings of presses that are known in closed form."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from press_recordings import CALIBRATION, RATE_HZ, analysed, counts, path, power, presses

from rig.analyser import AnalysisSettings, CaptureAnalysis, Depth
from rig.calibration import Calibration, Delay, Frame, Scale
from rig.samples import RawChannel, Samples, Status
from rig.segmenter import Flag

CONTACT_MM = 20.0
SPRING = power(2.5)


def spring_presses(count=6, **how):
    position = presses(count)
    return counts(position, SPRING(position), **how)


def flags_of(result):
    return [Flag(int(each)) for each in result.columns["flags"]]


def assert_within(result, name, truth, rows=slice(None), *, times=3.0, floor=0.0):
    values, u = result.columns[name][rows], result.columns[f"{name}_u"][rows]
    assert np.isfinite(values).all(), (name, values)
    assert (np.abs(values - truth) <= times * u + floor).all(), (name, values, u, truth)


# --- a spring, from end to end


TRUTH_OF_THE_SPRING = {
    "peak_force_n": 25.0,
    "peak_deflection_mm": 10.0,
    "secant_n_per_mm": 2.5,
    "secant_unloading_n_per_mm": 2.5,
    "tangent_n_per_mm": 2.5,
    "chord_n_per_mm": 2.5,
    "chord_unloading_n_per_mm": 2.5,
    "initial_n_per_mm": 2.5,
    "energy_absorbed_mj": 125.0,
    "energy_returned_mj": 125.0,
    "loss_mj": 0.0,
    "hysteresis_pct": 0.0,
    "energy_return_pct": 100.0,
    "contact_mm": CONTACT_MM,
    "rate_mm_per_s": 10.0,
}


@pytest.mark.parametrize("name", TRUTH_OF_THE_SPRING)
def test_every_quantity_of_a_spring_is_within_its_uncertainty(name):
    result = analysed(spring_presses(seed=3))
    # a phase of half a step at the most lies between true and shown position
    floor = 0.0026 if name == "contact_mm" else 0.0
    assert_within(result, name, TRUTH_OF_THE_SPRING[name], floor=floor)


def test_force_at_shares_of_the_height_is_that_of_the_curve():
    result = analysed(spring_presses(), free_height_mm=40.0, at=(Depth.of("10%"), Depth.of("5 mm")))
    assert_within(result, "at 10%.loading_n", 10.0)
    assert_within(result, "at 5 mm.unloading_n", 12.5)
    assert_within(result, "peak_compression_pct", 25.0)


def test_a_sphere_and_a_cone_have_the_tangent_and_work_of_their_power():
    for k, n in ((0.4, 1.5), (0.3, 2.0)):
        position = presses(5)
        result = analysed(counts(position, power(k, n)(position), seed=4))
        assert_within(result, "tangent_n_per_mm", n * k * 10 ** (n - 1), times=3.5)
        assert_within(result, "energy_absorbed_mj", k * 10 ** (n + 1) / (n + 1), times=3.5)


def test_the_summary_is_numpys_mean_and_deviation_of_the_unflagged_cycles_after_conditioning():
    result = analysed(spring_presses(), conditioning=2)
    values = result.columns["secant_n_per_mm"][2:]
    entry = result.summary["secant_n_per_mm"]
    assert (entry["n"], entry["mean"]) == (4, pytest.approx(values.mean(), rel=1e-12))
    assert entry["sd"] == pytest.approx(values.std(ddof=1), rel=1e-9)


def test_more_conditioning_than_cycles_leaves_nothing_and_says_so():
    result = analysed(spring_presses(2), conditioning=5)
    assert result.summary["secant_n_per_mm"]["n"] == 0
    assert any(each.startswith("No cycle is left for the means") for each in result.warnings)


# --- contact force, datum, set


def test_the_contact_force_that_is_stated_is_where_contact_at_force_stands():
    result = analysed(spring_presses(), contact_force_n=2.0)
    assert result.contact_force_n == 2.0
    assert_within(result, "contact_at_force_mm", CONTACT_MM + 2.0 / 2.5, floor=0.0026)


SETS_MM = np.array([0.0, 0.3, 0.5, 0.6])
HEIGHT_MM = 50.0


def setting_presses(**how):
    """A spring that is shorter by some tenths of a millimetre at each press; the depth stays the same."""
    position = presses(len(SETS_MM))
    press = np.cumsum(np.diff(position, prepend=position[0]) > 0)
    starts = np.flatnonzero(np.diff((position > -2.4).astype(int)) == 1)
    press = np.clip(np.searchsorted(starts, np.arange(len(position)), side="right") - 1, 0, None)
    return counts(position, SPRING(position - SETS_MM[press]), **how)


def test_set_is_the_shift_of_contact_and_its_shares_name_their_base():
    result = analysed(setting_presses(), free_height_mm=HEIGHT_MM)
    assert_within(result, "set_mm", SETS_MM[1:], slice(1, None))
    assert_within(result, "set_pct_of_height", 100 * SETS_MM[1:] / HEIGHT_MM, slice(1, None))
    # every press went 10 mm past the first contact
    assert_within(result, "set_pct_of_deflection", 100 * SETS_MM[1:] / 10.0, slice(1, None), floor=0.05)


def test_the_first_contact_has_no_set_and_no_uncertainty_of_it():
    result = analysed(setting_presses())
    assert result.columns["set_mm"][0] == 0.0
    assert np.isnan(result.columns["set_mm_u"][0])


def test_the_share_of_the_imposed_deflection_does_not_depend_on_the_datum():
    by_cycle, by_first = (analysed(setting_presses(), datum=datum) for datum in ("cycle", "first"))
    np.testing.assert_allclose(
        by_first.columns["set_pct_of_deflection"][1:],
        by_cycle.columns["set_pct_of_deflection"][1:],
        rtol=1e-9,
    )


def test_deflection_counts_from_each_cycles_own_contact_or_from_the_first():
    assert_within(analysed(setting_presses(), datum="cycle"), "peak_deflection_mm", 10.0 - SETS_MM)
    assert_within(analysed(setting_presses(), datum="first"), "peak_deflection_mm", 10.0)


def test_a_fixed_gap_sees_less_force_at_the_same_deflection_from_the_first_contact():
    result = analysed(setting_presses(), datum="first", at=(Depth.of("5 mm"),))
    assert_within(result, "at 5 mm.loading_n", 2.5 * (5.0 - SETS_MM), times=3.5)


# --- the frame


FRAME_MM_PER_N = 0.02
STIFF = 40.0


def framed_presses(**how):
    """A stiff spring in a frame that gives: the platen travels further than the spring is squeezed."""
    travel = presses(5, depth_mm=2.0)
    series = 1 / (1 / STIFF + FRAME_MM_PER_N)
    return counts(travel, series * np.maximum(travel, 0.0), **how)


def in_frame(compliance):
    return Calibration(CALIBRATION.force, CALIBRATION.position, frame=Frame.straight(compliance))


def test_a_frame_that_is_not_corrected_makes_a_stiff_spring_soft():
    result = analysed(framed_presses())
    # 1 / (1 + 40 N/mm x 0.02 mm/N)
    assert result.columns["secant_n_per_mm"] / STIFF == pytest.approx(0.556, abs=0.002)


@pytest.mark.parametrize(
    "name", ["secant_n_per_mm", "tangent_n_per_mm", "chord_n_per_mm", "initial_n_per_mm"]
)
def test_the_frames_compliance_is_taken_off(name):
    assert_within(analysed(framed_presses(), calibration=in_frame(FRAME_MM_PER_N)), name, STIFF)


def test_a_frames_compliance_leaves_the_work_of_the_spring():
    result = analysed(framed_presses(), calibration=in_frame(FRAME_MM_PER_N))
    peak_n = 2.0 / (1 / STIFF + FRAME_MM_PER_N)
    assert_within(result, "energy_absorbed_mj", peak_n**2 / (2 * STIFF))


def test_drawn_loops_are_free_of_the_frame_and_start_at_contact():
    result = analysed(framed_presses(), calibration=in_frame(FRAME_MM_PER_N))
    loop = result.loops[0]
    pressed = loop.force_n > 1.0
    np.testing.assert_allclose(
        loop.deflection_mm[pressed], loop.force_n[pressed] / STIFF, atol=3 * 0.005, rtol=0.01
    )


# --- cycles that keep contact


OMEGA, MEAN_MM, SWING_MM = 2 * np.pi * 0.5, 6.0, 3.0
DAMPING = 0.15


def sine_in_contact(cycles=10):
    """A spring beside a dashpot, pressed to a mean and moved about it by a sine."""
    time_s = np.arange(0, cycles * 2 * np.pi / OMEGA, 1 / RATE_HZ)
    wave = MEAN_MM - SWING_MM * np.cos(OMEGA * time_s)
    lead, tail = path((-2.5, 1.0), MEAN_MM - SWING_MM), path(MEAN_MM - SWING_MM, (-2.5, 1.0))
    position = np.concatenate([lead, wave, tail])
    force = np.concatenate(
        [SPRING(lead), SPRING(wave) + DAMPING * OMEGA * SWING_MM * np.sin(OMEGA * time_s), SPRING(tail)]
    )
    return counts(position, force, seed=5)


def test_a_sine_that_keeps_contact_has_the_loss_factor_of_spring_and_dashpot():
    result = analysed(sine_in_contact())
    # Spring and dashpot in parallel under a sine: loss per cycle pi c w X^2, loss factor c w / k
    inner = slice(2, -2)
    np.testing.assert_allclose(result.columns["loss_factor"][inner], DAMPING * OMEGA / 2.5, rtol=0.01)
    np.testing.assert_allclose(
        result.columns["loss_mj"][inner], np.pi * DAMPING * OMEGA * SWING_MM**2, rtol=0.01
    )


def test_cycles_that_keep_contact_count_their_deflection_from_the_contact_of_their_stretch():
    result = analysed(sine_in_contact())
    assert_within(result, "peak_deflection_mm", MEAN_MM + SWING_MM, slice(2, -2), floor=0.005)
    assert np.isnan(result.columns["contact_mm"][2:-2]).all()


def test_presses_that_lose_contact_have_no_loss_factor():
    assert np.isnan(analysed(spring_presses()).columns["loss_factor"]).all()


# --- dwells and softening


def test_a_dwell_of_an_elastic_spring_keeps_its_force():
    position = path((-2.5, 1.0), (8.0, 12.0), (-2.5, 1.0))
    result = analysed(counts(position, SPRING(position)))
    assert_within(result, "hold_s", 12.0, floor=0.005)
    assert_within(result, "force_retention_1s_pct", 100.0, floor=0.02)
    assert_within(result, "force_retention_10s_pct", 100.0, floor=0.02)
    assert np.isnan(result.columns["force_retention_60s_pct"]).all()
    assert result.prony.branches == ()


def relaxing_dwell(compliance=0.0):
    """A branch of 1 N/mm that relaxes in 2 s, beside a spring of 2 N/mm, pressed in a frame and held.

    Travel is straight between samples: over a step h, with g = k tau (1 - exp(-h/tau)) / h, the branch
    carries q exp(-h/tau) + g (new - old deflection), and deflection is travel less compliance times force.
    """
    travel = path((-2.5, 1.0), (8.0, 20.0), (-2.5, 2.0))
    k_inf, k, tau_s, step_s = 2.0, 1.0, 2.0, 1 / RATE_HZ
    decay = np.exp(-step_s / tau_s)
    gain = k * tau_s * (1 - decay) / step_s
    force, deflection, branch = np.zeros(len(travel)), 0.0, 0.0
    for i in range(np.argmax(travel > 0), len(travel)):
        pressed = k_inf * travel[i] + branch * decay + gain * (travel[i] - deflection)
        if pressed < 0:  # the relaxed piece lets go before the platen is back
            break
        force[i] = pressed / (1 + compliance * (k_inf + gain))
        squeezed = travel[i] - compliance * force[i]
        branch = branch * decay + gain * (squeezed - deflection)
        deflection = squeezed
    return travel, force


def test_a_planted_relaxation_is_found_in_a_recording():
    result = analysed(counts(*relaxing_dwell()))
    ((k, tau_s),) = result.prony.branches
    assert (result.prony.long_term, k, tau_s) == (
        pytest.approx(2.0, rel=0.02), pytest.approx(1.0, rel=0.05), pytest.approx(2.0, rel=0.05),
    )  # fmt: skip


def test_a_frame_that_gives_does_not_change_the_relaxation():
    result = analysed(counts(*relaxing_dwell(compliance=0.1)), calibration=in_frame(0.1))
    ((k, tau_s),) = result.prony.branches
    assert (result.prony.long_term, k, tau_s) == (
        pytest.approx(2.0, rel=0.02), pytest.approx(1.0, rel=0.05), pytest.approx(2.0, rel=0.05),
    )  # fmt: skip


def test_a_planted_softening_is_found_in_a_recording():
    position = presses(30, rest_s=0.2)
    starts = np.flatnonzero(np.diff((position > -2.4).astype(int)) == 1)
    cycle = np.maximum(np.searchsorted(starts, np.arange(len(position)), side="right"), 1)
    result = analysed(counts(position, SPRING(position) * (1 - 0.06 * np.log10(cycle))))
    assert result.softening.n == 30
    assert abs(result.softening.pct_per_decade + 6.0) <= 3 * result.softening.pct_per_decade_u + 0.02
    assert result.softening.at_mm == pytest.approx(5.0, abs=0.05)


def test_the_readings_behind_softening_are_no_part_of_the_table():
    assert not [name for name in analysed(spring_presses()).columns if "softening" in name]


# --- what is out of order


def test_a_specimen_that_slips_is_flagged():
    position = presses(4)
    starts = np.flatnonzero(np.diff((position > -2.4).astype(int)) == 1)
    second = (np.arange(len(position)) > starts[1]) & (np.arange(len(position)) < starts[2])
    rising = np.gradient(position) > 0
    slipped = second & ((position > 6) | ~rising)
    force = np.where(slipped, np.maximum(SPRING(position) - 6.0, 0), SPRING(position))
    assert Flag.BREAK in flags_of(analysed(counts(position, force)))[1]
    assert [int(each) for each in flags_of(analysed(counts(position, force)))[2:]] == [0, 0]


def test_a_hand_that_comes_back_a_little_is_flagged_as_uneven():
    # 7 % of its depth: less than what would end the stroke, more than an even stroke has
    wavy = path((-2.5, 1.0), 8.0, 7.3, 10.0, (-2.5, 1.0))
    position = np.concatenate([wavy, presses(2)])
    assert flags_of(analysed(counts(position, SPRING(position)))) == [Flag.UNEVEN_STROKE, 0, 0]


def test_a_half_press_is_flagged_as_shallow():
    position = np.concatenate([presses(3), path(-2.5, 4.0, (-2.5, 0.5)), path(-2.5, 10.0, (-2.5, 1.0))])
    assert flags_of(analysed(counts(position, SPRING(position)))) == [0, 0, 0, Flag.SHALLOW, 0]


def test_strokes_of_very_few_samples_are_flagged():
    position = path((-2.5, 10.0), 10.0, (-2.5, 5.0), 10.0, (-2.5, 5.0), rate_hz=2.0)
    flags = flags_of(analysed(counts(position, SPRING(position), rate_hz=2.0)))
    assert flags
    assert all(each & Flag.FEW_SAMPLES for each in flags)


def test_a_last_press_without_no_load_behind_it_has_a_one_sided_zero():
    position = np.concatenate([presses(2), path(-2.5, 10.0, (-0.01, 0.1))])
    assert flags_of(analysed(counts(position, SPRING(position)))) == [0, 0, Flag.ONE_SIDED_BASELINE]


def test_a_last_press_that_is_not_released_has_no_work_out():
    position = np.concatenate([presses(2), path(-2.5, 10.0, 0.5)])
    result = analysed(counts(position, SPRING(position)))
    assert flags_of(result) == [0, 0, Flag.NOT_RELEASED]
    assert np.isnan(result.columns["energy_returned_mj"][2])
    assert_within(result, "energy_absorbed_mj", 125.0)


def test_a_saturated_press_is_left_out_of_the_means():
    position = presses(4)
    status = np.where(position > 9.5, np.uint8(Status.FORCE_SATURATED), np.uint8(0))
    status[np.arange(len(position)) > len(position) // 2] = 0
    result = analysed(counts(position, SPRING(position), status=status))
    flagged = [bool(each & Flag.FORCE_SATURATED) for each in flags_of(result)]
    assert result.summary["secant_n_per_mm"]["n"] == flagged.count(False) < 4
    assert any("force saturated" in each for each in result.warnings)


def test_an_empty_recording_has_no_cycle_and_says_so():
    result = CaptureAnalysis(CALIBRATION).finish()
    assert (len(result), result.flags, result.loops, result.softening) == (0, [], (), None)
    assert result.warnings[0].startswith("No cycle was found")


@pytest.mark.parametrize("count", [1, 3, 600])
def test_a_recording_of_no_samples_or_few_has_no_cycle(count):
    still = counts(np.full(count, -2.5), np.zeros(count))
    assert len(analysed(still)) == 0
    assert len(analysed(Samples.empty())) == 0


def test_a_recording_in_which_nothing_is_in_contact_has_no_cycle():
    position = path((-5.0, 1.0), -1.0, (-5.0, 1.0), -1.0, (-5.0, 1.0))
    result = analysed(counts(position, SPRING(position)))
    assert (len(result), result.summary) == (0, {})


def test_a_hand_read_table_is_measured_without_a_point_at_zero():
    mm, newtons = np.array([2.0, 4.0, 6.0, 8.0]), np.array([6.0, 9.0, 12.0, 15.0])
    rows = np.arange(4, dtype=np.int64)
    table = Samples(rows, rows, newtons.copy(), mm.copy(), np.zeros(4, np.uint8), RawChannel("N", 0.0),
                    RawChannel("mm", 0.0), "none")  # fmt: skip
    result = analysed(table, at=tuple(Depth.of(f"{each:g} mm") for each in mm))
    found = [result.columns[f"at {each:g} mm.loading_n"][0] for each in mm]
    np.testing.assert_allclose(found, newtons, rtol=1e-12)
    assert np.isnan(result.columns["rate_mm_per_s"]).all()
    said = " ".join(result.warnings)
    assert "4 points are few" in said
    assert "misses the origin by 3.00 N" in said


# --- parts of any size, and memory


def slow_and_late():
    """A slow converter whose force is late: only every fourth sample is a new conversion."""
    position = presses(5)
    status = np.where(np.arange(len(position)) % 4 == 0, np.uint8(Status.FRESH_FORCE), np.uint8(0))
    return counts(position, SPRING(position), status=status)


LATE = Calibration(CALIBRATION.force, CALIBRATION.position, Delay(0.011))
RECORDINGS = {
    "spring": (spring_presses(), CALIBRATION, {"free_height_mm": 40.0}),
    "drift and frame": (spring_presses(drift_n_per_s=0.05, seed=1), in_frame(0.01), {"datum": "first"}),
    "slow and late": (slow_and_late(), LATE, {"contact_force_n": 0.5}),
    "kept contact": (sine_in_contact(4), CALIBRATION, {}),
    "with a gap": (
        spring_presses(keep=np.abs(np.arange(len(presses(6))) - 2200) > 60), CALIBRATION, {},
    ),
    "relaxing": (counts(*relaxing_dwell()), CALIBRATION, {}),
}  # fmt: skip
WHOLE = {name: analysed(samples, calibration=cal, **how) for name, (samples, cal, how) in RECORDINGS.items()}


def assert_same(chopped, whole):
    assert list(chopped.columns) == list(whole.columns)
    for name, values in whole.columns.items():
        np.testing.assert_allclose(chopped.columns[name], values, rtol=1e-9, atol=1e-9, err_msg=name)
    assert chopped.warnings == whole.warnings
    assert [each.cycle for each in chopped.loops] == [each.cycle for each in whole.loops]


@pytest.mark.parametrize("name", RECORDINGS)
@settings(max_examples=12, deadline=None)
@given(data=st.data())
def test_any_chopping_of_the_samples_gives_the_same_columns(name, data):
    samples, calibration, how = RECORDINGS[name]
    cuts = sorted(data.draw(st.sets(st.integers(1, len(samples) - 1), max_size=30)))
    assert_same(analysed(samples, calibration=calibration, cuts=cuts, **how), WHOLE[name])


def test_first_presses_leave_how_their_zeros_changed_to_the_next_ones():
    # after so long a rest each press is a segment of its own where the recording is cut, else one of ten
    position = presses(10, rest_s=100.0, speed_mm_per_s=1.0, rate_hz=20.0)
    drift_n = 0.02 * np.sin(np.arange(len(position)) / 700)
    samples = counts(position, SPRING(position) + drift_n, rate_hz=20.0)
    cuts = range(len(samples) // 40, len(samples), len(samples) // 40)
    assert_same(analysed(samples, cuts=cuts), analysed(samples))


def test_cycles_come_as_they_close_where_somebody_watches():
    samples = spring_presses()
    analysis = CaptureAnalysis(CALIBRATION, keep=False)
    blocks = [analysis.push(samples[start : start + 200]) for start in range(0, len(samples), 200)]
    early = np.concatenate([block["cycle"] for block in blocks if block is not None])
    np.testing.assert_array_equal(early, np.arange(1, len(early) + 1))
    assert len(early) == 5  # the last one closes with the recording


def test_what_is_kept_does_not_grow_with_the_number_of_cycles():
    position = presses(120, depth_mm=4.0, rest_s=0.1)
    samples = counts(position, SPRING(position))
    analysis = CaptureAnalysis(CALIBRATION, AnalysisSettings())
    kept = []
    for start in range(0, len(samples), 500):
        analysis.push(samples[start : start + 500])
        kept.append(len(analysis._segmenter._buffer or ()))
    one_cycle = len(position) / 120
    assert max(kept[len(kept) // 2 :]) <= max(kept[: len(kept) // 2]) + one_cycle
    assert len(analysis.loops) <= 25


def test_loops_are_thinned_evenly_and_bounded():
    position = presses(120, depth_mm=4.0, rest_s=0.1)
    result = analysed(counts(position, SPRING(position)))
    numbers = np.array([loop.cycle for loop in result.loops])
    assert 12 <= len(numbers) <= 25
    assert len(set(np.diff(numbers))) == 1
    assert numbers[0] == 1
    assert max(len(loop.force_n) for loop in result.loops) <= 400


def test_a_scale_of_either_sign_gives_the_same_stiffness():
    samples = spring_presses()
    turned = Samples(samples.seq, samples.time_us, -samples.force, -samples.position, samples.status)
    negative = Calibration(Scale(-0.001), Scale(-0.005))
    np.testing.assert_allclose(
        analysed(turned, calibration=negative).columns["secant_n_per_mm"],
        analysed(samples).columns["secant_n_per_mm"],
        rtol=1e-9,
    )
