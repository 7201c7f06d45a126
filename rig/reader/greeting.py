"""Who is there, and please stream: the first words to a device, said again after each reset and outage.

Problem: opening a port can reset a board, which then hears nothing for a while; replies get lost; some
devices talk but never answer. And the thread that reads must not wait for an answer that it has to read
itself. Plan: a small state machine that receives what was heard and asked, at each turn of the reader's
loop, what to send. A device of version 1.1 is asked what it can do before it streams.
Cost: a few comparisons at each turn.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum

from rig.core import logger
from rig.reader.abilities import complaint_about
from rig.reader.channels import complaint_about_channel
from rig.reader.exchange import Exchange
from rig.reader.refusals import name_of
from rig.wire import (
    PROTOCOL_VERSION,
    Abilities,
    Accepts,
    Capability,
    Channel,
    Describe,
    DeviceMessage,
    Event,
    EventCode,
    Identify,
    Identity,
    Reply,
    ReplyResult,
    StreamAt,
)

IDENTIFY_EVERY_S = 0.25
IDENTIFY_FOR_S = 2.5
"""As long as a boot loader holds a board back (the protocol's bound)."""

TALKS_ONLY_AFTER_S = 1.0
"""Samples that arrive although four requests were not answered: the device does not listen."""

STREAM_EVERY_S = 0.3
STREAM_ATTEMPTS = 5

MOST_RATE = 2.0
"""A device that grants this many times fewer or more samples than were asked for may be another rig."""

SILENCE_S = 1.5
"""A device that streams and says nothing for so long may have been reset."""

SILENT_PERIODS = 3

_UNUSABLE = "the device cannot be used: {}; correct the settings of its firmware"


class Stage(Enum):
    """How far the greeting is."""

    ASKING = "waits to be told who is there"
    DESCRIBING = "waits to be told what it can do"
    STARTING = "waits for the stream to be granted"
    STREAMING = "streams on request"
    LISTENING = "the device talks by itself"
    REFUSED = "the device cannot be used"


class Greeting:
    """The state of the conversation at its start.

    `rate_hz`: samples per second to ask for; None for the highest that the device names.
    `disagreement`: what contradicts the abilities of a device of version 1.1, in words, or None; such a
    device is not used.

    `stage`: how far it is.
    `trouble`: why the device cannot be used, or has not answered in time; None while all is well.
    `answers`: the device has replied to something since the port was opened first.
    `granted_hz`: the rate that the device granted.
    `abilities`: what the device says that it can do; None if it has not.
    """

    def __init__(
        self,
        session: Exchange,
        rate_hz: float | None,
        disagreement: Callable[[Abilities], str | None] = lambda told: None,
    ) -> None:
        self.stage = Stage.ASKING
        self.trouble: str | None = None
        self.answers = False
        self.granted_hz: float | None = None
        self.abilities: Abilities | None = None
        self._disagreement = disagreement
        self._capabilities = Capability(0)
        self._channels: list[Channel] = []
        self._session = session
        self._rate_hz = rate_hz
        self._began = 0.0
        self._due = 0.0
        self._sampled: float | None = None
        self._talking_since: float | None = None
        self._rate_mhz = 0
        self._accepts = Accepts.SAMPLES
        self._request = 0
        self._attempts = 0
        self._asking = 0

    def begin(self, now: float, *, patience_s: float = 0.0) -> None:
        """Start anew, at once or after leaving the device time to speak first."""
        self.stage = Stage.ASKING
        self.trouble = None
        self._began = now
        self._due = now + patience_s
        self._sampled = self._talking_since = None

    def samples_came(self, now: float) -> None:
        """Samples were received."""
        self._sampled = now
        if self._talking_since is None:
            self._talking_since = now

    def hear(self, message: DeviceMessage, now: float, *, rebooted: bool) -> None:
        """Take in a message; `rebooted` says that it told of a reset."""
        if isinstance(message, Event) and message.code == EventCode.BOOT:
            self.begin(now, patience_s=IDENTIFY_EVERY_S)
        elif isinstance(message, Identity) and (self.stage is Stage.ASKING or rebooted):
            self._start(message, now)
        elif isinstance(message, Abilities) and self.stage is Stage.DESCRIBING:
            self._told(message, now)
        elif isinstance(message, Channel) and self.stage is Stage.DESCRIBING:
            self._told_channel(message, now)
        elif isinstance(message, Reply):
            self.answers = True
            if message.request != self._request:
                return
            if self.stage is Stage.STARTING:
                self._granted(message, now)
            elif self.stage is Stage.DESCRIBING:
                self._described(now)

    def poll(self, now: float) -> None:
        """Send what is due."""
        if self.stage is Stage.ASKING:
            self._ask(now)
        elif self.stage in (Stage.DESCRIBING, Stage.STARTING):
            if now >= self._due:
                self._ask_again(now)
        elif self._sampled is not None:
            # A slow stream is silent for longer between two samples.
            limit_s = max(SILENCE_S, SILENT_PERIODS / self.granted_hz) if self.granted_hz else SILENCE_S
            if now - self._sampled > limit_s:
                self.begin(now)

    def _start(self, identity: Identity, now: float) -> None:
        if identity.protocol != PROTOCOL_VERSION:
            self._refuse(
                now,
                f"the device speaks version {identity.protocol} of the protocol, "
                f"this program speaks version {PROTOCOL_VERSION}",
            )
            return
        self._rate_mhz = identity.rate_mhz if self._rate_hz is None else round(self._rate_hz * 1000)
        # a device of version 1.0 is asked in the very bytes that it has always been asked in
        self._accepts = Accepts.BLOCKS if Capability.BLOCKS in identity.capabilities else Accepts.SAMPLES
        self._capabilities = identity.capabilities
        self.abilities, self._channels = None, []
        describes = Capability.DESCRIBES in identity.capabilities
        self._enter(Stage.DESCRIBING if describes else Stage.STARTING, now)

    def _enter(self, stage: Stage, now: float) -> None:
        """Begin to ask for something else."""
        self.stage = stage
        self._request = self._session.next_id()
        self._attempts = 0
        self._due = now

    def _told(self, abilities: Abilities, now: float) -> None:
        """Take in what a device says that it can do: it must be possible, and what was expected."""
        self.abilities = abilities
        complaint = complaint_about(abilities, self._capabilities)
        if complaint is not None:
            self._refuse(now, _UNUSABLE.format(complaint))
        elif (complaint := self._disagreement(abilities)) is not None:
            self._refuse(now, complaint)

    def _told_channel(self, channel: Channel, now: float) -> None:
        if self.abilities is None or channel.number != len(self._channels) + 1:
            return
        complaint = complaint_about_channel(channel, self._channels)
        if complaint is not None:
            self._refuse(now, _UNUSABLE.format(complaint))
            return
        self._channels.append(channel)
        self._accepts |= Accepts.READINGS

    def _described(self, now: float) -> None:
        told = self.abilities
        if told is not None and len(self._channels) >= told.channels:
            self._enter(Stage.STARTING, now)
        elif self._asked_for() != self._asking:
            self._enter(Stage.DESCRIBING, now)
        else:
            # without its message the reply says nothing, and would come again alone under the old id
            self._request = self._session.next_id()

    def _asked_for(self) -> int:
        """Return what is asked for next: 0 for the abilities, else the number of a channel."""
        return 0 if self.abilities is None else len(self._channels) + 1

    def _granted(self, reply: Reply, now: float) -> None:
        asked_hz = self._rate_mhz / 1000
        if reply.result != ReplyResult.ACCEPTED:
            why = f"the device refused to stream at {asked_hz:g} samples/s ({name_of(reply.result)})"
            self._refuse(now, why)
            return
        self.stage = Stage.STREAMING
        self.granted_hz = reply.value / 1000
        if not 1 / MOST_RATE <= self.granted_hz / asked_hz <= MOST_RATE:
            logger.warning(
                "the device grants {:g} samples/s, {:g} were asked for (wire.rate_hz); is this the rig?",
                self.granted_hz,
                asked_hz,
            )
        self._sampled = now

    def _refuse(self, now: float, why: str) -> None:
        self.stage, self.trouble = Stage.REFUSED, why
        self._sampled = now  # it is asked again when it has been silent for long enough

    def _ask(self, now: float) -> None:
        if self._talking_since is not None and now - self._talking_since >= TALKS_ONLY_AFTER_S:
            self.stage = Stage.LISTENING
            return
        if now - self._began >= IDENTIFY_FOR_S and self.trouble is None:
            self.trouble = f"nothing answered in {IDENTIFY_FOR_S} s"
        if now >= self._due:
            # A repeated id would bring the old reply and no identity, so each attempt has its own.
            self._session.send_if_free(Identify(self._session.next_id()))
            self._due = now + IDENTIFY_EVERY_S

    def _ask_again(self, now: float) -> None:
        """Ask what it can do, or for the stream: under one id, so that a lost reply comes again."""
        describing = self.stage is Stage.DESCRIBING
        if self._attempts < STREAM_ATTEMPTS:
            if describing:
                self._asking = self._asked_for()
                self._session.send_if_free(Describe(self._request, self._asking))
            else:
                self._session.send_if_free(StreamAt(self._request, self._rate_mhz, self._accepts))
            self._attempts += 1
            self._due = now + STREAM_EVERY_S
        elif self._sampled is not None and not describing:
            self.stage = Stage.LISTENING
        else:
            self.begin(now)
            unanswered = "what it can do (capability 6)" if describing else "the request to stream"
            self.trouble = f"the device said who it is, but did not answer {unanswered}"
