"""The one that talks to the device: its state and limits, arming, motions and what ends each.

Problem: a platen that presses must not start by accident, twice, or without limits, and its end must be
known. Plan: every command is a request that is repeated until it is answered (exchange.py), and every
refusal becomes an error in words. Limits are read back before the first arm, and forgotten with a reset
or a lost link. One motion is under way at a time; what the thread that reads hears is handed to it.
Cost: a caller waits for replies; nothing here has a thread.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import astuple, dataclass

from rig.errors import DeviceError, InputError
from rig.reader.exchange import ATTEMPTS, Exchange
from rig.reader.motion import MotionEnd, MotionRequest
from rig.reader.refusals import name_of, refusal
from rig.wire import (
    LATCHED_STOPS,
    Arm,
    AskState,
    Capability,
    ClearStop,
    Command,
    Cycle,
    DeviceMessage,
    Disarm,
    Event,
    EventCode,
    Halt,
    Home,
    Identity,
    Limits,
    MoveTo,
    PressUntil,
    ReleaseCurrent,
    Reply,
    ReplyResult,
    State,
    StateFlag,
    StreamAt,
)

NEEDED_TO_ARM = {
    Capability.DRIVES: "drive the platen",
    Capability.LIMITS_FORCE: "enforce force limits by itself",
    Capability.EMERGENCY_STOP: "take an emergency stop",
    Capability.HALTS_ON_SILENCE: "halt when heartbeats stop",
}
"""What a device must be able to do before a host may arm it (the protocol's bits 0 to 3)."""


@dataclass(frozen=True, slots=True)
class DeviceLimits:
    """Where the device itself trips, in counts of the wire."""

    min_force: int
    max_force: int
    min_position: int
    max_position: int

    @classmethod
    def kept_by(cls, state: State) -> DeviceLimits:
        """Return those that a device says it has."""
        return cls(state.min_force, state.max_force, state.min_position, state.max_position)


class Session(Exchange):
    """Requests to one device. Positions, forces and speeds are counts and counts/s of the wire.

    All that waits for a reply raises `DeviceError`: if none comes, or if the device refuses; the words
    say what was asked, what it said and what to do. It may be used from several threads.

    `write`: sends bytes; False if they could not be sent.
    """

    def __init__(self, write: Callable[[bytes], bool]) -> None:
        super().__init__(write)
        self._identity: Identity | None = None
        self._boot_id: int | None = None
        self._state: State | None = None
        self._limits: DeviceLimits | None = None
        self._motion: MotionRequest | None = None
        self._armed = True
        self._arming = False

    # What the thread that reads tells.

    def hear(self, message: DeviceMessage) -> None:
        """Take in a message of the device."""
        match message:
            case Reply():
                self.deliver(message)
            case Event(code=EventCode.BOOT):
                self._reset(None)
            case Event():
                if message.code in LATCHED_STOPS:
                    self._armed = False
                motion = self._motion
                if motion is not None:
                    motion.hear(message)
            case Identity():
                self._booted_as(message.boot_id)
                self._identity = message
            case State():
                self._booted_as(message.boot_id)
                self._armed = StateFlag.ARMED in message.flags
                with self._changed:
                    self._state = message

    def link_lost(self) -> None:
        """The port is gone: requests are given up, and limits must be set and read back anew."""
        self.forget_probes()
        self._identity = None  # another rig may be on the cable that comes back
        self._armed = True  # until the device says how it is
        self._forget(MotionEnd("link lost"), "the link was lost")

    # How the device stands.

    @property
    def identified(self) -> bool:
        """Whether the device has said who it is since the port was opened."""
        return self._identity is not None

    @property
    def armed(self) -> bool:
        """Whether the platen may move: from the order to arm until the device has said that it is disarmed.

        What is not known counts as armed: before the device has said how it stands, while it has not
        answered, and after the link was lost under an armed rig.
        """
        return self._arming or self._armed

    def state(self) -> State:
        """Ask the device how it stands."""
        for _ in range(ATTEMPTS):
            with self._turn:
                with self._changed:
                    self._state = None
                self._command(AskState(self.next_id()))
                # A repeated id brings the reply and no message, so a lost message is asked for anew.
                state = self._state
                if state is not None:
                    return state
        raise DeviceError(
            f"device: it replied {ATTEMPTS} times to a request for its state, but no state message came "
            "through; is the line noisy?"
        )

    def set_limits(self, limits: DeviceLimits) -> None:
        """Set the device's own trip limits, read them back and compare.

        Raises
        ------
        DeviceError
            Also if the device kept others than it was sent.
        """
        past = self._interruptions
        self._limits = None
        command = Limits(self.next_id(), *astuple(limits))
        self._command(command, past)
        state = self.state()
        kept = DeviceLimits.kept_by(state)
        if StateFlag.LIMITS_SET not in state.flags or kept != limits:
            said = kept if StateFlag.LIMITS_SET in state.flags else "that none are set"
            raise DeviceError(
                f"device: it accepted {limits}, but read back it says {said}; "
                "nothing is armed with limits that it does not keep: check its firmware"
            )
        with self._changed:
            self._check_uninterrupted(command, past)
            self._limits = limits

    def arm(self) -> None:
        """Allow motion. From now on the device stops by itself 0.5 s after the last heartbeat.

        Raises
        ------
        DeviceError
            Also, and before anything is sent, if the device has not said that it can drive and protect,
            or if its limits have not been set and read back since it booted and the port was opened.
        """
        self._arm(self._interruptions)

    def disarm(self) -> None:
        """Halt and forbid motion."""
        with self._turn:
            self._command(Disarm(self.next_id()))
            self._armed = False

    def halt(self) -> None:
        """Stop now and stay armed. It waits for no other request: those under way are given up."""
        command = Halt(self.next_id())
        _accepted(command, self._ask_at_once(command))

    def halt_unanswered(self) -> bool:
        """As `halt`, but sent once without waiting for the reply; False if it could not be sent.

        For the thread that reads, which would wait for itself. Whoever runs the motion halts again and waits.
        """
        return self._send_at_once(Halt(self.next_id()))

    def clear_stop(self) -> None:
        """Unlatch a stop; its cause should have been understood and removed."""
        self._command(ClearStop(self.next_id()))

    def release_current(self) -> None:
        """Take the motor's current away, so that the platen can be pushed by hand. The next arming brings it.

        A platen that its screw does not hold falls.

        Raises
        ------
        DeviceError
            Also, and before anything is sent, if the device has not said that it can.
        """
        identity = self._identity
        if identity is None or Capability.TELLS_SWITCHES not in identity.capabilities:
            raise DeviceError(
                "device: it has not said that it can release the motor's current (capability 7); switch the "
                "motor supply off instead"
            )
        self._command(ReleaseCurrent(self.next_id()))

    def stop_stream(self) -> None:
        """Ask the device to send no more samples."""
        reply = self.request(lambda request: StreamAt(request, 0))
        if reply.result != ReplyResult.ACCEPTED:
            raise DeviceError(f"device: it refused to stop its stream ({name_of(reply.result)})")

    # Motions. Each returns as soon as it is accepted.

    def move_to(self, position: int, *, speed: int) -> MotionRequest:
        """Go to a position."""
        return self._start(MoveTo(self.next_id(), position, speed))

    def press_until(self, force: int, *, speed: int, position_limit: int) -> MotionRequest:
        """Approach until the force is reached, or stop at the position limit."""
        return self._start(PressUntil(self.next_id(), force, speed, position_limit))

    def home(self, *, speed: int) -> MotionRequest:
        """Go to the home switch, where position becomes zero."""
        return self._start(Home(self.next_id(), speed))

    def cycle(
        self, low: int, high: int, *, speed: int, count: int, dwell_low_ms: int = 0, dwell_high_ms: int = 0
    ) -> MotionRequest:
        """Let the device squeeze `count` times between two positions by itself."""
        return self._start(Cycle(self.next_id(), low, high, speed, dwell_low_ms, dwell_high_ms, count))

    def retreat(self, position: int, *, speed: int, confirmed: bool) -> MotionRequest:
        """Clear the stop after a trip, arm, and move away from what was pressed.

        Parameters
        ----------
        position, speed
            Where to, and how fast: slowly, since a part or a hand may be trapped.
        confirmed
            A person who sees the platen said so.

        Raises
        ------
        InputError
            If the start is not confirmed; nothing was sent.
        DeviceError
            Also if the motion is an approach, which the device refuses; it is ordered to disarm again then.
        """
        if not confirmed:
            raise InputError(
                "retreat: found no confirmation, expected that of a person who sees the platen; "
                "nothing was moved"
            )
        past = self._interruptions
        self._command(ClearStop(self.next_id()), past)
        try:
            self._arm(past)
            return self._start(MoveTo(self.next_id(), position, speed), past)
        except DeviceError:
            with suppress(DeviceError):
                self.disarm()
            raise

    # Within. `past` counts the interruptions before a call: one that comes later ends the whole call,
    # or a halt between two of its commands would be followed by the second.

    def _command(self, command: Command, past: int | None = None) -> None:
        _accepted(command, self._ask(command, past))

    def _arm(self, past: int) -> None:
        identity = self._identity
        if identity is None:
            raise DeviceError("device: it has not said who it is; it is not armed before it has")
        lacking = [words for bit, words in NEEDED_TO_ARM.items() if bit not in identity.capabilities]
        if lacking:
            raise DeviceError(
                f"device: {identity.name!r} cannot {', cannot '.join(lacking)}; "
                "only a rig that can do all of these is armed"
            )
        if self._limits is None:
            raise DeviceError("device: its limits have not been set and read back; set them before arming")
        with self._turn:
            # A state that was sent before the order and is read behind it says nothing about it.
            self._arming = True
            try:
                self._command(Arm(self.next_id()), past)
            finally:
                # also where no answer came, or the answer was a refusal: only the device's word says disarmed
                self._armed = True
                self._arming = False

    def _start(self, command: MoveTo | PressUntil | Home | Cycle, past: int | None = None) -> MotionRequest:
        """Have a motion accepted. One whose end was lost does not stand in its way."""
        past = self._interruptions if past is None else past
        with self._turn:
            before = self._motion
            if before is not None and before.settle() is None:
                raise refusal(command, Reply(ReplyResult.BUSY, command.request, 0))
            # Known before it is sent: its end may come through although the reply does not.
            motion = MotionRequest(command.request, self._changed, self.state)
            self._motion = motion
            try:
                reply = self._ask(command, past)
            except BaseException as problem:
                over = motion.end is not None and motion.end.code is not None
                if over and isinstance(problem, DeviceError):
                    return motion
                # No caller will wait for it, so it must not go on.
                self.send(Halt(self.next_id()))
                self._motion = None
                raise
            if reply.result != ReplyResult.ACCEPTED:
                self._motion = None
                raise refusal(command, reply)
            return motion

    def _booted_as(self, boot_id: int) -> None:
        if self._boot_id not in (None, boot_id):
            self._reset(boot_id)
            self._armed = True  # it may be another device, which was never reset: its state will tell
        self._boot_id = boot_id

    def _reset(self, boot_id: int | None) -> None:
        self._boot_id = boot_id
        self.forget_probes()
        self._armed = False  # a device is disarmed after a boot
        self._forget(MotionEnd("reset"), "the device was reset")

    def _forget(self, end: MotionEnd, why: str) -> None:
        self._limits = None
        motion = self._motion
        if motion is not None:
            motion.finish(end)
        self._interrupt(why)


def _accepted(command: Command, reply: Reply) -> None:
    if reply.result != ReplyResult.ACCEPTED:
        raise refusal(command, reply)
