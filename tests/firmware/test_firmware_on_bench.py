"""The unchanged host and the reference firmware in its simulated press: who is there, samples, motions."""

import json
from dataclasses import replace

import numpy as np
import pytest
import serial
from simulated_press import (
    CONTACT_MM,
    LIMITS,
    MM,
    STEPS_PER_MM,
    STIFFNESS_N_PER_MM,
    DeviceLimits,
    N,
    built,
    driven_bench,
    running_bench,
    skip_without_tools,
    wait_until,
)
from stepped_press import stepped_stand

from rig.errors import DeviceError
from rig.samples import Samples, Status
from rig.wire import Event, EventCode, FrameDecoder, Home, StateFlag

skip_without_tools()

BROWN_OUT = 4
WATCHDOG = 8
COUNTS_PER_S = 10 * MM
HELD_OFF_US = 60.0
"""Interrupts that fall together hold a step off for 50 us; a reading of the amplifier would for 100."""


@pytest.fixture(scope="module")
def build(tmp_path_factory):
    return built(tmp_path_factory)


@pytest.fixture
def press(build, tmp_path):
    with driven_bench(build, tmp_path) as driver:
        yield driver


@pytest.fixture(scope="module")
def homed(build, tmp_path_factory):
    """One press for the motions, which are none the worse for coming one after the other."""
    with driven_bench(build, tmp_path_factory.mktemp("bench")) as driver:
        yield driver.ready()


def samples_of(driver):
    return Samples.concatenate([each.samples for each in driver.deliveries if len(each.samples)])


def test_it_says_who_it_is_and_streams_at_its_rate(press):
    identity = press.reader.identity
    assert identity.protocol == 1
    assert identity.unit_id == b"REF-0001"
    assert press.reader.granted_hz == 500.0
    press.until(lambda: sum(len(each.samples) for each in press.deliveries) >= 1500)
    samples = samples_of(press)
    periods_us = np.diff(samples.time_us)[5:]
    # 2 ms; a conversion moves its sample by half of that at most
    assert np.mean(periods_us) == pytest.approx(2000.0, abs=2.0)
    assert periods_us.min() >= 990
    assert periods_us.max() <= 3010
    assert set(np.diff(samples.seq)) == {1}


def test_each_conversion_is_new_once_and_bears_its_own_time(press):
    press.until(lambda: sum(len(each.samples) for each in press.deliveries) >= 1000)
    samples = samples_of(press)
    fresh = (samples.status & Status.FRESH_FORCE) != 0
    between_us = np.diff(samples.time_us[fresh])[1:]
    # the bench converts every 12.5 ms; the interrupt that notes it may be held off for some microseconds
    assert between_us.min() >= 12_450
    assert between_us.max() <= 12_550


def test_limits_are_kept_and_read_back(press):
    press.session.set_limits(LIMITS)
    state = press.session.state()
    assert DeviceLimits.kept_by(state) == LIMITS
    assert state.flags == StateFlag.LIMITS_SET | StateFlag.STREAMING


def test_a_motion_before_homing_is_refused(press):
    press.session.set_limits(LIMITS)
    press.session.arm()
    with pytest.raises(DeviceError, match="not homed"):
        press.session.move_to(MM, speed=COUNTS_PER_S)
    assert press.bench.state["steps"] == 0


def test_homing_puts_zero_where_the_switch_lets_go(homed):
    offset = next(event for event in homed.heard if event.code == EventCode.HOMED)
    # the bench starts 3 mm above the place where its switch lets go, and the counter at 0 there
    assert offset.value == pytest.approx(-3 * MM, abs=1)
    assert StateFlag.HOMED in homed.session.state().flags


def test_a_move_ends_at_its_place(homed):
    end = homed.end_of(homed.session.move_to(6 * MM, speed=15 * MM))
    assert end.kind == "finished"
    assert end.value == pytest.approx(6 * MM, abs=1)
    assert homed.standing()["platen_mm"] == pytest.approx(6.0, abs=0.01)


