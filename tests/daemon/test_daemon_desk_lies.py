"""A press that lies to a desk: the page says why its job ended, whether it is armed, and that it moves."""

import os
import re
from contextlib import contextmanager
from dataclasses import replace

import pytest

if os.name != "posix":
    pytest.skip("the press needs pseudo-terminals", allow_module_level=True)

from attended import BY_HAND, PLAN, RIG_FILE, attending, endurance, method, wait_until
from lies import (
    BACK,
    FIRST_RETURN,
    METHOD,
    PRESS,
    TO_FORCE,
    TRAVEL_MM,
    drifts_while_disarmed,
    grows,
    impatient,
    lies_at_rest,
    lies_on,
    no_hurry,  # noqa: F401
    restarts_over_and_over,
    says_falsely,
    turns_in_secret,
    with_state,
)
from loguru import logger
from lying_press import CONTACT_MM, STIFFNESS_N_PER_MM, LyingPress

from rig.capture import open_capture
from rig.wire import Capability, Cycle, EventCode, Halt, Home, Identity, MoveTo, PressUntil, State, StateFlag

RIG = RIG_FILE.replace('"60 mm"', '"40 mm"')


@contextmanager
def lied_to(folder, lie=None, pace=4.0, **how):
    """A desk that attends to a press that lies."""
    with (
        LyingPress(folder / "rig", lie, pace=pace, **how) as device,
        attending(folder, device, folder / "rig", text=RIG) as at,
    ):
        yield device, at


def ended(folder, lie, order, pace=4.0):
    """The press, and how a job ended on it."""
    with lied_to(folder, lie, pace) as (device, at):
        at.state_is("idle")
        wait_until(lambda: at.board.status().device is not None)
        end = at.end_of(at.started(order))
        assert end.failed, end.reason
        if not device.stays_armed:
            wait_until(lambda: not at.board.status().armed)
    return device, end


def creeps_while_it_settles(device):
    """The force of its cell goes on growing after the platen turned back."""
    if device.lied_mm is None and device.is_on(MoveTo, BACK, 0.0):
        device.lies_now()
    if device.lied_mm is not None:
        more = round(1000 * 120.0 * 0.002 * len(device.trace))
        device.force_shown = lambda counts: counts + more


@pytest.mark.parametrize(
    ("lie", "word", "travel_mm"),
    [
        (lies_on(PRESS, MoveTo, 0.0, sign=-1.0), "wrong way", TRAVEL_MM),
        (lies_on(BACK, MoveTo, 0.0, sign=-1.0), "wrong way|force grew", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 9.0, ignores_target=True), "past its target", 1.0 + TRAVEL_MM),
        (lies_on(FIRST_RETURN, MoveTo, 1.0, ignores_target=True), "past its target", 1.5 + TRAVEL_MM),
        (lies_on(TO_FORCE, PressUntil, 1.0, ignores_force=True), "12 N was reached", 5.0 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, speed_factor=10.0), "faster than ordered", 10 * TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, stuck=True), "no progress", 0.01),
        (lies_on(PRESS, MoveTo, 1.0, never_ends=True), "has not ended|no progress", 9.1),
        (lies_on(PRESS, MoveTo, 1.0, position_shown=lambda counts: -(2**31)), "leapt", TRAVEL_MM),
        (grows(20.0), "force grew", TRAVEL_MM),
        (creeps_while_it_settles, "force grew|above the limit", TRAVEL_MM),
        (turns_in_secret(BACK, MoveTo, 0.0), "force grew", 1.2 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 5.0, force_shown=lambda counts: 9_000), "frozen", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, hidden_bits=1 << 6), "bit 6", 2.5 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, bits=1 << 0), "saturated", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, bits=1 << 1), "position sensor", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, bits=1 << 4), "emergency stop is pressed", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, bits=1 << 5), "force trip is latched", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, time_factor=0.0), "faster than ordered|no sample|late", 5.0 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, lag_s=1.0), "late|no sample", 8.0 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, silent=True), "no sample", 3.5 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, name="another press"), "different device answers", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, boot_id=9), "reset", TRAVEL_MM),
        (
            restarts_over_and_over(lambda device: device.is_on(MoveTo, PRESS, 1.0)),
            "restarts over and over",
            TRAVEL_MM,
        ),
        (lies_at_rest(bits=1 << 4), "emergency stop is pressed", 0.1),
        (says_falsely(EventCode.FINISHED), "reports arrival|was to stand", TRAVEL_MM),
    ],
)
def test_a_lie_ends_a_job_of_the_desk_and_the_page_names_it(tmp_path, monkeypatch, lie, word, travel_mm):
    pace = 4.0
    if re.search("sample|late", word):
        pace, lie = 1.0, impatient(lie, monkeypatch)
        word += "|heartbeat lost"
    device, end = ended(tmp_path, lie, method(METHOD), pace)
    assert re.search(word, end.reason), end.reason
    assert open_capture(end.capture).how_it_ended == end.reason
    assert not device.armed
    assert device.travel_after_mm() <= travel_mm
    deepest_mm = device.lied_mm + travel_mm - CONTACT_MM
    assert device.most_force_after_n() <= STIFFNESS_N_PER_MM * max(deepest_mm, 0.0)


