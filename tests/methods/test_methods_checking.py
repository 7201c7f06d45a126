"""A method is checked against a rig and a specimen before anything moves."""

import dataclasses
from pathlib import Path

import pytest
from method_texts import BLOCK, CLEAR, CONTACT, CONTACT_CHECK, FLOAT, GENEROUS, PRESS, SMALL, parsed

from rig.errors import InputError
from rig.methods import (
    RigLimits,
    SpecimenFacts,
    check_contact,
    check_method,
    describe,
    overshoot_mm,
    overshoot_n,
    read_method,
)

EXAMPLES = Path(__file__).parents[2] / "configs" / "methods"


def changed(rig=GENEROUS, **changes):
    return dataclasses.replace(rig, **changes)


def refusal(method, rig=GENEROUS, specimen=FLOAT):
    with pytest.raises(InputError) as refused:
        check_method(method, rig, specimen)
    return str(refused.value)


@pytest.mark.parametrize(
    ("name", "presses", "deepest_mm"),
    [
        ("plain_squeeze", 5, 12.5),
        ("foam_compression", 4, 35.0),
        ("foam_indentation", 4, 37.5),
        ("foam_hardness", 4, 35.0),
        ("ball_deformation", 3, 25.4),
        ("compression_set", 0, 0.0),
        # Stop at 80 %, and 120 mm/s * 3 ms + 120^2 / 10000 mm of overshoot.
        ("pounding_endurance", 80_002, 40.0 + 0.36 + 1.44),
        ("recovery_after_abuse", 100, 30.0 + 0.015 + 0.0025),
    ],
)
def test_an_example_fits_a_generous_rig(name, presses, deepest_mm):
    checked = check_method(read_method(EXAMPLES / f"{name}.yaml"), GENEROUS, BLOCK)
    assert checked.presses == presses
    assert checked.deepest_mm == pytest.approx(deepest_mm)
    assert checked.deepest_pct == pytest.approx(2 * deepest_mm)


@pytest.mark.parametrize(
    ("name", "where", "why"),
    [
        ("plain_squeeze", "step 2.1 press", "travel of 15 mm"),
        ("foam_compression", "step 2.1 press", "travel of 15 mm"),
        ("foam_indentation", "step 2.1 press", "up to 2 mm/s"),
        ("ball_deformation", "step 4 press", "travel of 15 mm"),
        ("compression_set", "step 2 return", "travel of 15 mm"),
        ("pounding_endurance", "step 2 press", "travel of 15 mm"),
        ("recovery_after_abuse", "step 2.1 press", "up to 2 mm/s"),
    ],
)
def test_an_example_is_refused_on_a_small_rig_with_line_and_step(name, where, why):
    path = EXAMPLES / f"{name}.yaml"
    said = refusal(read_method(path), SMALL, BLOCK)
    line = int(said.removeprefix(f"{path} line ").split(",")[0])
    kind = where.split()[-1]
    assert f"- {kind}:" in path.read_text(encoding="utf-8").splitlines()[line - 1]
    assert f", {where}: " in said
    assert why in said


def test_the_overshoot_is_the_way_while_unseen_and_the_way_while_braking():
    # 10 mm/s for 25 ms of delay, 12.5 ms of conversion and 2 ms of a sample; 10^2 / (2 * 500) mm of braking.
    assert overshoot_mm(10.0, SMALL) == pytest.approx(0.25 + 0.125 + 0.02 + 0.1)
    assert overshoot_n(10.0, 20.0, SMALL) == pytest.approx(9.9)


@pytest.mark.parametrize(("force", "fits"), [("9.9 N", True), ("10.2 N", False)])
def test_a_force_fits_only_with_its_overshoot(force, fits):
    rig = changed(SMALL, travel_mm=(0.0, 100.0), speed_mm_per_s=10.0)
    press = f'- press: {{force: "{force}", stop_at: "50 %", speed: "10 mm/s"}}'
    method = parsed('- contact_check: {force: "1 N", speed: "1 mm/s"}', press, CLEAR)
    if fits:
        assert check_method(method, rig, FLOAT).presses == 1
    else:
        assert "step 2 press: 10.2 N and 9.9 N of overshoot at 10 mm/s exceed the rig's 20 N" in refusal(
            method, rig
        )


