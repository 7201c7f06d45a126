"""Each switch and the motor's current, from the device through a pseudo-terminal to words."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import DeviceError
from rig.reader import DeviceLimits, PortAddress, Reader, standing_words
from rig.virtual import LinearSpring, VirtualPort, VirtualRig
from rig.wire import FrameDecoder, State, StateFlag, Switch, encode_frame

PATIENCE_S = 20.0


@pytest.fixture
def press(tmp_path):
    rig = VirtualRig(LinearSpring(2.0, 60.0), scripted=False, gap_mm=18.0)
    with (
        VirtualPort(rig, tmp_path / "rig") as port,
        Reader(PortAddress(path=port.path), "framed") as reader,
    ):
        yield rig, reader.session


@pytest.mark.parametrize(
    ("order", "switch"),
    [("home press", Switch.HOME), ("upper press", Switch.FAR_END), ("stop open", Switch.EMERGENCY_STOP)],
)
def test_each_switch_is_told_by_itself(press, order, switch) -> None:
    rig, session = press
    assert session.state().open_switches == Switch.NONE
    assert rig.order(order).wait(PATIENCE_S)
    state = session.state()
    assert state.open_switches == switch
    assert state.fitted_switches == Switch.HOME | Switch.FAR_END | Switch.EMERGENCY_STOP


def test_the_motor_has_current_from_arming_until_it_is_released_or_a_stop_takes_it(press) -> None:
    rig, session = press

    def current() -> bool:
        return StateFlag.MOTOR_CURRENT in session.state().flags

    assert not current()
    session.set_limits(DeviceLimits(-5_000, 500_000, 0, 10_000))
    session.arm()
    assert current()
    with pytest.raises(DeviceError, match="disarm it, and wait until it stands still"):
        session.release_current()
    assert current()
    session.disarm()
    assert current()
    session.release_current()
    assert not current()
    session.arm()
    assert current()
    assert rig.order("stop open").wait(PATIENCE_S)
    assert not current()


def test_a_device_of_version_1_0_is_not_asked_to_release(tmp_path) -> None:
    rig = VirtualRig(LinearSpring(2.0, 60.0), scripted=False, describes=False)
    with (
        VirtualPort(rig, tmp_path / "rig") as port,
        Reader(PortAddress(path=port.path), "framed") as reader,
    ):
        state = reader.session.state()
        assert (state.open_switches, state.fitted_switches) == (Switch.NONE, Switch.NONE)
        assert StateFlag.MOTOR_CURRENT not in state.flags
        with pytest.raises(DeviceError, match="switch the motor supply off instead"):
            reader.session.release_current()


@settings(deadline=None)
@given(st.integers(0, 2**16 - 1), st.integers(0, 2**16 - 1), st.integers(0, 2**16 - 1))
def test_whatever_a_state_says_becomes_words_of_what_is_fitted(flags, opened, fitted) -> None:
    sent = State(1, StateFlag(flags), 0, 0, 0, 0, 0, 0, 0, 0, Switch(opened), Switch(fitted))
    (placed,) = FrameDecoder().feed(encode_frame(sent)).messages
    words = standing_words(placed.message.flags, placed.message.open_switches, placed.message.fitted_switches)
    assert ("guard open" in words) == bool(opened & fitted & 8)
    assert words.endswith("on" if flags & 32 else "off")
