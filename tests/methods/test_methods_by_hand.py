"""What a hand at a lever can do of a method, and what it cannot."""

import pytest

from rig.errors import InputError
from rig.methods import SpecimenFacts, check_by_hand, describe, hard_by_hand, parse_method

TEXT = """
name: by hand
purpose: A test.
follows: Nothing published.
specimen: {}
steps:
  - contact_check: {force: "1 N", speed: "1 mm/s"}
  - repeat:
      count: 3
      every: "30 s"
      steps:
        - press: {compression: "25 %", speed: "2 mm/s"}
        - return: {gap: "3 mm", speed: "2 mm/s"}
report: [secant_n_per_mm]
"""
FLOAT = SpecimenFacts(90.0)


def checked(old="", new="", specimen=FLOAT, largest_force_n=None):
    return check_by_hand(parse_method(TEXT.replace(old, new), "test.yaml"), specimen, largest_force_n)


def refused(*how, **more):
    with pytest.raises(InputError) as refusal:
        checked(*how, **more)
    return str(refusal.value)


def test_a_method_needs_no_limits_of_a_drive_to_be_done_by_hand():
    assert checked().presses == 3
    assert checked().deepest_mm == 22.5


def test_a_press_deeper_than_the_specimen_is_refused_with_its_line():
    assert "line 12" in refused("25 %", "97 %")


def test_a_press_without_the_free_height_is_refused():
    assert "free height" in refused("25 %", "25 %", specimen=SpecimenFacts())


def test_everything_that_a_hand_cannot_do_is_said_at_once():
    said = refused('count: 3\n      every: "30 s"', 'count: 5000\n      every: "1 s"')
    assert "5000 times" in said
    assert "every 1 s" in said


def test_a_stroke_faster_than_a_hand_is_refused_with_its_line():
    assert "line 12" in refused('25 %", speed: "2 mm/s', '25 %", speed: "60 mm/s')


def test_repeats_within_repeats_are_counted_together():
    inner = 'count: 3\n      every: "30 s"\n      steps:\n'
    outer = inner.replace('\n      every: "30 s"', "").replace("3", "200") + (
        "        - repeat:\n            count: 2\n            steps:\n"
        '              - press: {deflection: "5 mm", speed: "2 mm/s"}\n'
        '              - return: {gap: "3 mm", speed: "2 mm/s"}\n'
    )
    assert "600 presses" in refused(inner, outer)


def test_a_stated_largest_force_bounds_a_press_to_a_force():
    press = 'press: {force: "95 N", stop_at: "25 %", speed: "2 mm/s"}'
    where = 'press: {compression: "25 %", speed: "2 mm/s"}'
    stiff = SpecimenFacts(90.0, None, 20.0)
    assert checked(where, press, specimen=stiff).presses == 3
    # 0.3 s of reaction at 2 mm/s and the brake are more than 0.6 mm, which are more than 12 N
    assert "the stated 100 N" in refused(where, press, specimen=stiff, largest_force_n=100.0)


def test_the_words_for_a_hand_promise_no_stop():
    text = "\n".join(describe(checked()))
    assert "the rig stops" not in text
    assert "inf" not in text
    assert "you are warned above 80 N" in "\n".join(
        describe(checked(specimen=SpecimenFacts(90.0, None, 20.0), largest_force_n=80.0))
    )


def test_what_is_hard_for_a_hand_is_said_and_not_refused():
    assert hard_by_hand(checked()) == ()
    many = hard_by_hand(checked("count: 3", "count: 250"))
    assert any("250 presses" in each for each in many)
    assert any("h, with someone present" in each for each in many)
