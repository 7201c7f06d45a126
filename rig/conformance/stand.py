"""The device under test, and the ways to bring it where a check can begin.

Problem: a check of one rule needs limits set, arming, homing and a motion, and must not blame the device
for the rule it looks at when one of those fails. Plan: preparations raise `UnreadyError`, checks raise what
they find. Motions are small and slow, inside limits that the caller gives, and are begun only with samples
flowing. After each check the device is disarmed. Cost: a few requests before each check.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from rig.conformance.dialogue import Dialogue, payload_of
from rig.conformance.exceptions import (
    BrokenRuleError,
    InterruptedCheckError,
    NotApplicableError,
    UnreadyError,
    require,
)
from rig.conformance.othersums import likely_seals, seal_found
from rig.conformance.provoking import RESET, Nobody, Provocation, Provoker
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
    DeviceMessage,
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

BOOT_S = 5.0
"""A boot loader waits before it starts the firmware."""

HAND_S = 30.0
"""Time for a person who is asked to do something now."""

LINE_S = 0.3
"""From an order sent by the host until the device has it: a slow line and a busy machine."""

FRAME_MODULUS_US = 2**32
NEAR_COUNTS = 4

Motion = MoveTo | PressUntil | Home | Cycle

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
    def edges(self) -> tuple[int, int, int, int]:
        """The rig's limits in the order of the wire, with the place where motions begin inside them."""
        return self.min_force, self.max_force, min(self.min_position, self.base), self.max_position

    @property
    def careful_speed(self) -> int:
        """Of a homing that is to be stopped on its way."""
        return min(self.speed, self.home_speed)

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
            payload = payload_of(Identify(self.talk.next_id()))
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

    @property
    def work_rate_mhz(self) -> int:
        """The stream while something moves."""
        return min(WORK_RATE_MHZ, self.known.rate_mhz)

    @property
    def cycles(self) -> bool:
        """Whether it says that it runs cycles itself."""
        return Capability.CYCLES in self.known.capabilities

    def needs_cycles(self) -> None:
        """Refuse a check that only makes sense with cycles."""
        if not self.cycles:
            raise NotApplicableError("it does not run cycles itself")

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

    def limits_kept(self) -> tuple[int, int, int, int]:
        """Return the limits that the device says it keeps, in the order of the wire."""
        state = self.state()
        return state.min_force, state.max_force, state.min_position, state.max_position

    def halt(self) -> None:
        """Have a halt accepted."""
        self.must(Halt(self.talk.next_id()), "halt")

    def disarm(self) -> None:
        """Have it disarmed."""
        self.must(Disarm(self.talk.next_id()), "disarm")

    def clear_stop(self) -> None:
        """Have a latched stop cleared."""
        self.must(ClearStop(self.talk.next_id()), "clear the stop")

    def stop_stream(self) -> None:
        """Have no more samples sent."""
        self.must(StreamAt(self.talk.next_id(), 0), "stop the stream")

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
        if self.talk.count(duration_s) < 3:
            raise UnreadyError(f"fewer than 3 samples came in {duration_s:g} s")
        return SampleBlock.concatenate([each.block for each in self.talk.taken])

    # Bringing it where a check begins.

    def set_limits(self, **other: int) -> None:
        """The rig's limits, or others in the fields that are given."""
        limits = Limits(self.talk.next_id(), *self.bounds.edges)
        self.must(replace(limits, **other), "set the limits")

    def narrow(self, **narrowed: int) -> None:
        """The rig's limits with some narrowed, while it moves or stands armed."""
        try:
            self.set_limits(**narrowed)
        except UnreadyError as why:
            raise NotApplicableError(f"it does not take narrower limits now: {why}") from None

    def unlatched(self) -> None:
        """Ready to be armed: samples flowing, no stop latched, the rig's limits set."""
        if not self.protects:
            raise NotApplicableError("it does not say that it can protect; such a device is never armed")
        self.stream(self.work_rate_mhz)
        if self.state().stop_cause:
            self.clear_stop()
        self.set_limits()

    def arm_again(self) -> None:
        """Arm it as it stands, and beat once."""
        self.must(Arm(self.talk.next_id()), "arm")
        self.talk.beat()

    def arm(self) -> None:
        """Arm it, with samples flowing and the heart beating."""
        self.unlatched()
        self.arm_again()
        self.talk.beating = True

    def ready(self) -> None:
        """Armed, homed, and at the place where motions begin."""
        self.arm()
        if StateFlag.HOMED not in self.state().flags:
            self.finish(Home(self.talk.next_id(), self.bounds.home_speed), self.bounds.home_s)
        if abs(self.position - self.bounds.base) > NEAR_COUNTS:
            self.go(self.bounds.base)

    @property
    def position(self) -> int:
        """The newest position, in counts."""
        latest = self.talk.latest
        if latest is None:
            raise UnreadyError("no samples have come")
        return int(latest.position[-1])

    def force_now(self) -> tuple[int, int]:
        """Return the mean force of the last while, in counts, and how far single values lie beside it."""
        if not self.talk.count(0.4):
            raise UnreadyError("no samples came")
        force = np.concatenate([each.block.force for each in self.talk.taken])
        return int(force.mean()), int(np.ptp(force))

    def shows(self, bit: Status, limit_s: float = 0.5) -> bool:
        """Return whether a sample with a status bit comes within the limit, or was the newest."""
        return self.talk.until(lambda: bit in self.newest_status, limit_s)

    def status(self) -> Status:
        """Return the status of a sample that was taken after this; the first one that comes may be older."""
        for _ in range(2):
            if not self.talk.until(self._fresh_sample(), LONGER_S):
                raise UnreadyError("no samples came")
            self.talk.listen(AFTER_S)
        return self.newest_status

    @property
    def newest_status(self) -> Status:
        """What the newest sample says."""
        latest = self.talk.latest
        return Status(0) if latest is None else Status(int(latest.status[-1]))

    @property
    def moving(self) -> bool:
        """Whether the newest sample says that the platen moves."""
        return Status.MOVING in self.newest_status

    def begin(self, command: Motion) -> int:
        """Have a motion accepted; its request id."""
        self.must(command, "move")
        return command.request

    def begin_slowly(self, command: MoveTo) -> int:
        """As `begin`, at a speed that it need not be able to go at."""
        what = f"a motion at {command.speed} counts/s"
        reply = self.answers(command, what)
        if reply.result == ReplyResult.BAD_ARGUMENT:
            raise NotApplicableError(f"it does not go as slowly as {command.speed} counts/s")
        return accepted(reply, what).request

    def homes(self, what: str) -> Event:
        """Check that a homing is accepted and done, with one event 14, which comes before event 2."""
        command = Home(self.talk.next_id(), self.bounds.home_speed)
        self.accepts(command, what)
        self.ends(command.request, self.bounds.home_s)
        events = [event for event in self.talk.events() if event.request == command.request]
        homed = [event for event in events if event.code == EventCode.HOMED]
        require(len(homed) == 1, f"{len(homed)} events 14 (homed)")
        require(events.index(homed[0]) < len(events) - 1, "event 2 (finished) came before event 14 (homed)")
        return homed[0]

    def begun(self, command: Motion, counts: int = NEAR_COUNTS) -> int:
        """Have a motion accepted and under way, more than some counts from where it began; its request id."""
        begun_at, request = self.position, self.begin(command)
        if not self.talk.until(lambda: abs(self.position - begun_at) > counts, LONGER_S):
            raise UnreadyError("the platen did not begin to move")
        return request

    def go(self, position: int) -> Event:
        """Have it go somewhere at the speed of all motions."""
        move = MoveTo(self.talk.next_id(), position, self.bounds.speed)
        return self.finish(move, self.stroke_s(position - self.position))

    def begin_long(self) -> int:
        """Have a motion under way that goes on long enough to be stopped; its request id."""
        bounds, request = self.bounds, self.talk.next_id()
        if self.provoker.slow and self.cycles:
            high = bounds.base + bounds.stroke
            return self.begun(Cycle(request, bounds.base, high, bounds.speed, 0, 0, 1000))
        return self.begun(MoveTo(request, bounds.far, bounds.speed))

    def finish(self, command: Motion, limit_s: float) -> Event:
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

    def ends(self, request: int, limit_s: float, *codes: EventCode, when: str = "it") -> Event:
        """Check that an event with one of these codes ends a motion; event 2 if none is given."""
        end = self.ending(request, limit_s)
        if end is None or end.code not in (codes or (EventCode.FINISHED,)):
            raise BrokenRuleError(f"{when} ended with {event_words(end)}")
        return end

    def heard(self, code: EventCode) -> bool:
        """Return whether an event was heard in this check."""
        return any(event.code == code for event in self.talk.events())

    def comes(self, code: EventCode, limit_s: float) -> bool:
        """Wait for an event; whether it came within the limit."""
        return self.talk.until(lambda: self.heard(code), limit_s)

    def stroke_s(self, counts: float) -> float:
        """The longest that a motion over this many counts may take."""
        return 1.5 * abs(counts) / self.bounds.speed + LONGER_S

    def answers(self, command: Command, what: str) -> Reply:
        """Check that a command is answered."""
        return replied(self.talk.ask(command), what)

    def accepts(self, command: Command, what: str) -> Reply:
        """Check that a command is accepted."""
        return accepted(self.talk.ask(command), what)

    def answers_with(self, command: Command, kind: type[DeviceMessage], what: str) -> None:
        """Check that a command is accepted, and that a message of a class comes before the reply."""
        self.accepts(command, what)
        kinds = [type(message) for message in self.talk.messages() if isinstance(message, kind | Reply)]
        name = kind.__name__.lower()
        require(kind in kinds, f"a reply, but no {name} message")
        require(kinds.index(kind) < kinds.index(Reply), f"the reply came before the {name}")

    def refuses(self, command: Command, result: ReplyResult, what: str) -> str:
        """Check that a command is answered with a result; a motion that was accepted is halted at once."""
        reply = self.talk.ask(command)
        if reply is not None and reply.result == ReplyResult.ACCEPTED:
            self.talk.ask(Halt(self.talk.next_id()))
        reply = replied(reply, what)
        require(reply.result == result, f"{what} was answered {result_words(reply.result)}")
        return f"{what}: {result_words(result)}"

    def refuses_all(self, result: ReplyResult, tries: Iterable[tuple[Motion, str]]) -> str:
        """As `refuses`, for several motions; cycles only where it runs them itself."""
        return "; ".join(
            self.refuses(motion, result, what)
            for motion, what in tries
            if self.cycles or not isinstance(motion, Cycle)
        )

    def refuses_motions(self, result: ReplyResult, when: str, *, homing: bool = True) -> str:
        """Check that every kind of motion is answered with a result; none would go anywhere but a homing."""
        here, bounds, talk = self.position, self.bounds, self.talk
        tries: list[tuple[Motion, str]] = [
            (MoveTo(talk.next_id(), here, bounds.speed), "motion"),
            (PressUntil(talk.next_id(), bounds.max_force, bounds.speed, here), "press"),
        ]
        if homing:
            tries.append((Home(talk.next_id(), bounds.careful_speed), "homing"))
        tries.append((Cycle(talk.next_id(), here, here + NEAR_COUNTS, bounds.speed, 0, 0, 1), "cycle"))
        return self.refuses_all(result, [(motion, f"a {kind} {when}") for motion, kind in tries])

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

    def trips(self, request: int, limit_s: float, *codes: EventCode) -> Event:
        """Check that a trip ends a motion, with all that belongs to it."""
        end = self.ends(request, limit_s, *codes)
        self.latched(end.code)
        return end

    def latched(self, code: EventCode | int) -> None:
        """Check that a trip has left it at rest, disarmed, and with this stop cause."""
        state = self.standstill()
        found = int(state.stop_cause)
        require(state.stop_cause == code, f"{code_words(code)}, but the state's stop cause is {found}")
        require(StateFlag.ARMED not in state.flags, f"{code_words(code)}, but it is still armed")

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

    def reset(self) -> Identity:
        """Have it reset, whatever else is provoked; who it says it is afterwards."""
        self.talk.beating = False
        self.stop_stream()
        self.talk.drain()
        self.talk.forget()
        self.provoker.provoke(RESET)  # there is nothing to undo
        self.comes(EventCode.BOOT, (HAND_S if self.provoker.slow else LONGER_S) + BOOT_S)
        self.must(Identify(self.talk.next_id()), "identify")
        identity = self.talk.newest(Identity)
        if not isinstance(identity, Identity):
            raise UnreadyError("no identity came after the reset")
        self.identity = identity
        return identity

    def undo(self) -> None:
        """Undo what was provoked last."""
        what, self._provoked = self._provoked, None
        if what is not None:
            self.provoker.undo(what)
            self.catch_up()
            self.talk.listen(0.1)

    def willing(self, what: Provocation, no_person: str = "") -> None:
        """Ask whether somebody can do this now: not a person, if the words say why none can.

        Raises
        ------
        NotApplicableError
            If not.
        """
        if self.provoker.slow and no_person:
            raise NotApplicableError(f"{no_person}; a bench can")
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
                self.disarm()
                if StateFlag.ARMED in self.standstill().flags:
                    self.disarm()
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


def replied(reply: Reply | None, what: str) -> Reply:
    """Return a reply, which must have come."""
    if reply is None:
        raise BrokenRuleError(f"no reply to {what}")
    return reply


def accepted(reply: Reply | None, what: str) -> Reply:
    """Return a reply, which must have come and accept."""
    found = replied(reply, what)
    require(found.result == ReplyResult.ACCEPTED, f"{what} was answered {result_words(found.result)}")
    return found


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


def too_late_words(limit_s: float) -> str:
    """Return why a person's action that did not trip anything is no finding."""
    return f"nothing tripped within {limit_s:g} s; if the action was done in time, this is a failure"


def code_words(code: EventCode | int) -> str:
    """Return an event's code: its number and name."""
    name = (
        code.name.lower().replace("_", " ") if isinstance(code, EventCode) else "not an event of the protocol"
    )
    return f"event {int(code)} ({name})"