def test_a_stop_that_only_the_state_tells_of_is_no_finished_method(tmp_path):
    """The lie begins with the last motion: no sample and no event shows it."""
    lie = lies_on(6, MoveTo, 0.0, said=with_state(stop_cause=77))
    _, end = ended(tmp_path, lie, method(METHOD), 8.0)
    assert "cause 77" in end.reason


def test_a_rig_that_does_not_disarm_is_shown_as_armed_and_the_job_has_failed(tmp_path):
    with lied_to(tmp_path, lies_on(PRESS, MoveTo, 1.0, stays_armed=True)) as (device, at):
        at.state_is("idle")
        end = at.end_of(at.started(method(METHOD)))
        assert end.failed
        assert "reports that it is armed" in end.reason
        wait_until(lambda: any("do not reach in" in text for text in at.board.status().warnings))
        assert at.board.status().armed
        device.stays_armed = False
        at.desk.halt("a test")
        at.rig.armed = False
        wait_until(lambda: not at.board.status().warnings)
        assert not at.board.status().armed


def test_cycles_that_a_device_only_says_it_did_fail_the_job(tmp_path):
    plan = PLAN.replace("cycles: 12", "cycles: 4").replace('speed: "20 mm/s"', 'speed: "10 mm/s"')
    device, end = ended(tmp_path, lies_on(1, Cycle, 3.0, false_end=True), endurance(plan))
    assert "the device reports 4 cycles, its samples show 0" in end.reason
    assert end.cycles == 0
    assert device.travel_after_mm() <= TRAVEL_MM


def test_a_platen_that_moves_while_a_person_reaches_in_is_halted_at_once_and_ends_the_method(tmp_path):
    with lied_to(tmp_path) as (device, at):
        at.state_is("idle")
        number = at.started(method(BY_HAND))
        at.state_is("by hand")
        device.lie = drifts_while_disarmed(5.0)
        wait_until(lambda: device.lied_mm is not None and device.drift_mm_per_s == 0.0)
        wait_until(lambda: "PRESS THE EMERGENCY STOP" in at.board.status().job.step)
        assert device.travel_after_mm() <= TRAVEL_MM
        at.desk.proceed()
        end = at.end_of(number)
    assert end.failed
    assert "ALTHOUGH IT WAS DISARMED" in end.reason
    assert device.order_number == 0


def halted(device):
    return Halt in [type(command) for command in device.commands]


def warned(at):
    return [text for text in at.board.status().warnings if "should stand still" in text]