def test_a_move_at_full_speed_keeps_its_step_rate_while_the_amplifier_is_read(press):
    press.ready(replace(LIMITS, max_position=110 * MM))
    # so long that it is at full speed when it is looked at, however late that is
    motion = press.session.move_to(110 * MM, speed=15 * MM)
    press.until(lambda: press.bench.state["platen_mm"] > 3.0)
    press.bench.tell("mark")
    press.until(lambda: press.bench.state["platen_mm"] > 12.0)
    said = press.bench.state
    press.session.halt()
    assert press.end_of(motion).kind == "halted"
    # 6000 steps/s are 166.7 us apart, the scale's edges twice that; a reading of the amplifier takes 100 us
    # and comes 50 times on this way, and none may hold a step off for long
    nominal_us = 1e6 / (15 * STEPS_PER_MM)
    print(f"late by {said['longest_step_us'] - nominal_us:.0f} us, nominally {nominal_us:.0f} us apart")
    assert said["longest_step_us"] - nominal_us < HELD_OFF_US
    assert nominal_us - said["shortest_step_us"] < HELD_OFF_US
    # a clock that is high for 60 us turns such a converter off
    assert said["clock_high_us"] < 10.0
    assert said["step_high_us"] >= 4.0


def test_no_edge_of_the_scale_is_lost_at_full_speed(homed):
    for _ in range(3):
        assert homed.end_of(homed.session.move_to(18 * MM, speed=15 * MM)).kind == "finished"
        assert homed.end_of(homed.session.move_to(1 * MM, speed=15 * MM)).kind == "finished"
    said = homed.standing()
    seen = homed.deliveries[-1].samples.position[-1]
    # the switch's zero may lie a count beside the bench's
    assert seen == pytest.approx(said["counts"], abs=1)


def test_a_press_stops_at_its_force(homed):
    homed.end_of(homed.session.move_to(1 * MM, speed=15 * MM))
    homed.bench.usual_specimen()
    end = homed.end_of(homed.session.press_until(30 * N, speed=2 * MM, position_limit=18 * MM))
    said = homed.standing()
    homed.end_of(homed.session.move_to(1 * MM, speed=15 * MM))
    homed.bench.tell("specimen none")
    assert end.kind == "finished"
    # the force is 2.5 conversions late at most, 31 ms at 2 mm/s, and braking takes v^2/2a = 0.01 mm
    deepest_mm = CONTACT_MM + 30.0 / STIFFNESS_N_PER_MM + 2.0 * 0.033 + 0.02
    assert CONTACT_MM + 30.0 / STIFFNESS_N_PER_MM <= said["platen_mm"] <= deepest_mm


def test_a_press_into_the_air_ends_at_its_limit(homed):
    homed.end_of(homed.session.move_to(1 * MM, speed=15 * MM))
    end = homed.end_of(homed.session.press_until(30 * N, speed=15 * MM, position_limit=5 * MM))
    assert end.kind == "position limit"
    assert homed.standing()["platen_mm"] == pytest.approx(5.0, abs=0.01)


def test_the_device_counts_cycles_by_itself(homed):
    homed.end_of(homed.session.move_to(1 * MM, speed=15 * MM))
    motion = homed.session.cycle(1 * MM, 3 * MM, speed=15 * MM, count=4, dwell_high_ms=50)
    assert homed.end_of(motion).kind == "finished"
    assert motion.cycles_done == 4
    assert homed.session.state().cycles_done == 4


def test_backlash_is_taken_up_by_the_scale(homed):
    homed.bench.tell("backlash 40")
    ends = [homed.end_of(homed.session.move_to(to * MM, speed=10 * MM)) for to in (5, 2, 5)]
    homed.bench.tell("backlash 0")
    assert [end.kind for end in ends] == ["finished"] * 3
    # 40 steps of backlash are 20 counts; the platen stands where it was sent all the same
    assert [end.value for end in ends] == pytest.approx([5 * MM, 2 * MM, 5 * MM], abs=1)


def test_a_halt_brakes_and_leaves_it_armed(homed):
    homed.end_of(homed.session.move_to(1 * MM, speed=15 * MM))
    motion = homed.session.move_to(18 * MM, speed=10 * MM)
    homed.until(lambda: homed.bench.state["platen_mm"] > 4.0)
    before = homed.bench.tell("mark")
    homed.session.halt()
    assert homed.end_of(motion).kind == "halted"
    said = homed.standing()
    # braking from 10 mm/s takes v^2/2a = 0.25 mm; the way of the order to the chip is what the clock says
    way_s = (said["last_step_since_us"]) / 1e6
    assert said["steps_since"] <= way_s * 10 * STEPS_PER_MM
    assert said["platen_mm"] < 17.0
    assert before["steps"] < said["steps"]
    assert StateFlag.ARMED in homed.session.state().flags


