"""A halt goes out at once, and nothing that was asked for before it moves the platen behind it."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest
from scripted_device import wait_until

from rig.errors import DeviceError
from rig.reader import DeviceLimits, Session
from rig.wire import (
    Arm,
    AskState,
    Capability,
    ClearStop,
    Command,
    Event,
    EventCode,
    FrameDecoder,
    Halt,
    Identity,
    Limits,
    MoveTo,
    Reply,
    ReplyResult,
    State,
    StateFlag,
)

DRIVEN = Capability(0b1111)
LIMITS = DeviceLimits(-10, 10, 0, 100)


class Wire:
    """Accepts every command, unless its class is among those whose replies are lost."""

    def __init__(self, *unanswered: type[Command]) -> None:
        self.sent: list[Command] = []
        self.session = Session(self.write)
        self.session.hear(Identity(1, 1, 0, DRIVEN, 7, 500_000, b"12345678", "bench"))
        self.then: dict[type[Command], Callable[[], None]] = {}
        self._unanswered = unanswered
        self._decoder = FrameDecoder()

    def write(self, data: bytes) -> bool:
        for placed in self._decoder.feed(data).messages:
            command = placed.message
            self.sent.append(command)
            if isinstance(command, self._unanswered):
                continue
            if isinstance(command, AskState):
                self.session.hear(State(7, StateFlag.LIMITS_SET, 0, 0, 0, -10, 10, 0, 100, 0))
            self.session.hear(Reply(ReplyResult.ACCEPTED, command.request, 0))
            self.then.get(type(command), lambda: None)()
        return True

    def kinds(self) -> list[type[Command]]:
        return [type(command) for command in self.sent]


def _in_thread(call: Callable[[], object]) -> tuple[threading.Thread, list[str]]:
    """Make a call that must be refused, elsewhere; what it said."""
    said: list[str] = []

    def refused() -> None:
        with pytest.raises(DeviceError) as error:
            call()
        said.append(str(error.value))

    thread = threading.Thread(target=refused)
    thread.start()
    return thread, said


def test_a_halt_does_not_wait_for_a_motion_and_the_motion_is_not_repeated_behind_it() -> None:
    wire = Wire(MoveTo)
    thread, said = _in_thread(lambda: wire.session.move_to(50, speed=10))
    wait_until(lambda: MoveTo in wire.kinds())
    wire.session.halt()
    thread.join()
    assert "was given up because a halt went before it" in said[0]
    kinds = wire.kinds()
    assert MoveTo not in kinds[kinds.index(Halt) :]


def test_a_motion_that_waits_for_its_turn_is_given_up_for_a_halt() -> None:
    wire = Wire(AskState)
    asking, _ = _in_thread(wire.session.state)
    wait_until(lambda: AskState in wire.kinds())
    begun = threading.Event()

    def move() -> object:
        begun.set()
        return wire.session.move_to(50, speed=10)

    moving, said = _in_thread(move)
    begun.wait()
    # It counts as begun once its id is drawn, which is the last thing before it waits.
    last = wire.session.next_id
    first = last()
    wait_until(lambda: last() >= first)
    wire.session.halt()
    asking.join()
    moving.join()
    assert MoveTo not in wire.kinds() or wire.kinds()[-1] is Halt


def test_two_halts_at_once_are_both_answered() -> None:
    wire = Wire()
    again: list[threading.Thread] = []

    def halt_too() -> None:
        if not again:
            again.append(threading.Thread(target=wire.session.halt))
            again[0].start()

    wire.then[Halt] = halt_too
    wire.session.halt()
    again[0].join()
    assert len({command.request for command in wire.sent}) == 2


def test_a_halt_without_a_reply_is_repeated_and_then_said() -> None:
    wire = Wire(Halt)
    with pytest.raises(DeviceError, match="no reply to Halt"):
        wire.session.halt()
    assert len(wire.sent) == 5
    assert len(set(wire.sent)) == 1


@pytest.mark.parametrize("after", [ClearStop, Arm])
def test_a_retreat_does_not_go_on_after_an_interruption(after: type[Command]) -> None:
    wire = Wire()
    wire.session.set_limits(LIMITS)
    wire.then[after] = wire.session.link_lost
    with pytest.raises(DeviceError, match="link was lost"):
        wire.session.retreat(10, speed=1, confirmed=True)
    assert MoveTo not in wire.kinds()


def test_limits_do_not_count_if_the_device_is_reset_while_they_are_set() -> None:
    wire = Wire()
    wire.then[Limits] = lambda: wire.session.hear(Event(EventCode.BOOT, 0, 0, 1))
    with pytest.raises(DeviceError, match="the device was reset"):
        wire.session.set_limits(LIMITS)
    with pytest.raises(DeviceError, match="have not been set and read back"):
        wire.session.arm()


def test_a_motion_that_ends_although_its_reply_is_lost_was_accepted() -> None:
    wire = Wire(MoveTo)
    heard = threading.Thread(
        target=lambda: (
            wait_until(lambda: MoveTo in wire.kinds()),
            wire.session.hear(Event(EventCode.FINISHED, wire.sent[-1].request, 5, 50)),
        )
    )
    heard.start()
    motion = wire.session.move_to(50, speed=10)
    heard.join()
    assert (motion.end.kind, motion.end.value, motion.end.device_time_us) == ("finished", 50, 5)
    assert Halt not in wire.kinds()


def test_a_value_that_does_not_fit_the_wire_moves_nothing_and_blocks_nothing() -> None:
    from rig.errors import InputError

    wire = Wire()
    with pytest.raises(InputError, match="does not fit"):
        wire.session.move_to(2**40, speed=10)
    assert MoveTo not in wire.kinds()
    assert wire.session.move_to(50, speed=10).end is None


def test_a_device_that_has_not_said_who_it_is_is_not_armed() -> None:
    with pytest.raises(DeviceError, match="has not said who it is"):
        Session(lambda data: True).arm()
