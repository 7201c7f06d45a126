"""Versions 1.0 and 1.1 of host and device meet on a real pseudo-terminal, and false abilities are refused."""

from __future__ import annotations

import os
import termios
import time
import tty
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import DeviceError
from rig.reader import PortAddress, Reader, complaint_about
from rig.rigfile import read_rig_file
from rig.virtual import Chain, DriveSettings, LinearSpring, VirtualPort, VirtualRig
from rig.wire import (
    Abilities,
    Accepts,
    AskState,
    Capability,
    FrameDecoder,
    Identify,
    Identity,
    Reply,
    SampleBlock,
    StreamAt,
    encode_frame,
)

SPRING = LinearSpring(2.0, 60.0)
PATIENCE_S = 20.0

FIRST_VERSION = {1: 16, 2: 23, 3: 12, 4: 8, 5: 1, 6: 30}
"""Types that a device of version 1.0 sends, and their shortest payloads (from its tables)."""

SOUND = Abilities(
    min_position=-200,
    max_position=24_000,
    position_pm=5_000_000,
    min_force=-4_200_000,
    max_force=4_200_000,
    full_scale=8_388_607,
    conversions_mhz=80_000,
    speed=3_000,
    acceleration=40_000,
    slowest_mhz=100,
    fastest_mhz=500_000,
)
DRIVER = Capability(0x5F)


def heard(rig: VirtualRig) -> list[object]:
    """The commands that a rig hears from now on."""
    commands: list[object] = []
    kept = rig.device.receive

    def receive(given):
        commands.extend(given)
        return kept(given)

    rig.device.receive = receive  # type: ignore[method-assign]
    return commands


def samples_of(reader: Reader, count: int) -> np.ndarray:
    numbers: list[int] = []
    while len(numbers) < count:
        delivery = reader.get(timeout_s=PATIENCE_S)
        assert delivery is not None
        numbers += delivery.samples.seq.tolist()
    return np.array(numbers)


def test_a_host_of_today_gets_samples_from_a_device_of_version_1_0(tmp_path) -> None:
    rig = VirtualRig(SPRING, rate_hz=5000.0, scripted=False, blocks=False, describes=False)
    commands = heard(rig)
    with (
        VirtualPort(rig, tmp_path / "rig") as port,
        Reader(PortAddress(path=port.path), "framed") as reader,
    ):
        numbers = samples_of(reader, 1000)
        assert reader.abilities is None
        assert reader.identity is not None
        assert reader.identity.capabilities & (Capability.BLOCKS | Capability.DESCRIBES) == 0
    assert (np.diff(numbers) == 1).all()
    # nothing that version 1.0 does not have: unknown types would be bare numbers
    assert {type(command) for command in commands} == {Identify, StreamAt}
    assert all(command.accepts == Accepts.SAMPLES for command in commands if isinstance(command, StreamAt))


def test_a_host_of_version_1_0_meets_nothing_new_in_a_device_of_today(tmp_path) -> None:
    """Byte by byte what a program of version 1.0 sends, through the terminal, and frames taken apart here."""
    rig = VirtualRig(SPRING, rate_hz=5000.0, scripted=False)
    with VirtualPort(rig, tmp_path / "rig") as port:
        line = os.open(port.path, os.O_RDWR | os.O_NOCTTY)
        try:
            tty.setraw(line, termios.TCSANOW)
            os.write(
                line, b"\0" + encode_frame(Identify(1)) + b"\0" + bytes.fromhex("0341020440 4b4c02 b50a")
            )
            os.write(line, b"\0" + encode_frame(AskState(3)) + encode_frame(StreamAt(2, 5_000_000)))
            data, end = b"", time.monotonic() + PATIENCE_S
            while data.count(b"\0") < 2000 and time.monotonic() < end:
                data += os.read(line, 65536)
        finally:
            os.close(line)
    payloads = [plain_payload(body) for body in data.split(b"\0")[:-1] if body]
    kinds = [payload[0] for payload in payloads]
    assert set(kinds) <= set(FIRST_VERSION)
    assert kinds.count(1) > 1000 and kinds.count(6) == 1
    assert all(len(payload) >= FIRST_VERSION[payload[0]] for payload in payloads)
    assert all(len(payload) == 16 for payload in payloads if payload[0] == 1)


def plain_payload(body: bytes) -> bytes:
    """COBS by its definition, checksum left out."""
    out = b""
    while body:
        code = body[0]
        out += body[1:code] + b"\0"
        body = body[code:]
    return out[:-3]


