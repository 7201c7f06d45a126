"""A device that breaks one rule fails the checks of that rule, and no other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pytest
from cobs import cobs
from stepped_rig import checked, failed, not_tried, stepped

from rig.conformance import Verdict
from rig.conformance.othersums import seal_found
from rig.errors import DeviceError
from rig.virtual import VirtualChannel, VirtualRig
from rig.virtual.drive import Happening
from rig.wire import (
    Abilities,
    Accepts,
    Channel,
    EventCode,
    Heartbeat,
    Home,
    Identify,
    Limits,
    MoveTo,
    PressUntil,
    Reply,
    ReplyResult,
    SampleBlock,
    Switch,
)

Spoil = Callable[[VirtualRig], None]


def around(owner: Any, name: str, change: Callable[..., Any]) -> None:
    """Put a function around a method of one object; it is given the method and its arguments."""
    kept = getattr(owner, name)
    setattr(owner, name, lambda *given, **named: change(kept, *given, **named))


def silent_on_unknown(rig: VirtualRig) -> None:
    around(rig.device, "_answer", lambda kept, command: [] if isinstance(command, int) else kept(command))


def heartbeat_replied(rig: VirtualRig) -> None:
    def answer(kept, command):
        reply = [Reply(ReplyResult.ACCEPTED, command.request, 0)] if isinstance(command, Heartbeat) else []
        return kept(command) + reply

    around(rig.device, "_answer", answer)


def answers_twice(rig: VirtualRig) -> None:
    def answer(kept, command):
        said = kept(command)
        return said + [each for each in said if isinstance(each, Reply) and isinstance(command, Identify)]

    around(rig.device, "_answer", answer)


def forgets_the_last_id(rig: VirtualRig) -> None:
    def answer(kept, command):
        if isinstance(command, Limits):
            rig.device._last_request = 0
        return kept(command)

    around(rig.device, "_answer", answer)


def moves_twice(rig: VirtualRig) -> None:
    def answer(kept, command):
        if isinstance(command, MoveTo):
            rig.device._last_request = 0
        return kept(command)

    around(rig.device, "_answer", answer)


def same_boot_id(rig: VirtualRig) -> None:
    def reboot(kept, *given):
        rig.device.boot_id -= 1
        return kept(*given)

    around(rig.device, "reboot", reboot)


def streams_after_boot(rig: VirtualRig) -> None:
    def reboot(kept, *given):
        said = kept(*given)
        rig.device.streaming = True
        return said

    around(rig.device, "reboot", reboot)


def keeps_its_limits_over_a_reset(rig: VirtualRig) -> None:
    def reset(kept):
        limits = rig.device.drive.limits
        kept()
        rig.device.drive.limits = limits or Limits(1, -5_000, 500_000, 0, 16_000)

    around_drive(rig, "reset", reset)


def around_drive(rig: VirtualRig, name: str, change: Callable[..., Any]) -> None:
    """As `around`, for the drive, whose class has slots."""
    kept = rig.device.drive

    class Changed(type(kept)):  # type: ignore[misc]
        pass

    setattr(
        Changed,
        name,
        lambda self, *given, **named: change(getattr(super(Changed, self), name), *given, **named),
    )
    changed = Changed(kept.machine, kept.settings)
    rig.device.drive = changed


def keeps_other_limits(rig: VirtualRig) -> None:
    def set_limits(kept, limits):
        return kept(replace(limits, max_force=limits.max_force // 2 * 2))

    around_drive(rig, "set_limits", set_limits)


def takes_any_limits(rig: VirtualRig) -> None:
    def set_limits(kept, limits):
        result = kept(limits)
        return ReplyResult.ACCEPTED if result == ReplyResult.OUTSIDE_LIMITS else result

    around_drive(rig, "set_limits", set_limits)


def late_heart(rig: VirtualRig) -> None:
    around_drive(rig, "check_heartbeat", lambda kept, now_s: kept(now_s - 0.2))


def early_heart(rig: VirtualRig) -> None:
    around_drive(rig, "check_heartbeat", lambda kept, now_s: kept(now_s + 0.1))


def any_command_beats(rig: VirtualRig) -> None:
    def receive(kept, commands):
        if commands:
            rig.device.drive.beat(rig.device._clock())
        return kept(commands)

    around(rig.device, "receive", receive)


def arms_while_latched(rig: VirtualRig) -> None:
    def arm(kept, now_s):
        kept(now_s)
        return ReplyResult.ACCEPTED

    around_drive(rig, "arm", arm)


def clears_itself(rig: VirtualRig) -> None:
    def close(kept):
        kept()
        rig.device.drive.stop_cause = None

    around_drive(rig, "close_emergency_stop", close)


def clears_while_open(rig: VirtualRig) -> None:
    def clear(kept):
        kept()
        return ReplyResult.ACCEPTED

    around_drive(rig, "clear_stop", clear)


def approaches_after_a_trip(rig: VirtualRig) -> None:
    around_drive(rig, "_allowed", lambda kept, command: kept(command) or beyond_force(rig))


def never_retreats(rig: VirtualRig) -> None:
    around_drive(rig, "_allowed", lambda kept, command: kept(command) and not beyond_force(rig))


def beyond_force(rig: VirtualRig) -> bool:
    drive = rig.device.drive
    return drive.limits is not None and drive._force_now() > drive.limits.max_force


def ends_twice(rig: VirtualRig) -> None:
    def events(kept):
        return [each for found in kept() for each in [found] * (2 if found.code == EventCode.FINISHED else 1)]

    around(rig.device, "_events", events)


def trips_twice(rig: VirtualRig) -> None:
    def events(kept):
        return [
            each for found in kept() for each in [found] * (2 if found.code == EventCode.FORCE_TRIP else 1)
        ]

    around(rig.device, "_events", events)


def halt_disarms(rig: VirtualRig) -> None:
    def halt(kept):
        result = kept()
        rig.device.drive.armed = False
        return result

    around_drive(rig, "halt", halt)


def disarm_in_motion_stays_armed(rig: VirtualRig) -> None:
    def disarm(kept):
        moving = rig.device.drive.moving
        result = kept()
        rig.device.drive.armed = moving
        return result

    around_drive(rig, "disarm", disarm)


def deaf_to_the_stop(rig: VirtualRig) -> None:
    def opened(kept):
        rig.device.drive.emergency_stop_open = True

    around_drive(rig, "open_emergency_stop", opened)


def blocks(rig: VirtualRig, change: Callable[[SampleBlock], SampleBlock]) -> None:
    around(rig.device, "_block", lambda kept, *given: change(kept(*given)))


def milliseconds(rig: VirtualRig) -> None:
    blocks(rig, lambda block: replace(block, time_us=block.time_us // 1000))


def numbers_begin_again(rig: VirtualRig) -> None:
    def stream(kept, rate_mhz):
        rig.device._seq = 0
        return kept(rate_mhz)

    around(rig.device, "_stream", stream)


def loses_samples(rig: VirtualRig) -> None:
    around(rig, "_send_samples", lambda kept, block, room: kept(every_tenth_lost(block), room))


def every_tenth_lost(block: SampleBlock) -> SampleBlock:
    kept = block.seq % 10 != 0
    return SampleBlock(
        block.seq[kept], block.time_us[kept], block.force[kept], block.position[kept], block.status[kept]
    )


def loses_one_block(rig: VirtualRig) -> None:
    around(rig, "_encoded", lambda kept, block: without_the_first(*kept(block)))


def without_the_first(frames, counts):
    end = frames.index(0) + 1
    return frames[end:], counts[1:]


def blocks_unasked(rig: VirtualRig) -> None:
    class Talkative(type(rig.device)):  # type: ignore[misc]
        in_blocks = property(lambda self: self.machine.period_s < 1 / 1000)

    rig.device.__class__ = Talkative


def slower_in_blocks(rig: VirtualRig) -> None:
    def stream(kept, rate_mhz):
        granted_mhz = kept(rate_mhz)
        if rate_mhz == 2**31 - 1:
            rig.device.machine.set_rate(granted_mhz / 1500)
        return granted_mhz

    around(rig.device, "_stream", stream)


@pytest.mark.parametrize("spoil", [loses_one_block, blocks_unasked, slower_in_blocks])
def test_blocks_that_break_a_rule_fail_their_check(spoil: Spoil) -> None:
    assert failed(checked(spoil, ["blocks"], rate_hz=5000.0)) == {"blocks"}


def test_sound_blocks_pass_and_a_device_without_them_is_not_tried() -> None:
    sound = checked(groups=["blocks", "rates"], rate_hz=5000.0)
    assert failed(sound) == set() and "10 in each frame" in sound.outcomes[3].found
    assert "blocks" in not_tried(checked(groups=["blocks"]))


def trips_with(rig: VirtualRig, cause: int) -> None:
    """A silent converter sends a second event 10, with this cause."""

    def trip(kept, code, value):
        free = rig.device.drive.stop_cause is None
        kept(code, value)
        if free and code == EventCode.FORCE_SILENT:
            rig.device.drive._happenings.append(Happening(code, 0, cause))

    around_drive(rig, "trip", trip)


@pytest.mark.parametrize(("cause", "found"), [(0, {"trip-silent-converter"}), (2, set())])
def test_event_10_may_come_once_for_each_cause(cause: int, found: set[str]) -> None:
    assert failed(checked(partial(trips_with, cause=cause), ["trip-silent-converter"])) == found


def says(rig: VirtualRig, **other: int) -> None:
    around(rig.device, "abilities", lambda kept: replace(kept(), **other))


def says_nothing(rig: VirtualRig) -> None:
    around(rig.device, "_answer", lambda kept, command: without(Abilities, kept(command)))


def without(kind: type, messages: list[Any]) -> list[Any]:
    return [message for message in messages if not isinstance(message, kind)]


def slowest_is_a_second(rig: VirtualRig) -> None:
    around(rig.device, "_stream", lambda kept, rate_mhz: kept(max(rate_mhz, 1000) if rate_mhz else 0))


@pytest.mark.parametrize(
    ("spoil", "check"),
    [
        (says_nothing, "abilities-answer"),
        (lambda rig: says(rig, max_position=-1), "abilities-possible"),
        (lambda rig: says(rig, fastest_mhz=400_000), "abilities-possible"),
        (lambda rig: says(rig, fastest_mhz=2_000_000), "abilities-rates"),
        (slowest_is_a_second, "abilities-rates"),
        (lambda rig: says(rig, max_position=10_000), "abilities-limits"),
        (lambda rig: says(rig, min_force=-(2**23) + 1), "abilities-limits"),
    ],
)
def test_abilities_that_are_not_true_fail_their_check(spoil: Spoil, check: str) -> None:
    assert check in failed(checked(spoil, ["abilities"]))


def test_true_abilities_pass_and_a_device_of_version_1_0_is_not_tried() -> None:
    assert failed(checked(groups=["abilities"])) == set()
    # its converter is as fast as its stream, and it does not say how fast
    assert set(not_tried(checked(groups=["abilities"]))) == {"abilities-conversions"}
    assert len(not_tried(checked(groups=["abilities"], describes=False))) == 5


def switches(rig: VirtualRig, change: Callable[[Switch], int]) -> None:
    around_drive(rig, "open_switches", lambda kept: Switch(change(kept())))


def swaps_its_travel_switches(rig: VirtualRig) -> None:
    switches(rig, lambda told: (told & ~3) | (told & 1) << 1 | (told & 2) >> 1)


def current_always_told(rig: VirtualRig) -> None:
    around_drive(rig, "current_on", lambda kept: True)


def current_never_told(rig: VirtualRig) -> None:
    around_drive(rig, "current_on", lambda kept: False)


def releases_while_armed(rig: VirtualRig) -> None:
    around_drive(rig, "release_current", lambda kept: ReplyResult.ACCEPTED)


@pytest.mark.parametrize(
    ("spoil", "check"),
    [
        (lambda rig: switches(rig, lambda told: told | Switch.GUARD), "switches-told"),
        (lambda rig: switches(rig, lambda told: told | Switch.HOME), "switches-told"),
        (swaps_its_travel_switches, "switches-each"),
        (lambda rig: switches(rig, lambda told: 0), "switches-each"),
        (current_always_told, "motor-current"),
        (current_never_told, "motor-current"),
        (releases_while_armed, "motor-current"),
    ],
)
def test_switches_that_are_told_wrongly_fail_their_check(spoil: Spoil, check: str) -> None:
    assert check in failed(checked(spoil, ["switches"]))


def test_switches_told_rightly_pass_and_a_device_of_version_1_0_is_not_tried() -> None:
    assert failed(checked(groups=["switches"])) == set()
    assert not not_tried(checked(groups=["switches"]))
    assert len(not_tried(checked(groups=["switches"], describes=False))) == 3


CHANNELS = (
    VirtualChannel("ambient_temperature", "degC", lambda time_s: 21.5),
    VirtualChannel("force_2", "N", lambda time_s: 3.0, force=True, exponent=-3),
)


def readings_unasked(rig: VirtualRig) -> None:
    around(rig.device, "_stream", lambda kept, rate_mhz: kept(rate_mhz))

    class Talkative(type(rig.device)):  # type: ignore[misc]
        _accepts = property(lambda self: Accepts.READINGS, lambda self, value: None)

    rig.device.__class__ = Talkative


def half_of_the_readings(rig: VirtualRig) -> None:
    around(
        rig.device,
        "_readings",
        lambda kept: [replace(each, counts=each.counts[:1]) for each in kept()],
    )


def same_names(rig: VirtualRig) -> None:
    def described(kept, command):
        result, shown = kept(command)
        return result, [replace(m, name="force_2") if isinstance(m, Channel) else m for m in shown]

    around(rig.device, "_described", described)


def any_channel(rig: VirtualRig) -> None:
    def described(kept, command):
        return kept(replace(command, channel=min(command.channel, 2)))

    around(rig.device, "_described", described)


@pytest.mark.parametrize(
    ("spoil", "check"),
    [
        (same_names, "channels-described"),
        (any_channel, "channels-described"),
        (half_of_the_readings, "channels-read"),
        (readings_unasked, "channels-read"),
        (lambda rig: around(rig.device, "_readings", lambda kept: []), "channels-read"),
    ],
)
def test_channels_that_break_a_rule_fail_their_check(spoil: Spoil, check: str) -> None:
    assert check in failed(checked(spoil, ["channels"], channels=CHANNELS))


def test_sound_channels_pass_and_a_device_without_them_is_not_tried() -> None:
    sound = checked(groups=["channels"], channels=CHANNELS)
    assert failed(sound) == set() and not not_tried(sound)
    assert len(not_tried(checked(groups=["channels"]))) == 2


def slower_than_granted(rig: VirtualRig) -> None:
    around(rig.device, "_stream", lambda kept, rate_mhz: min(2 * kept(rate_mhz // 2), 500_000))


def grants_anything(rig: VirtualRig) -> None:
    def stream(kept, rate_mhz):
        kept(rate_mhz)
        return rate_mhz

    around(rig.device, "_stream", stream)


def never_stops(rig: VirtualRig) -> None:
    def stream(kept, rate_mhz):
        return kept(rate_mhz) if rate_mhz else 0

    around(rig.device, "_stream", stream)


def unprotected(rig: VirtualRig) -> None:
    rig.device.character = replace(
        rig.device.character, capabilities=type(rig.device.character.capabilities)(1)
    )


def nameless(rig: VirtualRig) -> None:
    rig.device.character = replace(rig.device.character, name="")


def forgets_status_bit(rig: VirtualRig) -> None:
    blocks(rig, lambda block: replace(block, status=block.status & np.uint8(0xFF - 0x20)))


def watches(rig: VirtualRig, change: Callable[[Limits], Limits]) -> None:
    """Other limits are watched than those that were set."""
    around_drive(rig, "_passed", lambda kept, stretch, limits: kept(stretch, change(limits)))


def ignores_upper_force(rig: VirtualRig) -> None:
    watches(rig, lambda limits: replace(limits, max_force=10**9))


def ignores_lower_force(rig: VirtualRig) -> None:
    watches(rig, lambda limits: replace(limits, min_force=-(10**9)))


def ignores_upper_position(rig: VirtualRig) -> None:
    watches(rig, lambda limits: replace(limits, max_position=10**9))


def ignores_lower_position(rig: VirtualRig) -> None:
    watches(rig, lambda limits: replace(limits, min_position=-(10**9)))


def trips_early_in_travel(rig: VirtualRig) -> None:
    watches(rig, lambda limits: replace(limits, max_position=limits.max_position - 100))


def force_limits_with_the_wrong_sign(rig: VirtualRig) -> None:
    watches(rig, lambda limits: replace(limits, min_force=-limits.max_force, max_force=-limits.min_force))


def trips_on_limits_late(rig: VirtualRig) -> None:
    since: list[float] = []

    def passed(kept, stretch, limits):
        found = kept(stretch, limits)
        if not found:
            since.clear()
            return found
        since.append(rig.device.machine.now_s)
        return found if since[-1] - since[0] > 0.8 else []

    around_drive(rig, "_passed", passed)


def emergency_stop_late(rig: VirtualRig) -> None:
    due: list[float] = []

    def opened(kept):
        due.append(rig.device.machine.now_s + 2.0)

    around_drive(rig, "open_emergency_stop", opened)

    def advance(kept, samples):
        if due and rig.device.machine.now_s >= due[0]:
            due.clear()
            rig.device.drive.emergency_stop_open = True
            rig.device.drive.trip(EventCode.STOP_OPENED, 0)
        return kept(samples)

    around(rig.device, "advance", advance)


def three_times_as_fast(rig: VirtualRig) -> None:
    around_drive(rig, "_follow", lambda kept, stops, speed: kept(stops, 3 * speed))


def a_fifth_too_slow(rig: VirtualRig) -> None:
    around_drive(rig, "_follow", lambda kept, stops, speed: kept(stops, 0.8 * speed))


def never_dwells(rig: VirtualRig) -> None:
    around_drive(rig, "_follow", lambda kept, stops, speed: kept([(at, 0.0) for at, _ in stops], speed))


def latches_late(rig: VirtualRig) -> None:
    """The state shows the stop two seconds after it was latched only."""
    since: list[float] = []

    def state(kept):
        found = kept()
        if not found.stop_cause:
            since.clear()
            return found
        since.append(rig.device.machine.now_s)
        return replace(found, stop_cause=0) if since[-1] - since[0] < 2.0 else found

    around(rig.device, "state", state)


def home_switch_ignored(rig: VirtualRig) -> None:
    def passed(kept, stretch, limits):
        rig.device.drive.home_held = False
        return kept(stretch, limits)

    around_drive(rig, "_passed", passed)


def force_with_the_wrong_sign(rig: VirtualRig) -> None:
    blocks(rig, lambda block: replace(block, force=-block.force))


def force_stuck(rig: VirtualRig) -> None:
    blocks(rig, lambda block: replace(block, force=np.full_like(block.force, 12)))


def deaf_to_force_at_rest(rig: VirtualRig) -> None:
    def passed(kept, stretch, limits):
        moving = bool((stretch.speed_mm_per_s != 0).any())
        return kept(stretch, limits) if moving else []

    around_drive(rig, "_passed", passed)


def homing_goes_on(rig: VirtualRig) -> None:
    def halt(kept):
        motion = rig.device.drive._motion
        homing = motion is not None and motion.homing
        return ReplyResult.ACCEPTED if homing else kept()

    around_drive(rig, "halt", halt)


def never_says_that_it_moves(rig: VirtualRig) -> None:
    blocks(rig, lambda block: replace(block, status=block.status & np.uint8(0xFF - 0x04)))


def force_limits_a_fifth_too_wide(rig: VirtualRig) -> None:
    watches(
        rig,
        lambda limits: replace(
            limits, min_force=limits.min_force * 6 // 5, max_force=limits.max_force * 6 // 5
        ),
    )


def stop_bit_while_moving(rig: VirtualRig) -> None:
    def shown(block):
        return replace(block, status=block.status | np.uint8(0x10) * ((block.status & np.uint8(0x04)) > 0))

    blocks(rig, shown)


def presses_on_after_a_trip(rig: VirtualRig) -> None:
    around_drive(
        rig,
        "_allowed",
        lambda kept, command: True if isinstance(command, PressUntil) else kept(command),
    )


def homes_while_disarmed(rig: VirtualRig) -> None:
    def refusal(kept, command):
        found = kept(command)
        return None if isinstance(command, Home) and found == ReplyResult.NOT_ARMED else found

    around_drive(rig, "_refusal", refusal)


def homing_presses_on(rig: VirtualRig) -> None:
    def passed(kept, stretch, limits):
        motion = rig.device.drive._motion
        if motion is not None and motion.homing:
            rig.device.drive._motion = replace(motion, begun_force=10.0**9)
        return kept(stretch, limits)

    around_drive(rig, "_passed", passed)


def lets_itself_be_pushed(rig: VirtualRig) -> None:
    def trip(kept, code, value):
        if code != EventCode.STALLED or rig.device.drive._motion is not None:
            kept(code, value)

    around_drive(rig, "trip", trip)


def stop_bit_inverted(rig: VirtualRig) -> None:
    blocks(rig, lambda block: replace(block, status=block.status ^ np.uint8(0x10)))


def deaf_to_zeros_at_the_end(rig: VirtualRig) -> None:
    """A command whose request id ends in a zero is never heard."""

    def answer(kept, command):
        request = command if isinstance(command, int) else command.request
        return [] if request % 256 == 0 else kept(command)

    around(rig.device, "_answer", answer)


def force_never_new(rig: VirtualRig) -> None:
    blocks(rig, lambda block: replace(block, status=block.status & np.uint8(0xFF - 0x40)))


def force_always_new(rig: VirtualRig) -> None:
    """As a converter at a quarter of the stream's rate whose values are all marked."""

    def repeated(block: SampleBlock) -> SampleBlock:
        assert block.seq is not None
        first = np.maximum(np.arange(len(block)) - block.seq % 4, 0)
        return replace(block, force=block.force[first], status=block.status | np.uint8(0x40))

    blocks(rig, repeated)


