"""A press that lies: each lie ends the run within a stated travel and force, with what was seen in words."""

import os
import re
import threading
from dataclasses import replace

import pytest

if os.name != "posix":
    pytest.skip("the press needs pseudo-terminals", allow_module_level=True)

from delivering import header_of
from lies import (
    BACK,
    CONTACT_CHECK,
    FIRST_RETURN,
    LATE_S,
    LIMITS,
    PRESS,
    TO_FORCE,
    TRAVEL_MM,
    bench_of,
    frames,
    impatient,
    lies_at_rest,
    lies_from_the_start,
    lies_on,
    no_hurry,  # noqa: F401
    press,
    run,
    says,
    says_falsely,
    turns_in_secret,
    with_state,
)
from lying_press import CONTACT_MM, STIFFNESS_N_PER_MM

from rig.capture import open_capture
from rig.errors import DeviceError
from rig.jobs import Watch
from rig.jobs.endurance import perform_endurance
from rig.jobs.releasing import perform_release
from rig.methods import SpecimenFacts, check_plan, parse_plan
from rig.samples import Status
from rig.wire import (
    Capability,
    Cycle,
    Disarm,
    Event,
    EventCode,
    Halt,
    Home,
    Identity,
    MoveTo,
    Note,
    PressUntil,
    Reply,
    ReplyResult,
    State,
    StateFlag,
)


def stopped(folder, lie, pace=4.0):
    """The press after a run with a lie, and why the run says that it ended."""
    with press(folder, lie, pace=pace) as (device, reader):
        result = run(reader, folder)
    assert result.failed, result.reason
    assert open_capture(result.path).how_it_ended == result.reason
    assert not device.armed
    return device, result.reason


def all_harmless(device):
    """What a clumsy device may do and a run has to bear: it must not be halted for nothing either."""
    device.times = 1 + device._number % 2  # every other sample twice
    device.bits, device.hidden_bits = 0, Status.MOVING
    device.time_factor = 1.02
    device.extra = b""
    if device.is_on(MoveTo, PRESS, 1.0) and device._number % 50 == 0:
        device.extra = frames(Event(99, 5, 5, 5), Reply(0, 40_000, 0), Note("unasked"))
        device.extra += frames(Event(EventCode.FINISHED, device.order.command.request + 7, 0, 0))
    device.said = says(Event, lambda event: 2 * [replace(event, time_us=(event.time_us + 10**7) % 2**32)])


def test_a_press_that_is_clumsy_but_honest_runs_to_its_end(tmp_path):
    """Its numbers and clock wrap, its ends come twice and from the future, with strange messages between."""
    with press(tmp_path, all_harmless, first_seq=65_400, first_us=2**32 - 10**6) as (device, reader):
        result = run(reader, tmp_path)
    assert (result.reason, result.failed) == ("method finished", False)
    assert device.order_number == 6


