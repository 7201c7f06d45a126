from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scripted_device import ScriptedDevice, wait_until

from rig.errors import DeviceError
from rig.reader import Delivery, LinkEvent, PortAddress, Reader
from rig.reader import greeting as greeting_module
from rig.reader import intake as intake_module
from rig.reader import reader as reader_module
from rig.samples import Samples
from rig.wire import Heartbeat, Identify, LineFormat, Note, ReplyResult, encode_frame

LINES = LineFormat(columns=("seq", "time_us", "force", "position"))


@pytest.fixture
def link(tmp_path: Path) -> Path:
    return tmp_path / "rig"


class Collected:
    """Everything that a reader handed over."""

    def __init__(self, reader: Reader) -> None:
        self.reader = reader
        self.deliveries: list[Delivery] = []

    @property
    def samples(self) -> Samples:
        return Samples.concatenate([self.reader.empty(), *(each.samples for each in self.deliveries)])

    @property
    def events(self) -> list[LinkEvent]:
        return [event for each in self.deliveries for event in each.events]

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]

    def event(self, kind: str) -> LinkEvent:
        return next(event for event in self.events if event.kind == kind)

    def until(self, holds: Callable[[], bool]) -> None:
        def fetched() -> bool:
            delivery = self.reader.get(0.05)
            if delivery is not None:
                self.deliveries.append(delivery)
            return holds()

        wait_until(fetched)

    def until_samples(self, count: int) -> None:
        self.until(lambda: sum(len(each.samples) for each in self.deliveries) >= count)

    def rest(self) -> None:
        while (delivery := self.reader.get(0.0)) is not None:
            self.deliveries.append(delivery)


def a_reader(link: Path, **options: object) -> Reader:
    wire = options.pop("wire", "framed")
    return Reader(PortAddress(path=str(link)), wire, lock_places=[link.parent / "lock"], **options)


def no_reader_left() -> bool:
    return all(thread.name != "rig-reader" for thread in threading.enumerate())


def test_each_sample_sent_is_handed_on_once_over_both_wraps(link: Path) -> None:
    with ScriptedDevice(link) as device:
        with a_reader(link) as reader:
            got = Collected(reader)
            got.until_samples(1_500)
        got.rest()
        assert device.streams()[-1].rate_mhz == 0
    samples = got.samples
    np.testing.assert_array_equal(samples.force, device.numbers)
    np.testing.assert_array_equal(samples.seq, 65_000 + np.arange(len(samples)))
    np.testing.assert_array_equal(samples.time_us, 2**32 - 500_000 + 1_000 * np.arange(len(samples)))
    assert got.kinds() == ["opened", "identified", "streaming"]
    assert got.event("streaming").fields["rate_hz"] == 1_000
    assert reader.identity is not None
    assert reader.identity.name == "bench"
    assert reader.tally.rejected == 0


def test_the_thread_and_the_lock_end_with_the_block(link: Path) -> None:
    with ScriptedDevice(link):
        with a_reader(link):
            assert not no_reader_left()
            assert len(list((link.parent / "lock").iterdir())) == 1
        assert no_reader_left()
        assert list((link.parent / "lock").iterdir()) == []