def test_a_device_of_today_says_what_it_can_do(tmp_path) -> None:
    drive = DriveSettings(travel_mm=120.0, top_speed_mm_per_s=15.0, acceleration_mm_per_s2=200.0)
    chain = Chain(conversions_per_s=80.0, force_range_counts=4_200_000)
    rig = VirtualRig(SPRING, rate_hz=5000.0, scripted=False, drive=drive, chain=chain)
    with (
        VirtualPort(rig, tmp_path / "rig") as port,
        Reader(PortAddress(path=port.path), "framed") as reader,
    ):
        # 120 mm, 15 mm/s and 200 mm/s^2 in counts of 5 um
        assert reader.abilities == Abilities(
            0, 24_000, 5_000_000, -4_200_000, 4_199_999, 4_200_000, 80_000, 3_000, 40_000, 100, 5_000_000
        )


LIES = [
    ({"max_position": -200}, "travel that it says it has is -200 to -200 counts"),
    ({"min_force": 5, "max_force": 5}, "forces that it says it allows are 5 to 5 counts"),
    ({"max_force": 8_388_608}, "beyond its converter's full scale"),
    ({"speed": 0}, "largest speed is 0 counts/s"),
    ({"acceleration": 0}, "expected both above 0"),
    ({"position_pm": 2_000_000_000}, "size of a position count would be 2 mm, expected at most 1 mm"),
    ({"speed": 2**32 - 1}, "largest speed would be 2.14748e\\+07 mm/s"),
    ({"max_position": 2**31 - 1}, "travel would be 1.07374e\\+07 mm"),
    ({"conversions_mhz": 2**32 - 1}, "force converter would give 4.29497e\\+06 readings/s"),
    ({"slowest_mhz": 0}, "streams that it says it sends are 0 to 500 samples/s"),
    ({"fastest_mhz": 99}, "expected the slower one first"),
    ({"fastest_mhz": 2**32 - 1}, "at most 100000"),
    ({"channels": 200}, "it says that it has 200 channels beside force and position, expected at most 11"),
]


@pytest.mark.parametrize(("lie", "words"), LIES, ids=lambda value: str(value)[:40])
def test_false_abilities_are_refused_in_words(tmp_path, lie, words) -> None:
    rig = VirtualRig(SPRING, scripted=False)
    rig.device.abilities = lambda: replace(SOUND, **lie)  # type: ignore[method-assign]
    commands = heard(rig)
    with (
        VirtualPort(rig, tmp_path / "rig") as port,
        pytest.raises(DeviceError, match=words),
        Reader(PortAddress(path=port.path), "framed"),
    ):
        pytest.fail("it streams")
    assert not any(isinstance(command, StreamAt) and command.rate_mhz for command in commands)


def test_a_device_that_never_says_what_it_promised_to_say_is_refused(tmp_path) -> None:
    rig = VirtualRig(SPRING, scripted=False)
    kept = rig.device._answer
    rig.device._answer = lambda command: [m for m in kept(command) if not isinstance(m, Abilities)]  # type: ignore[method-assign]
    with (
        VirtualPort(rig, tmp_path / "rig") as port,
        pytest.raises(DeviceError, match="did not answer what it can do"),
        Reader(PortAddress(path=port.path), "framed"),
    ):
        pytest.fail("it streams")


U32 = st.integers(0, 2**32 - 1)
I32 = st.integers(-(2**31), 2**31 - 1)


@settings(deadline=None)
@given(
    st.builds(Abilities, I32, I32, U32, I32, I32, U32, U32, U32, U32, U32, U32), st.builds(Capability, U32)
)
def test_whatever_a_device_says_is_accepted_or_refused_in_words(told, capabilities) -> None:
    (placed,) = FrameDecoder().feed(encode_frame(told)).messages
    complaint = complaint_about(placed.message, capabilities)
    if complaint is None:
        assert 0 < told.slowest_mhz <= told.fastest_mhz
        assert Capability.DRIVES not in capabilities or told.min_position < told.max_position
    else:
        assert "expected" in complaint or "no limit can act" in complaint


# ---- the rig file against the device

DRIVEN = """
name: press
port: {path: none}
wire: {format: framed, rate_hz: %(rate)s}
force: {per_count: "0.1 mN"}
position: {per_count: "%(count)s"}
drive:
  travel: ["0 mm", "%(travel)s"]
  force: ["-10 N", "%(force)s"]
  speed: "%(speed)s"
  deceleration: "%(deceleration)s"
  conversions_per_s: %(conversions)s
"""
AS_IT_IS = {
    "rate": 500,
    "count": "5 um",
    "travel": "110 mm",
    "force": "400 N",
    "speed": "15 mm/s",
    "deceleration": "200 mm/s^2",
    "conversions": 80,
}


