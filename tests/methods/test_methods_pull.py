"""A step that pulls is read, put in order, checked against the rig's least force, described and planned."""

import dataclasses
import math
from pathlib import Path

import pytest
from method_texts import CONTACT_CHECK, GENEROUS, parsed

from rig.errors import InputError
from rig.methods import SpecimenFacts, check_by_hand, check_contact, check_method, describe, read_method

CAP = SpecimenFacts(free_height_mm=30.0)
PRESS = '- press: {force: "60 N", stop_at: "12 mm", speed: "60 mm/min"}'
PULL = '- pull: {to: "4 mm", largest: "40 N", speed: "60 mm/min"}'
EXAMPLE = Path(__file__).parents[2] / "configs" / "methods" / "cap_pull.yaml"


def refusal(*steps, rig=GENEROUS):
    with pytest.raises(InputError) as refused:
        check_method(parsed(*steps, stiffness='"250 N/mm"'), rig, CAP)
    return str(refused.value)


def test_the_example_pulls_five_times_and_says_where_the_rig_stops():
    checked = check_method(read_method(EXAMPLE), GENEROUS, CAP)
    assert checked.presses == 5
    assert checked.largest_gap_mm == 4.0
    said = " ".join(describe(checked))
    assert "Pull at 1 mm/s to a gap of 4 mm, with at most 40 N; the rig stops at a pull of 60 N." in said


@pytest.mark.parametrize(("least_n", "fits"), [(-40.1, True), (-40.0, False), (-5.0, False), (0.0, False)])
def test_a_pull_needs_a_rig_whose_least_force_lies_beyond_it(least_n, fits):
    rig = dataclasses.replace(GENEROUS, force_n=(least_n, 2000.0))
    if fits:
        method = parsed(CONTACT_CHECK, PRESS, PULL, stiffness='"250 N/mm"')
        assert check_method(method, rig, CAP).presses == 1
    else:
        said = refusal(CONTACT_CHECK, PRESS, PULL, rig=rig)
        assert f"step 3 pull: a pull of up to 40 N, but the rig's least force is {least_n:g} N" in said


def test_a_pull_that_lets_go_faster_than_the_rig_takes_for_a_crash_is_refused():
    # 40 N in 10 ms are 4000 N/s
    rig = dataclasses.replace(GENEROUS, force_rise_n_per_s=3999.0)
    assert "rises by up to 4000 N/s, the rig halts at 3999 N/s" in refusal(
        CONTACT_CHECK, PRESS, PULL, rig=rig
    )


def test_a_pull_beyond_the_travel_is_refused_before_and_after_the_contact_check():
    short = dataclasses.replace(GENEROUS, travel_mm=(0.0, 14.0))
    assert "travel of 14 mm" in refusal(CONTACT_CHECK, PRESS, PULL, rig=short)
    checked = check_method(parsed(CONTACT_CHECK, PRESS, PULL, stiffness='"250 N/mm"'), GENEROUS, CAP)
    with pytest.raises(InputError, match="from the contact at 3 mm the platen would move from -1 to"):
        check_contact(checked, 3.0)


def test_a_pull_faster_than_the_rig_is_refused():
    quick = PULL.replace("60 mm/min", "400 mm/s")
    assert "step 3 pull: speed of 400 mm/s" in refusal(CONTACT_CHECK, PRESS, quick)


@pytest.mark.parametrize(
    ("steps", "words"),
    [
        ((PULL,), "the contact is not known here"),
        (
            (CONTACT_CHECK, PRESS, PULL, PULL),
            "step 4 pull: nothing is attached here; press the specimen on first",
        ),
        ((CONTACT_CHECK, PRESS, PULL, '- hold: "2 s"'), "nothing is pressed here"),
        ((CONTACT_CHECK, PRESS, '- pull: {to: "4 mm", speed: "1 mm/s"}'), "largest"),
        ((CONTACT_CHECK, PRESS, '- pull: {to: "0 mm", largest: "40 N", speed: "1 mm/s"}'), "to: found"),
        ((CONTACT_CHECK, PRESS, '- pull: {to: "4 mm", largest: "-40 N", speed: "1 mm/s"}'), "largest: found"),
    ],
)
def test_a_pull_out_of_place_or_without_its_numbers_is_refused(steps, words):
    assert words in refusal(*steps)


def test_a_hand_may_pull_and_no_limit_of_force_stops_it():
    checked = check_by_hand(parsed(CONTACT_CHECK, PRESS, PULL, stiffness='"250 N/mm"'), CAP)
    assert math.isinf(checked.rig.force_n[0])
    assert "with at most 40 N." in " ".join(describe(checked))