@pytest.mark.parametrize(
    ("lie", "word", "travel_mm"),
    [
        (lies_on(PRESS, MoveTo, 0.0, sign=-1.0), "wrong way", TRAVEL_MM),
        (lies_on(BACK, MoveTo, 0.0, sign=-1.0), "wrong way", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 5.0, sign=-1.0), "wrong way|no progress", 5.0 + TRAVEL_MM),
        (lies_on(CONTACT_CHECK, PressUntil, 0.0, sign=-1.0), "wrong way", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 9.0, ignores_target=True), "past its target", 1.0 + TRAVEL_MM),
        (lies_on(FIRST_RETURN, MoveTo, 1.0, ignores_target=True), "past its target", 1.5 + TRAVEL_MM),
        (lies_on(TO_FORCE, PressUntil, 1.0, ignores_force=True), "12 N was reached", 5.0 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, speed_factor=10.0), "faster than ordered", 10 * TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, stuck=True), "no progress", 0.01),
        (lies_on(PRESS, MoveTo, 1.0, speed_factor=0.1), "no progress", 4.0),
        (lies_on(PRESS, MoveTo, 1.0, never_ends=True), "has not ended|no progress", 9.1),
        (
            lies_on(PRESS, MoveTo, 1.0, event_request=lambda request: request + 1),
            "was lost|has not ended",
            9.1,
        ),
        (lies_on(PRESS, MoveTo, 1.0, position_shown=lambda counts: -(2**31)), "leapt", TRAVEL_MM),
        (
            lies_on(PRESS, MoveTo, 1.0, position_shown=lambda counts: min(counts, 1_850)),
            "no progress|reports arrival",
            30.0,
        ),
        (lies_on(PRESS, MoveTo, 1.0, false_end=True), "reports arrival", TRAVEL_MM),
        (lies_on(TO_FORCE, PressUntil, 1.0, false_end=True), "at most", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, bits=1 << 4), "emergency stop is pressed", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, bits=1 << 5), "force trip is latched", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, bits=1 << 0), "saturated", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, bits=1 << 1), "position sensor", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, bits=1 << 3), "travel switch", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, hidden_bits=1 << 6), "bit 6", 2.5 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 5.0, force_shown=lambda counts: 9_000), "frozen", TRAVEL_MM),
        (
            lies_on(TO_FORCE, PressUntil, 3.0, force_shown=lambda counts: counts % 7),
            "force lost",
            9.6 + TRAVEL_MM,
        ),
        (lies_on(PRESS, MoveTo, 5.0, force_shown=lambda counts: -counts), "below the limit", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, seq_stuck=True), "no sample", 3.5 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, same_sample=True), "no sample", 3.5 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, silent=True), "no sample", 3.5 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, time_factor=0.5), "faster than ordered|late", 7.0 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, boot_id=9), "reset", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, name="another press"), "different device answers", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, lag_s=1.0), "late|no sample", 8.0 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, lag_s=1.0, replies_lag=False), "late|no sample", 8.0 + TRAVEL_MM),
    ],
)
def test_a_lie_ends_the_run_within_the_stated_travel_and_says_what_was_seen(
    tmp_path, monkeypatch, lie, word, travel_mm
):
    pace = 4.0
    if re.search("sample|late|reply", word):
        pace, lie = 1.0, impatient(lie, monkeypatch)
        # on a busy machine the device may be the first to miss the host, and old samples come late
        word += "|heartbeat lost|late"
    device, reason = stopped(tmp_path, lie, pace)
    assert re.search(word, reason), reason
    assert device.travel_after_mm() <= travel_mm
    deepest_mm = device.lied_mm + travel_mm - CONTACT_MM
    assert device.most_force_after_n() <= STIFFNESS_N_PER_MM * max(deepest_mm, 0.0)


def flickers(bit):
    """A loose contact: the bit is set in every other sample."""

    def lie(device):
        if device.is_on(MoveTo, PRESS, 1.0):
            device.lies_now()
        if device.lied_mm is not None:
            device.bits ^= bit

    return lie


def jitters(device):
    if device.is_on(MoveTo, PRESS, 1.0):
        device.lies_now()
    if device.lied_mm is not None:
        odd = len(device.trace) % 2
        device.position_shown = lambda counts: counts + (1000 if odd else -1000)


def freezes_its_position(device):
    if device.lied_mm is None and device.is_on(MoveTo, BACK, 1.0):
        device.lies_now()
        stays = device._position()
        device.position_shown = lambda counts: stays


def creeps(rate_n_per_s):
    """While the platen stands, the force of its cell rises."""

    def lie(device):
        if device.order is None and device.order_number == PRESS and device.armed:
            device.lies_now()
        if device.lied_mm is not None:
            more = round(1000 * rate_n_per_s * 0.002 * len(device.trace))
            device.force_shown = lambda counts: counts + more

    return lie


def goes_back_while_it_stands(device):
    if device.order is None and device.order_number == PRESS and device.armed and device.lied_mm is None:
        device.lies_now()
        device.drift_mm_per_s = -3.0


