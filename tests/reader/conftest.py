"""A busy machine is no silent host: the virtual rig bears with one, unless a test is about heartbeats."""

from __future__ import annotations

import pytest


@pytest.fixture(autouse=True)
def patience(request, monkeypatch):
    if "heartbeats_count" not in request.fixturenames:
        monkeypatch.setattr("rig.virtual.drive.HEARTBEAT_LIMIT_S", 20.0)


@pytest.fixture
def heartbeats_count():
    """For tests in which heartbeats stay away."""
