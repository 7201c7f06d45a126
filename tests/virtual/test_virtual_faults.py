"""Each fault does what it says, and the record of what left whole is right."""

import numpy as np
import pytest
from virtual_host import Clock, Host, decoded, rows, scripted_bytes

from rig.errors import InputError
from rig.samples import Status
from rig.virtual import FAULT_NAMES, VirtualRig, specimen_named
from rig.wire import EventCode, FrameDecoder, Identity, LineDecoder, LineFormat, SampleBlock, StreamAt

BYTE_FAULTS = ("garbage", "cut", "flips", "lost", "repeated")
FOAM = specimen_named("foam")


def _sent(rig):
    return set().union(*(rows(block) for block in rig.sent)) if rig.sent else set()


def _run(*faults, blocks=(4096,), **settings):
    rig = VirtualRig(FOAM, faults=faults, keep_sent=True, seed=5, **settings)
    return rig, scripted_bytes(rig, list(blocks))


def test_without_faults_everything_is_sent_whole_and_in_order() -> None:
    rig, data = _run()
    samples = decoded(data)
    assert rows(samples) == _sent(rig)
    np.testing.assert_array_equal(np.diff(samples.seq), 1)


@pytest.mark.parametrize("fault", [*BYTE_FAULTS, "all"])
def test_a_receiver_gets_exactly_what_left_whole(fault) -> None:
    rig, data = _run(*(BYTE_FAULTS if fault == "all" else (fault,)), cycles=12)
    assert rows(decoded(data)) == _sent(rig)


@pytest.mark.parametrize("fault", [*BYTE_FAULTS, "silence"])
def test_faults_repeat_whatever_the_blocks(fault) -> None:
    assert _run(fault)[1] == _run(fault, blocks=(1, 77, 300))[1]


def test_lost_samples_leave_gaps_and_nothing_else() -> None:
    rig, data = _run("lost")
    samples, whole = decoded(data), decoded(_run()[1])
    assert 0 < len(whole) - len(samples) < 0.02 * len(whole)
    assert rows(samples) < rows(whole)
    assert len(samples) == sum(len(block.seq) for block in rig.sent)


def test_repeated_frames_come_twice_in_a_row() -> None:
    samples, whole = decoded(_run("repeated")[1]), decoded(_run()[1])
    steps = np.diff(samples.seq)
    assert set(steps.tolist()) == {0, 1}
    assert len(samples) - np.count_nonzero(steps == 0) == len(whole)


@pytest.mark.parametrize(
    ("fault", "causes"),
    [("garbage", ("bad_cobs", "bad_crc")), ("cut", ("bad_cobs", "bad_crc")), ("flips", ("bad_crc",))],
)
def test_damaged_frames_are_rejected_by_their_cause(fault, causes) -> None:
    decoder = FrameDecoder()
    decoder.feed(_run(fault)[1])
    counts = decoder.tally.as_dict()
    assert sum(counts[cause] for cause in causes) > 10
    assert decoder.tally.rejected < 0.03 * decoder.tally.accepted


def test_a_reset_starts_anew_and_is_silent_until_asked_while_the_script_goes_on() -> None:
    rig = VirtualRig(FOAM, faults=("reset",), keep_sent=True, clock=Clock())
    host = Host(rig)
    host.hear(rig.receive(b""))
    host.ask(StreamAt, 500_000)
    reset_s = 0.35 * rig.script_s
    heard = host.hear(rig.advance(reset_s + 1.0))
    before = host.samples
    assert [type(each).__name__ for each in heard] == ["Event", "Identity"]
    boots = [each.boot_id for each in host.messages if isinstance(each, Identity)]
    assert len(boots) == 2 and boots[0] != boots[1]
    assert host.events[-1].code == EventCode.BOOT and host.events[-1].value == 1
    assert before.time_us[-1] == pytest.approx(reset_s * 1e6, abs=2001)
    assert not host.hear(rig.advance(0.5)) and len(host.samples) == len(before)
    host.ask(StreamAt, 500_000)
    host.hear(rig.advance(rig.script_s))
    after = SampleBlock.concatenate(host.blocks)[len(before) :]
    # One and a half seconds passed in silence, and its samples were taken all the same.
    assert after.seq[0] == pytest.approx(750, abs=2)
    assert after.time_us[0] == pytest.approx(1.5e6, abs=4000)
    assert after.force.max() > 30_000
    assert {block.boot_id for block in rig.sent if len(block.seq)} == set(boots)