@pytest.mark.parametrize(
    ("lie", "word", "travel_mm"),
    [
        (turns_in_secret(BACK, MoveTo, 3.0), "force grew", 1.5 + TRAVEL_MM),
        (turns_in_secret(PRESS, MoveTo, 8.0), "force lost|past its target", 7.0 + TRAVEL_MM),
        (flickers(1 << 4), "emergency stop is pressed", TRAVEL_MM),
        (flickers(1 << 1), "position sensor", TRAVEL_MM),
        (jitters, "leapt|faster", TRAVEL_MM),
        (creeps(100.0), "above the limit|force grew", 10.5),
        (goes_back_while_it_stands, "should stand still", TRAVEL_MM),
        (freezes_its_position, "no progress", 10.5),
        (
            lies_on(BACK, MoveTo, 0.0, speed_factor=2.0, position_shown=lambda counts: counts),
            "faster than ordered",
            2 * TRAVEL_MM,
        ),
        (
            lies_on(CONTACT_CHECK, PressUntil, 1.0, force_shown=lambda counts: -counts - 6_000),
            "below",
            TRAVEL_MM,
        ),
        (
            lies_on(CONTACT_CHECK, PressUntil, 1.0, force_shown=lambda counts: 0),
            "position limit|frozen",
            35.1,
        ),
        (lies_on(PRESS, MoveTo, 1.0, time_factor=4.0), "no progress|late|leapt|file states", 9.1),
        (lies_on(PRESS, MoveTo, 1.0, time_factor=-1.0), "no sample|reset|late", 9.1),
        (lies_on(PRESS, MoveTo, 1.0, noise_n=60.0), "rose by|above|below", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, force_shown=lambda counts: 2**31 - 1), "above the limit", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 0.0, motion_result=ReplyResult.OUTSIDE_LIMITS), "outside limits", 10.5),
        (lies_on(FIRST_RETURN, MoveTo, 0.0, mute=True), "no reply", 10.5),
        (lies_on(PRESS, MoveTo, 1.0, never_armed_in_state=True), "is disarmed", 9.1),
        (says_falsely(EventCode.FORCE_TRIP), "force trip", TRAVEL_MM),
        (says_falsely(EventCode.HALTED), "halted", TRAVEL_MM),
        (says_falsely(EventCode.BOOT), "reset", TRAVEL_MM),
        (says_falsely(EventCode.FINISHED), "reports arrival|was to stand", TRAVEL_MM),
        (says_falsely(EventCode.STALLED), "stall|following", TRAVEL_MM),
    ],
)
def test_a_subtler_lie_ends_the_run_too(tmp_path, monkeypatch, lie, word, travel_mm):
    test_a_lie_ends_the_run_within_the_stated_travel_and_says_what_was_seen(
        tmp_path, monkeypatch, lie, word, travel_mm
    )


def stale(kept):
    """For ever the first state that was armed."""

    def told(state):
        kept.extend([state] * (not kept and StateFlag.ARMED in state.flags))
        return kept or [state]

    return says(State, told)


def alternates(device):
    if device.is_on(MoveTo, PRESS, 1.0):
        device.lies_now()
        device.force_shown = lambda counts: 2**31 - 1 if len(device.trace) % 2 else -(2**31)


def jumps(**by):
    """Its numbers or its time leap once."""

    def lie(device):
        if device.lied_mm is None and device.is_on(MoveTo, PRESS, 1.0):
            device.lies_now()
            for name, amount in by.items():
                setattr(device, name, max(getattr(device, name) + amount, 0))

    return lie


NEVER = dict.fromkeys(("ignores_target", "never_ends"), True)
NO_REPLY = says(Reply, lambda reply: [])
OTHER_REPLY = says(Reply, lambda reply: [replace(reply, request=reply.request % 65_535 + 1)])
LESS_ABLE = says(Identity, lambda identity: [replace(identity, capabilities=Capability.DRIVES)])
LIMITED = 5.0 + 3.0 + TRAVEL_MM
"""From the end of the press to the position limit of the press to a force."""