@pytest.mark.parametrize("cause, value", [("external", 2), ("brown-out", BROWN_OUT), ("power", 1)])
def test_a_reset_is_told_with_its_cause_and_another_boot_id(build, tmp_path, cause, value):
    with driven_bench(build, tmp_path) as driver:
        before = driver.reader.identity.boot_id
        driver.bench.tell(f"reset {cause}")
        driver.until(lambda: any(event.code == EventCode.BOOT for event in driver.heard))
        boot = next(event for event in driver.heard if event.code == EventCode.BOOT)
        assert boot.value == value
        driver.until(lambda: driver.reader.identity.boot_id == before + 1)
        driver.until(lambda: [event.kind for event in driver.events].count("streaming") == 2)


def test_a_reset_in_motion_stops_it_and_forgets_arming_and_limits(build, tmp_path):
    with driven_bench(build, tmp_path) as driver:
        driver.ready()
        motion = driver.session.move_to(18 * MM, speed=5 * MM)
        driver.until(lambda: driver.bench.state["platen_mm"] > 2.0)
        driver.bench.tell("reset brown-out")
        assert driver.end_of(motion).kind == "reset"
        # not one step: the pulses come from the chip that was just reset
        assert driver.standing()["steps_since"] == 0
        driver.until(lambda: driver.reader.identity is not None)
        assert not driver.session.state().flags & (StateFlag.ARMED | StateFlag.LIMITS_SET | StateFlag.HOMED)


def test_the_watchdog_resets_a_loop_that_is_no_longer_turned(build, tmp_path):
    with driven_bench(build, tmp_path) as driver:
        driver.ready()
        motion = driver.session.move_to(18 * MM, speed=5 * MM)
        driver.until(lambda: driver.bench.state["platen_mm"] > 2.0)
        driver.bench.tell("hang")
        assert driver.end_of(motion).kind == "reset"
        driver.until(lambda: any(event.code == EventCode.BOOT for event in driver.heard))
        assert next(event for event in driver.heard if event.code == EventCode.BOOT).value == WATCHDOG
        # 120 ms at 5 mm/s, and a tenth more for the watchdog's own clock
        assert driver.standing()["steps_since"] <= 0.133 * 5 * STEPS_PER_MM


def test_the_bench_refuses_orders_that_it_does_not_know(build, tmp_path):
    with running_bench(build, tmp_path) as bench:
        bench._socket.sendall(b"dance\n")
        assert "refused" in json.loads(bench._socket.recv(4096))


def stands_still(bench):
    """Whether the chip's time is the same in a hundred answers, which take it some milliseconds else."""
    return len({bench.state["time_us"] for _ in range(100)}) == 1


def test_the_time_of_a_patient_bench_waits_for_a_silent_host_and_goes_on_with_a_byte(build, tmp_path):
    with (
        running_bench(build, tmp_path, "--patience", "30") as bench,
        serial.Serial(str(tmp_path / "port"), 250_000, timeout=0.05) as port,
    ):
        assert not stands_still(bench)
        port.write(b"\0")
        wait_until(lambda: stands_still(bench))
        stood_us = bench.state["time_us"]
        port.write(b"\0")
        wait_until(lambda: stands_still(bench) and bench.state["time_us"] > stood_us)
        # the byte is heard within a slice, and 0.2 s later time stands still again
        assert bench.state["time_us"] - stood_us == pytest.approx(200_000, abs=1_000)


class OneByOne:
    """A port whose bytes are decoded one by one too, since their order tells what was sent first."""

    def __init__(self, port):
        self._port = port
        self._decoder = FrameDecoder()
        self.homed = False
        self.behind = []

    def read(self):
        data = self._port.read()
        for byte in data:
            decoded = self._decoder.feed(bytes([byte]))
            self.homed |= any(
                isinstance(placed.message, Event) and placed.message.code == EventCode.HOMED
                for placed in decoded.messages
            )
            if self.homed and len(decoded.samples):
                self.behind.append(int(decoded.samples.position[-1]))
        return data

    def write(self, data):
        return self._port.write(data)


@pytest.mark.parametrize("later_ms", range(4))
def test_what_is_sent_behind_the_event_of_a_homing_counts_from_the_new_zero(build, tmp_path, later_ms):
    with stepped_stand(build, tmp_path) as stand:
        port = stand.talk._port = OneByOne(stand.talk._port)
        stand.meet(lines=False)
        stand.arm()
        stand.at_highest_rate()
        # other phases of samples and conversions
        stand.talk.listen(0.013 * later_ms)
        stand.finish(Home(stand.talk.next_id(), 5 * MM), 20.0)
        stand.talk.listen(0.1)
    # it began 3 mm from its switch, 600 counts from its zero
    assert len(port.behind) > 20
    assert max(abs(position) for position in port.behind) <= 1