@pytest.mark.parametrize("speed_mm_per_s", [5.0, -5.0, 0.5])
def test_an_idle_desk_warns_of_a_platen_that_moves_while_disarmed_and_halts_it(tmp_path, speed_mm_per_s):
    with lied_to(tmp_path) as (device, at):
        at.state_is("idle")
        wait_until(lambda: not at.board.status().armed)
        device.lie = drifts_while_disarmed(speed_mm_per_s)
        wait_until(lambda: warned(at))
        wait_until(lambda: device.drift_mm_per_s == 0.0)
        assert "press the emergency stop" in warned(at)[0]
        assert halted(device)
        assert device.travel_after_mm() <= TRAVEL_MM
        assert at.board.status().state == "idle"


@pytest.mark.parametrize("current", [True, False])
def test_a_platen_pushed_by_hand_while_its_motor_has_no_current_alarms_nobody(tmp_path, current):
    def tells(message):
        if isinstance(message, Identity):
            message = replace(message, capabilities=message.capabilities | Capability.TELLS_SWITCHES)
        if isinstance(message, State) and current:
            message = replace(message, flags=message.flags | StateFlag.MOTOR_CURRENT)
        return [message]

    def pushed(device):
        device.said = tells
        if pushing:
            drifts_while_disarmed(1.0)(device)

    pushing = []
    with lied_to(tmp_path, pushed) as (device, at):
        at.state_is("idle")
        wait_until(lambda: (card := at.board.status().device) and card.motor_current is current)
        pushing.append(True)
        # the warning stands on the board before the halt is on the wire
        wait_until(
            lambda: (
                (warned(at) and halted(device))
                or (device.lied_mm is not None and device.travel_after_mm() > 10.0)
            )
        )
        assert (bool(warned(at)), halted(device)) == (current, current)


def test_a_platen_that_hears_no_halt_is_told_of_although_a_person_halted_it(tmp_path):
    """While it homes, before there is a capture to say so: the page must not call the job stopped."""
    with lied_to(tmp_path, pace=1.0, homed=False, start_mm=25.0, contact_mm=60.0) as (device, at):
        at.state_is("idle")
        device.deaf = True
        job = at.started(method(METHOD))
        wait_until(lambda: isinstance(getattr(device.order, "command", None), Home) and device.x_mm < 24.0)
        at.desk.halt("a test")
        end = at.end_of(job)
    assert end.failed
    assert "PRESS THE EMERGENCY STOP" in end.reason


def test_a_platen_that_stands_at_the_second_look_had_gone_on_at_the_first(tmp_path):
    """An endurance run is halted where its homing ends, and again where the run does."""
    with lied_to(tmp_path, pace=1.0, homed=False, start_mm=25.0, contact_mm=60.0) as (device, at):
        at.state_is("idle")
        device.deaf = True
        hears = logger.add(lambda told: setattr(device, "deaf", False), level="CRITICAL")
        try:
            job = at.started(endurance())
            wait_until(
                lambda: isinstance(getattr(device.order, "command", None), Home) and device.x_mm < 24.0
            )
            at.desk.halt("a test")
            end = at.end_of(job)
        finally:
            logger.remove(hears)
    assert end.failed
    assert "PRESS THE EMERGENCY STOP" in end.reason


def test_an_idle_desk_goes_on_warning_of_a_platen_that_hears_no_halt(tmp_path):
    with lied_to(tmp_path) as (device, at):
        at.state_is("idle")
        wait_until(lambda: not at.board.status().armed)
        device.lie = drifts_while_disarmed(5.0, deaf=True)
        wait_until(lambda: warned(at))
        first = warned(at)
        wait_until(lambda: warned(at) not in ([], first))


def test_an_idle_desk_says_that_the_device_restarts_over_and_over(tmp_path):
    with lied_to(tmp_path, pace=1.0) as (device, at):
        at.state_is("idle")
        device.lie = restarts_over_and_over(lambda device: True)
        wait_until(lambda: any("restarts over and over" in text for text in at.board.status().warnings))


def test_a_device_that_restarts_over_and_over_from_the_start_is_said_to(tmp_path):
    with lied_to(tmp_path, restarts_over_and_over(lambda device: True), pace=1.0) as (_, at):
        wait_until(lambda: any("restarts over and over" in text for text in at.board.status().warnings))
        assert at.board.status().state == "away"