@pytest.mark.parametrize(
    ("lie", "word", "travel_mm"),
    [
        (lies_on(PRESS, MoveTo, 1.0, time_factor=0.0), "faster than ordered|late", 2.0 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, position_shown=lambda counts: counts - 300), "faster", TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 2.5, force_shown=lambda counts: min(counts, 700)), "frozen", 8.0),
        (lies_on(PRESS, MoveTo, 1.0, position_shown=lambda counts: min(counts, 2_100)), "at 10.50 mm", 9.1),
        (lies_on(PRESS, MoveTo, 1.0, position_shown=lambda counts: counts % 1_900), "leapt|faster", 9.1),
        (lies_on(TO_FORCE, PressUntil, 1.0, force_shown=lambda counts: counts // 10), "position limit", 13.1),
        (lies_on(PRESS, MoveTo, 1.0, force_shown=lambda counts: -(2**31)), "below the limit", TRAVEL_MM),
        (alternates, "above the limit|below the limit", TRAVEL_MM),
        (
            lies_on(
                PRESS,
                MoveTo,
                1.0,
                position_shown=lambda counts: 2**31 - 1,
                force_shown=lambda counts: counts,
            ),
            "leapt|beyond the limit",
            TRAVEL_MM,
        ),
        (lies_on(PRESS, MoveTo, 1.0, every=25), "rig's file states", 25.0),
        (lies_on(PRESS, MoveTo, 1.0, said=OTHER_REPLY), "no reply", 9.1),
        (lies_on(PRESS, MoveTo, 1.0, said=NO_REPLY, sign=-1.0), "wrong way|no reply|late", 4.0 + TRAVEL_MM),
        (lies_on(PRESS, MoveTo, 1.0, said=LESS_ABLE), "different device answers", TRAVEL_MM),
        (
            lies_on(PRESS, MoveTo, 1.0, said=stale([]), **NEVER),
            "past its target|event that ended",
            9.0 + TRAVEL_MM,
        ),
        (lies_on(PRESS, MoveTo, 1.0, said=with_state(stop_cause=77)), "cause 77", 9.1),
        (lies_on(PRESS, MoveTo, 1.0, said=with_state(boot_id=9)), "reset|late", 9.1),
        (lies_at_rest(bits=1 << 4), "emergency stop is pressed", 0.1),
        (lies_at_rest(motion_result=200), "code 200|200", 0.1),
        (lies_at_rest(said=NO_REPLY), "no reply", 9.1),
        (lies_at_rest(drift_mm_per_s=0.0, false_events=[EventCode.STOP_OPENED]), "stop opened|stopped", 0.1),
        (jumps(_seq=-10_000, _time_us=-1e9), "reset|no sample|implausible", 9.1),
        (jumps(_time_us=-1e6), "reset|no sample|late", 9.1),
        (
            lies_on(PRESS, MoveTo, 1.0, extra=frames(Event(EventCode.STALLED, 0, 0, 0))),
            "stall|stopped|following",
            TRAVEL_MM,
        ),
        (
            lies_on(BACK, MoveTo, 1.0, sign=-1.0, position_shown=lambda counts: 3_400),
            "force grew|no progress",
            3.0 + TRAVEL_MM,
        ),
        (lies_on(PRESS, MoveTo, 1.0, extra=bytes(range(1, 256))), "late|no sample|finished", 20.0),
    ],
)
def test_a_lie_of_the_wire_or_the_clock_ends_the_run_too(tmp_path, monkeypatch, lie, word, travel_mm):
    test_a_lie_ends_the_run_within_the_stated_travel_and_says_what_was_seen(
        tmp_path, monkeypatch, lie, word, travel_mm
    )


def test_limits_that_the_device_does_not_keep_are_refused_before_anything_moves(tmp_path):
    def lie(device):
        device.wrong_limits = True

    with press(tmp_path, lie) as (device, reader), pytest.raises(DeviceError, match="read back") as raised:
        run(reader, tmp_path)
    assert raised.value.exit_code == 3
    assert device.order_number == 0


def test_a_rate_far_from_the_stated_one_is_refused_before_anything_moves(tmp_path):
    def lie(device):
        device.rate_factor = 0.2

    with (
        press(tmp_path, lie) as (device, reader),
        pytest.raises(DeviceError, match="it grants 100 samples/s"),
    ):
        run(reader, tmp_path)
    assert device.order_number == 0


def test_homing_that_only_says_that_it_is_home_is_refused(tmp_path):
    lie = lies_on(1, Home, 1.0, false_end=True)
    with (
        press(tmp_path, lie, homed=False) as (device, reader),
        pytest.raises(DeviceError, match="its position reads") as raised,
    ):
        run(reader, tmp_path)
    assert raised.value.exit_code == 3
    assert device.travel_after_mm() <= TRAVEL_MM


