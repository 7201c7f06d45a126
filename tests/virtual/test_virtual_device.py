"""The device answers every command as the protocol says, and its motions end once."""

import numpy as np
import pytest
from cobs import cobs
from virtual_host import RATE_HZ, Clock, Host, commanded_host, decoded, ready_host, rows, scripted_bytes

from rig.samples import Status
from rig.virtual import Chain, LinearSpring, VirtualRig, specimen_named
from rig.wire import (
    Accepts,
    Arm,
    AskState,
    Capability,
    ClearStop,
    Cycle,
    Disarm,
    Event,
    EventCode,
    Halt,
    Heartbeat,
    Home,
    Identify,
    Identity,
    Limits,
    MoveTo,
    PressUntil,
    Reply,
    ReplyResult,
    State,
    StateFlag,
    StreamAt,
)

SPRING = LinearSpring(3.0, 60.0)
CONTACT_COUNTS = 4000  # 20 mm at 5 um
PER_S = 4000  # 20 mm/s

MOTIONS = [(MoveTo, 3000, PER_S), (PressUntil, 9000, PER_S, 6000), (Cycle, 3600, 5000, PER_S, 0, 0, 2)]


def _state(host: Host) -> State:
    host.ask(AskState)
    return [each for each in host.messages if isinstance(each, State)][-1]


def test_a_boot_is_told_by_its_event_and_identity_then_silence() -> None:
    rig = VirtualRig(SPRING, rate_hz=RATE_HZ)
    host = Host(rig)
    heard = host.hear(rig.receive(b""))
    assert [type(each) for each in heard] == [Event, Identity]
    assert heard[0].code == EventCode.BOOT
    assert heard[1].rate_mhz == 500_000 and heard[1].protocol == 1
    assert not rig.advance(5.0)


def test_identify_and_state_send_their_message_and_then_the_reply() -> None:
    host = commanded_host(SPRING)
    for command, kind in ((Identify(900), Identity), (AskState(901), State)):
        assert [type(each) for each in host.send(command)] == [kind, Reply]


def test_stream_grants_at_most_the_highest_rate_and_zero_stops() -> None:
    host = commanded_host(SPRING)
    assert host.ask(StreamAt, 2_000_000).value == 500_000
    assert host.ask(StreamAt, 100_000).value == 100_000
    before = len(host.samples)
    host.run(1.0)
    assert len(host.samples) - before == 100
    assert host.ask(StreamAt, 0) == Reply(ReplyResult.ACCEPTED, host.next_request - 1, 0)
    host.run(1.0)
    assert len(host.samples) - before == 100


def frames_of(rig: VirtualRig, *asked: int) -> tuple[list[int], Host]:
    """Types of the frames that come in a tenth of a second of a stream, and who decoded them."""
    host = Host(rig)
    host.hear(rig.receive(b""))
    host.ask(StreamAt, *asked)
    sent = rig.advance(0.1)
    host.hear(sent)
    return [cobs.decode(frame)[0] for frame in sent.split(b"\0") if frame], host


def test_blocks_go_to_a_host_that_asks_for_them_and_lose_no_sample() -> None:
    rig = VirtualRig(SPRING, rate_hz=50_000.0, scripted=False)
    kinds, host = frames_of(rig, 50_000_000, Accepts.BLOCKS)
    # what is left over where the rig works out its samples in pieces goes plain
    assert 490 <= kinds.count(7) == len(kinds) - kinds.count(1)
    np.testing.assert_array_equal(host.samples.seq, np.arange(5000))
    np.testing.assert_array_equal(np.diff(host.samples.time_us), 20)


@pytest.mark.parametrize(
    ("rate_hz", "blocks", "asked"),
    [
        (50_000.0, True, (50_000_000,)),
        (50_000.0, False, (50_000_000, Accepts.BLOCKS)),
        (50_000.0, True, (1_000_000, Accepts.BLOCKS)),
        (500.0, True, (500_000, Accepts.BLOCKS)),
    ],
    ids=["a host of version 1.0", "a device of version 1.0", "a slow stream", "a slow device"],
)
def test_single_samples_go_to_all_others(rate_hz, blocks, asked) -> None:
    kinds, host = frames_of(VirtualRig(SPRING, rate_hz=rate_hz, scripted=False, blocks=blocks), *asked)
    assert kinds == [1] * round(0.1 * min(rate_hz, asked[0] / 1000))
    (identity,) = (each for each in host.messages if isinstance(each, Identity))
    assert (Capability.BLOCKS in identity.capabilities) == (blocks and rate_hz > 1000.0)