def rig_saying(tmp_path, **other):
    path = tmp_path / "press.yaml"
    path.write_text(DRIVEN % (AS_IT_IS | other))
    return read_rig_file(path)


def test_a_rig_file_that_agrees_with_the_device_is_accepted(tmp_path) -> None:
    assert rig_saying(tmp_path).disagreement(SOUND) is None
    # a calibration finds a count a little larger, and the converter's clock is a tenth slow
    assert rig_saying(tmp_path, count="5.1 um", conversions=88).disagreement(SOUND) is None
    assert complaint_about(SOUND, DRIVER) is None


@pytest.mark.parametrize(
    ("other", "words"),
    [
        ({"count": "2.5 um"}, "position.per_count: found 2.5 um, but the device says that a count is 5 um"),
        ({"rate": 600}, "wire.rate_hz: found 600, but the device says that it sends 0.1 to 500 samples/s"),
        ({"rate": 0.05}, "wire.rate_hz: found 0.05, but"),
        (
            {"travel": "130 mm"},
            "drive.travel: found 0 to 130 mm, but the device says that its limits",
        ),
        (
            {"force": "430 N"},
            "drive.force: found -10 to 430 N, but the device says that its limits",
        ),
        ({"speed": "20 mm/s"}, "drive.speed: found 20 mm/s, but the device says at most 15 mm/s"),
        (
            {"deceleration": "400 mm/s^2"},
            "drive.deceleration: found 400 mm/s^2, but the device says at most",
        ),
        ({"conversions": 320}, "drive.conversions_per_s: found 320, but the device says at most 80"),
    ],
    ids=lambda value: str(value)[:30],
)
def test_a_disagreement_names_file_field_and_what_the_device_says(tmp_path, other, words) -> None:
    found = rig_saying(tmp_path, **other).disagreement(SOUND)
    assert found is not None
    assert found.startswith(f"{tmp_path / 'press.yaml'}: {words}")


def test_what_the_device_does_not_know_is_not_compared(tmp_path) -> None:
    silent = Abilities(0, 0, 0, 0, 0, 0, 0, 0, 0, 100, 500_000)
    assert rig_saying(tmp_path, count="2.5 um", speed="20 mm/s").disagreement(silent) is None


def test_a_rig_file_for_another_screw_does_not_open_the_rig(tmp_path) -> None:
    rig = rig_saying(tmp_path, count="2.5 um")
    device = VirtualRig(SPRING, scripted=False)
    with (
        VirtualPort(device, tmp_path / "rig") as port,
        pytest.raises(DeviceError, match=r"press.yaml: position.per_count: found 2.5 um, but the device"),
        Reader(PortAddress(path=port.path), "framed", rate_hz=500.0, disagreement=rig.disagreement),
    ):
        pytest.fail("it streams")


# ---- rates


def test_a_sample_in_ten_seconds_is_granted_and_kept() -> None:
    rig = VirtualRig(SPRING, rate_hz=500.0, scripted=False)
    decoder = FrameDecoder()
    granted = decoder.feed(rig.receive(encode_frame(StreamAt(7, 100)))).messages[-1].message
    assert granted == Reply(0, 7, 100)
    taken = SampleBlock.concatenate([decoder.feed(rig.advance(0.73)).samples for _ in range(100)])
    assert taken.seq.tolist() == list(range(7))
    assert np.diff(taken.time_us).tolist() == [10_000_000] * 6


@pytest.mark.parametrize(("asked_mhz", "granted_mhz"), [(1, 100), (700, 700), (2**31 - 1, 500_000)])
def test_the_rate_granted_is_the_one_that_is_sent(asked_mhz, granted_mhz) -> None:
    rig = VirtualRig(SPRING, rate_hz=500.0, scripted=False)
    decoder = FrameDecoder()
    assert (
        decoder.feed(rig.receive(encode_frame(StreamAt(7, asked_mhz)))).messages[-1].message.value
        == granted_mhz
    )
    for _ in range(40):
        data = decoder.feed(rig.advance(3.1e3 / granted_mhz)).samples
        assert np.abs(np.diff(data.time_us) - 1e9 / granted_mhz).max(initial=0) <= 1.0


def test_a_slow_stream_passes_through_a_pseudo_terminal(tmp_path) -> None:
    rig = VirtualRig(SPRING, rate_hz=500.0, scripted=False)
    with (
        VirtualPort(rig, tmp_path / "rig", speed_up=200.0) as port,
        Reader(PortAddress(path=port.path), "framed", rate_hz=0.1) as reader,
    ):
        assert reader.granted_hz == 0.1
        numbers = samples_of(reader, 12)
    assert (np.diff(numbers) == 1).all()
    assert isinstance(reader.identity, Identity)