def test_a_platen_that_drifts_while_it_is_to_stand_ends_the_run(tmp_path):
    def lie(device):
        waiting = device.order is None and device.order_number == PRESS and device.armed
        if waiting and device.lied_mm is None:
            device.lies_now()
            device.drift_mm_per_s = 5.0

    device, reason = stopped(tmp_path, lie)
    assert "should stand still" in reason
    assert device.travel_after_mm() <= TRAVEL_MM


def test_a_halt_that_is_acknowledged_and_not_obeyed_calls_for_the_emergency_stop(tmp_path):
    lie = lies_on(PRESS, MoveTo, 1.0, ignores_target=True, deaf=True, speed_factor=2.0)
    device, reason = stopped(tmp_path, lie, pace=1.0)
    assert "PRESS THE EMERGENCY STOP" in reason
    sent = [type(command) for command in device.commands]
    assert Halt in sent
    assert Disarm in sent


@pytest.mark.parametrize(
    ("lie", "word", "travel_mm"),
    [
        (lies_on(1, Home, 0.0, sign=-1.0), "towards the part", 5.5 + 5.0 * LATE_S + 0.1),
        (lies_on(1, Home, 0.5, stuck=True), "no progress", 0.1),
    ],
)
def test_homing_that_goes_wrong_stops_before_anything_is_recorded(tmp_path, lie, word, travel_mm):
    with (
        press(tmp_path, lie, homed=False) as (device, reader),
        pytest.raises(DeviceError, match=word) as raised,
    ):
        run(reader, tmp_path)
    assert raised.value.exit_code == 3
    assert device.travel_after_mm() <= travel_mm
    assert not device.armed


def test_a_force_beyond_the_limits_at_rest_is_refused_before_anything_moves(tmp_path):
    def lie(device):
        device.force_shown = lambda counts: counts + 150_000

    with press(tmp_path, lie) as (device, reader):
        result = run(reader, tmp_path)
    assert result.failed
    assert "the zero is wrong" in result.reason
    assert "retreat" not in result.reason
    assert device.order_number == 0


PLAN = """
name: squeezes
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "3 N/mm"}
contact_check: {force: "0.5 N", speed: "10 mm/s"}
squeeze: {deflection: "6 mm", speed: "10 mm/s", gap: "2 mm"}
block: 4
until: {cycles: 4}
"""


def endured(folder, lie, text=PLAN, pace=1.0):
    """The press after a run of squeezes with a lie, and its result."""
    with press(folder, lie, pace=pace) as (device, reader):
        watch = Watch(threading.Event(), lambda text: None, lambda step, done: None)
        plan = check_plan(parse_plan(text, "test.yaml"), LIMITS, SpecimenFacts(60.0, None, None))
        with reader:
            result = perform_endurance(bench_of(reader, folder, watch), header_of, plan)
    assert not device.armed
    return device, result


def test_cycles_that_a_device_only_says_it_did_are_not_counted_and_the_count_is_marked_as_doubtful(tmp_path):
    """The first cycle has just begun when the device says that all four are done."""
    device, result = endured(tmp_path, lies_on(1, Cycle, 3.0, false_end=True))
    assert device.cycles_done == 4
    assert result.failed
    assert "the device reports 4 cycles, its samples show 0" in result.reason
    assert (result.done, result.doubtful, result.exact) == (0, 1, False)
    assert device.travel_after_mm() <= TRAVEL_MM


def deeper(device):
    if device.lied_mm is None and device.is_on(Cycle, 2, 3.0):
        device.lies_now()
        device.order.target_mm += 4.0


def test_a_device_that_counts_two_cycles_ahead_is_not_believed(tmp_path):
    def ahead(event):
        return [replace(event, value=event.value + 2 * (event.code == EventCode.CYCLE_FINISHED))]

    def lie(device):
        device.said = says(Event, ahead)

    device, result = endured(tmp_path, lie, pace=4.0)
    assert result.done <= device.cycles_done <= 4


LONG_PLAN = PLAN.replace("block: 4", "block: 400").replace("cycles: 4", "cycles: 400")