def tells_ids_by_their_low_byte(rig: VirtualRig) -> None:
    def answer(kept, command):
        request = command if isinstance(command, int) else command.request
        if (request - rig.device._last_request) % 256 == 0 and request:
            rig.device._last_request = request
        return kept(command)

    around(rig.device, "_answer", answer)


def misses_samples_while_it_answers(rig: VirtualRig) -> None:
    def answer(kept, command):
        rig.device._seq += 30 * isinstance(command, Identify)
        return kept(command)

    around(rig.device, "_answer", answer)


def another_unit_after_each_boot(rig: VirtualRig) -> None:
    def identity(kept):
        return replace(kept(), unit_id=b"VIRTUAL%d" % (rig.device.boot_id % 10))

    around(rig.device, "identity", identity)


def keeps_every_second_boot_id(rig: VirtualRig) -> None:
    def reboot(kept, *given):
        rig.device.boot_id -= rig.device.boot_id % 2
        return kept(*given)

    around(rig.device, "reboot", reboot)


def leaves_samples_out_in_motion(rig: VirtualRig) -> None:
    def thinned(block):
        assert block.seq is not None
        return block[(block.seq % 4 != 3) | ((block.status & np.uint8(0x04)) == 0)]

    blocks(rig, thinned)


def takes_half_of_refused_limits(rig: VirtualRig) -> None:
    def set_limits(kept, limits):
        drive = rig.device.drive
        result = kept(limits)
        if result != ReplyResult.ACCEPTED and drive.limits is not None:
            drive.limits = replace(drive.limits, min_position=limits.min_position)
        return result

    around_drive(rig, "set_limits", set_limits)