def test_another_boot_forgets_that_the_host_reads_blocks() -> None:
    rig = VirtualRig(SPRING, rate_hz=2000.0, scripted=False)
    frames_of(rig, 2_000_000, Accepts.BLOCKS)
    assert rig.device.in_blocks
    rig.order("reset power")
    rig.advance(0.01)
    assert not rig.device.in_blocks


def test_blocks_beyond_the_room_are_dropped_whole_and_counted_in_frames() -> None:
    rig = VirtualRig(SPRING, rate_hz=50_000.0, scripted=False)
    _, host = frames_of(rig, 50_000_000, Accepts.BLOCKS)
    before = len(host.samples)
    # 100 blocks of 68 bytes are due, three fit
    host.hear(rig.advance(0.02, 3 * 68 + 67))
    assert len(host.samples) == before + 30
    assert rig.device.frames_dropped == 97


def test_seq_counts_samples_that_were_not_sent() -> None:
    host = commanded_host(SPRING)
    host.run(0.2)
    host.ask(StreamAt, 0)
    host.run(0.2)
    host.ask(StreamAt, 500_000)
    host.run(0.2)
    steps = np.diff(host.samples.seq)
    assert sorted(set(steps.tolist())) == [1, 101]
    times = np.diff(host.samples.time_us)
    np.testing.assert_array_equal(times, 2000 * steps)


def test_time_and_seq_wrap() -> None:
    rig = VirtualRig(SPRING, cycles=45, start_time_us=2**32 - 1_000_000)
    samples = decoded(scripted_bytes(rig, [4096]))
    assert samples.time_us[0] == 2**32 - 998_000
    np.testing.assert_array_equal(np.diff(samples.time_us) % 2**32, 2000)
    assert np.count_nonzero(np.diff(samples.time_us) < 0) == 1
    assert np.count_nonzero(np.diff(samples.seq) < 0) == 1
    assert samples.seq.max() == 2**16 - 1


def test_a_repeated_request_is_answered_again_and_not_carried_out_twice() -> None:
    host = ready_host(SPRING)
    command = Cycle(700, 3600, 4400, PER_S, 0, 0, 1)
    first = host.send(command)
    host.run(1.0)
    assert host.send(command) == first
    host.run(1.0)
    assert host.endings(700) == [2]
    assert _state(host).cycles_done == 1


def test_request_zero_is_a_bad_argument() -> None:
    assert commanded_host(SPRING).send(Arm(0)) == [Reply(ReplyResult.BAD_ARGUMENT, 0, 0)]


@pytest.mark.parametrize("motion", [*MOTIONS, (Home, PER_S)], ids=lambda m: m[0].__name__)
def test_motion_is_refused_until_limited_armed_and_homed(motion) -> None:
    host = commanded_host(SPRING)
    assert host.ask(*motion).result == ReplyResult.LIMITS_NOT_SET
    host.ask(Limits, -40_000, 40_000, 0, 12_000)
    assert host.ask(*motion).result == ReplyResult.NOT_ARMED
    host.ask(Arm)
    expected = ReplyResult.ACCEPTED if motion[0] is Home else ReplyResult.NOT_HOMED
    assert host.ask(*motion).result == expected


def test_homing_zeroes_the_position_and_says_what_it_subtracted() -> None:
    host = ready_host(SPRING, chain=Chain(position_zero_counts=777))
    homed = [event for event in host.events if event.code == EventCode.HOMED]
    assert len(homed) == 1
    assert homed[0].value == pytest.approx(777, abs=2)
    assert abs(host.samples.position[-1]) <= 2
    assert StateFlag.HOMED in _state(host).flags


def test_limits_may_only_narrow_and_are_read_back() -> None:
    host = commanded_host(SPRING)
    assert host.ask(Limits, -(2**23) - 1, 10, 0, 100).result == ReplyResult.OUTSIDE_LIMITS
    assert host.ask(Limits, -10, 10, 0, 10**8).result == ReplyResult.OUTSIDE_LIMITS
    assert host.ask(Limits, 10, 10, 0, 100).result == ReplyResult.BAD_ARGUMENT
    assert StateFlag.LIMITS_SET not in _state(host).flags
    assert host.ask(Limits, -10, 11, 12, 100).result == ReplyResult.ACCEPTED
    state = _state(host)
    assert (state.min_force, state.max_force, state.min_position, state.max_position) == (-10, 11, 12, 100)
    assert StateFlag.LIMITS_SET in state.flags


