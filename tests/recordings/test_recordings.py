"""Recordings of many kinds, imported and analysed as a user does, against their dense truth.

20 recordings a kind; `PRESSRIG_RECORDINGS=300` makes it a long count. `python tests/recordings/score.py 300`
prints all figures. What fails today stands in `known_failures.py`, with its figures.
"""

import json
import os
import tempfile
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from dense_truth import RANGES
from known_failures import KNOWN, KNOWN_IN_LONG_COUNTS, LONG_COUNT
from lab_readings import Laboratory
from recording_kinds import KINDS, Recording, Setup
from recording_scores import CHANCE, COLUMNS, FALSE_KNEES, QUANTITIES, analysed, pressrig, score, written
from scipy.stats import binom

RECORDINGS = int(os.environ.get("PRESSRIG_RECORDINGS", "20"))
ROUGH_RECORDINGS = 2 * RECORDINGS
"""Each flag of a rough press is counted on this many recordings of five presses."""

FALSE_FLAGS = 0.02

ROUNDED = range(8)


def case(kind, fact, *more):
    known = KNOWN | KNOWN_IN_LONG_COUNTS if RECORDINGS >= LONG_COUNT else KNOWN
    reason = known.get((kind, fact, *more))
    marks = [pytest.mark.xfail(strict=False, reason=reason)] if reason else []
    return pytest.param(kind, *more, marks=marks, id="-".join([kind, *more]))


@cache
def scored(kind, recordings=RECORDINGS):
    with tempfile.TemporaryDirectory(prefix="recordings") as folder:
        return score(KINDS[kind], range(recordings), folder)


@pytest.mark.parametrize("kind", [case(kind, "presses") for kind in KINDS])
def test_every_press_is_found_and_no_other(kind):
    found = scored(kind)
    assert not found.failures
    assert (found.found, found.phantom) == (found.true, 0)


HOLDING = [
    "overshoot_before_a_hold",
    "large_overshoot_before_a_hold",
    "plain_hold",
    "platen_creeps_in_the_hold",
    "zero_drifts_in_a_hold",
    "ramp_and_hold_from_the_first_row",
]


@pytest.mark.parametrize("kind", [case(kind, "holds") for kind in HOLDING])
def test_every_hold_is_found(kind):
    found = scored(kind)
    assert found.holds
    assert found.holds_found == found.holds


@pytest.mark.parametrize("kind", [case(kind, "phantom holds") for kind in KINDS if kind not in HOLDING])
def test_no_hold_is_seen_where_there_is_none(kind):
    assert not scored(kind).holds_phantom


@pytest.mark.parametrize(
    ("kind", "name"), [case(kind, "quantity", name) for kind in KINDS for name in QUANTITIES]
)
def test_a_quantity_is_reported_held_and_no_less_certain_than_it_says(kind, name):
    found = scored(kind)
    if not found.wanted[name]:
        pytest.skip("has no truth in this kind")
    assert not list(found.complaints(name, KINDS[kind].empty))


@pytest.mark.parametrize("kind", [case(kind, "absurd") for kind in KINDS])
def test_nothing_lies_outside_what_the_recording_can_hold(kind):
    assert not scored(kind).absurd


@pytest.mark.parametrize("kind", [case(kind, "knees") for kind in KINDS])
def test_no_knee_is_seen_in_a_curve_without_one(kind):
    found = scored(kind)
    assert found.knees_phantom <= binom.ppf(1 - CHANCE, found.no_knees, FALSE_KNEES)


BREAKING = ["specimen_tears", "specimen_cracks", "specimen_slips_out", "machine_stops_at_the_break"]


@pytest.mark.parametrize("kind", [case(kind, "breaks") for kind in BREAKING])
def test_a_break_is_flagged_with_its_place(kind):
    found = scored(kind)
    assert found.breaks
    assert found.breaks_found == found.breaks


CHECKED = [
    "contact_checks_between_presses",
    "contact_check_before_the_first_press",
    "many_contact_checks_before_the_first_press",
]


@pytest.mark.parametrize("kind", [case(kind, "checks") for kind in CHECKED])
def test_contact_checks_are_counted_as_such(kind):
    found = scored(kind)
    assert found.checks
    assert found.checks_found == found.checks


@pytest.mark.parametrize("kind", [case("ordinary_roughness", "flags")])
def test_hardly_any_good_press_is_flagged(kind):
    found = scored(kind, ROUGH_RECORDINGS)
    most = binom.ppf(1 - CHANCE, found.cycles, FALSE_FLAGS)
    assert not {flag: count for flag, count in found.flags.items() if count > most}


@pytest.mark.parametrize("kind", [case("ordinary_roughness", "rounding")])
def test_three_four_and_six_decimals_give_the_same_flags_and_means(kind, tmp_path):
    for seed in ROUNDED:
        recording = KINDS[kind].recording(seed)
        documents = [
            analysed(replace(recording, kind=f"rounded-{places}", decimals=(4, places, places)), tmp_path)
            for places in (3, 4, 6)
        ]
        flags = [[cycle["flags"] for cycle in document["cycles"]] for document in documents]
        assert flags[0] == flags[2]
        assert flags[1] == flags[2]
        for name in QUANTITIES:
            fine = documents[2]["summary"].get(name)
            for document in documents[:2]:
                coarse = document["summary"].get(name)
                if fine is None or fine["mean"] is None:
                    continue
                assert coarse["mean"] is not None, (seed, name)
                assert abs(coarse["mean"] - fine["mean"]) <= max(fine["u"], coarse["u"]), (seed, name)