def filters_the_force(rig: VirtualRig) -> None:
    newest: list[int] = []

    def smoothed(block):
        newest[:] = [*newest, *block.force.tolist()][-len(block) - 40 :]
        means = [int(np.mean(newest[max(at - 40, 0) : at + 1])) for at in range(len(newest))]
        return replace(block, force=np.array(means[-len(block) :], np.int32)) if len(block) else block

    blocks(rig, smoothed)


def sets_the_force_to_zero_at_arming(rig: VirtualRig) -> None:
    zero = [0]

    def arm(kept, now_s):
        zero[0] = round(rig.device.machine.pushed_n * 1000)
        return kept(now_s)

    around_drive(rig, "arm", arm)
    blocks(rig, lambda block: replace(block, force=block.force - np.int32(zero[0])))


def unwatched_as_it_begins(rig: VirtualRig) -> None:
    """No limit acts in the first tenth of a millimetre of a motion."""
    begun_mm = [0.0]

    def start(kept, command):
        begun_mm[0] = rig.device.machine.position_mm
        return kept(command)

    def passed(kept, stretch, limits):
        begins = abs(rig.device.machine.position_mm - begun_mm[0]) < 0.1
        return [] if begins and rig.device.drive.moving else kept(stretch, limits)

    around_drive(rig, "start", start)
    around_drive(rig, "_passed", passed)