def test_the_specimens_own_stiffness_goes_before_the_methods():
    method = parsed('- contact_check: {force: "15 N", speed: "2 mm/s"}', CLEAR)
    stiff = SpecimenFacts(90.0, stiffness_n_per_mm=100.0)
    assert check_method(method, SMALL, FLOAT).stiffness_n_per_mm == 20.0
    assert "step 1 contact_check: 15 N and 8.3 N of overshoot" in refusal(method, SMALL, stiff)


@pytest.mark.parametrize("place", ["contact_check", "press"])
def test_a_stiffness_whose_unit_must_be_wrong_is_questioned(place):
    press = '- press: {force: "10 N", stop_at: "40 mm", speed: "1 mm/s"}'
    steps = (
        ['- contact_check: {force: "10 N", speed: "1 mm/s"}']
        if place == "contact_check"
        else [CONTACT_CHECK, press]
    )
    # 20 N/m for 20 N/mm: 10 N after 500 mm, of a part of 90 mm
    wrong = SpecimenFacts(90.0, stiffness_n_per_mm=0.02)
    said = refusal(parsed(*steps, CLEAR), GENEROUS, wrong)
    assert place in said
    assert "gives 10 N only after 500 mm" in said
    assert "N/mm, not N/m" in said
    # stated roughly, by half of what the press needs
    assert check_method(parsed(*steps, CLEAR), GENEROUS, SpecimenFacts(90.0, stiffness_n_per_mm=0.125))


def test_a_force_without_any_stiffness_is_refused():
    assert "depends on the specimen's stiffness" in refusal(parsed(CONTACT_CHECK, CLEAR, stiffness=None))


def test_no_press_goes_deeper_than_the_height_less_a_margin():
    # 5 % of 90 mm are kept.
    for depth, fits in (("85.4 mm", True), ("85.6 mm", False)):
        method = parsed(CONTACT_CHECK, f'- press: {{deflection: "{depth}", speed: "1 mm/s"}}', CLEAR)
        if fits:
            assert check_method(method, GENEROUS, FLOAT).deepest_mm == 85.4
        else:
            assert "margin of 4.5 mm allows 85.5 mm" in refusal(method)


def test_the_margin_of_a_low_specimen_is_a_millimetre():
    method = parsed(CONTACT_CHECK, '- press: {deflection: "4.1 mm", speed: "1 mm/s"}', CLEAR)
    assert "margin of 1 mm allows 4 mm" in refusal(method, specimen=SpecimenFacts(5.0))


def test_the_overshoot_of_a_press_to_a_force_counts_against_the_height():
    press = '- press: {force: "10 N", stop_at: "85 mm", speed: "50 mm/s"}'
    # 50 mm/s * 3 ms + 50^2 / 10000 = 0.4 mm fits below 85.5 mm; at a slower brake it does not.
    assert check_method(parsed(CONTACT_CHECK, press, CLEAR), GENEROUS, FLOAT).deepest_mm == pytest.approx(
        85.4
    )
    assert "85 mm deep and 1.4 mm of overshoot" in refusal(
        parsed(CONTACT_CHECK, press, CLEAR), changed(deceleration_mm_per_s2=1000.0)
    )


def test_a_press_without_a_free_height_is_refused():
    press = '- press: {deflection: "4 mm", speed: "1 mm/s"}'
    assert "step 2 press: a press needs the specimen's free height" in refusal(
        parsed(CONTACT_CHECK, press, CLEAR), specimen=SpecimenFacts()
    )


def test_what_the_method_needs_of_the_specimen_must_be_known():
    method = read_method(EXAMPLES / "foam_compression.yaml")
    assert "specimen: needs area, found none; give the specimen's area" in refusal(
        method, specimen=SpecimenFacts(50.0)
    )


def test_the_largest_gap_counts_against_the_travel():
    rig = changed(travel_mm=(10.0, 30.0))
    wide = '- return: {gap: "2.1 mm", speed: "1 mm/s"}'
    assert (
        check_method(parsed(CONTACT_CHECK, PRESS, CONTACT, wide.replace("2.1", "1.9")), rig, FLOAT).deepest_mm
        == 18.0
    )
    assert "step 2 press: 18 mm deep and a gap of 2.1 mm exceed the rig's travel of 20 mm" in refusal(
        parsed(CONTACT_CHECK, PRESS, CONTACT, wide), rig
    )


def test_a_contact_must_leave_room_for_all_depths_and_gaps():
    checked = check_method(parsed(CONTACT_CHECK, PRESS, CLEAR), changed(travel_mm=(10.0, 60.0)), FLOAT)
    check_contact(checked, 15.0)
    check_contact(checked, 42.0)
    for contact_mm in (14.9, 42.1):
        with pytest.raises(InputError, match="the rig's travel is 10 to 60 mm; set the platens"):
            check_contact(checked, contact_mm)


