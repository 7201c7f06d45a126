"""Commands, motions and their one end, over a real pseudo-terminal."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path

import pytest
from driven_rig import CONTACT, LIMITS, PER_S, SPRING_N_PER_MM, START, driven_rig
from scripted_device import wait_until

from rig.errors import DeviceError, InputError
from rig.reader import DeviceLimits
from rig.wire import (
    Capability,
    DeviceMessage,
    Event,
    EventCode,
    Identity,
    MoveTo,
    Reply,
    ReplyResult,
    State,
    StateFlag,
)


def test_the_state_says_how_the_device_stands(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        state = driver.session.state()
        assert state.boot_id == driver.rig.device.boot_id
        assert state.flags == StateFlag.STREAMING
        driver.session.set_limits(LIMITS)
        driver.session.arm()
        armed = StateFlag.STREAMING | StateFlag.LIMITS_SET | StateFlag.ARMED | StateFlag.MOTOR_CURRENT
        assert driver.session.state().flags == armed
        driver.session.disarm()
        assert StateFlag.ARMED not in driver.session.state().flags


def test_a_lost_state_message_is_asked_for_again_under_another_id(tmp_path: Path) -> None:
    lost: list[DeviceMessage] = []

    def lose_two(message: DeviceMessage) -> DeviceMessage | None:
        if isinstance(message, State) and len(lost) < 2:
            lost.append(message)
            return None
        return message

    with driven_rig(tmp_path, alter=lose_two) as driver:
        assert StateFlag.STREAMING in driver.session.state().flags
        assert len(lost) == 2


def test_limits_are_kept_by_the_device_as_sent(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        driver.session.set_limits(LIMITS)
        state = driver.session.state()
        kept = (state.min_force, state.max_force, state.min_position, state.max_position)
        assert kept == (-40_000, 40_000, 0, 12_000)


def test_a_device_that_keeps_other_limits_is_not_armed(tmp_path: Path) -> None:
    def keeps_others(message: DeviceMessage) -> DeviceMessage:
        return replace(message, max_force=50_000) if isinstance(message, State) else message

    with driven_rig(tmp_path, alter=keeps_others) as driver:
        with pytest.raises(DeviceError, match=r"max_force=40000.*read back it says .*max_force=50000"):
            driver.session.set_limits(LIMITS)
        with pytest.raises(DeviceError, match="have not been set and read back"):
            driver.session.arm()
        assert not driver.rig.device.drive.armed


def test_a_device_that_forgets_its_limits_at_once_is_found_out(tmp_path: Path) -> None:
    def forgets(message: DeviceMessage) -> DeviceMessage:
        return replace(message, flags=StateFlag(0)) if isinstance(message, State) else message

    with (
        driven_rig(tmp_path, alter=forgets) as driver,
        pytest.raises(DeviceError, match="that none are set"),
    ):
        driver.session.set_limits(LIMITS)


@pytest.mark.parametrize(
    ("lacking", "words"),
    [
        (Capability.DRIVES, "cannot drive the platen"),
        (Capability.LIMITS_FORCE, "cannot enforce force limits"),
        (Capability.EMERGENCY_STOP, "cannot take an emergency stop"),
        (Capability.HALTS_ON_SILENCE, "cannot halt when heartbeats stop"),
    ],
)
def test_a_device_that_cannot_protect_is_not_armed(tmp_path: Path, lacking: Capability, words: str) -> None:
    def lacks(message: DeviceMessage) -> DeviceMessage:
        if isinstance(message, Identity):
            return replace(message, capabilities=message.capabilities & ~lacking)
        return message

    with driven_rig(tmp_path, alter=lacks) as driver:
        driver.session.set_limits(LIMITS)
        with pytest.raises(DeviceError, match=words):
            driver.session.arm()
        assert not driver.rig.device.drive.armed


def test_a_refusal_says_what_was_asked_and_what_to_do(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        session = driver.session
        with pytest.raises(
            DeviceError, match=r"refused to move to: position 3000, speed 8000 \(limits not set\)"
        ):
            session.move_to(3000, speed=PER_S)
        with pytest.raises(DeviceError, match=r"\(outside limits\); limits may only narrow"):
            session.set_limits(DeviceLimits(-10, 10, 0, 10**8))
        session.set_limits(LIMITS)
        with pytest.raises(DeviceError, match=r"\(not armed\); arm it first"):
            session.home(speed=PER_S)
        session.arm()
        with pytest.raises(DeviceError, match=r"refused to press until: .*\(not homed\); home it first"):
            session.press_until(9000, speed=PER_S, position_limit=6000)
        with pytest.raises(DeviceError, match=r"refused to home: speed 0 \(bad argument\); give a speed"):
            session.home(speed=0)


def test_each_motion_ends_once_with_its_event(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        session = driver.ready().session
        move = session.move_to(3000, speed=PER_S)
        end = driver.end_of(move)
        assert (end.kind, end.code) == ("finished", EventCode.FINISHED)
        assert end.value == pytest.approx(3000, abs=2)
        assert driver.endings(move) == [2]

        press = session.press_until(9000, speed=2000, position_limit=8000)
        assert driver.end_of(press).kind == "finished"
        assert press.end.value == pytest.approx(CONTACT + 9 / SPRING_N_PER_MM / 0.005, abs=60)

        session.move_to(3000, speed=PER_S)
        driver.until(lambda: not session.state().flags & StateFlag.MOVING)
        short = session.press_until(9000, speed=2000, position_limit=CONTACT + 200)
        assert driver.end_of(short).kind == "position limit"
        assert short.end.value == pytest.approx(3000, abs=30)


def test_cycles_are_counted_while_they_go_on(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        motion = driver.ready().session.cycle(3800, 4600, speed=PER_S, count=3, dwell_high_ms=200)
        counts = []
        driver.until(lambda: counts.append(motion.cycles_done) or motion.end is not None)
        assert motion.end.kind == "finished"
        assert sorted(set(counts)) == [0, 1, 2, 3]
        assert driver.endings(motion) == [13, 13, 13, 2]


def test_a_halt_ends_the_motion_and_leaves_the_rig_armed(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        motion = driver.ready().session.move_to(11_000, speed=1000)
        driver.until(lambda: driver.position() > START + 300)
        driver.session.halt()
        end = driver.end_of(motion)
        assert (end.kind, end.code) == ("halted", EventCode.HALTED)
        assert driver.endings(motion) == [12]
        assert StateFlag.ARMED in driver.session.state().flags


def test_disarming_ends_the_motion_and_forbids_the_next(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        motion = driver.ready().session.move_to(11_000, speed=1000)
        driver.session.disarm()
        assert driver.end_of(motion).kind == "halted"
        assert driver.endings(motion) == [12]
        with pytest.raises(DeviceError, match="not armed"):
            driver.session.move_to(3000, speed=1000)


def test_a_second_motion_meanwhile_is_refused_and_the_first_goes_on(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        motion = driver.ready().session.move_to(3000, speed=2000)
        with pytest.raises(DeviceError, match=r"refused to home: speed 8000 \(busy\); wait until"):
            driver.session.home(speed=PER_S)
        assert driver.end_of(motion).kind == "finished"


@pytest.mark.usefixtures("heartbeats_count")
def test_without_heartbeats_the_motion_ends_in_a_trip_within_550_ms(tmp_path: Path) -> None:
    with driven_rig(tmp_path, speed_up=1.0) as driver:
        motion = driver.ready().session.move_to(11_000, speed=400)
        driver.until(lambda: driver.position() > START + 40)
        driver.until(lambda: motion.end is not None, beat=False)
        assert (motion.end.kind, motion.end.code) == ("trip", EventCode.HEARTBEAT_LOST)
        assert motion.end.in_words() == "was stopped by the device (heartbeat lost)"
        tripped_s = next(s for s, said in driver.rig.said if isinstance(said, Event) and said.code == 8)
        assert 0.499 < tripped_s - driver.rig.beat_s < 0.55


def test_a_motion_whose_reply_is_lost_is_asked_for_again_and_carried_out_once(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        driver.ready()
        lost: list[DeviceMessage] = []

        def lose_one_reply(message: DeviceMessage) -> DeviceMessage | None:
            if isinstance(message, Reply) and not lost:
                lost.append(message)
                return None
            return message

        driver.rig.alter = lose_one_reply
        motion = driver.session.cycle(3800, 4000, speed=PER_S, count=1)
        assert driver.end_of(motion).kind == "finished"
        sent = [each for each in driver.rig.commands if getattr(each, "count", 0)]
        assert len(sent) == 2 and sent[0] == sent[1]
        assert lost == [Reply(ReplyResult.ACCEPTED, motion.request, 0)]
        assert driver.endings(motion) == [13, 2]


def test_a_motion_that_nobody_will_wait_for_is_halted(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        driver.ready()
        driver.rig.alter = lambda message: None if isinstance(message, Reply) else message
        beating = threading.Event()
        failed: list[str] = []

        def ask() -> None:
            with pytest.raises(DeviceError, match="no reply to MoveTo") as refused:
                driver.session.move_to(11_000, speed=400)
            failed.append(str(refused.value))
            beating.set()

        asking = threading.Thread(target=ask)
        asking.start()
        driver.until(beating.is_set)
        asking.join()
        driver.until(lambda: any(getattr(said, "code", 0) == 12 for _, said in driver.rig.said))


def _lose_event(code: EventCode):
    return lambda message: None if isinstance(message, Event) and message.code == code else message


def _stands(driver) -> bool:
    return not driver.session.state().flags & StateFlag.MOVING


def test_a_lost_ending_event_is_resolved_through_the_state(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        driver.ready()
        driver.rig.alter = _lose_event(EventCode.FINISHED)
        motion = driver.session.move_to(3000, speed=2000)
        assert motion.settle() is None
        driver.until(lambda: _stands(driver))
        assert motion.end is None
        end = motion.settle()
        assert end == motion.end
        assert (end.kind, end.code, end.value, end.device_time_us) == ("unknown", None, None, None)
        assert "was lost" in end.in_words()


def test_a_lost_end_of_cycling_still_gives_the_count(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        driver.ready()
        driver.rig.alter = lambda message: None if isinstance(message, Event) else message
        motion = driver.session.cycle(3800, 4000, speed=PER_S, count=3)
        driver.until(lambda: _stands(driver))
        assert motion.cycles_done == 0
        assert motion.settle().kind == "unknown"
        assert motion.cycles_done == 3


def test_a_lost_trip_is_told_by_the_latched_stop(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        driver.ready()
        driver.rig.alter = _lose_event(EventCode.FORCE_TRIP)
        motion = driver.session.move_to(9000, speed=PER_S)
        driver.until(lambda: driver.session.state().stop_cause != 0 and _stands(driver))
        end = motion.settle()
        assert (end.kind, end.code, end.value) == ("trip", EventCode.FORCE_TRIP, None)
        assert end.in_words() == "was stopped by the device (force trip; the event itself was lost)"


def test_a_motion_whose_end_was_lost_does_not_block_the_next(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        driver.ready()
        driver.rig.alter = _lose_event(EventCode.FINISHED)
        first = driver.session.move_to(1000, speed=PER_S)
        driver.until(lambda: _stands(driver))
        driver.rig.alter = lambda message: message
        second = driver.session.move_to(2000, speed=PER_S)
        assert first.end.kind == "unknown"
        assert driver.end_of(second).kind == "finished"


def test_a_reset_ends_the_motion_and_forgets_the_limits(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        motion = driver.ready().session.move_to(11_000, speed=400)
        driver.rig.happenings.append(lambda device: device.reboot())
        end = driver.end_of(motion)
        assert (end.kind, end.code) == ("reset", None)
        with pytest.raises(DeviceError, match="have not been set and read back"):
            driver.session.arm()
        driver.until(lambda: driver.kinds().count("streaming") == 2)
        driver.ready()


def test_a_reset_without_a_word_is_found_in_the_state(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        motion = driver.ready().session.move_to(11_000, speed=400)

        def reboot_unheard(device) -> list[DeviceMessage]:
            device.reboot()
            return []

        driver.rig.happenings.append(reboot_unheard)
        driver.until(lambda: not driver.rig.happenings)
        assert motion.settle().kind == "reset"


@pytest.mark.usefixtures("heartbeats_count")
def test_a_lost_link_ends_the_motion_and_the_device_stops_by_itself(tmp_path: Path) -> None:
    with driven_rig(tmp_path, speed_up=1.0) as driver:
        motion = driver.ready().session.move_to(11_000, speed=400)
        driver.rig.unplugged = True
        end = driver.end_of(motion)
        assert (end.kind, end.code) == ("link lost", None)
        wait_until(lambda: driver.rig.device.drive.stop_cause is not None)
        driver.rig.unplugged = False
        driver.until(lambda: driver.kinds().count("streaming") == 2)
        state = driver.session.state()
        assert (state.stop_cause, state.last_request) == (EventCode.HEARTBEAT_LOST, motion.request)
        assert motion.end is end
        with pytest.raises(DeviceError, match="have not been set and read back"):
            driver.session.arm()


def test_a_motion_under_way_ends_with_its_reader(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        motion = driver.ready().session.move_to(11_000, speed=400)
    assert motion.end.kind == "link lost"


def _tripped(driver) -> None:
    motion = driver.ready().session.move_to(9000, speed=PER_S)
    end = driver.end_of(motion)
    assert (end.kind, end.code) == ("trip", EventCode.FORCE_TRIP)
    assert end.value == pytest.approx(40_000, abs=2000)
    # Only at rest does the platen take another motion.
    driver.until(lambda: _stands(driver))


def test_after_a_trip_nothing_retreats_without_a_persons_word(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        _tripped(driver)
        with pytest.raises(InputError, match="a person who sees the platen"):
            driver.session.retreat(3000, speed=2000, confirmed=False)
        assert driver.session.state().stop_cause == EventCode.FORCE_TRIP


def test_after_a_trip_the_platen_retreats_and_the_rig_can_go_on(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        _tripped(driver)
        with pytest.raises(DeviceError, match=r"refused to arm \(stop latched\); find and remove the cause"):
            driver.session.arm()
        retreat = driver.session.retreat(3000, speed=2000, confirmed=True)
        end = driver.end_of(retreat)
        assert end.kind == "finished"
        assert end.value == pytest.approx(3000, abs=2)
        assert driver.end_of(driver.session.move_to(3500, speed=PER_S)).kind == "finished"


def test_a_retreat_that_would_press_deeper_is_refused_and_disarmed(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        _tripped(driver)
        with pytest.raises(DeviceError, match=r"position 11000.*\(outside limits\).*stay within the limits"):
            driver.session.retreat(11_000, speed=2000, confirmed=True)
        assert StateFlag.ARMED not in driver.session.state().flags


def test_an_open_emergency_stop_cannot_be_cleared_from_here(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        motion = driver.ready().session.move_to(11_000, speed=1000)
        driver.rig.happenings.append(lambda device: device.open_emergency_stop())
        end = driver.end_of(motion)
        assert (end.kind, end.code) == ("trip", EventCode.STOP_OPENED)
        with pytest.raises(DeviceError, match=r"refused to clear stop \(stop latched\).*release it"):
            driver.session.clear_stop()
        driver.rig.happenings.append(lambda device: device.close_emergency_stop())
        driver.until(lambda: not driver.rig.happenings)
        driver.session.clear_stop()
        assert driver.session.state().stop_cause == 0


def test_the_platen_is_told_to_move_once_for_each_call(tmp_path: Path) -> None:
    with driven_rig(tmp_path) as driver:
        motion = driver.ready().session.move_to(1000, speed=PER_S)
        driver.end_of(motion)
        assert driver.rig.commands.count(MoveTo(motion.request, 1000, PER_S)) == 1
