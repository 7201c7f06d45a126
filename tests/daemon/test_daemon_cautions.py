"""Cautions are confirmed once a day for each rig."""

import datetime

import pytest

from rig.errors import RecorderError
from rig.jobs import cautions
from rig.jobs.cautions import CautionsRead
from rig.jobs.orders import RigRef

BENCH = CautionsRead(RigRef(name="bench", port="ttyUSB0"))


def of(name, port="ttyUSB0", **how):
    return CautionsRead(RigRef(name=name, port=port), **how)


@pytest.fixture
def state(tmp_path, monkeypatch):
    """The user's state folder, for this test only."""
    monkeypatch.setattr(cautions.platformdirs, "user_state_path", lambda *name, **how: tmp_path / "state")
    return tmp_path / "state"


def test_cautions_are_not_read_before_somebody_confirms_them(state):
    assert not BENCH.today()


def test_confirmed_cautions_hold_for_this_rig_and_no_other(state):
    BENCH.confirm("an operator")
    assert BENCH.today()
    assert not of("bench 2").today()


def test_rigs_whose_names_look_alike_in_a_file_name_are_kept_apart(state):
    of("bench/1").confirm("an operator")
    assert not of("bench 1").today()


def test_cautions_of_yesterday_are_asked_for_again(state, monkeypatch):
    BENCH.confirm("an operator")
    tomorrow = datetime.datetime.now().astimezone().date() + datetime.timedelta(days=1)
    monkeypatch.setattr(cautions, "_today", lambda: tomorrow)
    assert not BENCH.today()


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"- a list", b"{", b"x" * 10_000])
def test_a_damaged_file_counts_as_not_confirmed(state, content):
    BENCH.confirm("an operator")
    (kept,) = (state / "cautions").iterdir()
    kept.write_bytes(content)
    assert not BENCH.today()


def test_who_confirmed_is_kept(state):
    BENCH.confirm("an operator")
    (kept,) = (state / "cautions").iterdir()
    assert "who: an operator" in kept.read_text(encoding="utf-8")


def test_a_state_folder_that_cannot_be_written_is_said(state):
    state.write_text("in the way", encoding="utf-8")
    with pytest.raises(RecorderError, match="cannot be saved"):
        BENCH.confirm("an operator")


def test_a_confirmation_belongs_to_a_name_a_port_and_a_way_of_moving(state):
    BENCH.confirm("an operator")
    assert not of("bench", "ttyUSB1").today()
    assert not of("bench", None).today()
    assert not of("bench", by_hand=True).today()


def test_a_confirmation_holds_for_the_device_that_was_there_and_no_other(state):
    BENCH.confirm("an operator", "0a0b")
    assert BENCH.today()  # as long as it is not known which device is there
    assert BENCH.today("0a0b")
    assert not BENCH.today("ffff")
    assert BENCH.today("0a0b")


def test_a_confirmation_before_the_device_is_known_holds_for_the_first_that_comes(state):
    BENCH.confirm("an operator")
    assert BENCH.today("0a0b")
    assert not BENCH.today("ffff")