def test_a_move_ends_once_at_its_target() -> None:
    host = ready_host(SPRING)
    request = host.ask(MoveTo, 3000, PER_S).request
    assert StateFlag.MOVING in _state(host).flags
    host.run(1.5)
    assert host.endings(request) == [2]
    assert host.events[-1].value == pytest.approx(3000, abs=2)
    moving = (host.samples.status & Status.MOVING) != 0
    assert moving.any() and not moving[-1]
    assert _state(host).last_request == request


def test_another_motion_meanwhile_is_answered_busy() -> None:
    host = ready_host(SPRING)
    host.ask(MoveTo, 3000, PER_S)
    host.run(0.2)
    for motion in MOTIONS:
        assert host.ask(*motion).result == ReplyResult.BUSY


def test_a_press_ends_at_its_force() -> None:
    host = ready_host(SPRING)
    request = host.ask(PressUntil, 9000, 1000, 8000).request
    host.run(8.0)
    assert host.endings(request) == [2]
    # 9 N of 3 N/mm is 3 mm past contact, and braking from 5 mm/s at 200 mm/s^2 adds 0.06 mm.
    assert host.samples.position[-1] == pytest.approx(CONTACT_COUNTS + 600 + 13, abs=6)


def test_a_press_that_meets_its_limit_first_says_so() -> None:
    host = ready_host(SPRING)
    request = host.ask(PressUntil, 9000, PER_S, CONTACT_COUNTS + 200).request
    host.run(3.0)
    assert host.endings(request) == [11]
    assert host.events[-1].value == pytest.approx(3000, abs=30)


def test_cycling_counts_each_squeeze_and_ends_once() -> None:
    host = ready_host(SPRING)
    request = host.ask(Cycle, 3800, 4600, PER_S, 100, 200, 3).request
    host.run(6.0)
    finished = [event for event in host.events if event.code == EventCode.CYCLE_FINISHED]
    assert [(event.request, event.value) for event in finished] == [(request, n) for n in (1, 2, 3)]
    assert host.endings(request) == [2]
    assert host.samples.force.max() == pytest.approx(9000, abs=40)
    assert _state(host).cycles_done == 3


def test_halt_stops_a_motion_and_stays_armed() -> None:
    host = ready_host(SPRING)
    request = host.ask(MoveTo, 8000, PER_S).request
    host.run(0.5)
    assert host.ask(Halt).result == ReplyResult.ACCEPTED
    assert host.ask(Halt).result == ReplyResult.ACCEPTED
    host.run(0.5)
    assert host.endings(request) == [12]
    assert StateFlag.ARMED in _state(host).flags
    assert host.ask(MoveTo, 1000, PER_S).result == ReplyResult.ACCEPTED


def test_disarm_stops_a_motion_and_forbids_the_next() -> None:
    host = ready_host(SPRING)
    request = host.ask(MoveTo, 8000, PER_S).request
    host.run(0.5)
    host.ask(Disarm)
    host.run(0.5)
    assert host.endings(request) == [12]
    assert host.ask(MoveTo, 1000, PER_S).result == ReplyResult.NOT_ARMED


def test_halt_at_rest_is_accepted_without_an_event() -> None:
    host = ready_host(SPRING)
    before = len(host.events)
    assert host.ask(Halt).result == ReplyResult.ACCEPTED
    host.run(0.3)
    assert len(host.events) == before


@pytest.mark.parametrize(
    ("motion", "result"),
    [
        ((MoveTo, 12_001, PER_S), ReplyResult.OUTSIDE_LIMITS),
        ((MoveTo, -1, PER_S), ReplyResult.OUTSIDE_LIMITS),
        ((MoveTo, 3000, 0), ReplyResult.BAD_ARGUMENT),
        ((MoveTo, 3000, 10**6), ReplyResult.BAD_ARGUMENT),
        ((PressUntil, 41_000, PER_S, 6000), ReplyResult.OUTSIDE_LIMITS),
        ((PressUntil, 9000, PER_S, 12_001), ReplyResult.OUTSIDE_LIMITS),
        ((Cycle, 5000, 4000, PER_S, 0, 0, 2), ReplyResult.BAD_ARGUMENT),
        ((Cycle, 4000, 5000, PER_S, 0, 0, 0), ReplyResult.BAD_ARGUMENT),
        ((Cycle, 4000, 12_001, PER_S, 0, 0, 1), ReplyResult.OUTSIDE_LIMITS),
        ((Home, 0), ReplyResult.BAD_ARGUMENT),
    ],
)
def test_a_motion_that_makes_no_sense_or_leaves_the_limits_is_refused(motion, result) -> None:
    host = ready_host(SPRING)
    assert host.ask(*motion).result == result
    assert StateFlag.MOVING not in _state(host).flags


