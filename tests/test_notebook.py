"""A capture opened from a notebook gives its samples, its cycles and its result."""

import numpy as np
import pytest

import rig
from rig.calibration import Calibration, Scale
from rig.capture import CaptureHeader, CaptureWriter
from rig.errors import CaptureError, InputError
from rig.notebook import open_recording
from rig.samples import Samples

COUNT_N, COUNT_MM = 0.001, 0.005
STIFFNESS = 2.5


def pressed(cycles=3):
    """A spring in counts: triangles from 2 mm above it to 10 mm into it, 250 samples a second."""
    way = np.linspace(-2.0, 10.0, 300)
    one = np.concatenate([way, way[::-1], np.full(100, -2.0)])
    position = np.concatenate([np.full(300, -2.0), np.tile(one, cycles)])
    rng = np.random.default_rng(0)
    n = len(position)
    rows = np.arange(n, dtype=np.int64)
    force = STIFFNESS * np.maximum(position, 0) + rng.normal(0, 0.005, n)
    return Samples(
        rows, rows * 4000, np.rint(force / COUNT_N).astype(np.int32),
        np.rint((position + rng.normal(0, 0.001, n)) / COUNT_MM).astype(np.int32), np.zeros(n, np.uint8),
    )  # fmt: skip


@pytest.fixture
def captured(tmp_path):
    """Writes a capture of a spring, and gives its folder."""

    def write(**fields):
        with CaptureWriter.create(tmp_path, CaptureHeader(specimen="F-90 no. 3", **fields)) as writer:
            writer.append(pressed())
        return writer.path

    return write


CALIBRATION = Calibration(Scale(COUNT_N), Scale(COUNT_MM))


def test_the_cycles_of_a_capture_are_a_frame_of_measured_numbers(captured):
    frame = rig.open_capture(captured(calibration=CALIBRATION.as_dict())).cycles()
    assert frame["cycle"].tolist() == [1, 2, 3]
    np.testing.assert_allclose(frame["secant_n_per_mm"], STIFFNESS, rtol=2e-3)


def test_the_free_height_is_the_captures_unless_another_is_given(captured):
    path = captured(calibration=CALIBRATION.as_dict(), free_height_mm=40.0)
    at_own = rig.open_capture(path).cycles(at=("10%",))["force_at_10%_loading_n"]
    at_other = rig.open_capture(path).cycles(at=("10%",), free_height_mm=20.0)["force_at_10%_loading_n"]
    np.testing.assert_allclose(at_own, STIFFNESS * 4.0, rtol=5e-3)
    np.testing.assert_allclose(at_other, STIFFNESS * 2.0, rtol=5e-3)


def test_a_better_calibration_re_reads_an_old_capture(captured):
    better = Calibration(Scale(2 * COUNT_N), Scale(COUNT_MM))
    recording = open_recording(captured(calibration=CALIBRATION.as_dict()), better)
    np.testing.assert_allclose(recording.cycles()["secant_n_per_mm"], 2 * STIFFNESS, rtol=2e-3)


def test_the_raw_samples_come_as_they_were_recorded(captured):
    samples = rig.open_capture(captured()).samples()
    np.testing.assert_array_equal(samples.force, pressed().force)


def test_settings_reach_the_analysis(captured):
    result = rig.open_capture(captured(calibration=CALIBRATION.as_dict())).analyse(
        conditioning=1, datum="first"
    )
    assert (result.settings.conditioning, result.settings.datum) == (1, "first")
    assert result.summary["secant_n_per_mm"]["n"] == 2


def test_counts_without_a_calibration_are_refused_with_what_is_missing(captured):
    with pytest.raises(InputError, match="recorded in counts without a calibration"):
        rig.open_capture(captured()).cycles()


def test_a_depth_that_is_none_is_refused(captured):
    with pytest.raises(InputError, match="deep"):
        rig.open_capture(captured(calibration=CALIBRATION.as_dict())).cycles(at=("deep",))


def test_a_calibration_that_was_spoilt_by_hand_is_refused_with_its_file(captured):
    path = captured(calibration={"force": {"per_count_n": "much"}})
    with pytest.raises(InputError, match=r"capture\.yaml: calibration: force: not a calibration"):
        rig.open_capture(path)


def test_what_is_no_capture_is_refused(tmp_path):
    with pytest.raises(CaptureError, match="not a capture"):
        rig.open_capture(tmp_path)
