"""Errors and classes of a rig's force readings, from readings made by arithmetic."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from rig.calibration import CLASSES, VerificationReading, VerificationReferences, verify_force
from rig.errors import InputError

LOADS = (20.0, 40.0, 60.0, 80.0, 100.0)
CERTIFIED = VerificationReferences(("mass set, certificate 12",), 1e-4)


def readings(
    *,
    gains: tuple[float, ...] = (1.001, 1.002, 1.003),
    falling_gain: float = 1.004,
    back_n: float = 0.01,
    zero_n: float = 0.0,
    loads: tuple[float, ...] = LOADS,
) -> list[VerificationReading]:
    """Rising runs whose readings are loads times a gain, the last with a falling one; zeros on both sides."""
    made = []
    for run, gain in enumerate(gains, start=1):
        made.append(VerificationReading(run, "rising", 0.0, zero_n))
        made += [VerificationReading(run, "rising", load, load * gain + zero_n) for load in loads]
        if run == len(gains):
            made += [
                VerificationReading(run, "falling", load, load * falling_gain + zero_n)
                for load in loads[-2::-1]
            ]
        made.append(VerificationReading(run, "falling", 0.0, zero_n + back_n))
    return made


def test_errors_are_per_cent_of_the_load() -> None:
    # mean of 1.001, 1.002 and 1.003 is 0.2 % high; they lie 0.2 % apart; falling is 0.1 % above its own run
    first = verify_force(readings(), CERTIFIED, resolution_n=0.01).loads[0]
    assert first.load_n == 20.0
    assert first.q == pytest.approx(0.2)
    assert first.b == pytest.approx(0.2)
    assert first.v == pytest.approx(0.1)
    assert first.a == pytest.approx(0.05)


def test_the_zero_error_is_per_cent_of_the_largest_load() -> None:
    assert verify_force(readings(back_n=-0.03), CERTIFIED).f0 == pytest.approx(-0.03)


def test_readings_count_from_their_runs_own_zero() -> None:
    moved = verify_force(readings(zero_n=5.0), CERTIFIED, resolution_n=0.01)
    still = verify_force(readings(), CERTIFIED, resolution_n=0.01)
    assert [each.q for each in moved.loads] == pytest.approx([each.q for each in still.loads])
    assert moved.f0 == pytest.approx(still.f0)


def test_a_falling_run_without_rising_readings_of_its_own_is_compared_with_the_mean() -> None:
    made = [*readings(falling_gain=1.0)]
    alone = [replace(each, run=4) if each.direction == "falling" and each.load_n else each for each in made]
    # falling 1.000 against the mean of the rising ones, 1.002
    assert verify_force(alone, CERTIFIED).loads[0].v == pytest.approx(-0.2)


def test_the_best_class_whose_limits_are_all_kept_is_stated_with_range_and_certificate() -> None:
    found = verify_force(readings(), CERTIFIED, resolution_n=0.01)
    assert found.verdict == "Class 0.5 from 20 N to 100 N in compression, against mass set, certificate 12."


@pytest.mark.parametrize("name", ["0.5", "1", "2", "3"])
def test_each_error_alone_keeps_a_class_away_once_it_is_above_its_limit(name: str) -> None:
    (limits,) = (each for each in CLASSES if each.name == name)
    beyond = 1.02
    q, b, v, f0, a = (each * beyond for each in (limits.q, limits.b, limits.v, limits.f0, limits.a))
    fine = {"gains": (1.0, 1.0, 1.0), "falling_gain": 1.0, "back_n": 0.0}
    half = b / 200
    cases = {
        "q": (fine | {"gains": (1 + q / 100,) * 3, "falling_gain": 1 + q / 100}, 1e-6),
        "b": (fine | {"gains": (1 - half, 1 + half, 1.0)}, 1e-6),
        "v": (fine | {"falling_gain": 1 + v / 100}, 1e-6),
        "f0": (fine | {"back_n": f0}, 1e-6),
        "a": (fine, a * LOADS[0] / 100),
    }
    for error, (made, resolution_n) in cases.items():
        found = verify_force(readings(**made), CERTIFIED, resolution_n=resolution_n)
        (outcome,) = (each for each in found.classes if each.limits.name == name)
        assert {each.error for each in outcome.failures} == {error}


def test_resolution_sets_the_lowest_force_of_a_class() -> None:
    # 0.2 N of 40 N is 0.5 %: the limit of class 1, while 20 N see 1 %
    found = verify_force(readings(), CERTIFIED, resolution_n=0.2)
    kept = {each.limits.name: each.lowest_n for each in found.classes}
    assert kept == {"0.5": 80.0, "1": 40.0, "2": 20.0, "3": 20.0}


def test_a_class_that_holds_only_over_a_part_of_the_range_is_not_the_verdict() -> None:
    assert verify_force(readings(), CERTIFIED, resolution_n=0.2).verdict.startswith("Class 2 from 20 N")


def test_a_failed_class_is_said_with_the_force_and_the_error() -> None:
    made = [
        replace(each, indicated_n=each.indicated_n * 1.04) if each.load_n == 60.0 else each
        for each in readings()
    ]
    found = verify_force(made, CERTIFIED, resolution_n=0.01)
    assert found.verdict == "No class: accuracy error q of +4.21 % at 60 N, limit 3 %."


@pytest.mark.parametrize(
    ("references", "loads", "words"),
    [
        (VerificationReferences((), 1e-4), LOADS, "no certificate of the references is named"),
        (VerificationReferences(("a cell, certificate 3",), None), LOADS, "the references' uncertainty"),
        (CERTIFIED, LOADS[1:], "there are 4 loads"),
        (CERTIFIED, (30.0, 50.0, 70.0, 90.0, 100.0), "the loads begin at 30 N"),
    ],
)
def test_without_its_evidence_no_class_is_stated_however_small_the_errors(references, loads, words) -> None:
    found = verify_force(readings(loads=loads), references, resolution_n=0.01)
    assert found.verdict.startswith("No class is stated, only the errors")
    assert words in found.verdict
    assert found.as_dict()["class"] is None


def test_what_was_not_read_is_empty_with_a_reason_and_fails_every_class() -> None:
    one_run = [each for each in readings() if each.run == 1 and each.direction == "rising" and each.load_n]
    found = verify_force(one_run, CERTIFIED)
    first = found.loads[0]
    assert (first.b, first.v, first.a, first.u_q, found.f0) == (None,) * 5
    words = " ".join(found.notes)
    for missing in ("repeatability", "reversibility", "zero error", "resolution"):
        assert f"No {missing}" in words
    assert found.verdict.startswith("No class: zero error f0 is not known")


def test_the_uncertainty_of_q_follows_from_repeats_references_and_rounding() -> None:
    first = verify_force(readings(), CERTIFIED, resolution_n=0.01).loads[0]
    # repeats: sd 0.1 % over root 3; references 0.01 %; two roundings of 0.05 %, each u = step over root 12
    repeats, references, rounding = 0.1 / math.sqrt(3), 0.01, 0.05 * math.sqrt(2 / 12)
    u = math.sqrt(repeats**2 + references**2 + rounding**2)
    assert first.u_q == pytest.approx(u)
    assert first.degrees_of_freedom == pytest.approx(2 * (u / repeats) ** 4)


def test_references_that_are_too_coarse_to_tell_are_said_to_be() -> None:
    coarse = VerificationReferences(("a bench scale, certificate 9",), 0.004)
    assert "too coarse to tell" in " ".join(verify_force(readings(), coarse, resolution_n=0.01).notes)


# class: accuracy, repeatability, reversibility, zero, resolution in per cent (ISO 7500-1, recalled)
PERMITTED = {
    "0.5": (0.5, 0.5, 0.75, 0.05, 0.25),
    "1": (1, 1, 1.5, 0.1, 0.5),
    "2": (2, 2, 3, 0.2, 1),
    "3": (3, 3, 4.5, 0.3, 1.5),
}


def lowest_by_hand(permitted: tuple[float, ...], loads: np.ndarray, u_n: float) -> float | None:
    """Work a class out again for rising gains of 1.001, 1.002 and 1.003, a falling one of 1.004, 10 mN left
    at zero and a step of 10 mN, with references known to `u_n` at every load."""
    q, b, v, f0, a = permitted
    u_pct = 2 * 100 * u_n / loads
    kept = (q >= 0.2) & (b >= 0.2) & (v >= 0.1) & (f0 >= 1 / loads.max()) & (a >= 1 / loads) & (u_pct <= q)
    below = np.flatnonzero(~kept)
    reached = loads[below.max() + 1 :] if below.size else loads
    return None if reached.size == 0 else float(reached[0])


@pytest.mark.parametrize("u_n", [0.01, 0.049, 0.11, 0.16, 0.2, 0.26, 0.31, 1.0])
def test_references_known_to_some_newtons_forbid_a_class_where_they_are_worse_than_it_allows(u_n) -> None:
    rough = VerificationReferences(("a hook scale, certificate 9",), 0.0, u_n)
    found = verify_force(readings(), rough, resolution_n=0.01)
    expected = {name: lowest_by_hand(limits, np.array(LOADS), u_n) for name, limits in PERMITTED.items()}
    assert {each.limits.name: each.lowest_n for each in found.classes} == expected
    own = 0.1 / math.sqrt(3), 0.05 / math.sqrt(6)  # three runs 0.1 % apart, a step of 0.05 %
    assert found.loads[0].u_q == pytest.approx(math.hypot(5 * u_n, *own), rel=1e-6)


def test_no_conformity_is_claimed() -> None:
    assert "no conformity is claimed" in " ".join(verify_force(readings(), CERTIFIED).notes)


def test_the_document_of_a_verification_is_json() -> None:
    identical = verify_force(readings(gains=(1.0, 1.0, 1.0)), CERTIFIED, resolution_n=0.01)
    document = json.loads(json.dumps(identical.as_dict(), allow_nan=False))
    assert document["class"] == "0.5"
    assert document["loads"][0]["degrees_of_freedom"] is None


@pytest.mark.parametrize(
    ("made", "words"),
    [
        ([VerificationReading(1, "rising", 0.0, 0.0)], "no rising run with a load"),
        (
            [VerificationReading(1, "rising", 5.0, 5.0), VerificationReading(1, "rising", -5.0, -5.0)],
            "run 1: found a load of 5 N among loads that pull; expected one sense",
        ),
        ([VerificationReading(1, "rising", 5.0, math.nan)], "finite"),
        ([VerificationReading(1, "rising", 5.0, -5.0)], "check the sign"),
        (
            [VerificationReading(1, "rising", 40.0, 40.0), VerificationReading(1, "rising", 20.0, 20.0)],
            "run 1: found 20 N after 40 N in a rising run",
        ),
        (
            [VerificationReading(2, "falling", 20.0, 20.0), VerificationReading(2, "falling", 40.0, 40.0)],
            "run 2: found 40 N after 20 N in a falling run",
        ),
    ],
)
def test_readings_that_make_no_sense_are_refused_in_words(made, words) -> None:
    with pytest.raises(InputError, match=words):
        verify_force(made, CERTIFIED)


def _pulling(made: list[VerificationReading]) -> list[VerificationReading]:
    return [
        VerificationReading(each.run, each.direction, 0.0 - each.load_n, 0.0 - each.indicated_n)
        for each in made
    ]


def test_loads_that_pull_are_verified_like_those_that_press_and_the_verdict_names_their_sense() -> None:
    pressed = verify_force(readings(), CERTIFIED, resolution_n=0.01)
    pulled = verify_force(_pulling(readings()), CERTIFIED, resolution_n=0.01)
    assert pulled.loads == pressed.loads
    assert pulled.f0 == pressed.f0
    assert pulled.sense == "tension"
    assert "from 20 N to 100 N in tension, against" in pulled.verdict
    assert any("forces in compression are not covered" in note for note in pulled.notes)
    assert any("forces in tension are not covered" in note for note in pressed.notes)
    assert json.loads(json.dumps(pulled.as_dict()))["sense"] == "tension"


def test_pulls_that_read_as_presses_are_refused() -> None:
    with pytest.raises(InputError, match="at -5 N the rig reads 5 N"):
        verify_force([VerificationReading(1, "rising", -5.0, 5.0)], CERTIFIED)