@pytest.mark.parametrize(
    ("lie", "word", "travel_mm"),
    [
        (deeper, "its cycles run from|past its target", 8.0 + TRAVEL_MM),
        (lies_on(2, Cycle, 1.0, position_shown=lambda counts: min(counts, 2_000)), "no progress", 12.0),
        (lies_on(2, Cycle, 1.0, stuck=True), "no progress", 0.1),
        (lies_on(2, Cycle, 3.0, speed_factor=2.0), "faster than ordered", 2 * TRAVEL_MM),
        (lies_on(2, Cycle, 3.0, force_shown=lambda counts: 1_500), "frozen", TRAVEL_MM),
    ],
)
def test_a_lie_among_many_cycles_ends_them_long_before_their_block_ends(tmp_path, lie, word, travel_mm):
    device, result = endured(tmp_path, lie, LONG_PLAN, pace=4.0)
    assert result.failed
    assert re.search(word, result.reason), result.reason
    assert device.travel_after_mm() <= travel_mm
    assert device.cycles_done < 8


def released(folder, lie=None, **how):
    """A press that has tripped with 102 N on a part, and what a release of it says."""
    how = {"start_mm": 39.0, "contact_mm": 5.0, "stop_cause": EventCode.FORCE_TRIP, "pace": 4.0} | how
    watch = Watch(threading.Event(), lambda text: None, lambda step, done: None)
    with press(folder, lie, **how) as (device, reader), reader:
        try:
            return device, perform_release(bench_of(reader, folder, watch), LIMITS, away_mm=6.0)
        except DeviceError as problem:
            assert problem.exit_code == 3
            return device, str(problem)


def saturates(device):
    """Until the platen has gone 1 mm, as a converter does that was pressed out of its range."""
    held = device.x_mm > 38.0
    device.bits, device.force_shown = (1, lambda counts: 2**23 - 1) if held else (0, lambda counts: counts)


def test_a_part_that_saturates_the_converter_is_released(tmp_path):
    device, said = released(tmp_path, saturates)
    assert "6.0 mm further away" in said
    assert device.x_mm == pytest.approx(33.0, abs=0.1)


@pytest.mark.parametrize(
    ("lie", "word", "travel_mm"),
    [
        (turns_in_secret(1, MoveTo, 0.5), "force grew", 1.3),
        (lies_on(1, MoveTo, 0.0, sign=-1.0), "wrong way|force grew", 1.3),
        (
            lies_from_the_start(bits=1, force_shown=lambda counts: 2**23 - 1),
            "after 3 mm .* saturated|does not fall",
            4.0,
        ),
        (lies_from_the_start(force_shown=lambda counts: 102_000 + counts % 7), "does not fall|frozen", 4.0),
        (lies_on(1, MoveTo, 0.5, force_shown=lambda counts: 2 * counts), "force grew", 1.0),
        (
            lies_on(1, MoveTo, 0.5, force_shown=lambda counts: -8_000 - counts % 7),
            "sticks to the platen",
            1.0,
        ),
        (lies_on(1, MoveTo, 0.5, bits=1 << 4), "emergency stop is pressed", 1.0),
        (lies_on(1, MoveTo, 0.5, bits=1 << 1), "position sensor", 1.0),
        (lies_on(1, MoveTo, 0.5, speed_factor=8.0), "faster than ordered", 6.0),
        (lies_on(1, MoveTo, 5.0, ignores_target=True), "past its target", 2.5),
        (lies_on(1, MoveTo, 0.5, stuck=True), "no progress", 0.01),
        (lies_on(1, MoveTo, 0.5, position_shown=lambda counts: 7_700), "no progress", 6.0),
        (lies_on(1, MoveTo, 0.5, boot_id=9), "reset", 1.0),
    ],
)
def test_a_lie_ends_a_release_too(tmp_path, lie, word, travel_mm):
    device, said = released(tmp_path, lie)
    assert re.search(word, said), said
    assert device.travel_after_mm() <= travel_mm
    assert not device.armed


def test_a_part_that_pulls_is_not_pulled_further(tmp_path):
    device, said = released(tmp_path, lies_from_the_start(force_shown=lambda counts: -8_000))
    assert "the platen was not moved: the force is a pull of 8 N" in said
    assert (device.order_number, device.stop_cause) == (0, 0)
