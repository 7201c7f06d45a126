"""The rig on a real pseudo-terminal, opened as any serial program would."""

import math
import os
import threading
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
import serial
from virtual_host import rows

from rig.errors import InputError
from rig.reader import PortAddress, Reader
from rig.samples import Samples
from rig.virtual import FAULT_NAMES, LinearSpring, VirtualPort, VirtualRig, specimen_named
from rig.wire import (
    Event,
    EventCode,
    FrameDecoder,
    Identify,
    Identity,
    LineDecoder,
    LineFormat,
    Reply,
    SampleBlock,
    StreamAt,
    encode_frame,
)

PATIENCE_S = 20.0
"""Far longer than anything here takes; a test that waits this long has failed."""


def _opened(port):
    return serial.Serial(port.path, 115_200, timeout=0.05, exclusive=True)


def _listen(link, decoder, until, blocks=None):
    """Read until a condition on the messages heard so far holds."""
    heard, blocks = [], [] if blocks is None else blocks
    deadline_s = time.monotonic() + PATIENCE_S
    while not until(heard, blocks):
        assert time.monotonic() < deadline_s, "the rig did not say what was expected"
        found = decoder.feed(link.read(max(1, link.in_waiting)))
        heard += [each.message for each in found.messages]
        blocks.append(found.samples)
    return heard


def _has(kind):
    return lambda heard, blocks: any(isinstance(each, kind) for each in heard)


def _count(number):
    return lambda heard, blocks: sum(map(len, blocks)) >= number


@pytest.mark.parametrize("speed_up", [1.0, 50.0, math.inf])
def test_a_host_identifies_and_streams(tmp_path, speed_up) -> None:
    rig = VirtualRig(LinearSpring(), rate_hz=2000.0)
    with VirtualPort(rig, tmp_path / "rig", speed_up) as port, _opened(port) as link:
        decoder, blocks = FrameDecoder(), []
        link.write(encode_frame(Identify(1)))
        _listen(link, decoder, _has(Identity))
        link.write(encode_frame(StreamAt(2, 2_000_000)))
        _listen(link, decoder, _has(Reply))
        _listen(link, decoder, _count(500), blocks)
        samples = SampleBlock.concatenate(blocks)
        np.testing.assert_array_equal(np.diff(samples.seq), 1)


def test_a_whole_run_comes_through_and_nothing_is_lost_when_sped_up(tmp_path) -> None:
    rig = VirtualRig(specimen_named("foam"), keep_sent=True)
    wanted = int(rig.script_s * 500)
    with VirtualPort(rig, tmp_path / "rig", math.inf) as port, _opened(port) as link:
        blocks = []
        link.write(encode_frame(StreamAt(1, 500_000)))
        _listen(link, FrameDecoder(), _count(wanted), blocks)
    samples = SampleBlock.concatenate(blocks)
    np.testing.assert_array_equal(samples.seq, np.arange(len(samples)) % 2**16)
    assert rows(samples) <= set().union(*map(rows, rig.sent))
    assert rig.device.frames_dropped == 0


def test_a_run_is_the_same_bytes_at_any_speed(tmp_path) -> None:
    runs = []
    for speed_up in (400.0, math.inf):
        rig = VirtualRig(specimen_named("foam"), cycles=2, seed=9)
        with VirtualPort(rig, tmp_path / "rig", speed_up) as port, _opened(port) as link:
            blocks = []
            link.write(encode_frame(StreamAt(1, 500_000)))
            _listen(link, FrameDecoder(), _count(3500), blocks)
            runs.append(SampleBlock.concatenate(blocks)[:3500])
    for column in ("seq", "time_us", "force", "position", "status"):
        np.testing.assert_array_equal(getattr(runs[0], column), getattr(runs[1], column))


def test_fifty_thousand_samples_a_second_come_through_the_reader_without_loss(tmp_path) -> None:
    rig = VirtualRig(LinearSpring(), rate_hz=50_000.0, scripted=False)
    with VirtualPort(rig, tmp_path / "rig", 1.001) as port:
        # a little faster than real time, the port waits for a machine that has no time to read
        address = PortAddress(path=port.path)
        with Reader(address, "framed", rate_hz=50_000.0, lock_places=[tmp_path]) as reader:
            samples = reader.empty()
            while len(samples) < 50_000:
                delivery = reader.get(PATIENCE_S)
                assert delivery is not None
                samples = Samples.concatenate([samples, delivery.samples])
            assert reader.granted_hz == 50_000.0
            assert reader.tally.rejected == 0
            # frames of samples are blocks: ten in each
            assert reader.tally.accepted < len(samples) / 8
    np.testing.assert_array_equal(np.diff(samples.seq), 1)
    np.testing.assert_array_equal(np.diff(samples.time_us), 20)


def test_link_and_thread_are_gone_at_the_end(tmp_path) -> None:
    before = threading.active_count()
    link = tmp_path / "rig"
    with VirtualPort(VirtualRig(LinearSpring()), link) as port:
        assert link.is_symlink() and threading.active_count() == before + 1
        terminal = Path(port.path).resolve()
    assert not os.path.lexists(link)
    assert threading.active_count() == before
    assert not terminal.exists()


def test_a_stale_link_is_replaced_and_a_file_is_not(tmp_path) -> None:
    link, file = tmp_path / "rig", tmp_path / "notes"
    link.symlink_to("/nowhere/at/all")
    with VirtualPort(VirtualRig(LinearSpring()), link) as port:
        assert Path(port.path).exists()
    file.write_text("kept")
    with pytest.raises(InputError, match="not a symbolic link"):
        VirtualPort(VirtualRig(LinearSpring()), file)
    assert file.read_text() == "kept"


