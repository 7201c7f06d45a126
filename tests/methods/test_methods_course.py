"""Actions of a run, found again in the events of its recording."""

from __future__ import annotations

import pytest

from rig.methods import course_of, parse_method

TEXT = """
name: three presses
purpose: A test.
follows: Nothing published.
steps:
  - contact_check: {force: "1 N", speed: "1 mm/s"}
  - repeat:
      count: 40
      steps:
        - press: {deflection: "5 mm", speed: "1 mm/s"}
        - return: {gap: "2 mm", speed: "1 mm/s"}
  - recover: {contact_checks: 2, from: "20 s", to: "60 s", force: "1 N", speed: "1 mm/s", gap: "2 mm"}
report: [set_mm]
"""
CONTACT_CHECK = "line 6, step 1 contact_check"
PRESS = "line 10, step 2.1 press"
RETURN = "line 11, step 2.2 return"
RECOVER = "line 12, step 3 recover"


def marks(place, action, begin_us, end_us, passes=()):
    marked = {"kind": "step", "place": f"elsewhere.yaml {place}", "action": action, "passes": list(passes)}
    return [
        marked | {"phase": "begin", "time_us": begin_us},
        marked | {"phase": "end", "time_us": end_us},
    ]


@pytest.fixture
def method():
    return parse_method(TEXT, "here.yaml")


def test_actions_are_paired_with_their_steps_whatever_the_file_was_called(method):
    events = marks(CONTACT_CHECK, "contact check", 10, 20) + marks(PRESS, "press to depth", 20, 30, (1,))
    course = course_of(method, events)
    assert [(done.action, done.begin_us, done.end_us, done.until_us) for done in course.kept] == [
        ("contact check", 10, 20, 30),
        ("press to depth", 20, 30, 30),
    ]
    assert course.kept[0].step.force_n == 1.0
    assert course.finished


def test_all_presses_are_counted_but_only_the_first_passes_are_kept(method):
    events = []
    for turn in range(1, 41):
        events += marks(PRESS, "press to depth", 100 * turn, 100 * turn + 50, (turn,))
        events += marks(RETURN, "move", 100 * turn + 50, 100 * turn + 100, (turn,))
    course = course_of(method, events)
    assert len(course.presses) == 40
    assert len(course.of("press to depth")) == 10


def test_an_action_that_did_not_end_is_left_out_and_said(method):
    course = course_of(method, marks(CONTACT_CHECK, "contact check", 10, 20)[:1])
    assert course.kept == []
    assert not course.finished


def test_the_watch_over_a_recovery_begins_with_its_clock(method):
    assert course_of(method, marks(RECOVER, "start clock", 70, 70)).released_us == 70


@pytest.mark.parametrize(
    "rubbish",
    [
        {"kind": "step"},
        {"kind": "step", "phase": "begin", "time_us": "soon", "passes": []},
        {"kind": "step", "phase": "end", "time_us": 5, "passes": None},
        {
            "kind": "step",
            "phase": "end",
            "time_us": 5,
            "passes": [],
            "place": CONTACT_CHECK,
            "action": "contact check",
        },
        {"kind": "ended"},
    ],
)
def test_events_that_make_no_sense_are_passed_over(method, rubbish):
    assert course_of(method, [rubbish]).kept == []