@pytest.mark.parametrize("kind", [case("preload_at_the_first_row", "zero")])
def test_a_preload_is_kept_or_taken_off_as_asked(kind, tmp_path):
    recording = KINDS[kind].recording(0)
    table = tmp_path / "preload.csv"
    written(recording, table)
    said, _ = pressrig("import", table, *COLUMNS, "--specimen", "F-90-001", "--out", tmp_path / "captures")
    capture = said.strip().splitlines()[-1]
    true_n = recording.presses[0].known["peak_force_n"][0]
    for zero, off_n in (("as-recorded", 0.0), ("2 N", 2.0)):
        document = first_capture(pressrig("analyse", capture, "--zero", zero, "--json")[0])
        cycle = document["cycles"][0]
        assert abs(cycle["peak_force_n"] - (true_n - off_n)) <= 3 * cycle["peak_force_n_u"]


def first_capture(text):
    return json.loads(text)["captures"][0]


@pytest.mark.parametrize("kind", ["still_start_and_white_noise", "face_out_of_parallel"])
def test_units_and_signs_of_a_table_change_no_result(kind, tmp_path):
    recording = replace(KINDS[kind].recording(0), decimals=None)
    expected = analysed(recording, tmp_path)
    turned = replace(
        recording, kind="turned", row_mm=-recording.row_mm / 1000, row_n=-recording.row_n / 1000, at_mm=None
    )
    columns = ("--time", "time_s:s", "--position", "position_mm:m", "--force", "force_n:kN")
    found = analysed(turned, tmp_path, (*columns, "--negate-force", "--negate-position"))
    for before, after in zip(expected["cycles"], found["cycles"], strict=True):
        for name in QUANTITIES:
            if before.get(name) is not None:
                # nine decimals of a kilonewton are a micronewton, of a metre a nanometre
                assert after[name] == pytest.approx(before[name], rel=1e-4, abs=1e-5), name


def test_a_truth_that_is_off_by_five_per_cent_is_noticed():
    def tampered(recording):
        presses = [
            replace(
                press, known={name: (1.05 * low, 1.05 * high) for name, (low, high) in press.known.items()}
            )
            for press in recording.presses
        ]
        return replace(recording, presses=presses)

    with tempfile.TemporaryDirectory(prefix="recordings") as folder:
        found = score(KINDS["still_start_and_white_noise"], range(20), folder, tamper=tampered)
    noticed = {name for name in found.quantities if any("within" in each for each in found.complaints(name))}
    assert {
        "peak_force_n",
        "peak_deflection_mm",
        "secant_n_per_mm",
        "energy_absorbed_mj",
        "contact_mm",
    } <= noticed


def test_a_press_that_is_missing_from_the_truth_is_a_phantom():
    with tempfile.TemporaryDirectory(prefix="recordings") as folder:
        found = score(
            KINDS["still_start_and_white_noise"],
            range(2),
            folder,
            tamper=lambda recording: replace(recording, presses=recording.presses[:-1]),
        )
    assert found.phantom == 2


def test_the_dense_truth_of_a_sphere_is_that_of_its_closed_form():
    """F = k d^1.5: work 0.4 F d, tangent 1.5 F/d, secant F/d; unloading lets go where loading began."""
    from specimen_laws import Specimen, power

    setup = Setup(
        np.random.default_rng(1), specimen=Specimen(power(2.0, 1.5), 1.5), gap_mm=1.5, depth_mm=8.0, cycles=1
    )
    press = Recording(kind="sphere", seed=1, **setup.recorded(Laboratory())).presses[0]
    peak_n = 2.0 * 8.0**1.5
    expected = {
        "peak_force_n": peak_n,
        "peak_deflection_mm": 8.0,
        "contact_mm": 1.5,
        "secant_n_per_mm": peak_n / 8.0,
        "tangent_n_per_mm": 1.5 * peak_n / 8.0,
        "chord_n_per_mm": 2.0 * (6.0**1.5 - 2.0**1.5) / 4.0,
        "energy_absorbed_mj": 0.4 * peak_n * 8.0,
        "energy_returned_mj": 0.4 * peak_n * 8.0,
    }
    for name, value in expected.items():
        assert press.known[name] == pytest.approx((value, value), rel=1e-4, abs=1e-3), name


def test_the_dense_truth_of_relaxation_is_that_of_its_closed_form():
    """A ramp of rate r for T seconds on k_inf + k_1 with tau, then a hold (standard linear solid)."""
    from press_courses import Course
    from specimen_laws import Specimen, spring

    tau, rate, ramp_s, k, share = 2.0, 4.0, 1.5, 5.0, 0.4
    course = Course(1e-4, 0.0)
    course.rest(0.2)
    course.press(rate * ramp_s, rate, hold_s=12.0, brake_s=0.0)
    specimen = Specimen(spring(k), 0.0, branches=((share, tau),))
    force_n = specimen.force_n(course.time_s, course.position_mm, course.presses)
    press = course.presses[0]
    peak_n = (1 - share) * k * rate * ramp_s + share * k * rate * tau * (1 - np.exp(-ramp_s / tau))
    assert force_n[press.arrived] == pytest.approx(peak_n, rel=1e-4)
    later = press.arrived + 100_000
    left = (1 - share) * k * rate * ramp_s
    assert force_n[later] == pytest.approx(left + (peak_n - left) * np.exp(-10.0 / tau), rel=1e-4)


def test_every_judged_quantity_has_a_definition():
    assert set(QUANTITIES) == RANGES
