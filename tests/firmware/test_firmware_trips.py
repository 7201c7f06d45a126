"""Each trip stops the simulated press within a stated number of step pulses, by count of the pulses.

At 10 mm/s the motor makes 4 steps each millisecond. Braking from there takes v^2/2a = 0.25 mm, 100 steps; the
whole intervals of the ramp may make it 3 % more. The rest of each bound is how late the cause can be known.
"""

import shutil
from dataclasses import replace

import pytest
from simulated_press import (
    CONTACT_MM,
    LIMITS,
    MM,
    REFERENCE,
    STEPS_PER_MM,
    STIFFNESS_N_PER_MM,
    N,
    built,
    driven_bench,
    make,
    skip_without_tools,
    wait_until,
)

from rig.errors import DeviceError
from rig.wire import EventCode, StateFlag

skip_without_tools()

SPEED_MM_PER_S = 10
STEPS_PER_MS = 4
BRAKING_STEPS = 103
LOOP_MS = 1
DEBOUNCE_MS = 2
PERIOD_MS = 12.5
BEGUN_MM = 4.0
AHEAD_MM = 6.0
"""0.6 s at this speed: the chip's time waits for a host that says nothing for 0.2 s."""

SLICE_N = 0.1
"""The bench carries out what was ordered for a force within 0.5 ms, at 200 N/s."""

LEAST_PULSE_US = 4.0
"""What chip.h promises; drivers of stepping motors ask for 1 to 2.5 us (common practice, no source)."""

CYCLE_US = 1 / 16
"""Of the chip's clock: what a moment can be known to."""

FROZEN, UNMOVED, GONE = 2, 3, 4
"""Values of the event that says why a force cannot be believed (protocol)."""


@pytest.fixture(scope="module")
def build(tmp_path_factory):
    return built(tmp_path_factory)


@pytest.fixture
def press(build, tmp_path):
    with driven_bench(build, tmp_path) as driver:
        yield driver.ready()


def where(said):
    """Travel and true force at an end, for the lines that these tests print."""
    return f"at {said['platen_mm']:.2f} mm and {said['force_n']:.1f} N"


def most_steps(late_ms):
    return BRAKING_STEPS + STEPS_PER_MS * late_ms


def approach(press):
    """The platen goes at 10 mm/s towards 18 mm, and is past `BEGUN_MM`."""
    motion = press.session.move_to(18 * MM, speed=SPEED_MM_PER_S * MM)
    press.until(lambda: press.bench.state["platen_mm"] > BEGUN_MM)
    return motion


def stopped_by(press, motion, code, steps):
    """It stopped with this code within so many pulses, latched and disarmed; the bench's words."""
    end = press.end_of(motion)
    said = press.standing()
    print(f"{code.name}: {said['steps_since']} steps, at most {steps:.0f} allowed, ended {where(said)}")
    assert (end.kind, end.code) == ("trip", code)
    assert said["steps_since"] <= steps
    # braking itself takes its steps: fewer would mean that the platen was not at its speed
    assert said["steps_since"] >= 60
    state = press.session.state()
    assert state.stop_cause == code
    assert not state.flags & (StateFlag.ARMED | StateFlag.MOVING)
    endings = [event for event in press.heard if event.request == motion.request]
    assert len(endings) == 1
    return said


