"""What interrupts a request: a halt at once, a reset, a lost link; and what a motion makes of it."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest
from scripted_device import wait_until

from rig.errors import DeviceError, InputError
from rig.reader import DeviceLimits, Session
from rig.wire import (
    Arm,
    AskState,
    Capability,
    ClearStop,
    Command,
    Disarm,
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
            if not isinstance(command, self._unanswered):
                self._accept(command)
            self.then.get(type(command), lambda: None)()
        return True

    def _accept(self, command: Command) -> None:
        if isinstance(command, AskState):
            self.session.hear(State(7, StateFlag.LIMITS_SET, 0, 0, 0, -10, 10, 0, 100, 0))
        self.session.hear(Reply(ReplyResult.ACCEPTED, command.request, 0))

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
def test_a_retreat_does_not_go_on_after_a_halt_between_its_steps(after: type[Command]) -> None:
    wire = Wire()
    wire.session.set_limits(LIMITS)
    halting = threading.Thread(target=wire.session.halt)

    def halt() -> None:
        # The halt begins between this reply and the next command, and goes out as soon as the line is free.
        before = wire.session._interruptions
        halting.start()
        wait_until(lambda: wire.session._interruptions > before)

    wire.then[after] = halt
    with pytest.raises(DeviceError, match="a halt went before it"):
        wire.session.retreat(10, speed=1, confirmed=True)
    halting.join()
    assert Halt in wire.kinds()
    assert MoveTo not in wire.kinds()


def test_a_retreat_whose_arming_is_not_answered_disarms() -> None:
    wire = Wire(Arm)
    wire.session.set_limits(LIMITS)
    with pytest.raises(DeviceError, match="no reply to Arm"):
        wire.session.retreat(10, speed=1, confirmed=True)
    assert wire.kinds()[-1] is Disarm


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


@pytest.mark.parametrize("request_id", [0, 1])
def test_the_event_of_another_request_does_not_end_a_motion(request_id: int) -> None:
    wire = Wire()
    motion = wire.session.move_to(50, speed=10)
    other = request_id and motion.request % 65_535 + 1
    wire.session.hear(Event(EventCode.HALTED, other, 5, 50))
    assert motion.end is None
    wire.session.hear(Event(EventCode.HALTED, motion.request, 6, 40))
    wire.session.hear(Event(EventCode.FINISHED, motion.request, 7, 30))
    assert (motion.end.kind, motion.end.value) == ("halted", 40)


def test_a_reset_that_cuts_off_the_question_for_the_state_answers_it() -> None:
    wire = Wire(AskState)
    motion = wire.session.move_to(50, speed=10)
    wire.then[AskState] = lambda: wire.session.hear(Event(EventCode.BOOT, 0, 0, 1))
    assert motion.settle().kind == "reset"


def test_a_motion_whose_device_does_not_answer_has_not_ended() -> None:
    wire = Wire(AskState)
    motion = wire.session.move_to(50, speed=10)
    with pytest.raises(DeviceError, match="no reply to AskState"):
        motion.settle()
    assert motion.end is None


def test_a_value_that_does_not_fit_the_wire_moves_nothing_and_blocks_nothing() -> None:
    wire = Wire()
    with pytest.raises(InputError, match="does not fit"):
        wire.session.move_to(2**40, speed=10)
    assert MoveTo not in wire.kinds()
    assert wire.session.move_to(50, speed=10).end is None


def test_a_device_that_has_not_said_who_it_is_is_not_armed() -> None:
    with pytest.raises(DeviceError, match="has not said who it is"):
        Session(lambda data: True).arm()
