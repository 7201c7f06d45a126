"""Cautions are confirmed once a day for each rig."""

import datetime

import pytest

from rig.daemon import cautions
from rig.daemon.cautions import cautions_read_today, confirm_cautions
from rig.errors import RecorderError


@pytest.fixture
def state(tmp_path, monkeypatch):
    """The user's state folder, for this test only."""
    monkeypatch.setattr(cautions.platformdirs, "user_state_path", lambda *name, **how: tmp_path / "state")
    return tmp_path / "state"


def test_cautions_are_not_read_before_somebody_confirms_them(state):
    assert not cautions_read_today("bench")


def test_confirmed_cautions_hold_for_this_rig_and_no_other(state):
    confirm_cautions("bench", "an operator")
    assert cautions_read_today("bench")
    assert not cautions_read_today("bench 2")


def test_rigs_whose_names_look_alike_in_a_file_name_are_kept_apart(state):
    confirm_cautions("bench/1", "an operator")
    assert not cautions_read_today("bench 1")


def test_cautions_of_yesterday_are_asked_for_again(state, monkeypatch):
    confirm_cautions("bench", "an operator")
    tomorrow = datetime.datetime.now().astimezone().date() + datetime.timedelta(days=1)
    monkeypatch.setattr(cautions, "_today", lambda: tomorrow)
    assert not cautions_read_today("bench")


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"- a list", b"{", b"x" * 10_000])
def test_a_damaged_file_counts_as_not_confirmed(state, content):
    confirm_cautions("bench", "an operator")
    (kept,) = (state / "cautions").iterdir()
    kept.write_bytes(content)
    assert not cautions_read_today("bench")


def test_who_confirmed_is_kept(state):
    confirm_cautions("bench", "an operator")
    (kept,) = (state / "cautions").iterdir()
    assert "who: an operator" in kept.read_text(encoding="utf-8")


def test_a_state_folder_that_cannot_be_written_is_said(state):
    state.write_text("in the way", encoding="utf-8")
    with pytest.raises(RecorderError, match="cannot be written down"):
        confirm_cautions("bench", "an operator")