def _tripped_on_force() -> tuple[Host, int]:
    host = ready_host(SPRING)
    request = host.ask(MoveTo, 9000, PER_S).request
    host.run(3.0)
    return host, request


def test_a_force_limit_trips_latches_and_disarms() -> None:
    host, request = _tripped_on_force()
    assert host.endings(request) == [4]
    # 40 N of 3 N/mm, and braking from 20 mm/s at 200 mm/s^2 takes 1 mm more.
    stopped = CONTACT_COUNTS + (40 / 3 + 1) / 0.005
    assert host.samples.position[-1] == pytest.approx(stopped, abs=15)
    assert host.samples.status[-1] & Status.FORCE_TRIP
    state = _state(host)
    assert state.stop_cause == EventCode.FORCE_TRIP and StateFlag.ARMED not in state.flags
    assert host.ask(MoveTo, 1000, PER_S).result == ReplyResult.STOP_LATCHED
    assert host.ask(Arm).result == ReplyResult.STOP_LATCHED


def test_after_a_trip_only_retreat_is_accepted() -> None:
    host, _ = _tripped_on_force()
    assert host.ask(ClearStop).result == ReplyResult.ACCEPTED
    assert host.ask(MoveTo, 1000, PER_S).result == ReplyResult.NOT_ARMED
    host.ask(Arm)
    host.run(0.2)
    for deeper in (
        (MoveTo, 8000, PER_S),
        (PressUntil, 9000, PER_S, 9000),
        (Cycle, 3000, 5000, PER_S, 0, 0, 1),
    ):
        assert host.ask(*deeper).result == ReplyResult.OUTSIDE_LIMITS
    retreat = host.ask(MoveTo, 3000, PER_S)
    assert retreat.result == ReplyResult.ACCEPTED
    host.run(2.0)
    assert host.endings(retreat.request) == [2]
    assert host.ask(MoveTo, 4500, PER_S).result == ReplyResult.ACCEPTED


def test_a_travel_limit_narrowed_during_a_move_trips() -> None:
    host = ready_host(SPRING)
    request = host.ask(MoveTo, 3900, PER_S).request
    host.ask(Limits, -40_000, 40_000, 0, 2000)
    host.run(2.0)
    assert host.endings(request) == [5]
    assert host.events[-1].value == pytest.approx(2000, abs=12)
    # Braking from 20 mm/s at 200 mm/s^2 takes 1 mm.
    assert host.samples.position[-1] == pytest.approx(2200, abs=12)


def test_a_lost_heartbeat_stops_the_motion_within_550_ms() -> None:
    host = ready_host(SPRING)
    request = host.ask(MoveTo, 11_000, 400).request
    host.send(Heartbeat(0))
    waited_s = 0.0
    while not host.endings(request):
        host.clock.now_s += 0.01
        waited_s += 0.01
        host.hear(host.rig.advance(0.01))
        assert waited_s < 0.55
    assert host.endings(request) == [8]
    assert waited_s > 0.5 - 1e-9
    host.run(0.3)
    assert StateFlag.MOVING not in _state(host).flags


def test_only_heartbeats_count_as_heartbeats() -> None:
    host = ready_host(SPRING)
    for _ in range(6):
        host.clock.now_s += 0.1
        host.ask(AskState)
        host.hear(host.rig.advance(0.1))
    assert _state(host).stop_cause == EventCode.HEARTBEAT_LOST


def test_a_heartbeat_comes_too_late_after_the_limit() -> None:
    host = ready_host(SPRING)
    host.clock.now_s += 0.6
    host.send(Heartbeat(0))
    assert _state(host).stop_cause == EventCode.HEARTBEAT_LOST


