"""A capture opened from a notebook gives its samples, its cycles and its result."""

import json
import subprocess
import sys
from pathlib import Path

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


EXAMPLES = sorted((Path(__file__).parents[1] / "captures").glob("example-F-90-*"))


def command(home: Path, *arguments: object) -> dict:
    """The document of a command, run as a user runs it."""
    program = Path(sys.executable).with_name("pressrig")
    words = [program, *map(str, arguments), "--json"]
    return json.loads(subprocess.run(words, cwd=home, check=True, capture_output=True).stdout)


def test_cycles_are_those_of_the_command(tmp_path):
    (printed,) = command(tmp_path, "analyse", EXAMPLES[0], "--at", "25%", "--conditioning", "1")["captures"]
    frame = rig.open_capture(EXAMPLES[0]).cycles(at="25%", conditioning=1)
    for name in ("secant_n_per_mm", "secant_n_per_mm_u", "hysteresis_pct"):
        assert frame[name].tolist() == pytest.approx([cycle[name] for cycle in printed["cycles"]], rel=1e-12)


def test_differences_of_batches_are_those_of_the_command(tmp_path):
    printed = command(tmp_path, "compare", EXAMPLES[0].parent)["comparison"]["differences"]
    frame = rig.compare(EXAMPLES[0].parent).frame()
    assert frame["quantity"].tolist() == [row["quantity"] for row in printed]
    for name in ("difference", "u", "low", "high"):
        assert frame[name].tolist() == pytest.approx([row[name] for row in printed], rel=1e-12)


def test_a_design_sheet_has_the_figures_of_the_command(tmp_path):
    printed = command(tmp_path, "sheet", EXAMPLES[0].parent, "--conditioning", "1")
    sheet = rig.design_sheet(EXAMPLES[0].parent, asked={"conditioning": 1})
    assert json.loads(json.dumps(sheet.as_dict())) == {key: printed[key] for key in sheet.as_dict()}


def test_pieces_are_a_frame_with_a_row_per_capture():
    found = rig.pieces(EXAMPLES[:2], contact_force_n=0.2)
    frame = found.frame()
    assert frame["piece"].tolist() == ["F-90-001", "F-90-002"]
    assert frame["secant_n_per_mm"].tolist() == [piece.values["secant_n_per_mm"] for piece in found.results]


def test_what_a_cell_shows_of_results_is_one_line_that_names_the_way_on():
    pieces = rig.pieces(EXAMPLES[:2], contact_force_n=0.2)
    compared, sheet = rig.compare(EXAMPLES[0].parent), rig.design_sheet(EXAMPLES[0].parent)
    assert repr(pieces) == "<Pieces: 2, captures: 2; see frame()>"
    assert repr(compared) == "<Comparison by batch of spring mould, autumn mould: see frame()>"
    assert repr(sheet).endswith("captures: 6; see as_dict()>")


def test_groups_that_do_not_exist_are_refused_with_those_that_do():
    with pytest.raises(InputError, match="by: found 'bath', expected batch, state, operator, method"):
        rig.compare(EXAMPLES[:2], by="bath")


def test_the_notebooks_face_costs_nothing_before_it_is_asked_for():
    loaded = "import sys, rig; sys.exit(any(name.startswith(('rig.', 'numpy')) for name in sys.modules))"
    assert subprocess.run([sys.executable, "-c", loaded], check=False).returncode == 0


def test_a_name_that_rig_does_not_have_is_refused_by_name():
    with pytest.raises(AttributeError, match="no attribute 'squeeze'"):
        rig.squeeze  # noqa: B018


def test_a_notebook_can_complete_the_names_before_anything_is_loaded():
    code = "import rig, sys; print(*dir(rig)); print('pandas' in sys.modules)"
    names, loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    assert {"open_capture", "captures", "pieces", "compare", "design_sheet"} <= set(names.split())
    assert loaded == "False"