def unheard_in_a_retreat(rig: VirtualRig) -> None:
    """Heartbeats are not missed while the force is beyond its limit."""

    def check(kept, now_s):
        drive = rig.device.drive
        beyond = drive.limits is not None and drive._force_now() > drive.limits.max_force
        return None if beyond and drive.moving else kept(now_s)

    around_drive(rig, "check_heartbeat", check)


def overshoots(rig: VirtualRig) -> None:
    """Each way goes 0.2 mm further than it should, and comes back."""

    def follow(kept, stops, speed):
        return kept([stop for at, dwell in stops for stop in ((at + 0.2, 0.0), (at, dwell))], speed)

    around_drive(rig, "_follow", follow)


def moves_after_a_reset(rig: VirtualRig) -> None:
    def reboot(kept, *given):
        said = kept(*given)
        rig.device.drive._go(rig.device.machine.position_mm + 1.0, 100)
        return said

    around(rig.device, "reboot", reboot)


def forgets_the_stop_at_a_reset(rig: VirtualRig) -> None:
    def reset(kept):
        kept()
        rig.device.drive.emergency_stop_open = False

    around_drive(rig, "reset", reset)


def dries_up_at_odd_rates(rig: VirtualRig) -> None:
    """A stream at another rate than the highest ends after three samples."""
    left = [3]

    def stream(kept, rate_mhz):
        left[0] = 10**9 if rate_mhz >= 500_000 else 3
        return kept(rate_mhz)

    def advance(kept, samples):
        sent = kept(samples)
        for place, each in enumerate(sent):
            if isinstance(each, SampleBlock):
                sent[place] = each[: max(left[0], 0)]
                left[0] -= len(each)
        return [each for each in sent if not isinstance(each, SampleBlock) or len(each)]

    around(rig.device, "_stream", stream)
    around(rig.device, "advance", advance)


