"""A virtual rig that moves on command over a real pseudo-terminal, with losses a test can choose.

The host's side passes each delivery to a heart, as whoever runs a method does.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from scripted_device import wait_until

from rig.reader import (
    Delivery,
    DeviceLimits,
    Heart,
    LinkEvent,
    MotionEnd,
    MotionRequest,
    PortAddress,
    Reader,
    Session,
)
from rig.virtual import LinearSpring, VirtualPort, VirtualRig
from rig.virtual.device import Device
from rig.wire import DeviceMessage, FrameDecoder, Heartbeat, Message, encode_frame

SPRING_N_PER_MM = 3.0
CONTACT = 4_000
"""20 mm at 5 um for each count."""

START = 400

PER_S = 8_000
"""40 mm/s."""

LIMITS = DeviceLimits(-40_000, 40_000, 0, 12_000)
"""40 N at 1 mN for each count, and 60 mm."""

Alter = Callable[[DeviceMessage], DeviceMessage | None]


class LossyRig(VirtualRig):
    """Changes or loses what it says, and lets things happen to it.

    Attributes
    ----------
    alter
        What becomes of each of its messages; None loses it.
    happenings
        What happens to the device next, each with what it says then.
    commands
        All commands received.
    said
        Its messages before they were altered, each with the wall time.
    beat_s
        Wall time of the last heartbeat received.
    """

    def __init__(self) -> None:
        super().__init__(LinearSpring(SPRING_N_PER_MM, 60.0), scripted=False, rate_hz=500.0)
        self.alter: Alter = lambda message: message
        self.happenings: deque[Callable[[Device], list[Any]]] = deque()
        self.commands: list[Message] = []
        self.said: list[tuple[float, DeviceMessage]] = []
        self.beat_s = 0.0
        self._heard = FrameDecoder()

    def receive(self, data: bytes) -> bytes:
        messages = [placed.message for placed in self._heard.feed(data).messages]
        self.commands += messages
        if any(isinstance(message, Heartbeat) for message in messages):
            self.beat_s = time.monotonic()
        return self._altered(super().receive(data))

    def advance(self, duration_s: float, room: int | None = None) -> bytes:
        said = super().advance(duration_s, room)
        while self.happenings:
            said += b"".join(encode_frame(message) for message in self.happenings.popleft()(self.device))
        return self._altered(said)

    def _altered(self, said: bytes) -> bytes:
        frames = [frame + b"\0" for frame in said.split(b"\0") if frame]
        return b"\0" + b"".join(map(self._altered_frame, frames)) if frames else said

    def _altered_frame(self, frame: bytes) -> bytes:
        messages = FrameDecoder().feed(b"\0" + frame).messages
        if not messages:
            return frame
        message = messages[0].message
        self.said.append((time.monotonic(), message))
        changed = self.alter(message)
        return b"" if changed is None else encode_frame(changed)


class Driver:
    """Drains a reader and beats, until something holds."""

    def __init__(self, rig: LossyRig, reader: Reader) -> None:
        self.rig = rig
        self.reader = reader
        self.session: Session = reader.session
        self.heart = Heart(self.session)
        self.deliveries: list[Delivery] = []

    @property
    def events(self) -> list[LinkEvent]:
        return [event for each in self.deliveries for event in each.events]

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]

    def position(self) -> int:
        return next(int(each.samples.position[-1]) for each in reversed(self.deliveries) if each.samples)

    def until(self, holds: Callable[[], bool], *, beat: bool = True) -> None:
        def fetched() -> bool:
            delivery = self.reader.get(0.02)
            if delivery is not None:
                self.deliveries.append(delivery)
                if beat:
                    self.heart.beat_after(delivery)
            return holds()

        wait_until(fetched)

    def end_of(self, motion: MotionRequest) -> MotionEnd:
        self.until(lambda: motion.end is not None)
        assert motion.end is not None
        return motion.end

    def endings(self, motion: MotionRequest) -> list[int]:
        """Codes of all events that the device sent for a motion."""
        return [
            int(said.code)
            for _, said in self.rig.said
            if getattr(said, "request", 0) == motion.request and hasattr(said, "code")
        ]

    def ready(self) -> Driver:
        """Limits set, armed, homed, and clear of the lower limit, which noise at home may pass."""
        self.session.set_limits(LIMITS)
        self.session.arm()
        assert self.end_of(self.session.home(speed=PER_S)).kind == "finished"
        assert self.end_of(self.session.move_to(START, speed=PER_S)).kind == "finished"
        return self


@contextmanager
def driven_rig(folder: Path, *, speed_up: float = 4.0, alter: Alter | None = None) -> Iterator[Driver]:
    """A rig on a port, and a reader of it."""
    rig = LossyRig()
    if alter is not None:
        rig.alter = alter
    address = PortAddress(path=str(folder / "rig"))
    with (
        VirtualPort(rig, folder / "rig", speed_up),
        Reader(address, "framed", lock_places=[folder / "lock"]) as reader,
    ):
        yield Driver(rig, reader)
