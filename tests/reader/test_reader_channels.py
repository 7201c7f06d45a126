"""Channels beside the samples: from a device through a pseudo-terminal into a capture and its results."""

from __future__ import annotations

import threading
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.calibration import Calibration, Scale
from rig.capture import CaptureHeader, auxiliary_readings, auxiliary_units, open_capture
from rig.errors import DeviceError
from rig.jobs import Bench, StopRule, Watch, record
from rig.jobs.heading import complete_header
from rig.jobs.recording import perform_recording
from rig.reader import Intake, PortAddress, Reader, complaint_about_channel
from rig.reader.channels import side_channel, values_of
from rig.results import Asked, climate_by_cycle, examine_capture
from rig.rigfile import RigFile
from rig.virtual import LinearSpring, VirtualChannel, VirtualPort, VirtualRig
from rig.wire import (
    NO_READING,
    Channel,
    ChannelKind,
    FrameDecoder,
    Identity,
    Readings,
    StreamAt,
    encode_frame,
)

SPRING = LinearSpring(2.0, 60.0)
CALIBRATION = Calibration(Scale(0.001), Scale(0.005))


def ramp(time_s: float) -> float:
    return 20.0 + 0.5 * time_s


CHANNELS = (
    VirtualChannel("force_2", "mN", lambda time_s: -1500.0, force=True, exponent=0, zero=-300),
    VirtualChannel("ambient_temperature", "K", lambda time_s: 273.15 + ramp(time_s)),
    VirtualChannel("air_pressure", "kPa", lambda time_s: 101.3),
    VirtualChannel("humidity", "%", lambda time_s: None),
)


def recorded(tmp_path, rig: VirtualRig, **rule):
    with VirtualPort(rig, tmp_path / "rig", speed_up=20.0) as port:
        reader = Reader(PortAddress(path=port.path), "framed")
        watch = Watch(threading.Event(), ask=str, tell=lambda step, done: None)
        bench = Bench(reader, RigFile("virtual", calibration=CALIBRATION), tmp_path, watch)
        header_of = partial(complete_header, CaptureHeader(specimen="float-1"))
        done = record(bench, header_of, StopRule(rule.get("seconds"), rule.get("cycles")))
    assert not done.failed, done.reason
    return open_capture(done.path)


def test_channels_are_recorded_beside_the_samples_and_measured_by_cycle(tmp_path) -> None:
    rig = VirtualRig(SPRING, cycles=3, rate_hz=500.0, channels=CHANNELS)
    capture = recorded(tmp_path, rig, cycles=3)
    assert auxiliary_units(capture) == {
        "force_2": "N",
        "ambient_temperature": "degC",
        "air_pressure": "kPa",
        "humidity": "%",
    }
    readings = auxiliary_readings(capture)
    # a sensor without readings has no column
    assert set(readings) == {"force_2", "ambient_temperature", "air_pressure"}
    assert readings["force_2"][1] == pytest.approx(-1.5)
    assert readings["air_pressure"][1] == pytest.approx(101.3, abs=0.006)
    time_s, celsius = readings["ambient_temperature"]
    # the ramp is a function of the device's clock, on which samples and readings lie
    first_us = capture.samples().time_us[0]
    assert first_us < 2e6
    assert celsius == pytest.approx([ramp(each) for each in time_s], abs=0.03)
    result = examine_capture(capture.path, Asked(calibration=CALIBRATION)).result
    by_cycle = climate_by_cycle(capture, result)
    assert set(by_cycle) == {"force_2_n", "ambient_temperature_c", "air_pressure_kpa"}
    middle_s = (result.columns["start_s"] + result.columns["end_s"]) / 2
    assert by_cycle["ambient_temperature_c"] == pytest.approx(ramp(middle_s), abs=0.3)


def test_a_capture_that_begins_long_after_the_port_was_opened_knows_the_units(tmp_path) -> None:
    rig = VirtualRig(SPRING, cycles=3, rate_hz=500.0, channels=CHANNELS)
    with (
        VirtualPort(rig, tmp_path / "rig", speed_up=20.0) as port,
        Reader(PortAddress(path=port.path), "framed") as reader,
    ):
        # as a daemon that holds the port for good: what the device said at the opening has been taken
        while not len(reader.get(timeout_s=20.0).samples):
            pass
        watch = Watch(threading.Event(), ask=str, tell=lambda step, done: None)
        bench = Bench(reader, RigFile("virtual", calibration=CALIBRATION), tmp_path, watch)
        header_of = partial(complete_header, CaptureHeader(specimen="float-1"))
        done = perform_recording(bench, header_of, StopRule(None, 3))
    capture = open_capture(done.path)
    assert all(event["kind"] != "channel" for event in capture.each_event())
    result = examine_capture(capture.path, Asked(calibration=CALIBRATION)).result
    assert set(climate_by_cycle(capture, result)) == {
        "force_2_n",
        "ambient_temperature_c",
        "air_pressure_kpa",
    }


def channel(**other) -> Channel:
    sound = Channel(1, ChannelKind.SLOW, b"degC\0\0\0\0", 1, -2, 0, "ambient_temperature")
    return replace(sound, **other)


