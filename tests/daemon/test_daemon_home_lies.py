"""A press that lies while it looks for its home: it is stopped within a stated travel, in words."""

import itertools
import os
import re

import pytest

if os.name != "posix":
    pytest.skip("the press needs pseudo-terminals", allow_module_level=True)

from lies import (
    LATE_S,
    LIMITS,
    drifts_while_disarmed,
    grows,
    impatient,
    lies_on,
    no_hurry,  # noqa: F401
    press,
    restarts_over_and_over,
    run,
    turns_in_secret,
)
from lying_press import FRESH, STIFFNESS_N_PER_MM

from rig.errors import DeviceError
from rig.jobs.motion_watch import BACK_OFF_MM, HOMING_WAY, HOMING_WAY_MM, SLACK_MM
from rig.wire import Halt, Home

START_MM, CONTACT_MM = 20.0, 14.0
"""Far enough from home to lie on the way, in a part that is pressed with 18 N."""

SPEED_MM_PER_S = 5.0
LATE_MM = SLACK_MM + SPEED_MM_PER_S * LATE_S + 0.5 * SPEED_MM_PER_S**2 / LIMITS.deceleration_mm_per_s2 + 0.1
"""What a lie about place or force may cost."""

APPROACH_MM = BACK_OFF_MM + LATE_MM
"""A platen may leave its switch again by so much."""

BLIND_MM = SPEED_MM_PER_S * (0.35 + 0.25) + LATE_MM
"""Without samples, or with old ones."""

SETTLES_SAMPLES = 300
"""0.6 s: longer than a homing goes on without a new force, 0.25 s."""

GROWTH_MM = 1.0 + (0.02 * 105.0 + 0.05 * 18.0) / STIFFNESS_N_PER_MM
"""Back to where it began, and so much further, before its force exceeds the tolerance of a return."""

LONGEST_WAY_MM = HOMING_WAY * LIMITS.travel_mm[1] + HOMING_WAY_MM
ALL_MM = LONGEST_WAY_MM + LATE_MM


HOMING = lambda device: device.is_on(Home, 1, 1.0)  # noqa: E731


def lies(**changes):
    return lies_on(1, Home, 1.0, **changes)


def reads_home_for(samples):
    """Says too soon that it is home, and sends so many samples from there."""

    def lie(device):
        if device.lied_mm is None and HOMING(device):
            device.lies_now()
            shown = itertools.count()
            device.false_end = True
            device.position_shown = lambda counts: 0 if next(shown) < samples else counts + 2_000

    return lie


@pytest.mark.parametrize(
    ("lie", "word", "travel_mm"),
    [
        (lies(sign=-1.0), "towards the part|force grew", APPROACH_MM),
        (lies_on(1, Home, 8.0, sign=-1.0), "towards the part|force grew", APPROACH_MM),
        (turns_in_secret(1, Home, 1.0), "force grew", GROWTH_MM + LATE_MM),
        (lies(ignores_target=True), "met no home switch", ALL_MM),
        (lies(speed_factor=10.0), "faster than ordered", 10 * LATE_MM),
        (lies(stuck=True), "no progress", 0.01),
        (lies(speed_factor=0.02), "no progress|has not ended", SPEED_MM_PER_S),
        (lies(never_ends=True), "no progress|has not ended", START_MM),
        (lies(event_request=lambda request: request + 1), "no progress|was lost", START_MM),
        (lies(position_shown=lambda counts: -(2**31)), "leapt", LATE_MM),
        (lies(position_shown=lambda counts: 3_800), "no progress|its position reads", START_MM),
        (lies(false_end=True), "its position reads", LATE_MM),
        # in late samples, for 2 to 200 ms, it is where it only says that it is
        *((reads_home_for(samples), "its position reads|leapt", LATE_MM) for samples in (1, 12, 30, 100)),
        (grows(8.0, Home, 1), "force grew", LATE_MM + 0.04 * 105.0 / 8.0),
        # its noise is not known yet, by which a frozen force is told; it is away before it is pressed
        (lies(force_shown=lambda counts: 15_000), "frozen|from the contact at 0 mm", START_MM),
        (lies(force_shown=lambda counts: 2**31 - 1), "above the limit", LATE_MM),
        (lies(hidden_bits=1 << 6), "bit 6", START_MM),
        (lies(bits=1 << 0), "saturated", LATE_MM),
        (lies(bits=1 << 1), "position sensor", LATE_MM),
        (lies(bits=1 << 4), "emergency stop is pressed", LATE_MM),
        (lies(bits=1 << 5), "force trip is latched", LATE_MM),
        (lies(silent=True), "no sample", BLIND_MM),
        (lies(seq_stuck=True), "no sample", BLIND_MM),
        (lies(time_factor=0.0), "no sample|faster|late", BLIND_MM + LATE_MM),
        (lies(lag_s=1.0), "late|no sample", BLIND_MM + SPEED_MM_PER_S),
        (lies(boot_id=9), "was reset", LATE_MM),
        (lies(name="another press"), "different device answers", LATE_MM),
        (
            restarts_over_and_over(lambda device: device.is_on(Home, 1, 1.0)),
            "restarts over and over",
            LATE_MM,
        ),
        (lies(stays_armed=True), "reports that it is armed", START_MM),
        (lies(never_armed_in_state=True), "is disarmed", START_MM),
    ],
)
def test_a_lie_on_the_way_home_stops_the_platen_and_is_named(tmp_path, monkeypatch, lie, word, travel_mm):
    pace = 4.0
    if re.search("sample|late", word):
        pace, lie = 1.0, impatient(lie, monkeypatch)
        word += "|heartbeat lost"
    with press(tmp_path, lie, homed=False, start_mm=START_MM, contact_mm=CONTACT_MM, pace=pace) as (
        device,
        reader,
    ):
        said = reason_of(reader, tmp_path)
    assert re.search(word, said), said
    assert device.travel_after_mm() <= travel_mm
    deepest_mm = min(device.lied_mm + travel_mm, START_MM + travel_mm) - CONTACT_MM
    assert device.most_force_after_n() <= STIFFNESS_N_PER_MM * max(deepest_mm, 0.0)
    # at rest a frozen force shows no fault before its noise is known; the state is asked now and then
    assert device.order_number == 1 or word in ("is disarmed", "frozen|from the contact at 0 mm")


