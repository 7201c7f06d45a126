"""Each trip stops the simulated press within a stated number of step pulses, by count of the pulses.

At 10 mm/s the motor makes 4 steps each millisecond. Braking from there takes v^2/2a = 0.25 mm, 100 steps; the
whole intervals of the ramp may make it 3 % more. The rest of each bound is how late the cause can be known.
"""

from dataclasses import replace

import pytest
from simulated_press import (
    CONTACT_MM,
    LIMITS,
    MM,
    STIFFNESS_N_PER_MM,
    N,
    built,
    driven_bench,
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


@pytest.fixture(scope="module")
def build(tmp_path_factory):
    return built(tmp_path_factory)


@pytest.fixture
def press(build, tmp_path):
    with driven_bench(build, tmp_path) as driver:
        yield driver.ready()


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
    print(f"{code.name}: {said['steps_since']} steps, at most {steps:.0f} allowed")
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
    # the limit is narrowed to where the platen is just passing
    here = press.bench.tell("mark")["platen_mm"]
    press.bench.tell(f"watch position {here + 2.0}")
    narrowed = replace(LIMITS, max_position=round((here + 2.0) * MM))
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
    # the last heartbeat has been sent, and has reached the chip
    press.bench.chip_s(0.01)
    press.bench.tell("mark")
    end = press.end_of(motion, beat=False)
    said = press.standing(beat=False)
    assert (end.kind, end.code) == ("trip", EventCode.HEARTBEAT_LOST)
    # 500 to 550 ms after the heartbeat, which came up to 0.1 s and a turn of this loop before the mark; then
    # v/a = 50 ms
    assert 0.3e6 <= said["last_step_since_us"] <= 0.55e6 + 0.052e6
    stop_ms = said["last_step_since_us"] / 1e3
    print(f"HEARTBEAT_LOST: stood {stop_ms:.0f} ms after the mark, {said['steps_since']} steps")
    # heartbeats alone do not set it going again
    press.session.clear_stop()
    press.bench.chip_s(0.2)
    assert press.standing()["steps"] == said["steps"]


def test_heartbeats_keep_it_armed(press):
    press.bench.tell("mark")
    press.until(lambda: press.bench.state["time_us"] - press.bench.state["mark_us"] > 1.5e6)
    assert StateFlag.ARMED in press.session.state().flags


def test_heartbeat_loss_is_timed_by_the_device(press):
    before_us = press.bench.tell("mark")["mark_us"]
    wait_until(lambda: press.heart.beat_after(press.reader.get(0.02) or press.deliveries[-1]))
    press.bench.chip_s(0.005)
    after_us = press.bench.tell("mark")["mark_us"]
    press.until(lambda: any(event.code == EventCode.HEARTBEAT_LOST for event in press.heard), beat=False)
    lost = next(event for event in press.heard if event.code == EventCode.HEARTBEAT_LOST)
    # the chip's clock began with the bench's; the heartbeat came between the two marks
    assert lost.time_us - before_us >= 0.5e6
    assert lost.time_us - after_us <= 0.55e6