LIES = [
    ({"name": "Temperature"}, "called 'Temperature', expected lower-case letters"),
    ({"name": "a,b"}, "called 'a,b'"),
    ({"name": ""}, "called ''"),
    ({"name": "force"}, "none of count, force"),
    ({"kind": 7}, "is of kind 7, expected 0 \\(force\\) or 1 \\(slow\\)"),
    ({"scale": 0}, "has a scale of 0"),
    ({"exponent": 127}, "has a scale of 1 x 10\\^127, expected -12 to 12"),
    ({"unit": bytes(8), "name": "ph"}, "has the unit ''"),
    ({"unit": b"\xff\xfe" + bytes(6), "name": "ph"}, "expected 1 to 8 ASCII"),
    ({"unit": b"bar".ljust(8, b"\0")}, "is in bar, expected degC, K, degF"),
    ({"kind": ChannelKind.FORCE, "name": "force_2"}, "is a force in degC, expected N, mN, kN"),
]


@pytest.mark.parametrize(("lie", "words"), LIES, ids=lambda value: str(value)[:30])
def test_channels_that_make_no_sense_are_refused_in_words(tmp_path, lie, words) -> None:
    rig = VirtualRig(SPRING, scripted=False, channels=CHANNELS[1:2])
    kept = rig.device._described

    def described(command):
        result, shown = kept(command)
        return result, [channel(**lie) if isinstance(each, Channel) else each for each in shown]

    rig.device._described = described  # type: ignore[method-assign]
    with (
        VirtualPort(rig, tmp_path / "rig") as port,
        pytest.raises(DeviceError, match=f"cannot be used: its channel 1 .*{words}"),
        Reader(PortAddress(path=port.path), "framed"),
    ):
        pytest.fail("it streams")


def test_more_than_three_further_forces_and_two_of_one_name_are_refused() -> None:
    force = channel(kind=ChannelKind.FORCE, unit=b"N".ljust(8, b"\0"), name="force_2")
    three = [replace(force, name=f"force_{number}") for number in (2, 3, 4)]
    fourth = complaint_about_channel(replace(force, name="force_5"), three)
    assert fourth is not None and "further force number 4, expected at most 3" in fourth
    twice = complaint_about_channel(force, three[:1])
    assert twice is not None and "has the name of another one" in twice


def test_the_force_of_the_samples_is_not_changed_by_further_forces(tmp_path) -> None:
    rig = VirtualRig(SPRING, rate_hz=500.0, scripted=False, channels=CHANNELS[:1])
    with (
        VirtualPort(rig, tmp_path / "rig") as port,
        Reader(PortAddress(path=port.path), "framed") as reader,
    ):
        forces = [reader.get(timeout_s=20.0).samples.force for _ in range(20)]
    # nothing is pressed: some counts of noise, far from the 1500 mN of the further cell
    assert np.abs(np.concatenate(forces)).max() < 100


I32 = st.integers(-(2**31), 2**31 - 1)
U8 = st.integers(0, 255)
ANY_CHANNEL = st.builds(
    Channel, U8, U8, st.binary(min_size=8, max_size=8), I32, st.integers(-128, 127), I32, st.text(max_size=6)
)
NAMES = st.sampled_from(["humidity", "force_2", "ph", "b\0", "_", "ambient_temperature", "x" * 24])
UNITS = st.sampled_from([b"N", b"K", b"%", b"degC", b"", b"a b", b"\xff"]).map(
    lambda unit: unit.ljust(8, b"\0")
)
LIKELY = st.builds(Channel, st.integers(0, 12), U8, UNITS, I32, st.integers(-15, 15), I32, NAMES)
READINGS = st.builds(Readings, st.integers(0, 2**32 - 1), U8, st.lists(I32, max_size=14).map(tuple))


@settings(deadline=None)
@given(st.lists(st.one_of(ANY_CHANNEL, LIKELY, READINGS), max_size=30))
def test_whatever_channels_and_readings_come_the_intake_goes_on(messages) -> None:
    intake = Intake("framed")
    host_s = 1000.0
    rig = VirtualRig(SPRING, rate_hz=500.0, scripted=False)
    intake.feed(rig.receive(encode_frame(StreamAt(1, 500_000))), host_s)
    for message in messages:
        host_s += 0.1
        data = encode_frame(message) + rig.advance(0.1)
        delivery, _ = intake.feed(data, host_s)
        for event in delivery.events:
            if event.kind == "auxiliary":
                assert all(np.isfinite(value) for value in event.fields.values())
    intake.flush(host_s)
    assert isinstance(intake.identity, Identity)
    assert intake.samples_received == 50 * len(messages)


@settings(deadline=None)
@given(LIKELY, I32)
def test_a_channel_without_complaints_gives_finite_values_or_none(told, count) -> None:
    (placed,) = FrameDecoder().feed(encode_frame(told)).messages
    if complaint_about_channel(placed.message, []) is not None:
        return
    known = side_channel(placed.message)
    value = values_of(Readings(0, told.number, (count,)), {told.number: known})[known.name][0]
    assert np.isnan(value) == (count == NO_READING)
    # by the protocol's words: (count - zero) x scale x 10^exponent, then the unit
    if count != NO_READING and told.unit.startswith((b"N", b"%", b"degC")):
        assert value == pytest.approx(
            (count - told.zero) * told.scale * 10.0**told.exponent, rel=1e-6, abs=1e-6
        )
