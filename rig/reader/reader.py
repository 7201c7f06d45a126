"""The reader: one thread that keeps a port open and hands over what comes.

Problem: samples come whether or not anyone is ready, cables are pulled, boards reset. Plan: one thread
reads, decodes and puts batches into a bounded queue; it waits for nothing but bytes. When the port
vanishes it looks for it again with growing pauses and goes on with the same clock. It never gives up:
whoever consumes decides how long without samples is too long.
Cost: one thread, some 400 reads a second at most on a slow line, a bounded queue.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from rig.core import LinkKind, logger
from rig.errors import DeviceError
from rig.reader.clock_fit import ClockLine
from rig.reader.delivery_queue import QUEUE_LIMIT, DeliveryQueue
from rig.reader.device_session import Session
from rig.reader.events import Delivery, LinkEvent, Scalar
from rig.reader.greeting import Greeting, Stage
from rig.reader.intake import Intake, WireFormat
from rig.reader.link import Link, PortLostError
from rig.reader.ports import PortAddress, find_port
from rig.samples import Samples
from rig.wire import Abilities, Capability, Identity, Tally

OPENING_LIMIT_S = 5.0
"""A board may need 2 s to boot, and firmware 2 s more to tare, before its first sample."""

GATHER_S = 0.002
"""Pause after a small read, so that a slow line does not cost a decoding for each sample."""

SMALL_READ = 1024
"""A fuller read is followed by the next at once, since the system buffers no more than 4096 bytes."""

IDLE_FLUSH_S = 1.0
"""Samples that wait for those that follow are decided when none has followed for so long."""

MANY_BOOTS = 3
"""One start is that of a board whose port was opened, a second one that of its programmer."""

FIRST_PAUSE_S = 0.1
LONGEST_PAUSE_S = 2.0


class Reader:
    """Reads one rig from `with` to the end of the block.

    Entering finds the port, locks and opens it, and waits until the device streams or is heard to talk;
    leaving stops the stream, ends the thread and closes the port. What was read can still be fetched then.

    Parameters
    ----------
    wire
        "framed", or the format of the lines.
    rate_hz
        Samples per second to ask a framed device for; None for the highest that it names.
    disagreement
        What contradicts the abilities of a device of version 1.1, in words, or None; such a device is
        refused. `rig.rigfile.RigFile.disagreement` compares it with the rig's file.
    queue_limit
        Samples that may wait for the consumer.
    lock_places
        Directories of lock files; None for the system's.

    Raises
    ------
    DeviceError
        On entering: no such port, in use, or nothing that can be understood.

    Examples
    --------
    >>> reader = Reader(PortAddress(path="ttyUSB0"), "framed", rate_hz=500)
    >>> with reader:  # doctest: +SKIP
    ...     delivery = reader.get(timeout_s=1.0)
    """

    def __init__(
        self,
        address: PortAddress,
        wire: WireFormat,
        *,
        rate_hz: float | None = None,
        disagreement: Callable[[Abilities], str | None] = lambda told: None,
        queue_limit: int = QUEUE_LIMIT,
        lock_places: Sequence[Path] | None = None,
    ) -> None:
        self.session = Session(self._write)
        self._address = address
        self._lock_places = lock_places
        self._intake = Intake(wire)
        self._greeting = Greeting(self.session, rate_hz, disagreement) if wire == "framed" else None
        self._queue = DeliveryQueue(queue_limit)
        self._stop = threading.Event()
        self._changed = threading.Condition()
        self._stage = Stage.ASKING
        self._link: Link | None = None
        self._thread: threading.Thread | None = None
        self._failure: Exception | None = None
        self._pause_s = FIRST_PAUSE_S
        self._heard = 0.0
        self._look: Callable[[Samples], None] | None = None

    def watched_by(self, look: Callable[[Samples], None] | None) -> None:
        """Have every batch looked at by the reading thread before it waits in the queue; None: no more.

        It is for what must not wait for the disk: it has to be quick, and may only send.
        """
        self._look = look

    @property
    def identity(self) -> Identity | None:
        """What the device said of itself last; None if it has not."""
        return self._intake.identity

    @property
    def drives(self) -> bool:
        """Whether the device says that it drives the platen."""
        return self.identity is not None and Capability.DRIVES in self.identity.capabilities

    @property
    def abilities(self) -> Abilities | None:
        """What the device says that it can do; None if it has not, as one of version 1.0."""
        return None if self._greeting is None else self._greeting.abilities

    @property
    def channels(self) -> dict[str, str]:
        """Names of the channels beside force and position that the device described, and their units."""
        return {channel.name: channel.unit for channel in self._intake.channels}

    @property
    def tally(self) -> Tally:
        """The decoder's account, over all openings of the port."""
        return self._intake.decoder.tally

    @property
    def clock_fit(self) -> ClockLine | None:
        """Host time against device time since the last reset; None until there is enough."""
        return self._intake.clock.line

    @property
    def boots(self) -> int:
        """Times that the device said it has started, over all openings of the port."""
        return self._intake.boots

    @property
    def granted_hz(self) -> float | None:
        """The rate that the device granted; None if it was not asked or has not answered."""
        return None if self._greeting is None else self._greeting.granted_hz

    def empty(self) -> Samples:
        """Return no samples, of the kind that this reader hands over."""
        return self._intake.clock.empty()

    def get(self, timeout_s: float) -> Delivery | None:
        """Return the next batch, in order; None if there is none in time, or none any more.

        Raises
        ------
        Exception
            Whatever ended the reading thread before its time.
        """
        delivery = self._queue.get(timeout_s)
        if delivery is None and self._failure is not None:
            raise self._failure
        return delivery

    def __enter__(self) -> Reader:
        self._open_link()
        self._thread = threading.Thread(target=self._run, name="rig-reader")
        self._thread.start()
        try:
            with self._changed:
                self._changed.wait_for(
                    lambda: self._heard_well() or self._trouble() or self._failure, OPENING_LIMIT_S
                )
            if self._failure is not None:
                raise self._failure
            if not self._heard_well():
                raise DeviceError(self._complaint())
        except BaseException:
            # `with` does not leave a block that it never entered: the thread and the port would stay.
            self.__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        try:
            if self._greeting is not None and self._greeting.answers and self._link is not None:
                self.session.stop_stream()
        except DeviceError as problem:
            logger.warning("{}", problem)
        finally:
            # Only behind the answer to `stop_stream`, which the thread has to read.
            self._stop.set()
            if self._thread is not None:
                self._thread.join()

    def _trouble(self) -> str | None:
        return None if self._greeting is None else self._greeting.trouble

    def _heard_well(self) -> bool:
        if self._greeting is None:
            return self._intake.samples_received > 0
        return self._greeting.stage in (Stage.STREAMING, Stage.LISTENING)

    def _complaint(self) -> str:
        where = f"port {self._address}"
        trouble = self._trouble()
        if self._greeting is not None and self._greeting.stage is Stage.REFUSED:
            return f"{where}: {trouble}"
        if self.boots >= MANY_BOOTS:
            return f"{where}: {restarts(self.boots)}"
        received = self._intake.bytes_received
        unit = "line" if self._greeting is None else "frame"
        if not received:
            baud = self._address.baud
            return f"{where}: nothing was heard at {baud} baud; is the rig on, and is it this port?"
        if not self.tally.accepted:
            causes = ", ".join(
                f"{name.replace('_', ' ')} {count}" for name, count in self.tally.causes.items()
            )
            return (
                f"{where}: {received} bytes came but none made a {unit} ({causes or 'none was complete'}): "
                f"is the speed of {self._address.baud} baud right, and the wire format?"
            )
        return f"{where}: {trouble or f'no sample came in {OPENING_LIMIT_S} s'}; {received} bytes were heard"

    # From here on: the reading thread.

    def _run(self) -> None:
        try:
            self._announce("opened", port=self._port(), baud=self._address.baud)
            while not self._stop.is_set():
                why = self._pump()
                if why is not None:
                    self._restore(why)
        except Exception as problem:  # whatever it is, it must reach the consumer
            self._failure = problem
        finally:
            # In this order: no command can be sent any more, whoever waits for a reply gives up, and the
            # queue ends behind the last samples: a consumer that finds it closed has had them all.
            self._close_link()
            self.session.link_lost()
            self._queue.close(self._intake.flush(time.monotonic()))
            self._tell()

    def _pump(self) -> str | None:
        """Read until told to stop (None) or until the port is gone (why)."""
        link = self._link
        assert link is not None
        self._heard = time.monotonic()
        if self._greeting is not None:
            self._greeting.begin(self._heard)
        while not self._stop.is_set():
            try:
                data = link.read()
            except PortLostError as lost:
                return str(lost)
            now = time.monotonic()
            if data:
                self._take(data, now)
            elif now - self._heard > IDLE_FLUSH_S and not self._intake.clock.waiting:
                self._hand_over(self._intake.flush(now))
            self._greet(now)
            if 0 < len(data) < SMALL_READ:
                self._stop.wait(GATHER_S)
        return None

    def _take(self, data: bytes, now: float) -> None:
        self._heard = now
        self._pause_s = FIRST_PAUSE_S
        samples_before = self._intake.samples_received
        delivery, messages = self._intake.feed(data, now)
        # The watcher before the queue: a halt must not wait for a consumer. Another thread may take it away.
        look = self._look
        if look is not None and len(delivery.samples):
            look(delivery.samples)
        self._hand_over(delivery)
        if self._greeting is None:
            return
        if self._intake.samples_received > samples_before:
            self._greeting.samples_came(now)
        for message, rebooted in messages:
            self._greeting.hear(message, now, rebooted=rebooted)
            self.session.hear(message)

    def _greet(self, now: float) -> None:
        greeting = self._greeting
        if greeting is not None:
            greeting.poll(now)
            if greeting.stage is not self._stage:
                self._stage = greeting.stage
                if self._stage is Stage.STREAMING:
                    self._announce("streaming", rate_hz=greeting.granted_hz)
                elif self._stage is Stage.LISTENING:
                    self._announce("unanswered")
            # Whether it was reset stays unknown: what waits for that is handed over as it is.
            unknown = greeting.stage is Stage.LISTENING or greeting.trouble is not None
            if unknown and self._intake.clock.waiting:
                self._hand_over(self._intake.settle(now))
        self._tell()

    def _restore(self, why: str) -> None:
        """Look for the port until it is open again, or until told to stop."""
        lost = time.monotonic()
        logger.warning("link lost: {}; waiting for the port to come back", why)
        self._close_link()
        self.session.link_lost()
        self._hand_over(self._intake.flush(lost))
        self._announce("link_lost", why=why)
        while not self._stop.wait(self._pause_s):
            self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)
            try:
                self._open_link()
            except DeviceError as problem:
                logger.debug("not yet: {}", problem)
                continue
            after_s = time.monotonic() - lost
            logger.info("link restored after {:.1f} s", after_s)
            self._announce("link_restored", port=self._port(), after_s=after_s)
            return

    def _open_link(self) -> None:
        path = find_port(self._address)
        self._link = Link(path, self._address.baud, self._lock_places)
        self._intake.opened()

    def _close_link(self) -> None:
        # Taken away before it is closed: what is written from now on is refused.
        link, self._link = self._link, None
        if link is not None:
            link.close()

    def _port(self) -> str | None:
        return None if self._link is None else self._link.path

    def _write(self, data: bytes) -> bool:
        """Write from any thread; the thread that reads is the one that notices a lost link."""
        link = self._link  # read once: the reading thread may close it and take it away at any moment
        try:
            return link is not None and link.write(data)
        except PortLostError:
            return False

    def _announce(self, kind: LinkKind, **fields: Scalar) -> None:
        now = time.monotonic()
        event = LinkEvent(kind, now, self._intake.clock.last_time_us, fields)
        self._hand_over(Delivery(self.empty(), (event,), now))

    def _hand_over(self, delivery: Delivery) -> None:
        if len(delivery.samples) or delivery.events:
            self._queue.put(delivery)

    def _tell(self) -> None:
        with self._changed:
            self._changed.notify_all()


def restarts(boots: int) -> str:
    """Return the sentence about a device that does not stay up."""
    return (
        f"the device restarts over and over ({boots} times so far): check its power supply, its cable and "
        "what its firmware's watchdog waits for"
    )