def test_a_second_reader_is_refused_before_it_opens_the_port(
    link: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other_name = link.with_name("other-name")
    with ScriptedDevice(link), a_reader(link) as reader:
        other_name.symlink_to(link)
        opened: list[object] = []
        monkeypatch.setattr("serial.Serial", lambda *arguments, **_: opened.append(arguments))
        with pytest.raises(DeviceError, match="in use by this very program"), a_reader(other_name):
            pass
        assert opened == []
        Collected(reader).until_samples(100)


def test_a_port_that_another_program_opened_without_a_lock_is_refused(link: Path) -> None:
    import serial

    with (
        ScriptedDevice(link),
        serial.Serial(str(link), exclusive=True),
        pytest.raises(DeviceError, match="another program has it open"),
        a_reader(link),
    ):
        pass
    assert list((link.parent / "lock").iterdir()) == []


def test_a_lost_reply_is_asked_for_again_under_the_same_id(link: Path) -> None:
    with ScriptedDevice(link, lose_replies=2) as device, a_reader(link, rate_hz=500):
        first = device.streams()
        assert len(first) == 3
        assert len({command.request for command in first}) == 1
        assert {command.rate_mhz for command in first} == {500_000}
    last = device.streams()[-1]
    assert last.rate_mhz == 0
    assert last.request != first[0].request


def test_each_identify_has_its_own_id_since_a_repeated_one_brings_no_identity(
    link: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(greeting_module, "IDENTIFY_FOR_S", 0.6)
    with ScriptedDevice(link, answers=False) as device:
        with pytest.raises(DeviceError), a_reader(link):
            pass
        asked = [command.request for command in device.commands if isinstance(command, Identify)]
    assert len(asked) >= 2
    assert len(set(asked)) == len(asked)


def test_a_device_that_only_talks_is_accepted(link: Path) -> None:
    with ScriptedDevice(link, answers=False, talks=True) as device:
        with a_reader(link) as reader:
            got = Collected(reader)
            got.until(lambda: "unanswered" in got.kinds())
        got.rest()
        assert device.streams() == []
    samples = got.samples
    first = device.numbers.index(samples.force[0])
    np.testing.assert_array_equal(samples.force, device.numbers[first : first + len(samples)])


def test_a_reset_in_mid_run_is_streamed_again_and_time_goes_on(link: Path) -> None:
    with ScriptedDevice(link) as device:
        with a_reader(link) as reader:
            got = Collected(reader)
            got.until_samples(300)
            device.reboot()
            got.until(lambda: got.kinds().count("streaming") == 2)
            got.until_samples(len(got.samples) + 300)
            assert reader.identity is not None
            assert reader.identity.boot_id == 2
        got.rest()
    np.testing.assert_array_equal(got.samples.force, device.numbers)
    assert got.kinds().count("reset") == 1
    assert got.event("reset").fields["cause"] == "boot, cause 1"
    assert np.all(np.diff(got.samples.time_us) > 0)


@pytest.mark.parametrize("reset", [True, False])
def test_a_device_that_fell_silent_is_asked_again(link: Path, reset: bool) -> None:
    with ScriptedDevice(link) as device:
        with a_reader(link) as reader:
            got = Collected(reader)
            got.until_samples(300)
            if reset:
                device.reboot(say_so=False)
            else:
                device.fall_silent()
            got.until(lambda: got.kinds().count("streaming") == 2)
            got.until_samples(len(got.samples) + 300)
        got.rest()
    np.testing.assert_array_equal(got.samples.force, device.numbers)
    assert got.kinds().count("reset") == int(reset)


@pytest.mark.parametrize("rebooted", [True, False])
def test_the_port_vanishing_is_an_event_and_the_same_reader_goes_on(link: Path, rebooted: bool) -> None:
    with ScriptedDevice(link) as device:
        with a_reader(link) as reader:
            got = Collected(reader)
            got.until_samples(300)
            device.unplug()
            got.until(lambda: "link_lost" in got.kinds())
            assert list((link.parent / "lock").iterdir()) == []
            if rebooted:
                device.reboot(say_so=False)
            device.replug(missed=70_000)
            got.until(lambda: got.kinds().count("streaming") == 2)
            got.until_samples(len(got.samples) + 300)
        got.rest()
    order = [kind for kind in got.kinds() if kind in ("opened", "link_lost", "link_restored")]
    assert order == ["opened", "link_lost", "link_restored"]
    samples = got.samples
    before = np.count_nonzero(samples.force < 70_000)
    np.testing.assert_array_equal(samples.force[:before], np.arange(before))
    np.testing.assert_array_equal(np.diff(samples.force[before:]), 1)
    assert set(samples.force.tolist()) <= set(device.numbers)
    if rebooted:
        assert got.kinds().count("reset") == 1
        assert np.all(np.diff(samples.time_us) > 0)
    else:
        np.testing.assert_array_equal(samples.seq, 65_000 + samples.force.astype(np.int64))
        assert got.event("gap").fields["missing"] == samples.force[before] - before


def test_noise_between_frames_loses_nothing_and_is_counted(link: Path) -> None:
    with ScriptedDevice(link) as device:
        with a_reader(link) as reader:
            got = Collected(reader)
            device.send(b"\0" + bytes(range(255, 155, -1)) + b"\0")
            device.send(encode_frame(Note("foam net float, invented")) + b"\x05\x01\0")
            got.until_samples(500)
        got.rest()
    np.testing.assert_array_equal(got.samples.force, device.numbers)
    assert got.event("note").fields["text"] == "foam net float, invented"
    rejected = [event.fields for event in got.events if event.kind == "rejected"]
    assert sum(int(fields["bytes"] or 0) for fields in rejected) == reader.tally.bytes_discarded > 100
    assert reader.tally.too_long == 1


def test_lines_are_read_and_nothing_is_sent(link: Path) -> None:
    with ScriptedDevice(link, talks=True, lines=LINES) as device:
        with a_reader(link, wire=LINES) as reader:
            got = Collected(reader)
            got.until_samples(500)
        got.rest()
        assert device.commands == []
    samples = got.samples
    first = device.numbers.index(samples.force[0])
    np.testing.assert_array_equal(samples.force, device.numbers[first : first + len(samples)])
    np.testing.assert_array_equal(np.diff(samples.seq), 1)


def test_a_silent_port_is_refused_in_words(link: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(greeting_module, "IDENTIFY_FOR_S", 0.3)
    with (
        ScriptedDevice(link, answers=False),
        pytest.raises(DeviceError, match=r"nothing was heard at 115200 baud; is the rig on"),
        a_reader(link),
    ):
        pass
    assert no_reader_left()
    assert list((link.parent / "lock").iterdir()) == []


def test_bytes_that_make_no_frame_are_refused_in_words(link: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(greeting_module, "IDENTIFY_FOR_S", 0.5)
    with (
        ScriptedDevice(link, answers=False, talks=True, lines=LINES),
        pytest.raises(DeviceError, match=r"\d+ bytes came but none made a frame .*115200 baud right"),
        a_reader(link),
    ):
        pass


def test_frames_read_as_lines_are_refused_in_words(link: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader_module, "OPENING_LIMIT_S", 0.5)
    with (
        ScriptedDevice(link, answers=False, talks=True),
        pytest.raises(DeviceError, match="none made a line"),
        a_reader(link, wire=LINES),
    ):
        pass


def test_a_refused_rate_is_said_in_words(link: Path) -> None:
    with (
        ScriptedDevice(link, result=ReplyResult.BAD_ARGUMENT),
        pytest.raises(DeviceError, match=r"refused to stream at 9000 samples/s \(bad argument\)"),
        a_reader(link, rate_hz=9_000),
    ):
        pass


def test_another_version_of_the_protocol_is_refused_in_words(link: Path) -> None:
    with (
        ScriptedDevice(link, protocol=2),
        pytest.raises(DeviceError, match="speaks version 2 of the protocol, this program speaks version 1"),
        a_reader(link),
    ):
        pass


def test_an_absent_port_is_refused_in_words(link: Path) -> None:
    with pytest.raises(DeviceError, match=f"port {link}: there is no such port"), a_reader(link):
        pass


def test_a_consumer_that_falls_behind_is_told_what_it_lost(link: Path) -> None:
    with ScriptedDevice(link) as device:
        with a_reader(link, queue_limit=200) as reader:
            wait_until(lambda: len(device.numbers) > 1_000)
            got = Collected(reader)
            got.until(lambda: "overflow" in got.kinds())
        got.rest()
    lost = sum(int(event.fields["samples"] or 0) for event in got.events if event.kind == "overflow")
    assert lost > 0
    assert lost + len(got.samples) == len(device.numbers)


def test_the_device_clock_is_fitted_while_reading(link: Path) -> None:
    with ScriptedDevice(link), a_reader(link) as reader:
        got = Collected(reader)
        got.until(lambda: reader.clock_fit is not None)


def test_what_ends_the_thread_before_its_time_reaches_the_consumer(
    link: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with ScriptedDevice(link), a_reader(link) as reader:

        def fail(*_: object) -> None:
            raise ArithmeticError("planted")

        monkeypatch.setattr(intake_module.Intake, "feed", fail)
        with pytest.raises(ArithmeticError, match="planted"):
            wait_until(lambda: reader.get(0.05) is None)
    assert no_reader_left()


def test_commands_of_the_session_reach_the_device(link: Path) -> None:
    with ScriptedDevice(link) as device, a_reader(link) as reader:
        assert reader.session.send(Heartbeat(reader.session.next_id()))
        wait_until(lambda: any(isinstance(command, Heartbeat) for command in device.commands))
        reply = reader.session.request(Identify)
        assert reply.result == ReplyResult.ACCEPTED


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="counts open files in /proc")
def test_no_file_stays_open(link: Path) -> None:
    with ScriptedDevice(link) as device:
        before = len(list(Path("/proc/self/fd").iterdir()))
        with a_reader(link) as reader:
            got = Collected(reader)
            got.until_samples(10)
            device.unplug()
            got.until(lambda: "link_lost" in got.kinds())
            device.replug(missed=10)
            got.until(lambda: "link_restored" in got.kinds())
        assert len(list(Path("/proc/self/fd").iterdir())) == before