def reason_of(reader, folder):
    """Why the run failed; it may find out only once it records."""
    try:
        result = run(reader, folder)
    except DeviceError as problem:
        assert problem.exit_code == 3
        return str(problem)
    assert result.failed
    return result.reason


def settles_after(samples, orders):
    """After a reset its converter gives nothing new, for so many samples from the host's limits on.

    What is ordered, and whether a new force had been shown by then, goes to `orders`.
    """

    def lie(device):
        if device.limits is not None:
            device.lies_now()
        settled = len(device.trace) >= samples
        device.hidden_bits = 0 if settled else FRESH
        if device.order is not None and not orders:
            orders.append((type(device.order.command), settled))

    return lie


def test_homing_waits_for_a_converter_that_settles_after_a_reset(tmp_path, monkeypatch):
    monkeypatch.setattr("rig.jobs.driving.FORCE_SETTLES_S", 60.0)
    orders: list[tuple[type, bool]] = []
    with press(tmp_path, settles_after(SETTLES_SAMPLES, orders), homed=False, start_mm=START_MM) as (
        _,
        reader,
    ):
        result = run(reader, tmp_path)
    assert orders == [(Home, True)]
    assert not result.failed, result.reason


def test_a_converter_that_never_settles_is_not_homed_with(tmp_path, monkeypatch):
    monkeypatch.setattr("rig.jobs.driving.FORCE_SETTLES_S", 0.1)
    orders: list[tuple[type, bool]] = []
    with press(tmp_path, settles_after(10**9, orders), homed=False, start_mm=START_MM) as (device, reader):
        said = reason_of(reader, tmp_path)
    assert orders == []
    assert "no new force reading" in said
    assert device.travel_after_mm() == 0.0


def test_a_halt_that_is_not_obeyed_on_the_way_home_calls_for_the_emergency_stop(tmp_path):
    lie = lies(sign=-1.0, deaf=True, stays_armed=True, ignores_target=True, speed_factor=2.0)
    with (
        press(tmp_path, lie, homed=False, start_mm=START_MM) as (device, reader),
        pytest.raises(DeviceError, match="PRESS THE EMERGENCY STOP"),
    ):
        run(reader, tmp_path)
    assert Halt in [type(command) for command in device.commands]


def test_a_platen_that_drifts_between_its_home_and_the_first_order_ends_the_run(tmp_path):
    lie = drifts_while_disarmed(5.0, lambda device: device.order_number == 1 and device.x_mm == 0.0)
    with press(tmp_path, lie, homed=False, start_mm=START_MM, pace=4.0) as (device, reader):
        said = reason_of(reader, tmp_path)
    assert "should stand still" in said
    assert device.drift_mm_per_s == 0.0
