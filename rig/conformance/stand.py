"""The device under test, and the ways to bring it where a check can begin.

Problem: a check of one rule needs limits set, arming, homing and a motion, and must not blame the device
for the rule it looks at when one of those fails. Plan: preparations raise `UnreadyError`, checks raise what
they find. Motions are small and slow, inside limits that the caller gives, and are begun only with samples
flowing. After each check the device is disarmed. Cost: a few requests before each check.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from rig.conformance.dialogue import Dialogue
from rig.conformance.exceptions import (
    BrokenRuleError,
    InterruptedCheckError,
    NotApplicableError,
    UnreadyError,
    require,
)
from rig.conformance.othersums import likely_seals, seal_found
from rig.conformance.provoking import Nobody, Provocation, Provoker
from rig.errors import DeviceError
from rig.samples import Status
from rig.wire import (
    MOTION_ENDS,
    Arm,
    AskState,
    Capability,
    ClearStop,
    Command,
    Cycle,
    Disarm,
    Event,
    EventCode,
    Halt,
    Home,
    Identify,
    Identity,
    Limits,
    MoveTo,
    PressUntil,
    Reply,
    ReplyResult,
    SampleBlock,
    State,
    StateFlag,
    StreamAt,
)

MEETING_S = 3.0
"""A board that opening its port has reset needs up to 2.5 s."""

REPEATED_IDENTITY_S = 6.0
"""A device that cannot receive says who it is every 5 s."""

WORK_RATE_MHZ = 100_000
"""While something moves: a sample each 10 ms, which any line carries beside the answers."""

STANDSTILL_S = 3.0
LONGER_S = 3.0
"""Beside what a motion should take."""

OTHER_SEAL_S = 0.3
"""For the answer to a frame of another checksum."""

AFTER_S = 0.05
"""How long samples are taken behind a check, so that its last event lies between some."""

HAND_S = 30.0
"""Time for a person who is asked to do something now."""

IDENTIFY_KIND = 0x40
FRAME_MODULUS_US = 2**32
NEAR_COUNTS = 4

_NEEDED = Capability.LIMITS_FORCE | Capability.EMERGENCY_STOP | Capability.HALTS_ON_SILENCE


class Kind(StrEnum):
    """What can be said to a device."""

    FRAMED = "frames"
    TALKS = "frames, and the device only sends"
    LINES = "lines of text"


@dataclass(frozen=True, slots=True)
class Bounds:
    """What may be done with the platen, in counts of the wire and counts/s.

    Parameters
    ----------
    min_force, max_force, min_position, max_position
        The rig's limits, which the device is given.
    speed, home_speed
        Of all motions, and towards the home switch.
    base
        Where motions begin.
    stroke
        Length of the small ones.
    far
        Where the longest one would end; it is stopped on its way.
    deceleration
        What the rig's file says of braking, in counts/s^2; 0 if it says nothing.
    """

    min_force: int
    max_force: int
    min_position: int
    max_position: int
    speed: int
    home_speed: int
    base: int
    stroke: int
    far: int
    deceleration: int = 0

    @property
    def home_s(self) -> float:
        """The longest that a homing may take."""
        return 1.5 * (self.max_position - min(self.min_position, 0)) / self.home_speed + 10.0


class Stand:
    """A device that is being checked.

    Parameters
    ----------
    talk
        With the device.
    bounds
        What may be moved; None: nothing.
    provoker
        Who makes it trip.
    wrap_patience_s
        How long the wrap of a sample number may be waited for.
    time_modulus_us
        Where the device's time wraps; None if it does not.

    Attributes
    ----------
    kept
        What one check saw that later ones look at.
    """

    def __init__(
        self,
        talk: Dialogue,
        bounds: Bounds | None = None,
        provoker: Provoker | None = None,
        *,
        wrap_patience_s: float = 5.0,
        time_modulus_us: int | None = FRAME_MODULUS_US,
    ) -> None:
        self.talk = talk
        self.provoker: Provoker = provoker or Nobody()
        self.wrap_patience_s = wrap_patience_s
        self.time_modulus_us = time_modulus_us
        self.kind = Kind.FRAMED
        self.identity: Identity | None = None
        self.kept: dict[str, object] = {}
        self._bounds = bounds
        self._provoked: Provocation | None = None

    # Who it is.

    def meet(self, *, lines: bool) -> None:
        """Find out what the device can be asked.

        Raises
        ------
        DeviceError
            If nothing that makes sense comes from it.
        """
        if lines:
            self.kind = Kind.LINES
            if not self.talk.until(lambda: self.talk.latest is not None, MEETING_S):
                came = self.talk.thrown_away() or "nothing came"
                raise DeviceError(
                    f"device: no readable line within {MEETING_S:g} s ({came}); check the speed of the port "
                    "and the columns"
                )
            return
        end_s = self.talk.clock() + MEETING_S
        while self.talk.clock() < end_s:
            request = self.talk.next_id()
            if self.talk.ask(Identify(request), attempts=1) is not None:
                break
        replied = any(isinstance(message, Reply) for message in self.talk.messages())
        if not replied and self.talk.latest is not None and self._streams_unasked():
            self.kind = Kind.TALKS
            self.talk.until(lambda: self.talk.newest(Identity) is not None, REPEATED_IDENTITY_S)
        found = self.talk.newest(Identity)
        self.identity = found if isinstance(found, Identity) else None
        if self.identity is None and not replied and self.kind is Kind.FRAMED:
            self._refuse_other_seal()
            raise DeviceError(
                f"device: it did not say who it is within {MEETING_S:g} s; check the speed of the port, or "
                "give the "
                "rig's file if it prints lines"
            )

    def _refuse_other_seal(self) -> None:
        """Name a checksum of another kind, whether it sends such frames or waits for one."""
        found = seal_found(self.talk.recent)
        if found is None:
            # one request in every likely kind: whatever hears one answers in its own
            payload = bytes([IDENTIFY_KIND]) + self.talk.next_id().to_bytes(2, "little")
            for kind in likely_seals():
                self.talk.send_bytes(b"\x00" + kind.seal(payload))
                self.talk.turn()
            self.talk.listen(OTHER_SEAL_S)
            found = seal_found(self.talk.recent)
        if found is not None:
            raise DeviceError(
                f"device: the checksum of its frames {found.words} (the check value over "
                '"123456789" is 0x29B1); until then it receives no command, not even a halt'
            )

    def _streams_unasked(self) -> bool:
        self.talk.ask(StreamAt(self.talk.next_id(), 0), attempts=2)
        self.talk.forget()
        self.talk.listen(0.5)
        return bool(self.talk.taken)

    @property
    def known(self) -> Identity:
        """Who the device says it is."""
        if self.identity is None:
            raise UnreadyError("the device has not identified itself")
        return self.identity

    @property
    def drives(self) -> bool:
        """Whether the device says that it drives the platen."""
        return self.identity is not None and Capability.DRIVES in self.identity.capabilities

    @property
    def bounds(self) -> Bounds:
        """What may be moved."""
        if self._bounds is None:
            raise NotApplicableError("nothing may be moved")
        return self._bounds

    @property
    def may_move(self) -> bool:
        """Whether the caller said what may be moved."""
        return self._bounds is not None

    @property
    def protects(self) -> bool:
        """Whether it says that it has what a device needs before it may be armed."""
        return self.identity is not None and self.identity.capabilities & _NEEDED == _NEEDED

    # Requests that a check rests on.

    def must(self, command: Command, what: str) -> Reply:
        """Have a command accepted."""
        reply = self.talk.ask(command)
        if reply is None:
            raise UnreadyError(f"no reply to the request to {what}")
        if reply.result != ReplyResult.ACCEPTED:
            raise UnreadyError(f"the request to {what} was answered {result_words(reply.result)}")
        return reply

    def state(self) -> State:
        """Return how the device says it stands."""
        for _ in range(2):
            before = len(self.talk.heard)
            self.must(AskState(self.talk.next_id()), "send the state")
            found = [each.message for each in self.talk.heard[before:] if isinstance(each.message, State)]
            if found:
                return found[-1]
        raise UnreadyError("no state message came with the reply")

    def stream(self, rate_mhz: int) -> int:
        """Have samples sent; the rate granted, in mHz."""
        granted = self.must(StreamAt(self.talk.next_id(), rate_mhz), "stream").value
        if rate_mhz and not self.talk.until(self._fresh_sample(), 1.0 + 3000.0 / max(granted, 1)):
            raise UnreadyError("no samples came although a stream was granted")
        return granted

    def _fresh_sample(self) -> Callable[[], bool]:
        before = self.talk.latest
        return lambda: self.talk.latest is not before

    def at_highest_rate(self) -> None:
        """Have it stream as fast as it can, if it can be asked."""
        if self.kind is Kind.FRAMED:
            self.stream(self.known.rate_mhz)

    def collect(self, duration_s: float) -> SampleBlock:
        """Return all samples of a while, in order; at the highest rate if the device listens."""
        self.at_highest_rate()
        self.talk.listen(0.1)
        self.talk.taken.clear()
        self.talk.listen(duration_s)
        if sum(len(each.block) for each in self.talk.taken) < 3:
            raise UnreadyError(f"fewer than 3 samples came in {duration_s:g} s")
        return SampleBlock.concatenate([each.block for each in self.talk.taken])

    # Bringing it where a check begins.

    def set_limits(self, **other: int) -> None:
        """The rig's limits, or others in the fields that are given."""
        bounds = self.bounds
        limits = {
            "min_force": bounds.min_force,
            "max_force": bounds.max_force,
            "min_position": min(bounds.min_position, bounds.base),
            "max_position": bounds.max_position,
        }
        self.must(Limits(self.talk.next_id(), **limits | other), "set the limits")

    def narrow(self, **narrowed: int) -> None:
        """The rig's limits with some narrowed, while it moves or stands armed."""
        try:
            self.set_limits(**narrowed)
        except UnreadyError as why:
            raise NotApplicableError(f"it does not take narrower limits now: {why}") from None

    def arm(self) -> None:
        """Arm it, with samples flowing and the heart beating."""
        if not self.protects:
            raise NotApplicableError("it does not say that it can protect; such a device is never armed")
        self.stream(min(WORK_RATE_MHZ, self.known.rate_mhz))
        if self.state().stop_cause:
            self.must(ClearStop(self.talk.next_id()), "clear the stop")
        self.set_limits()
        self.must(Arm(self.talk.next_id()), "arm")
        self.talk.beating = True
        self.talk.beat()

    def ready(self) -> None:
        """Armed, homed, and at the place where motions begin."""
        self.arm()
        if StateFlag.HOMED not in self.state().flags:
            self.finish(Home(self.talk.next_id(), self.bounds.home_speed), self.bounds.home_s)
        if abs(self.position - self.bounds.base) > NEAR_COUNTS:
            self.finish(MoveTo(self.talk.next_id(), self.bounds.base, self.bounds.speed), self.bounds.home_s)

    @property
    def position(self) -> int:
        """The newest position, in counts."""
        latest = self.talk.latest
        if latest is None:
            raise UnreadyError("no samples have come")
        return int(latest.position[-1])

    def force_now(self) -> tuple[int, int]:
        """Return the mean force of the last while, in counts, and how far single values lie beside it."""
        self.talk.taken.clear()
        self.talk.listen(0.4)
        if not self.talk.taken:
            raise UnreadyError("no samples came")
        force = np.concatenate([each.block.force for each in self.talk.taken])
        return int(force.mean()), int(np.ptp(force))

    def shows(self, bit: Status, limit_s: float = 0.5) -> bool:
        """Return whether a sample with a status bit comes within the limit, or was the newest."""

        def holds() -> bool:
            latest = self.talk.latest
            return latest is not None and bool(latest.status[-1] & bit)

        return self.talk.until(holds, limit_s)

    def status(self) -> Status:
        """Return the status of a sample that was taken after this; the first one that comes may be older."""
        for _ in range(2):
            if not self.talk.until(self._fresh_sample(), LONGER_S):
                raise UnreadyError("no samples came")
            self.talk.listen(AFTER_S)
        assert self.talk.latest is not None
        return Status(int(self.talk.latest.status[-1]))

    @property
    def moving(self) -> bool:
        """Whether the newest sample says that the platen moves."""
        latest = self.talk.latest
        return latest is not None and bool(latest.status[-1] & Status.MOVING)

    def begin(self, command: MoveTo | PressUntil | Home | Cycle) -> int:
        """Have a motion accepted; its request id."""
        self.must(command, "move")
        return command.request

    def begin_long(self) -> int:
        """Have a motion under way that goes on long enough to be stopped; its request id."""
        bounds, request = self.bounds, self.talk.next_id()
        if self.provoker.slow and Capability.CYCLES in self.known.capabilities:
            high = bounds.base + bounds.stroke
            self.begin(Cycle(request, bounds.base, high, bounds.speed, 0, 0, 1000))
        else:
            self.begin(MoveTo(request, bounds.far, bounds.speed))
        started_at = self.position
        if not self.talk.until(lambda: abs(self.position - started_at) > NEAR_COUNTS, LONGER_S):
            raise UnreadyError("the platen did not begin to move")
        return request

    def finish(self, command: MoveTo | PressUntil | Home | Cycle, limit_s: float) -> Event:
        """Have a motion done to its end."""
        end = self.ending(self.begin(command), limit_s)
        if end is None or end.code != EventCode.FINISHED:
            raise UnreadyError(f"the first motion of this check ended with {event_words(end)}")
        return end

    def endings(self, request: int) -> list[Event]:
        """Return the events that ended a motion, as far as they were heard."""
        return [
            event for event in self.talk.events() if event.request == request and event.code in MOTION_ENDS
        ]

    def ending(self, request: int, limit_s: float) -> Event | None:
        """Return the event that ends a motion; None if none comes within the limit."""
        self.talk.until(lambda: bool(self.endings(request)), limit_s)
        return next(iter(self.endings(request)), None)

    def stroke_s(self, counts: float) -> float:
        """The longest that a motion over this many counts may take."""
        return 1.5 * abs(counts) / self.bounds.speed + LONGER_S

    def refuses(self, command: Command, result: ReplyResult, what: str) -> str:
        """Check that a command is answered with a result; a motion that was accepted is halted at once."""
        reply = self.talk.ask(command)
        if reply is not None and reply.result == ReplyResult.ACCEPTED:
            self.talk.ask(Halt(self.talk.next_id()))
        require(reply is not None, f"no reply to {what}")
        assert reply is not None
        require(reply.result == result, f"{what} was answered {result_words(reply.result)}")
        return f"{what}: {result_words(result)}"

    def refuses_motions(self, result: ReplyResult, when: str) -> str:
        """Check that every kind of motion is answered with a result; none would go anywhere but a homing."""
        here, bounds, talk = self.position, self.bounds, self.talk
        found = [
            self.refuses(MoveTo(talk.next_id(), here, bounds.speed), result, f"a motion {when}"),
            self.refuses(
                PressUntil(talk.next_id(), bounds.max_force, bounds.speed, here), result, f"a press {when}"
            ),
            self.refuses(
                Home(talk.next_id(), min(bounds.speed, bounds.home_speed)), result, f"a homing {when}"
            ),
        ]
        if Capability.CYCLES in self.known.capabilities:
            cycle = Cycle(talk.next_id(), here, here + NEAR_COUNTS, bounds.speed, 0, 0, 1)
            found.append(self.refuses(cycle, result, f"a cycle {when}"))
        return "; ".join(found)

    def standstill(self) -> State:
        """Wait until the device says that nothing moves; its state."""
        end_s = self.talk.clock() + STANDSTILL_S
        while True:
            state = self.state()
            if StateFlag.MOVING not in state.flags:
                return state
            require(self.talk.clock() < end_s, f"it says that it still moves {STANDSTILL_S:g} s later")
            self.talk.listen(0.02)

    # Trips.

    def provoke(self, what: Provocation) -> float:
        """Have something done; how long it may take until it is there, in seconds."""
        self._provoked = what
        self.kept["provoked"] = True
        try:
            self.provoker.provoke(what)
        except NotApplicableError:
            self._provoked = None  # it was not done, so there is nothing to undo
            raise
        return HAND_S if self.provoker.slow else LONGER_S

    def undo(self) -> None:
        """Undo what was provoked last."""
        what, self._provoked = self._provoked, None
        if what is not None:
            self.provoker.undo(what)
            self.catch_up()
            self.talk.listen(0.1)

    def willing(self, what: Provocation) -> None:
        """Ask whether somebody can do this now.

        Raises
        ------
        NotApplicableError
            If not.
        """
        why = self.provoker.willing(what)
        if why:
            raise NotApplicableError(why)
        self.catch_up()

    def catch_up(self) -> None:
        """Read what piled up while a person was waited for: a reply comes behind all of it."""
        self.talk.ask(AskState(self.talk.next_id()))

    # The end of each check, and of all.

    def rest(self) -> None:
        """After a check: nothing moves, nothing is armed, nothing is left undone."""
        if self.kind is Kind.FRAMED and self.drives:
            with suppress(UnreadyError, BrokenRuleError):
                self.must(Disarm(self.talk.next_id()), "disarm")
                if StateFlag.ARMED in self.standstill().flags:
                    self.must(Disarm(self.talk.next_id()), "disarm")
            self.talk.listen(AFTER_S)
        self.talk.beating = False
        self.undo()
        self.talk.forget()

    def leave(self) -> bool | None:
        """At the end, whatever has happened: halt, disarm, stop the stream.

        Returns
        -------
        bool or None
            Whether the device says that it is disarmed; None if it does not drive or does not answer.
        """
        self.talk.insist()
        self.talk.beating = False
        if self.kind is not Kind.FRAMED:
            return None
        disarmed: bool | None = None
        if self.drives:
            self.talk.ask(Halt(self.talk.next_id()))
            self.talk.ask(Disarm(self.talk.next_id()))
            with suppress(UnreadyError, BrokenRuleError, InterruptedCheckError):
                disarmed = StateFlag.ARMED not in self.standstill().flags
        self.undo()
        self.talk.ask(StreamAt(self.talk.next_id(), 0))
        return disarmed


def result_words(result: ReplyResult | int) -> str:
    """Return a reply's result: its number and name."""
    if isinstance(result, ReplyResult):
        return f"{int(result)} ({result.name.lower().replace('_', ' ')})"
    return f"{result} (not a result of the protocol)"


def event_words(event: Event | None) -> str:
    """Return an event: its number and name."""
    if event is None:
        return "no event"
    return code_words(event.code)


def code_words(code: EventCode | int) -> str:
    """Return an event's code: its number and name."""
    name = (
        code.name.lower().replace("_", " ") if isinstance(code, EventCode) else "not an event of the protocol"
    )
    return f"event {int(code)} ({name})"
