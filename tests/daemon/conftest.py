"""A busy machine is no silent host: silence is borne with on both sides, unless a test is about it."""

from __future__ import annotations

import pytest

PATIENCE_S = 20.0
"""Below the longest wait of a test, so that what never comes is told by the code and not by the test."""


@pytest.fixture(autouse=True, scope="module")
def patience():
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("rig.virtual.drive.HEARTBEAT_LIMIT_S", PATIENCE_S)
        patched.setattr("rig.jobs.driving.QUIET_S", PATIENCE_S)
        yield
