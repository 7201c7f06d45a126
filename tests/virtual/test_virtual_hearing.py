"""What the virtual rig makes of commands that it does not know, of jigs, and of a drive of another kind."""

from __future__ import annotations

import pytest
from virtual_host import Clock, Host

from rig.virtual import DriveSettings, LinearSpring, VirtualRig, specimen_named
from rig.wire import AskState, FrameDecoder, Reply, ReplyResult, encode_frame
from rig.wire.frames import seal

UNKNOWN = bytes([0x5F]) + (77).to_bytes(2, "little") + b"\x01\x02"


def replies(sent: bytes) -> list[Reply]:
    return [each.message for each in FrameDecoder().feed(sent).messages if isinstance(each.message, Reply)]


@pytest.mark.parametrize("cut", [1, 3, 8])
def test_an_unknown_command_is_answered_with_its_id_and_result_1_for_any_chopping(cut: int) -> None:
    rig = VirtualRig(LinearSpring(), scripted=False)
    rig.receive(b"")
    stream = encode_frame(AskState(76)) + seal(UNKNOWN) + encode_frame(AskState(78))
    sent = b"".join(rig.receive(stream[at : at + cut]) for at in range(0, len(stream), cut))
    assert replies(sent) == [
        Reply(ReplyResult.ACCEPTED, 76, 0),
        Reply(ReplyResult.UNKNOWN_COMMAND, 77, 0),
        Reply(ReplyResult.ACCEPTED, 78, 0),
    ]


def test_an_unknown_message_of_a_device_is_not_answered() -> None:
    rig = VirtualRig(LinearSpring(), scripted=False)
    rig.receive(b"")
    assert replies(rig.receive(seal(bytes([0x0F]) + UNKNOWN[1:]))) == []


def test_a_damaged_unknown_command_is_not_answered() -> None:
    rig = VirtualRig(LinearSpring(), scripted=False)
    rig.receive(b"")
    frame = bytearray(seal(UNKNOWN))
    frame[-2] ^= 0x01 if frame[-2] > 1 else 0x02
    assert replies(rig.receive(bytes(frame))) == []


def test_a_specimen_squeezed_off_the_rig_comes_back_shorter() -> None:
    foam = specimen_named("foam")
    rig = VirtualRig(foam, scripted=False, clock=Clock())
    host = Host(rig)
    host.hear(rig.receive(b""))
    rig.squeeze_off_rig(45.0, 3600.0)
    rig.advance(0.1)
    assert rig.device.time_us < 200_000
    memory = rig.device.machine._memory
    # Closed form of one squeeze to 45 mm: 0.18 * 90 * 0.5^2.5 mm are lost as it lets go.
    assert foam.lost_height_mm(memory) == pytest.approx(0.18 * 90 * 0.5**2.5, rel=0.05)


def test_a_drive_can_be_given_other_speeds_and_travel() -> None:
    rig = VirtualRig(LinearSpring(), scripted=False, drive=DriveSettings(150.0, 200.0, 10_000.0))
    assert rig.device.drive.settings.top_speed_mm_per_s == 200.0
    assert rig.device.drive.built_in[3] == 30_000