def test_silence_is_a_pause_of_three_seconds() -> None:
    samples = decoded(_run("silence")[1])
    steps = np.diff(samples.seq)
    assert np.count_nonzero(steps != 1) == 1
    assert steps.max() == pytest.approx(1500, abs=2)


def test_an_unplugged_rig_says_so_for_two_seconds_and_stops_there() -> None:
    rig = VirtualRig(FOAM, faults=("unplug",))
    rig.receive(b"")
    host = Host(rig)
    host.ask(StreamAt, 500_000)
    host.hear(rig.advance(100.0))
    assert rig.unplugged
    went_s = rig.device.machine.now_s
    assert went_s == pytest.approx(0.8 * rig.script_s, abs=0.003)
    assert not rig.advance(0.0)
    assert not rig.unplugged
    assert rig.device.machine.now_s - went_s == pytest.approx(2.0, abs=0.003)


@pytest.mark.parametrize("checksum", ["none", "xor8"])
def test_lines_carry_the_same_samples_as_frames(checksum) -> None:
    line_format = LineFormat(columns=("seq", "time_us", "force", "position", "status"), checksum=checksum)
    data = _run(line_format=line_format)[1]
    lines = LineDecoder(line_format).feed(data).samples
    frames = decoded(_run()[1])
    assert rows(lines) == rows(frames)
    np.testing.assert_array_equal(lines.status & Status.FRESH_FORCE, frames.status & Status.FRESH_FORCE)


def test_a_receiver_of_lines_with_a_checksum_gets_what_left_whole() -> None:
    line_format = LineFormat(columns=("seq", "time_us", "force", "position"), checksum="xor8")
    rig, data = _run("garbage", "cut", "lost", "repeated", line_format=line_format)
    assert rows(LineDecoder(line_format).feed(data).samples) == _sent(rig)


def test_lines_may_carry_a_unit() -> None:
    line_format = LineFormat(force_unit="kgf", position_unit="in")
    lines = LineDecoder(line_format).feed(_run(line_format=line_format)[1]).samples
    counts = decoded(_run()[1])
    np.testing.assert_allclose(lines.force * 9.80665, counts.force * 0.001, atol=1e-5)
    np.testing.assert_allclose(lines.position * 25.4, counts.position * 0.005, atol=2e-5)


def test_a_rig_that_only_talks_repeats_its_identity_every_five_seconds() -> None:
    rig = VirtualRig(FOAM, talk_only=True, seed=5)
    assert len(FrameDecoder().feed(rig.advance(3.0)).messages) == 2
    data = scripted_bytes(rig, [100])
    found = FrameDecoder().feed(data)
    identities = [each for each in found.messages if isinstance(each.message, Identity)]
    assert [each.position for each in identities] == [2500, 5000, 7500]


def test_without_room_samples_are_dropped_and_counted() -> None:
    rig = VirtualRig(FOAM, keep_sent=True)
    host = Host(rig)
    host.hear(rig.receive(b""))
    host.ask(StreamAt, 500_000)
    host.hear(rig.advance(1.0, room=1000))
    assert len(host.samples) == 50
    assert rig.device.frames_dropped == 450
    assert rows(host.samples) == _sent(rig)


def test_an_unknown_fault_is_refused_with_those_that_are_known() -> None:
    with pytest.raises(InputError, match=r"'gremlins' is not known.*" + FAULT_NAMES[0]):
        VirtualRig(FOAM, faults=("gremlins",))