def test_serving_in_the_foreground_ends_when_told(tmp_path) -> None:
    link = tmp_path / "rig"
    port = VirtualPort(VirtualRig(LinearSpring()), link)
    server = threading.Thread(target=port.serve)
    server.start()
    port.stop()
    server.join(PATIENCE_S)
    assert not server.is_alive()
    assert not os.path.lexists(link)


def test_lines_flow_from_the_moment_a_host_opens(tmp_path) -> None:
    line_format = LineFormat(columns=("time_us", "force", "position"))
    rig = VirtualRig(LinearSpring(), line_format=line_format, rate_hz=2000.0)
    with VirtualPort(rig, tmp_path / "rig", 20.0) as port:
        assert rig.device.machine.now_s == 0.0
        with _opened(port) as link:
            blocks = []
            _listen(link, LineDecoder(line_format), _count(300), blocks)
    times_us = SampleBlock.concatenate(blocks).time_us
    # The first lines may be gone with the opening of the port, whole samples follow each other after it.
    np.testing.assert_array_equal(np.diff(times_us), 500)


def test_a_rig_that_only_talks_ignores_the_host(tmp_path) -> None:
    rig = VirtualRig(LinearSpring(), talk_only=True)
    with VirtualPort(rig, tmp_path / "rig", 100.0) as port, _opened(port) as link:
        link.write(encode_frame(Identify(1)))
        heard = _listen(link, FrameDecoder(), _count(6000))
    assert any(isinstance(each, Identity) for each in heard)
    assert not any(isinstance(each, Reply) for each in heard)


def test_at_real_time_a_host_that_does_not_read_makes_frames_drop(tmp_path) -> None:
    rig = VirtualRig(LinearSpring(), rate_hz=50_000.0)
    with VirtualPort(rig, tmp_path / "rig") as port, _opened(port) as link:
        link.write(encode_frame(StreamAt(1, 50_000_000)))
        deadline_s = time.monotonic() + PATIENCE_S
        stopped = threading.Event()
        while not rig.device.frames_dropped and time.monotonic() < deadline_s:
            stopped.wait(0.01)
        assert rig.device.frames_dropped > 0
        # What is read then is whole frames all the same.
        blocks, decoder = [], FrameDecoder()
        _listen(link, decoder, _count(5000), blocks)
        assert decoder.tally.rejected == 0


class _Listener:
    """A host that opens the port again whenever it goes, and asks for samples after each boot."""

    def __init__(self, port):
        self.port, self.link, self.request = port, None, 0
        self.decoder, self.blocks, self.boots, self.openings = FrameDecoder(), [], 0, 0

    def ask(self):
        self.request += 1
        self.link.write(encode_frame(StreamAt(self.request, 500_000)))

    def turn(self):
        with suppress(OSError):
            if self.link is None:
                self.link = _opened(self.port)
                self.openings += 1
                self.decoder.restart()
                self.ask()
            found = self.decoder.feed(self.link.read(max(1, self.link.in_waiting)))
            self.blocks.append(found.samples)
            for each in found.messages:
                if isinstance(each.message, Event) and each.message.code == EventCode.BOOT:
                    self.boots += 1
                    self.ask()
            return
        if self.link is not None:
            self.link.close()
        self.link = None


@pytest.mark.parametrize("speed_up", [60.0, math.inf])
def test_with_every_fault_at_once_a_host_loses_only_what_was_damaged(tmp_path, speed_up) -> None:
    rig = VirtualRig(specimen_named("foam"), faults=FAULT_NAMES, keep_sent=True, seed=2)
    with VirtualPort(rig, tmp_path / "rig", speed_up) as port:
        host = _Listener(port)
        deadline_s = time.monotonic() + PATIENCE_S
        while not (rig.script_over and host.openings == 2):
            assert time.monotonic() < deadline_s
            host.turn()
        cut_off = len(rig.sent)
        last = rig.sent[cut_off - 1]
        while not any(last.seq[-1] in block.seq[-len(block) :] for block in host.blocks[-50:] if len(block)):
            assert time.monotonic() < deadline_s
            host.turn()
        host.link.close()
    got = set().union(*map(rows, host.blocks))
    assert set().union(*map(rows, rig.sent[:cut_off])) <= got
    assert got <= set().union(*map(rows, rig.sent))
    assert host.boots >= 1


def test_an_unplugged_port_comes_back_at_the_same_link(tmp_path) -> None:
    rig = VirtualRig(LinearSpring(), faults=("unplug",), cycles=1)
    with VirtualPort(rig, tmp_path / "rig", math.inf) as port:
        host = _Listener(port)
        deadline_s = time.monotonic() + PATIENCE_S
        while not (host.openings == 2 and len(host.blocks[-1])):
            assert time.monotonic() < deadline_s
            host.turn()
        host.link.close()
    samples = SampleBlock.concatenate(host.blocks)
    # Two seconds of samples were taken while nobody could hear them.
    assert np.diff(samples.seq).max() == pytest.approx(1001, abs=2)


def test_infinite_speed_without_a_script_is_refused(tmp_path) -> None:
    with pytest.raises(InputError, match="no script"):
        VirtualPort(VirtualRig(LinearSpring(), scripted=False), speed_up=math.inf)
    with pytest.raises(InputError, match="above 0"):
        VirtualPort(VirtualRig(LinearSpring()), speed_up=0.0)