def test_the_emergency_stop_ends_the_motion_and_blocks_until_released_and_cleared() -> None:
    host = ready_host(SPRING)
    request = host.ask(MoveTo, 8000, PER_S).request
    host.run(0.3)
    host.messages += host.rig.device.open_emergency_stop()
    host.run(0.3)
    assert host.endings(request) == [6]
    assert host.samples.status[-1] & Status.EMERGENCY_STOP
    assert host.ask(ClearStop).result == ReplyResult.STOP_LATCHED
    host.messages += host.rig.device.close_emergency_stop()
    assert host.events[-1].code == EventCode.STOP_CLOSED
    assert host.ask(Arm).result == ReplyResult.STOP_LATCHED
    assert host.ask(ClearStop).result == ReplyResult.ACCEPTED
    assert host.ask(Arm).result == ReplyResult.ACCEPTED


@pytest.mark.parametrize("code", [EventCode.STALLED, EventCode.FORCE_SILENT, EventCode.POSITION_FAULT])
def test_a_failure_of_the_hardware_ends_the_motion(code) -> None:
    host = ready_host(SPRING)
    request = host.ask(MoveTo, 8000, PER_S).request
    host.run(0.3)
    host.messages += host.rig.device.fail(code)
    host.messages += host.rig.device.fail(EventCode.STALLED)
    host.run(0.5)
    assert host.endings(request) == [int(code)]
    assert _state(host).stop_cause == code


def test_a_saturated_converter_stops_the_platen() -> None:
    host = ready_host(SPRING, chain=Chain(force_range_counts=45_000))
    host.ask(Limits, -45_000, 44_999, 0, 12_000)
    request = host.ask(MoveTo, 11_000, PER_S).request
    host.run(3.0)
    # The widest limit is one count short of the range, and a sample steps over both at once.
    assert host.endings(request) == [10]
    stopped = CONTACT_COUNTS + (45 / 3 + 1) / 0.005
    assert host.samples.position[-1] == pytest.approx(stopped, abs=15)


def test_stopping_while_a_halt_is_braking_ends_the_motion_once() -> None:
    host = ready_host(SPRING)
    request = host.ask(MoveTo, 8000, 20_000).request
    host.run(0.5)
    host.ask(Halt)
    host.messages += host.rig.device.fail(EventCode.STALLED)
    host.run(1.0)
    assert host.endings(request) == [9]


def test_a_rig_that_only_measures_knows_no_motion() -> None:
    rig = VirtualRig(SPRING, motion="hand", clock=Clock())
    host = Host(rig)
    host.hear(rig.receive(b""))
    (identity,) = (each for each in host.messages if isinstance(each, Identity))
    assert identity.capabilities == Capability.DESCRIBES
    for command in (*MOTIONS, (Arm,), (Limits, -1, 1, 0, 1), (Halt,)):
        assert host.ask(*command).result == ReplyResult.UNKNOWN_COMMAND


def test_motion_is_busy_while_a_script_runs_and_halt_stops_the_script() -> None:
    rig = VirtualRig(SPRING, cycles=3, clock=Clock())
    host = Host(rig)
    for command in ((StreamAt, 500_000), (Limits, -40_000, 40_000, 0, 12_000), (Arm,)):
        assert host.ask(*command).result == ReplyResult.ACCEPTED
    host.hear(rig.advance(1.6))
    assert host.ask(Home, PER_S).result == ReplyResult.BUSY
    host.ask(Halt)
    host.hear(rig.advance(3.0))
    assert np.ptp(host.samples.position[-1000:]) <= 3
    assert not [event for event in host.events if event.code == EventCode.HALTED]


@pytest.mark.parametrize("motion", ["driven", "hand", "sine"])
def test_a_scripted_run_repeats_byte_for_byte(motion) -> None:
    chain = Chain(compliance_mm_per_n=0.01, timing_jitter_us=100, force_wander_n=0.01)

    def run(seed, blocks):
        rig = VirtualRig(specimen_named("foam"), cycles=2, motion=motion, chain=chain, seed=seed)
        return scripted_bytes(rig, blocks)

    whole = run(7, [4096])
    assert run(7, [1, 250, 33]) == whole
    assert run(8, [4096]) != whole


def test_what_happened_before_the_stream_does_not_change_a_scripted_run() -> None:
    early, late = VirtualRig(SPRING), VirtualRig(SPRING)
    late.advance(3.3)
    late.advance(0.7)
    assert rows(decoded(scripted_bytes(early, [500]))) == rows(decoded(scripted_bytes(late, [500])))


def test_random_bytes_from_the_host_do_no_harm() -> None:
    host = ready_host(SPRING)
    random = np.random.default_rng(1)
    for _ in range(200):
        host.hear(host.rig.receive(random.bytes(50)))
    host.rig.receive(b"\x00")
    assert host.ask(AskState).result == ReplyResult.ACCEPTED
