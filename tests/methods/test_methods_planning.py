"""A checked method becomes one motion after another, made as they are asked for."""

import tracemalloc
from collections import deque
from itertools import islice
from pathlib import Path

import pytest
from method_texts import BLOCK, CLEAR, CONTACT, CONTACT_CHECK, FLOAT, GENEROUS, PRESS, parsed

from rig.methods import (
    ContactCheckUntil,
    MoveToDeflection,
    PressTo,
    PressUntilForce,
    Prompt,
    StartClock,
    Wait,
    WaitUntil,
    check_method,
    plan,
    read_method,
)

EXAMPLES = Path(__file__).parents[2] / "configs" / "methods"


def planned(*steps):
    return list(plan(check_method(parsed(*steps), GENEROUS, FLOAT)))


def test_each_step_becomes_its_motion_in_mm_past_contact():
    steps = (
        '- contact_check: {force: "1 N", speed: "1 mm/s"}',
        '- press: {compression: "20 %", speed: "2 mm/s"}',
        '- hold: "3 s"',
        '- press: {force: "50 N", stop_at: "50 %", speed: "2 mm/s"}',
        '- return: {to: contact, speed: "4 mm/s"}',
        '- return: {gap: "5 mm", speed: "4 mm/s"}',
        '- rest: "1 min"',
        '- off_rig: {do: "turn  it", at_least: "1 min", at_most: "2 min"}',
    )
    assert [each.action for each in planned(*steps)] == [
        ContactCheckUntil(1.0, 1.0, sets_contact=True),
        PressTo(18.0, 2.0),
        Wait(3.0, loaded=True),
        PressUntilForce(50.0, 45.0, 2.0),
        MoveToDeflection(0.0, 4.0),
        MoveToDeflection(-5.0, 4.0),
        Wait(60.0, loaded=False),
        Prompt("turn it", 60.0, 120.0),
    ]


def test_repeats_say_which_pass_they_are_in_outermost_first():
    inner = f"repeat: {{count: 2, steps: [{PRESS[2:]}, {CONTACT[2:]}]}}"
    actions = planned(CONTACT_CHECK, f"- repeat: {{count: 3, steps: [{inner}]}}", CLEAR)
    presses = [each.passes for each in actions if isinstance(each.action, PressTo)]
    assert presses == [(1, 1), (1, 2), (2, 1), (2, 2), (3, 1), (3, 2)]
    assert (actions[0].passes, actions[-1].passes) == ((), ())


def test_a_paced_repeat_starts_its_clock_and_waits_for_it_in_each_pass():
    actions = planned(
        CONTACT_CHECK, f'- repeat: {{count: 2, every: "30 s", steps: [{PRESS[2:]}, {CONTACT[2:]}]}}', CLEAR
    )
    kinds = [type(each.action) for each in actions[1:-1]]
    assert kinds == [StartClock, PressTo, MoveToDeflection, WaitUntil] * 2
    assert {each.place.label for each in actions if isinstance(each.action, StartClock | WaitUntil)} == {
        "step 2 repeat"
    }


def test_a_recovery_makes_contact_checks_at_its_times_and_leaves_the_contact_where_it_was():
    times = 'contact_checks: 3, from: "20 s", to: "2000 s"'
    recover = f'- recover: {{{times}, force: "1 N", speed: "1 mm/s", gap: "2 mm"}}'
    actions = [each.action for each in planned(CONTACT_CHECK, recover)[1:]]
    assert actions[:2] == [StartClock(), MoveToDeflection(-2.0, 1.0)]
    times = [action.time_s for action in actions if isinstance(action, WaitUntil)]
    assert times == pytest.approx([20.0, 200.0, 2000.0])
    contact_checks = [action for action in actions if isinstance(action, ContactCheckUntil)]
    assert contact_checks == [ContactCheckUntil(1.0, 1.0, sets_contact=False)] * 3
    assert actions[-1] == MoveToDeflection(-2.0, 1.0)


def test_80_000_cycles_are_made_one_at_a_time():
    actions = plan(check_method(read_method(EXAMPLES / "pounding_endurance.yaml"), GENEROUS, BLOCK))
    tracemalloc.start()
    try:
        presses = sum(isinstance(each.action, PressUntilForce) for each in islice(actions, 4 + 4 * 80_000))
        _, peak_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert presses == 80_000
    assert peak_bytes < 100_000
    assert isinstance(deque(actions, maxlen=1)[0].action, MoveToDeflection)


@pytest.mark.parametrize(
    "name", ["plain_squeeze", "foam_indentation", "ball_deformation", "recovery_after_abuse"]
)
def test_the_plan_holds_as_many_presses_as_the_check_counted(name):
    checked = check_method(read_method(EXAMPLES / f"{name}.yaml"), GENEROUS, BLOCK)
    presses = [each.action for each in plan(checked) if isinstance(each.action, PressTo | PressUntilForce)]
    assert len(presses) == checked.presses
