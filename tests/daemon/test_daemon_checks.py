"""What the daemon says of a rig whose check standard was outside, at the start of each job."""

import os
from datetime import UTC, datetime

import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

from attended import attended, method, recording

from rig.capture import open_capture
from rig.rigchecks import Clearing, PieceCheck, read_checks

OUTSIDE = PieceCheck(
    at=datetime(2026, 3, 17, 7, tzinfo=UTC),
    piece="K1",
    quantity="secant_n_per_mm",
    value=2.5,
    u=0.004,
    unit="N/mm",
    capture="0" * 32,
    calibration="0123456789abcdef",
    reasons=("2.5 N/mm is 0.5 N/mm off the piece's known 3 N/mm",),
)
CLEARED = Clearing(datetime(2026, 3, 17, 8, tzinfo=UTC), "M. Rigger", "a screw was loose; tightened")


def warned(capture):
    return [each["text"] for each in open_capture(capture).each_event() if each["kind"] == "warning"]


@pytest.mark.parametrize("order", [method(), recording(seconds=0.5)], ids=["method", "recording"])
def test_each_job_begins_with_the_warning_until_it_is_cleared(tmp_path, order):
    log = read_checks(tmp_path / "rig.yaml")
    log.add(OUTSIDE)
    with attended(tmp_path) as at:
        end = at.end_of(at.started(order))
        assert any("Check standard outside" in text for text in warned(end.capture))
        assert any("K1 on 2026-03-17" in text for text in at.board.status().warnings)
        log.add(CLEARED)
        end = at.end_of(at.started(order))
        assert not any("Check standard outside" in text for text in warned(end.capture))
        assert at.board.status().warnings == ()