def test_a_stream_that_dries_up_ends_no_run() -> None:
    report = checked(dries_up_at_odd_rates, ["rates", "sequence"])
    assert "rate-measured" in failed(report)
    assert "no samples came" in not_tried(report)["time-fits-rate"]
    assert not report.interrupted


BESIDE = {"force-limit-pushed", "force-limit-pulled"}
AGAIN = {"force-passed-again", "trips-unstreamed"}
PHASES = {
    "stops-homing",
    "stops-a-press",
    "stops-cycles",
    "stops-cycles-back",
    "stops-a-hold",
    "stops-a-retreat",
}

SPOILT: list[tuple[Spoil, set[str]]] = [
    (takes_any_limits, {"limits-too-wide", "abilities-limits"}),
    (ends_twice, {"motion-ends-once", "events-once"}),
    (halt_disarms, {"halt", *PHASES}),
    (disarm_in_motion_stays_armed, {"disarm-halts", *PHASES}),
    (deaf_to_the_stop, {"trip-emergency-stop", "emergency-stop-timed", "second-cause", *PHASES}),
    (numbers_begin_again, {"stream-resets-nothing"}),
    (loses_samples, {"numbers-rise", "losses-counted", "numbers-in-motion"}),
]

SPOILT_ELSEWHERE: list[tuple[Spoil, set[str], list[str]]] = [
    (silent_on_unknown, {"unknown-command"}, ["commands"]),
    (forgets_the_last_id, {"repeated-request"}, ["commands"]),
    (same_boot_id, {"boot-id"}, ["reset"]),
    (streams_after_boot, {"boot-quiet"}, ["reset"]),
    (keeps_its_limits_over_a_reset, {"boot-forgets", "motion-without-limits"}, ["reset"]),
    (late_heart, {"heartbeat-stop", "arming-starts-timer"}, ["heartbeat"]),
    (any_command_beats, {"only-heartbeats-count"}, ["heartbeat"]),
    (approaches_after_a_trip, {"approach-after-trip"}, ["trips"]),
    (never_retreats, {"retreat-after-trip"}, ["trips"]),
    (heartbeat_replied, {"heartbeat-unanswered"}, ["commands"]),
    (answers_twice, {"one-reply"}, ["commands"]),
    (moves_twice, {"motion-repeated"}, ["commands", "motion"]),
    (keeps_other_limits, {"limits-kept"}, ["commands"]),
    (early_heart, {"heartbeat-stop", "arming-starts-timer"}, ["heartbeat"]),
    (
        arms_while_latched,
        {"arm-while-latched", "emergency-stop-open", "stop-before-arming", "stop-at-boot"},
        ["trips"],
    ),
    (clears_itself, {"emergency-stop-open"}, ["trips"]),
    (clears_while_open, {"emergency-stop-open", "second-cause"}, ["trips"]),
    (trips_twice, {"trip-ends-once"}, ["motion", "trips"]),
    (milliseconds, {"time-pace", "time-fits-rate"}, ["rates", "sequence", "heartbeat"]),
    (slower_than_granted, {"rate-measured", "time-fits-rate"}, ["rates", "sequence"]),
    (grants_anything, {"rate-above-highest"}, ["rates", "sequence"]),
    (never_stops, {"stream-stops", "streaming-flag"}, ["rates", "sequence"]),
    (nameless, {"identity-words"}, ["identity"]),
    (unprotected, {"identity-capabilities"}, ["identity", "arming"]),
    (forgets_status_bit, {"trip-force"}, ["trips"]),
    (ignores_upper_force, {"force-limit-upper", "limits-at-begin"}, ["limits"]),
    (ignores_lower_force, {"force-limit-lower"}, ["limits"]),
    (ignores_upper_position, {"position-limit-upper", "limits-at-begin"}, ["limits"]),
    (ignores_lower_position, {"position-limit-lower"}, ["limits"]),
    (trips_early_in_travel, {"inside-limits", "position-limit-upper"}, ["limits"]),
    (
        force_limits_with_the_wrong_sign,
        {"push-standing", "push-moving", "pull-standing", "pull-moving", *BESIDE, *AGAIN},
        ["force"],
    ),
    (
        trips_on_limits_late,
        {
            "force-limit-upper",
            "force-limit-lower",
            "position-limit-upper",
            "position-limit-lower",
            "home-switch",
            "limits-at-begin",
        },
        ["limits"],
    ),
    (emergency_stop_late, {"emergency-stop-timed"}, ["limits"]),
    (
        three_times_as_fast,
        {
            "speed-measured",
            "speed-of-a-press",
            "speed-of-cycles",
            "speed-of-homing",
            "halt-timed",
            "speed-never-above",
        },
        ["limits", "throughout"],
    ),
    (a_fifth_too_slow, {"speed-measured", "speed-of-a-press", "speed-of-cycles"}, ["limits", "throughout"]),
    (never_dwells, {"hold-measured"}, ["limits"]),
    (latches_late, {"force-limit-upper"}, ["limits"]),
    (home_switch_ignored, {"home-switch"}, ["limits"]),
    (force_with_the_wrong_sign, {"force-sign"}, ["force-sign"]),
    (force_stuck, {"force-sign"}, ["force-sign"]),
    (deaf_to_force_at_rest, {"push-standing", "pull-standing", *BESIDE, *AGAIN}, ["force"]),
    (force_limits_a_fifth_too_wide, {*BESIDE}, ["force"]),
    (stop_bit_while_moving, {"trouble-bits"}, ["move", "trouble-bits"]),
    (presses_on_after_a_trip, {"approach-after-trip"}, ["approach-after-trip"]),
    (homes_while_disarmed, {"motion-while-disarmed"}, ["motion-while-disarmed"]),
    (homing_presses_on, {"home-resisted"}, ["home-resisted"]),
    (lets_itself_be_pushed, {"pushed-standing"}, ["pushed-standing"]),
    (homing_goes_on, {"halt-homing"}, ["halt-homing"]),
    (never_says_that_it_moves, {"moving-bit"}, ["halt", "throughout"]),
    (stop_bit_inverted, {"status-at-rest"}, ["status-at-rest"]),
    (deaf_to_zeros_at_the_end, {"commands-whole"}, ["commands-whole"]),
    (tells_ids_by_their_low_byte, {"request-ids"}, ["request-ids"]),
    (misses_samples_while_it_answers, {"losses-counted"}, ["losses-counted"]),
    (another_unit_after_each_boot, {"boot-unit"}, ["reset"]),
    (keeps_every_second_boot_id, {"boot-id"}, ["reset"]),
    (leaves_samples_out_in_motion, {"numbers-in-motion"}, ["halt-timed", "numbers-in-motion"]),
    (takes_half_of_refused_limits, {"limits-mixed-up", "limits-too-wide"}, ["commands"]),
    (filters_the_force, {"force-step"}, ["force-step"]),
    (sets_the_force_to_zero_at_arming, {"force-kept"}, ["force-kept"]),
    (unwatched_as_it_begins, {"limits-at-begin"}, ["limits"]),
    (unheard_in_a_retreat, {"stops-a-retreat"}, ["phases"]),
    (moves_after_a_reset, {"boot-still"}, ["reset"]),
    (overshoots, {"never-beyond"}, ["move", "never-beyond"]),
    (forgets_the_stop_at_a_reset, {"stop-at-boot"}, ["trips"]),
    (force_never_new, {"fresh-force"}, ["limits"]),
    (force_always_new, {"fresh-force"}, ["limits"]),
]
"""With the groups in which it could show; the whole suite would find no more."""