def test_a_press_that_would_back_off_is_refused():
    shallow = '- press: {compression: "10 %", speed: "1 mm/s"}'
    assert "step 3 press: goes to 9 mm, but the platen may already stand at 18 mm" in refusal(
        parsed(CONTACT_CHECK, PRESS, shallow, CLEAR)
    )


def test_a_pace_that_the_rig_cannot_keep_is_refused():
    def paced(every):
        repeat = f'- repeat: {{count: 9, every: "{every}", steps: [{PRESS[2:]}, {CONTACT[2:]}]}}'
        return parsed(CONTACT_CHECK, repeat, CLEAR)

    # 18 mm there and back at 100 mm/min take 21.6 s, and the ramps less than a millisecond.
    assert check_method(paced("21.7 s"), GENEROUS, FLOAT).presses == 9
    assert "step 2 repeat: every 21.5 s, but the steps may take 21.6 s" in refusal(paced("21.5 s"))


def test_contact_checks_of_a_recovery_must_leave_time_to_get_there_and_back():
    recover = (
        '- recover: {contact_checks: 3, from: "4 s", to: "1 h", force: "1 N", speed: "1 mm/s", gap: "5 mm"}'
    )
    assert "contact checks 4 s apart, but one with its return takes 10 s" in refusal(
        parsed(CONTACT_CHECK, recover)
    )


def test_the_time_adds_up_moves_waits_and_the_least_of_steps_off_the_rig():
    rig = changed(deceleration_mm_per_s2=1e9)
    steps = (
        '- contact_check: {force: "1 N", speed: "1 mm/s"}',  # 10 mm of unknown approach
        '- return: {gap: "5 mm", speed: "1 mm/s"}',  # 5 s
        '- off_rig: {do: "turn it", at_least: "1 min", at_most: "2 min"}',  # 60 s
        '- contact_check: {force: "1 N", speed: "1 mm/s"}',  # 5 s
        "- repeat:",
        "    count: 1000",
        "    steps:",
        '      - press: {deflection: "20 mm", speed: "10 mm/s"}',  # 2 s
        '      - hold: "3 s"',
        '      - return: {gap: "10 mm", speed: "10 mm/s"}',  # 3 s; each later press 1 s more
    )
    checked = check_method(parsed(*steps), rig, FLOAT)
    assert checked.time_s == pytest.approx(10 + 5 + 60 + 5 + 8 + 999 * 9, abs=1e-3)
    assert checked.presses == 1000


def test_80_000_strokes_at_70_a_minute_take_nineteen_hours():
    checked = check_method(read_method(EXAMPLES / "pounding_endurance.yaml"), GENEROUS, BLOCK)
    assert 80_000 / 70 / 60 < checked.time_s / 3600 < 80_000 / 70 / 60 + 0.3


def test_a_person_can_read_what_will_happen():
    lines = describe(check_method(read_method(EXAMPLES / "pounding_endurance.yaml"), GENEROUS, BLOCK))
    assert lines[0] == (
        "pounding endurance: 80002 presses, at most 41.80 mm deep (83.6 % of the free height), about 19.2 h."
    )
    assert (
        "2. Press at 1.67 mm/s to 20.00 mm past contact (40.0 % of the free height); the rig stops at 2000 N."
        in lines
    )
    assert "5. Do the following 80000 times, one every 0.857 s:" in lines
    assert any(line.startswith("    5.1. Press at 120 mm/s until 750 N (up to 72 N") for line in lines)


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.yaml")), ids=lambda path: path.stem)
def test_every_step_of_an_example_is_told(path):
    method = read_method(path)
    numbers = {line.split(". ")[0].strip() for line in describe(check_method(method, GENEROUS, BLOCK))[1:]}
    assert {step.place.label.split()[1] for step in method.steps} <= numbers


def test_a_rig_without_any_travel_refuses_every_gap():
    none = RigLimits((5.0, 5.0), 300.0, (-20.0, 2000.0), 5000.0, 1000.0, 0.001, 1000.0)
    assert "step 2 return" in refusal(parsed(CONTACT_CHECK, CLEAR), none)


def test_a_method_of_contact_checks_alone_is_described_without_a_depth():
    checked = check_method(read_method(EXAMPLES / "first_motion.yaml"), GENEROUS, BLOCK)
    assert describe(checked)[0].startswith("first motion: no press, about ")
