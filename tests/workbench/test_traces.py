"""Stretches of a recording: extremes stay, samples are as they were taken."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from made_captures import pressed, write_capture

from rig.capture import CaptureHeader, CaptureWriter, open_capture
from rig.errors import InputError
from rig.samples import RawChannel, Samples
from rig.workbench.traces import RecordedTrace, extremes

SPIKE_AT, SPIKE_N = 1_234_567, 987.0
LONG = 2_000_000


@given(
    arrays(float, st.tuples(st.just(2), st.integers(1, 60)), elements=st.integers(-9, 9)), st.integers(1, 20)
)
def test_extremes_of_every_block_are_kept(channels, block) -> None:
    places = extremes(channels, block)
    assert (np.diff(places) > 0).all()
    for start in range(0, channels.shape[1], block):
        inside = channels[:, start : start + block]
        kept = channels[:, places[(places >= start) & (places < start + block)]]
        np.testing.assert_array_equal(kept.min(axis=1), inside.min(axis=1))
        np.testing.assert_array_equal(kept.max(axis=1), inside.max(axis=1))


@pytest.fixture(scope="module")
def long_trace(tmp_path_factory):
    """Two million samples in two files, with a spike of one sample."""
    seq = np.arange(LONG)
    force = np.sin(seq / 5000.0)
    force[SPIKE_AT] = SPIKE_N
    channels = RawChannel("N", 0.001), RawChannel("mm", 0.001)
    status = np.zeros(LONG, np.uint8)
    samples = Samples(seq, seq * 100, force, np.cos(seq / 5000.0), status, *channels, "device")
    folder = tmp_path_factory.mktemp("long")
    header = CaptureHeader(specimen="F-90-001", force=channels[0], position=channels[1])
    with CaptureWriter.create(folder, header) as writer:
        for start in range(0, LONG, 4096):
            writer.append(samples[start : start + 4096])
        writer.end("as planned")
    return samples, RecordedTrace(open_capture(writer.path))


def test_the_whole_keeps_a_spike_of_one_sample(long_trace) -> None:
    _, trace = long_trace
    found = trace.stretch(None, None, 2000)
    assert len(found.time_s) <= 2000
    assert found.thinned
    assert max(found.force_n) == SPIKE_N
    assert found.time_s[int(np.argmax(found.force_n))] == pytest.approx(SPIKE_AT / 1e4)
    assert found.samples == LONG
    assert (np.diff(found.time_s) > 0).all()


@pytest.mark.parametrize("at_s", [0.0, 51.23, 123.4, 199.9])
def test_a_short_stretch_has_every_sample_as_it_was_taken(long_trace, at_s) -> None:
    samples, trace = long_trace
    found = trace.stretch(at_s, at_s + 0.05, 2000)
    time_s = samples.time_us / 1e6
    inside = (time_s >= at_s) & (time_s <= at_s + 0.05)
    assert not found.thinned
    assert set(time_s[inside]) <= set(found.time_s)
    assert len(found.time_s) <= inside.sum() + 2
    rows = np.rint(np.array(found.time_s) * 1e4).astype(int)
    np.testing.assert_array_equal(found.force_n, samples.force[rows])
    np.testing.assert_array_equal(found.position_mm, samples.position[rows])


def test_peaks_of_a_thinned_stretch_are_those_of_the_samples(tmp_path) -> None:
    path = write_capture(tmp_path, "F-90-001", "spring mould", presses=20)
    samples = pressed(int(20.1 * 2 * 200))
    found = RecordedTrace(open_capture(path)).stretch(None, None, 400)
    assert max(found.force_n) == samples.force.max()
    assert min(found.position_mm) == samples.position.min()


def test_a_recording_without_a_clock_counts_samples(tmp_path) -> None:
    channels = RawChannel("N", 0.001), RawChannel("mm", 0.001)
    seq = np.arange(100)
    samples = Samples(
        seq, np.zeros(100, np.int64), seq * 1.0, seq * 2.0, np.zeros(100, np.uint8), *channels, "none"
    )
    header = CaptureHeader(specimen="F-90-001", force=channels[0], position=channels[1], clock="none")
    with CaptureWriter.create(tmp_path, header) as writer:
        writer.append(samples)
        writer.end("as planned")
    found = RecordedTrace(open_capture(writer.path)).stretch(10, 20, 1000)
    assert not found.timed
    assert found.time_s == list(range(9, 22))
    assert found.force_n == found.time_s


def test_a_stretch_that_is_none_is_refused(long_trace) -> None:
    _, trace = long_trace
    with pytest.raises(InputError, match="expected an interval of time"):
        trace.stretch(5.0, 4.0, 100)
    with pytest.raises(InputError, match="expected an interval of time"):
        trace.stretch(float("nan"), 4.0, 100)


def test_the_coarse_view_of_a_long_recording_is_kept_and_never_trusted_when_stale_or_damaged(
    long_trace, monkeypatch
) -> None:
    capture = long_trace[1]._capture
    whole = RecordedTrace(capture, "as it was").stretch(None, None, 2000)
    kept = capture.path / ".results" / "trace.npz"
    with monkeypatch.context() as unread:
        unread.setattr(RecordedTrace, "_pass", lambda _: pytest.fail("it was read once more"))
        assert RecordedTrace(capture, "as it was").stretch(None, None, 2000) == whole
    data = kept.read_bytes()
    for damaged in (data[:-7], data[:5000], b"", data[:4000] + b"?" * 200 + data[4200:]):
        kept.write_bytes(damaged)
        assert RecordedTrace(capture, "as it was").stretch(None, None, 2000) == whole
    before = kept.read_bytes()
    RecordedTrace(capture, "as it is now")
    assert kept.read_bytes() != before