@pytest.mark.parametrize(("spoil", "expected"), SPOILT, ids=lambda each: getattr(each, "__name__", ""))
def test_a_broken_rule_is_found_by_its_own_checks_and_no_others(spoil, expected) -> None:
    report = checked(spoil)
    assert failed(report) == expected, {each.check.name: each.found for each in report.of(Verdict.FAILED)}
    assert not report.passed


@pytest.mark.parametrize(
    ("spoil", "expected", "groups"), SPOILT_ELSEWHERE, ids=lambda each: getattr(each, "__name__", "")
)
def test_a_broken_rule_is_found_within_its_groups(spoil, expected, groups) -> None:
    report = checked(spoil, groups)
    assert failed(report) == expected, {each.check.name: each.found for each in report.of(Verdict.FAILED)}
    assert not report.passed


def crc_by_bits(payload: bytes, polynomial: int, start: int) -> int:
    """A checksum of sixteen bits, one bit at a time: an implementation of its own."""
    crc = start
    for byte in payload:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ polynomial) & 0xFFFF if crc & 0x8000 else crc << 1
    return crc


class OtherChecksum:
    """A port behind which the device's checksums have another polynomial or start, in both directions."""

    def __init__(self, port: Any, kind: tuple[int, int]) -> None:
        self._port, self._kind, self._rest = port, kind, b""

    def read(self) -> bytes:
        *bodies, self._rest = (self._rest + self._port.read()).split(b"\x00")
        return b"".join(self._exchanged(body, (0x1021, 0xFFFF), self._kind) for body in bodies)

    def write(self, data: bytes) -> bool:
        frames = [self._exchanged(body, self._kind, (0x1021, 0xFFFF)) for body in data.split(b"\x00")]
        return bool(self._port.write(b"".join(frames)))

    def _exchanged(self, body: bytes, taken: tuple[int, int], given: tuple[int, int]) -> bytes:
        payload = cobs.decode(body)[:-2]
        if not payload or crc_by_bits(payload, *taken).to_bytes(2, "little") != cobs.decode(body)[-2:]:
            return b"\x00"
        return cobs.encode(payload + crc_by_bits(payload, *given).to_bytes(2, "little")) + b"\x00"