def only_retreat_works(press, said):
    """Approach is refused after the stop is cleared; going back is accepted and done."""
    here = press.deliveries[-1].samples.position[-1]
    with pytest.raises(DeviceError, match="outside"):
        press.session.retreat(int(here) + MM // 2, speed=2 * MM, confirmed=True)
    assert press.standing()["steps"] == said["steps"]
    back = press.session.retreat(int(here) - MM, speed=2 * MM, confirmed=True)
    assert press.end_of(back).kind == "finished"
    assert press.standing()["platen_mm"] == pytest.approx(said["platen_mm"] - 1.0, abs=0.02)


def test_the_emergency_stop_stops_it(press):
    motion = approach(press)
    press.bench.tell("stop open")
    stopped_by(press, motion, EventCode.STOP_OPENED, most_steps(DEBOUNCE_MS + 2 * LOOP_MS))
    with pytest.raises(DeviceError, match="latched"):
        press.session.clear_stop()
    press.bench.tell("stop close")
    press.until(lambda: any(event.code == EventCode.STOP_CLOSED for event in press.heard))
    with pytest.raises(DeviceError, match="latched"):
        press.session.arm()
    press.session.clear_stop()
    press.session.arm()


def test_the_upper_switch_stops_it_and_only_retreat_works(press):
    motion = approach(press)
    press.bench.tell("upper press")
    said = stopped_by(press, motion, EventCode.TRAVEL_TRIP, most_steps(DEBOUNCE_MS + 2 * LOOP_MS))
    only_retreat_works(press, said)


def test_a_force_limit_stops_it_and_only_retreat_works(press):
    press.bench.usual_specimen()
    limit_n = LIMITS.max_force / N
    press.bench.tell(f"watch force {limit_n}")
    motion = approach(press)
    # delivered one conversion late, half of it before the limit; the next conversion may be a whole one away,
    # and at 200 N/s the noise of 5 mN is nothing
    said = stopped_by(press, motion, EventCode.FORCE_TRIP, most_steps(2.5 * PERIOD_MS + LOOP_MS))
    assert said["platen_mm"] > CONTACT_MM + limit_n / STIFFNESS_N_PER_MM
    assert said["force_n"] > limit_n
    only_retreat_works(press, said)


def test_a_passed_position_limit_stops_it_and_only_retreat_works(press):
    motion = approach(press)
    # the limit is narrowed to where the platen will be soon
    there_mm = press.bench.tell("mark")["platen_mm"] + AHEAD_MM
    press.bench.tell(f"watch position {there_mm}")
    narrowed = replace(LIMITS, max_position=round(there_mm * MM))
    press.session.set_limits(narrowed)
    # two counts of slack are four steps; the switch's zero and the limit's rounding may be two more counts
    said = stopped_by(press, motion, EventCode.TRAVEL_TRIP, 4 + 4 + most_steps(2 * LOOP_MS))
    only_retreat_works(press, said)


def test_a_stall_stops_it(press):
    motion = approach(press)
    press.bench.tell("motor stall")
    # 40 counts of following error are 80 steps
    stopped_by(press, motion, EventCode.STALLED, 80 + most_steps(2 * LOOP_MS))


def test_a_scale_that_stands_still_stops_it(press):
    motion = approach(press)
    press.bench.tell("scale frozen")
    stopped_by(press, motion, EventCode.STALLED, 80 + most_steps(2 * LOOP_MS))


def test_a_scale_that_loses_an_edge_stops_it_and_home_is_lost(press):
    motion = approach(press)
    press.bench.tell("scale torn")
    stopped_by(press, motion, EventCode.POSITION_FAULT, most_steps(2 * LOOP_MS))
    with pytest.raises(DeviceError, match="not homed"):
        press.session.retreat(0, speed=2 * MM, confirmed=True)
    press.session.arm()
    assert press.end_of(press.session.home(speed=10 * MM)).kind == "finished"


def test_a_silent_amplifier_stops_it(press):
    motion = approach(press)
    press.bench.tell("amplifier silent")
    # three periods, a tenth longer for a converter whose clock is off
    stopped_by(press, motion, EventCode.FORCE_SILENT, most_steps(3.3 * PERIOD_MS + 2 * LOOP_MS))


def test_an_amplifier_whose_data_line_is_shorted_stops_it(press):
    motion = approach(press)
    press.bench.tell("amplifier stuck")
    stopped_by(press, motion, EventCode.FORCE_SILENT, most_steps(3.3 * PERIOD_MS + 2 * LOOP_MS))


def test_a_saturated_amplifier_stops_it(press):
    motion = approach(press)
    press.bench.tell("amplifier saturated")
    stopped_by(press, motion, EventCode.FORCE_SILENT, most_steps(PERIOD_MS + 2 * LOOP_MS))


def test_a_lost_heartbeat_stops_it_within_its_time(press):
    motion = press.session.move_to(18 * MM, speed=SPEED_MM_PER_S * MM)
    press.until(lambda: press.bench.state["platen_mm"] > BEGUN_MM)
    press.fall_silent()
    end = press.end_of(motion, beat=False)
    said = press.standing(beat=False)
    assert (end.kind, end.code) == ("trip", EventCode.HEARTBEAT_LOST)
    # 500 to 550 ms after the heartbeat, then v/a = 50 ms; the mark was set up to a millisecond before the
    # heartbeat, or up to 0.2 s after it, when the chip's time waits
    assert 0.3e6 <= said["last_step_since_us"] <= 0.55e6 + 0.052e6 + 0.001e6
    stop_ms = said["last_step_since_us"] / 1e3
    print(f"HEARTBEAT_LOST: stood {stop_ms:.0f} ms after the mark, {said['steps_since']} steps")
    # heartbeats alone do not set it going again
    press.session.clear_stop()
    press.chip_s(0.2)
    assert press.standing()["steps"] == said["steps"]


def test_heartbeats_keep_it_armed(press):
    press.bench.tell("mark")
    press.until(lambda: press.bench.state["time_us"] - press.bench.state["mark_us"] > 1.5e6)
    assert StateFlag.ARMED in press.session.state().flags


def test_heartbeat_loss_is_timed_by_the_device(press):
    before_us = press.bench.tell("mark")["mark_us"]
    press.fall_silent()
    wait_until(press.bench.has_run(0.005))
    after_us = press.bench.tell("mark")["mark_us"]
    press.until(lambda: any(event.code == EventCode.HEARTBEAT_LOST for event in press.heard), beat=False)
    lost = next(event for event in press.heard if event.code == EventCode.HEARTBEAT_LOST)
    # the chip's clock began with the bench's; the heartbeat came between the two marks
    assert lost.time_us - before_us >= 0.5e6
    assert lost.time_us - after_us <= 0.55e6


@pytest.fixture
def fresh(build, tmp_path):
    """A press that is armed with limits, and not homed."""
    with driven_bench(build, tmp_path) as driver:
        driver.bench.usual_specimen()
        yield driver


def homes(press, code):
    """Homing ends with this trip; the bench's words at its end, and how far it went towards the part."""
    press.session.set_limits(LIMITS)
    press.session.arm()
    before = press.bench.tell("mark")
    end = press.end_of(press.session.home(speed=10 * MM))
    said = press.standing()
    print(f"home: {code.name} {where(said)}, from {before['platen_mm']:.2f} mm")
    assert (end.kind, end.code) == ("trip", code)
    return said, said["platen_mm"] - before["platen_mm"]


def test_homing_without_its_plug_goes_2_mm_towards_the_part_at_most(fresh):
    fresh.bench.tell("home press")
    fresh.chip_s(0.01)
    said, towards_mm = homes(fresh, EventCode.STALLED)
    assert towards_mm <= 2.0
    assert said["force_n"] == 0.0


def test_homing_with_swapped_plugs_stops_at_the_real_home_switch(fresh):
    fresh.bench.tell("plugs swapped")
    said, _ = homes(fresh, EventCode.TRAVEL_TRIP)
    # pressed 0.05 mm below zero; debounced and braked from 10 mm/s within 0.3 mm
    assert -0.4 <= said["platen_mm"] <= -0.05


def test_homing_with_motor_and_scale_reversed_stops_at_the_part(fresh):
    fresh.bench.tell("wires reversed")
    fresh.bench.tell("watch force 5")
    said, _ = homes(fresh, EventCode.FORCE_TRIP)
    # 5 N, grown by 200 N/s for 2.5 conversions and a turn, and by 20 N/mm over 0.26 mm of braking
    assert said["force_n"] <= 5.0 + 200.0 * (2.5 * PERIOD_MS + LOOP_MS) / 1e3 + 20.0 * 0.26
    assert said["steps_since"] <= most_steps(2.5 * PERIOD_MS + LOOP_MS)


def test_homing_with_motor_and_scale_reversed_and_no_part_stops_at_the_upper_switch(fresh):
    fresh.bench.tell("specimen none")
    fresh.bench.tell("wires reversed")
    fresh.bench.tell("shove 110")
    fresh.until(lambda: fresh.bench.state["platen_mm"] >= 113.0)
    said, _ = homes(fresh, EventCode.TRAVEL_TRIP)
    assert 121.0 <= said["platen_mm"] <= 121.4


def test_homing_is_refused_beyond_a_force_limit(fresh):
    fresh.session.set_limits(LIMITS)
    for newton in (110, -10):
        fresh.bench.tell(f"push {newton}")
        fresh.chip_s(0.05)
        fresh.session.arm()
        with pytest.raises(DeviceError, match="outside"):
            fresh.session.home(speed=10 * MM)
        print(f"home refused {where(fresh.bench.state)}")
        fresh.session.disarm()
    assert fresh.bench.state["steps"] == 0


def test_a_frozen_amplifier_stops_it(press):
    motion = approach(press)
    press.bench.tell("amplifier frozen")
    # eight equal conversions after the one that repeats for the first time
    said = stopped_by(press, motion, EventCode.FORCE_SILENT, most_steps(9 * PERIOD_MS + 2 * LOOP_MS))
    assert said["force_n"] == 0.0
    assert next(event.value for event in press.heard if event.code == EventCode.FORCE_SILENT) == FROZEN


def pressed_to(press, newton, fault):
    """A press at 10 mm/s until 90 N; the fault comes at so much true force, and sets the mark."""
    press.bench.usual_specimen()
    press.bench.tell(f"watch force {newton} {fault}")
    return press.session.press_until(90 * N, speed=SPEED_MM_PER_S * MM, position_limit=18 * MM)


def unbelieved(press, motion, value):
    """It ended with event 10 of this value; the bench's words at its end."""
    end = press.end_of(motion)
    assert (end.kind, end.code) == ("trip", EventCode.FORCE_SILENT)
    assert next(event.value for event in press.heard if event.code == EventCode.FORCE_SILENT) == value
    said = press.standing()
    print(f"event 10 value {value}: {where(said)}")
    return said


def test_a_converter_that_freezes_in_a_press_stops_it(press):
    motion = pressed_to(press, 20.0, "amplifier frozen")
    said = unbelieved(press, motion, FROZEN)
    # eight equal conversions after the one that repeats for the first time
    most = most_steps(9 * PERIOD_MS + 2 * LOOP_MS)
    assert said["steps_since"] <= most
    assert 20.0 < said["force_n"] <= 20.0 + SLICE_N + STIFFNESS_N_PER_MM * most / STEPS_PER_MM


def test_a_bridge_that_loses_its_excitation_in_a_press_stops_it(press):
    motion = pressed_to(press, 20.0, "amplifier unexcited")
    said = unbelieved(press, motion, GONE)
    # a conversion late, a whole one on its way, and two turns; then braking
    most = most_steps(3 * PERIOD_MS + 2 * LOOP_MS)
    assert said["steps_since"] <= most
    assert 20.0 < said["force_n"] <= 20.0 + SLICE_N + STIFFNESS_N_PER_MM * most / STEPS_PER_MM


def test_a_force_that_stays_while_a_press_goes_on_stops_it(press):
    motion = pressed_to(press, 20.0, "amplifier caught")
    said = unbelieved(press, motion, UNMOVED)
    # the way that is given, 2 mm, on top of what a late and a running conversion take
    most = most_steps(3 * PERIOD_MS + 2 * LOOP_MS) + 2 * STEPS_PER_MM
    assert said["steps_since"] <= most
    assert 20.0 < said["force_n"] <= 20.0 + SLICE_N + STIFFNESS_N_PER_MM * most / STEPS_PER_MM


def test_the_slowest_filter_makes_a_force_trip_as_late_as_the_notes_say(build, tmp_path):
    # a filter of 50 ms beside the conversion: four conversions late
    with driven_bench(build, tmp_path, "--delay", "4") as driver:
        press = driver.ready()
        press.bench.usual_specimen()
        limit_n = LIMITS.max_force / N
        press.bench.tell(f"watch force {limit_n}")
        motion = approach(press)
        said = stopped_by(press, motion, EventCode.FORCE_TRIP, most_steps(5.5 * PERIOD_MS + LOOP_MS))
        assert said["force_n"] <= limit_n + 20.0


HARD_N_PER_MM = 5000.0
"""A block, a platen or a finger's bone between them: what gives then is frame and cell, not the part."""


@pytest.mark.parametrize("delay", [1, 4])
@pytest.mark.parametrize("speed_mm_per_s", [10, 1])
def test_a_force_trip_on_something_hard_is_as_late_as_the_notes_say(build, tmp_path, speed_mm_per_s, delay):
    with driven_bench(build, tmp_path, "--delay", str(delay)) as driver:
        press = driver.ready()
        press.bench.tell(f"specimen {HARD_N_PER_MM} {CONTACT_MM} 1 0")
        limit_n = LIMITS.max_force / N
        press.bench.tell(f"watch force {limit_n}")
        motion = press.session.move_to(10 * MM, speed=speed_mm_per_s * MM)
        end = press.end_of(motion)
        said = press.standing()
    past_mm = said["steps_since"] / STEPS_PER_MM
    print(f"{end.code}: {past_mm:.3f} mm past it, ended {where(said)}")
    # a reading beyond the converter's own end is a trip as well
    assert end.code in (EventCode.FORCE_TRIP, EventCode.FORCE_SILENT)
    late_ms = (delay + 1.5) * PERIOD_MS + LOOP_MS
    most_mm = speed_mm_per_s * late_ms / 1e3 + 1.03 * speed_mm_per_s**2 / 400.0 + 1 / STEPS_PER_MM
    assert past_mm <= most_mm
    assert limit_n < said["force_n"] <= limit_n + HARD_N_PER_MM * (most_mm + 1 / STEPS_PER_MM)


def test_a_retreat_from_a_force_limit_is_slow(press):
    press.bench.usual_specimen()
    motion = approach(press)
    assert press.end_of(motion).code == EventCode.FORCE_TRIP
    press.standing()
    here = int(press.deliveries[-1].samples.position[-1])
    before = press.bench.tell("mark")
    back = press.session.retreat(here - 2 * MM, speed=SPEED_MM_PER_S * MM, confirmed=True)
    assert press.end_of(back).kind == "finished"
    said = press.bench.state
    print(f"released {where(before)}, ended {where(said)}")
    # 2 mm at 2 mm/s, whatever was ordered
    assert said["last_step_since_us"] >= 0.95e6
    assert said["steps_since"] == pytest.approx(2 * STEPS_PER_MM, abs=12)
    assert said["force_n"] < before["force_n"]


def says_the_truth(press):
    """The lamp is on exactly while the motor has current; whether it has."""
    said = press.bench.state
    assert said["lamp_on"] == said["motor_on"]
    return said["motor_on"]


def test_after_a_stop_the_motor_has_no_current_and_the_lamp_says_so(press):
    press.bench.usual_specimen()
    press.bench.tell("watch force 20 stop open")
    motion = press.session.move_to(18 * MM, speed=SPEED_MM_PER_S * MM)
    assert says_the_truth(press)
    said = stopped_by(press, motion, EventCode.STOP_OPENED, most_steps(DEBOUNCE_MS + 2 * LOOP_MS) + 2)
    press.until(lambda: not says_the_truth(press))
    let_go = press.bench.state
    print(f"without current {where(let_go)}")
    # it braked first: without current the pulses of the braking would have moved nothing
    assert (let_go["steps"], let_go["platen_mm"]) == (said["steps"], said["platen_mm"])
    # 20 N, and what 20 N/mm make of debouncing, two turns and braking
    grown_n = STIFFNESS_N_PER_MM * said["steps_since"] / STEPS_PER_MM
    assert 20.0 < let_go["force_n"] <= 20.0 + SLICE_N + grown_n + 0.1
    press.bench.tell("stop close")
    press.until(lambda: any(event.code == EventCode.STOP_CLOSED for event in press.heard))
    press.session.clear_stop()
    assert not says_the_truth(press)
    press.session.arm()
    assert says_the_truth(press)


def test_after_a_disarm_the_motor_holds_and_the_lamp_says_so(press):
    assert press.end_of(press.session.move_to(4 * MM, speed=10 * MM)).kind == "finished"
    press.session.disarm()
    press.chip_s(0.5)
    said = press.bench.state
    print(f"disarmed {where(said)}")
    # as settings.h says; a screw that does not hold by itself would let the platen down
    assert says_the_truth(press)
    assert (said["platen_mm"], said["force_n"]) == (pytest.approx(4.0, abs=0.01), 0.0)


def test_after_a_reset_the_motor_has_no_current_and_the_lamp_says_so(press):
    assert says_the_truth(press)
    press.bench.tell("reset external")
    press.until(lambda: any(event.code == EventCode.BOOT for event in press.heard))
    assert not says_the_truth(press)


def test_the_stack_stays_within_what_is_kept_for_it(press):
    assert press.end_of(press.session.move_to(16 * MM, speed=15 * MM)).kind == "finished"
    used = press.bench.state["stack_bytes"]
    print(f"stack {used} bytes at its deepest")
    assert 40 < used <= 512 - 128


def trips_at_rest(press, code):
    press.until(lambda: any(event.code == code for event in press.heard))
    said = press.bench.state
    print(f"{code.name}: at rest {where(said)}")
    state = press.session.state()
    assert state.stop_cause == code
    assert not state.flags & StateFlag.ARMED


@pytest.mark.parametrize("order", ["push 110", "push -10"])
def test_a_force_beyond_either_limit_at_rest_trips(press, order):
    press.bench.tell(order)
    trips_at_rest(press, EventCode.FORCE_TRIP)


@pytest.mark.parametrize("way_mm", [0.3, -0.3])
def test_a_platen_pushed_back_while_holding_trips_and_disarms(press, way_mm):
    assert press.end_of(press.session.move_to(4 * MM, speed=10 * MM)).kind == "finished"
    press.bench.tell(f"shove {way_mm}")
    trips_at_rest(press, EventCode.STALLED)


def test_the_upper_switch_stops_a_motion_away_from_it(press):
    assert press.end_of(press.session.move_to(18 * MM, speed=10 * MM)).kind == "finished"
    motion = press.session.move_to(1 * MM, speed=10 * MM)
    press.until(lambda: press.bench.state["platen_mm"] < 14.0)
    press.bench.tell("upper press")
    stopped_by(press, motion, EventCode.TRAVEL_TRIP, most_steps(DEBOUNCE_MS + 2 * LOOP_MS))


def test_the_home_switch_stops_a_motion_away_from_it(press):
    motion = approach(press)
    press.bench.tell("home press")
    stopped_by(press, motion, EventCode.TRAVEL_TRIP, most_steps(DEBOUNCE_MS + 2 * LOOP_MS))


def run_on(press, way_counts):
    """A run from where it is, since homing may end a count beside its zero; the bench's words."""
    press.chip_s(0.1)
    here = int(press.deliveries[-1].samples.position[-1])
    before = press.bench.tell("mark")
    assert press.end_of(press.session.move_to(here + way_counts, speed=10 * MM)).kind == "finished"
    said = press.standing()
    assert said["steps_since"] >= 2
    assert said["platen_mm"] - before["platen_mm"] == pytest.approx(way_counts / MM, abs=0.011)
    return said


def test_the_last_pulse_of_a_run_is_as_long_as_any_other(press):
    # the shortest of a long run: an interrupt makes single pulses longer
    long_run = run_on(press, 4 * MM)
    shortest_us = long_run["step_high_us"]
    for said in (long_run, run_on(press, 1), run_on(press, -1)):
        print(f"pulses of {shortest_us:.2f} us, the last {said['last_high_us']:.2f} us, {where(said)}")
        assert said["last_high_us"] >= shortest_us - CYCLE_US
    assert shortest_us >= LEAST_PULSE_US


def from_above(press):
    """A motion at 10 mm/s from 18 mm back to 1 mm, past 16 mm; the bench's words there."""
    assert press.end_of(press.session.move_to(18 * MM, speed=SPEED_MM_PER_S * MM)).kind == "finished"
    motion = press.session.move_to(1 * MM, speed=SPEED_MM_PER_S * MM)
    press.until(lambda: press.bench.state["platen_mm"] < 16.0)
    return motion


def test_a_force_below_its_limit_stops_a_motion_that_pulls(press):
    motion = from_above(press)
    press.bench.tell("push -10")
    said = stopped_by(press, motion, EventCode.FORCE_TRIP, most_steps(2.5 * PERIOD_MS + LOOP_MS))
    assert said["force_n"] == -10.0
    # what pulls is let go by going on towards it; away from it is refused
    here = int(press.deliveries[-1].samples.position[-1])
    with pytest.raises(DeviceError, match="outside"):
        press.session.retreat(here - MM // 2, speed=2 * MM, confirmed=True)
    assert press.standing()["steps"] == said["steps"]


def test_the_lower_position_limit_stops_a_motion_towards_it(press):
    motion = from_above(press)
    limit_mm = press.bench.tell("mark")["platen_mm"] - AHEAD_MM
    press.session.set_limits(replace(LIMITS, min_position=round(limit_mm * MM)))
    end = press.end_of(motion)
    said = press.standing()
    past_steps = (limit_mm - said["platen_mm"]) * STEPS_PER_MM
    print(f"{end.code}: {past_steps:.0f} steps past {limit_mm:.2f} mm, ended {where(said)}")
    assert (end.kind, end.code) == ("trip", EventCode.TRAVEL_TRIP)
    # as for the upper limit: slack, the zero of the switch and rounding are four counts
    assert 60 <= past_steps <= 4 + 4 + most_steps(2 * LOOP_MS)
    state = press.session.state()
    assert state.stop_cause == EventCode.TRAVEL_TRIP
    assert not state.flags & (StateFlag.ARMED | StateFlag.MOVING)


@pytest.mark.parametrize("way_mm", [0.15, -0.15])
def test_a_platen_pushed_beyond_a_position_limit_at_rest_trips_and_disarms(press, way_mm):
    assert press.end_of(press.session.move_to(4 * MM, speed=10 * MM)).kind == "finished"
    beside = MM // 20
    press.session.set_limits(replace(LIMITS, min_position=4 * MM - beside, max_position=4 * MM + beside))
    # less than what a platen may lie beside its place before it counts as pushed away
    press.bench.tell(f"shove {way_mm}")
    trips_at_rest(press, EventCode.TRAVEL_TRIP)
    press.chip_s(0.1)
    assert press.bench.state["platen_mm"] == pytest.approx(4.0 + way_mm, abs=0.011)


def test_the_upper_switch_stops_a_homing_that_leaves_its_switch(fresh):
    fresh.bench.tell("home press")
    fresh.session.set_limits(LIMITS)
    fresh.session.arm()
    before_mm = fresh.bench.state["platen_mm"]
    motion = fresh.session.home(speed=10 * MM)
    fresh.until(lambda: fresh.bench.state["platen_mm"] > before_mm + 0.3)
    fresh.bench.tell("upper press")
    end = fresh.end_of(motion)
    said = fresh.standing()
    print(f"{end.code}: {said['steps_since']} steps, {where(said)}")
    assert (end.kind, end.code) == ("trip", EventCode.TRAVEL_TRIP)
    # 1 mm/s: debounced and looked at within 4 ms, braked within 2 steps
    assert said["steps_since"] <= 0.4 * (DEBOUNCE_MS + 2 * LOOP_MS) + 2 + 1
    assert said["platen_mm"] < before_mm + 2.0
    assert said["force_n"] == 0.0


def test_a_setting_takes_the_motors_current_away_after_a_disarm_too(build, tmp_path):
    sources = tmp_path / "reference"
    shutil.copytree(REFERENCE, sources, ignore=shutil.ignore_patterns("build", "bench", "tests"))
    settings = sources / "core" / "settings.h"
    text = settings.read_text(encoding="utf-8")
    assert text.count("#define RELEASE_AFTER_DISARM 0") == 1
    settings.write_text(text.replace("RELEASE_AFTER_DISARM 0", "RELEASE_AFTER_DISARM 1"), encoding="utf-8")
    make(tmp_path, "firmware", sources=sources)
    shutil.copy(build / "bench", tmp_path / "bench")
    with driven_bench(tmp_path, tmp_path) as driver:
        press = driver.ready()
        assert press.end_of(press.session.move_to(4 * MM, speed=10 * MM)).kind == "finished"
        assert says_the_truth(press)
        press.session.disarm()
        press.until(lambda: not says_the_truth(press))
        said = press.bench.state
        print(f"without current {where(said)}")
        assert (said["platen_mm"], said["force_n"]) == (pytest.approx(4.0, abs=0.01), 0.0)