@pytest.mark.parametrize("silent", [False, True])
@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ((0x1021, 0x0000), "begins at 0x0000, expected 0xFFFF"),
        ((0x1021, 0x1D0F), "begins at 0x1D0F, expected 0xFFFF"),
        ((0x8005, 0xFFFF), "has the polynomial 0x8005, expected 0x1021"),
        # x^5 taken for x^6, and x^12 left out
        ((0x1041, 0xFFFF), "has the polynomial 0x1041, expected 0x1021"),
        ((0x0021, 0xFFFF), "has the polynomial 0x0021, expected 0x1021"),
    ],
)
def test_a_checksum_with_another_polynomial_or_start_is_named(silent, kind, words) -> None:
    stand, _ = stepped()
    if silent:
        stand.talk._port.read()  # it says who it is once, after its boot
    stand.talk._port = OtherChecksum(stand.talk._port, kind)
    with pytest.raises(DeviceError, match=f"the checksum of its frames {words} \\("):
        stand.meet(lines=False)


def test_any_polynomial_is_named_where_frames_came() -> None:
    stand, _ = stepped()
    stand.talk._port = OtherChecksum(stand.talk._port, (0x3D65, 0x0000))
    with pytest.raises(DeviceError, match="polynomial 0x3D65, expected 0x1021 and begins at 0x0000"):
        stand.meet(lines=False)


def test_noise_has_no_checksum() -> None:
    rng = np.random.default_rng(3)
    for _ in range(10):
        assert seal_found(rng.integers(0, 256, 2000, dtype=np.uint8).tobytes()) is None
