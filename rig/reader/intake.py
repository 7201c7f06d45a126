"""Bytes and when they were received, to deliveries: decoder and clock together, without a port.

Problem: a boot message between two samples changes what the second one means, so samples and messages
must be taken in wire order. Plan: the block of samples is cut where a message concerns the clock;
everything else only becomes an event. Cost: one cut for each boot or identity message.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

import numpy as np

from rig.core import LinkKind, logger
from rig.reader.auxiliary import AuxiliaryMeans
from rig.reader.channels import SideChannel, complaint_about_channel, side_channel, values_of
from rig.reader.clock import FRAME_MODULUS_US, ClockedSamples, DeviceClock
from rig.reader.events import Delivery, LinkEvent, Scalar
from rig.samples import COUNTS, RawChannel, Samples
from rig.wire import (
    Abilities,
    Channel,
    ChannelKind,
    DeviceMessage,
    Event,
    EventCode,
    FrameDecoder,
    Identity,
    LineDecoder,
    LineFormat,
    Note,
    Readings,
    State,
)

WireFormat = LineFormat | Literal["framed"]

REJECTED_EVERY_S = 1.0
"""A line that is all noise must not fill a capture with events."""


class Intake:
    """What one stream of bytes turns into, over all openings of its port.

    `wire`: "framed", or the format of the lines.

    Attributes
    ----------
    decoder
        The decoder, with its tally.
    clock
        The device's clock.
    identity
        What the device said of itself last; None until then.
    bytes_received
        All bytes, over all openings.
    samples_received
        All samples that were decoded, whatever became of them.
    boots
        Times that the device said it has started, over all openings.
    """

    def __init__(self, wire: WireFormat) -> None:
        self.decoder: FrameDecoder | LineDecoder
        if wire == "framed":
            self.decoder = FrameDecoder()
            self.clock = DeviceClock(FRAME_MODULUS_US)
        else:
            self.decoder = LineDecoder(wire)
            self.clock = DeviceClock(
                wire.time_modulus_us,
                has_time=wire.time_column is not None,
                force_channel=_channel(wire.force_unit),
                position_channel=_channel(wire.position_unit),
            )
        self._means = AuxiliaryMeans(() if wire == "framed" else wire.auxiliary)
        self._channels: dict[int, SideChannel] = {}
        self._told_channels: list[Channel] = []
        self.identity: Identity | None = None
        self.bytes_received = 0
        self.samples_received = self.boots = 0
        self._introduced = False
        self._reported: dict[str, int] = {}
        self._first_logged = False
        self._last_logged: bytes | None = None
        self._report_due = 0.0

    def opened(self) -> None:
        """The port was opened, again or for the first time: what comes does not continue what came."""
        self.decoder.restart()
        self._introduced = False
        if self.identity is not None:
            self.clock.wait()

    def feed(self, data: bytes, host_time: float) -> tuple[Delivery, tuple[tuple[DeviceMessage, bool], ...]]:
        """Decode bytes received at `host_time` (monotonic, seconds).

        Returns
        -------
        delivery
            Samples that are decided, and events; either may be empty.
        messages
            The device's messages in order, each with whether it told of a reset.
        """
        self.bytes_received += len(data)
        decoded = self.decoder.feed(data)
        self.samples_received += len(decoded.samples)
        readings: list[ClockedSamples] = []
        messages: list[tuple[DeviceMessage, bool]] = []
        taken = 0
        beside: tuple[LinkEvent, ...] = ()
        for placed in decoded.messages:
            message = placed.message
            if not isinstance(message, DeviceMessage):
                continue  # a command, which the decoder takes too: an echo of the line
            if isinstance(message, Readings):
                beside += self._beside(message, host_time)
                continue
            boots = isinstance(message, Event) and message.code == EventCode.BOOT
            if (boots or isinstance(message, Identity)) and placed.position > taken:
                # What came before it belongs to the clock as it was.
                readings.append(self.clock.take(decoded.samples[taken : placed.position], host_time))
                taken = placed.position
            reading, rebooted = self._hear(message, host_time)
            readings.append(reading)
            messages.append((message, rebooted))
        readings.append(self.clock.take(decoded.samples[taken:], host_time))
        delivery = self._delivery(readings, host_time)
        return replace(delivery, events=delivery.events + beside), tuple(messages)

    def settle(self, host_time: float) -> Delivery:
        """Return what waited: the device will not say who it is, so the plausibility of what came decides."""
        return self._delivery([self.clock.settle(host_time, new_boot_id=None)], host_time)

    def flush(self, host_time: float) -> Delivery:
        """Decide all that waits: the stream ended or fell silent."""
        return self._delivery([self.clock.flush(host_time)], host_time, final=True)

    def _hear(self, message: DeviceMessage, host_time: float) -> tuple[ClockedSamples, bool]:
        event = self._event_of(message, host_time)
        reading, rebooted = ClockedSamples(self.clock.empty()), False
        if isinstance(message, Event) and message.code == EventCode.BOOT:
            reading, rebooted = self.clock.reset(host_time, f"boot, cause {message.value}"), True
            self.boots += 1
        elif isinstance(message, Identity):
            known, self.identity = self.identity, message
            rebooted = known is not None and known.boot_id != message.boot_id
            new_boot_id = message.boot_id if rebooted else None
            self._channels, self._told_channels = {}, []
            told = self.clock.settle if self.clock.waiting else self.clock.identified
            reading = told(host_time, new_boot_id=new_boot_id)
            if known == message and self._introduced:
                return reading, False
            # who is on a port that came back is reported once, even where it is the same
            self._introduced = True
        return replace(reading, events=(*reading.events, *event)), rebooted

    @property
    def channels(self) -> tuple[SideChannel, ...]:
        """Channels beside force and position that the device has described."""
        return tuple(self._channels.values())

    def _event_of(self, message: DeviceMessage, host_time: float) -> tuple[LinkEvent, ...]:
        kind: LinkKind
        fields: Mapping[str, Scalar]
        if isinstance(message, Event):
            kind = "device_event"
            fields = {
                "code": int(message.code),
                "name": message.code.name.lower() if isinstance(message.code, EventCode) else "unknown",
                "request": message.request,
                "value": message.value,
                "device_time_us": message.time_us,
            }
        elif isinstance(message, Identity):
            kind = "identified"
            fields = {
                "name": message.name,
                "unit_id": message.unit_id.hex(),
                "firmware": f"{message.major}.{message.minor}",
                "protocol": message.protocol,
                "capabilities": int(message.capabilities),
                "boot_id": message.boot_id,
                "rate_hz": message.rate_mhz / 1000,
            }
        elif isinstance(message, Note):
            kind, fields = "note", {"text": message.text}
        elif isinstance(message, Abilities):
            kind, fields = "abilities", {name: getattr(message, name) for name in Abilities.__slots__}
        elif isinstance(message, Channel):
            return self._channel_told(message, host_time)
        elif isinstance(message, State):
            kind, fields = "state", {name: int(getattr(message, name)) for name in State.__slots__}
        else:
            return ()
        return (LinkEvent(kind, host_time, self.clock.last_time_us, fields),)

    def _channel_told(self, message: Channel, host_time: float) -> tuple[LinkEvent, ...]:
        """Return the event of a channel, once; one that makes no sense is refused where it was asked for."""
        if message.number in self._channels or complaint_about_channel(message, self._told_channels):
            return ()
        channel = side_channel(message)
        self._told_channels.append(message)
        self._channels[message.number] = channel
        over = self._means.finish(host_time)
        self._means = AuxiliaryMeans(tuple(known.name for known in self._channels.values()))
        fields: dict[str, Scalar] = {
            "number": message.number,
            "name": channel.name,
            "unit": channel.unit,
            "force": message.kind == ChannelKind.FORCE,
        }
        return (*over, LinkEvent("channel", host_time, self.clock.last_time_us, fields))

    def _beside(self, message: Readings, host_time: float) -> tuple[LinkEvent, ...]:
        """Return events with the means of channels beside the samples, on the clock of the samples."""
        last_us = self.clock.last_time_us
        if last_us is None or not self._channels:
            return ()
        # Within half a turn of the device's clock before or after the last sample, so never ambiguous.
        half = FRAME_MODULUS_US // 2
        time_us = last_us + (message.time_us - last_us + half) % FRAME_MODULUS_US - half
        return self._means.push(np.array([time_us]), values_of(message, self._channels), host_time)

    def _delivery(self, readings: list[ClockedSamples], host_time: float, *, final: bool = False) -> Delivery:
        parts = [reading.samples for reading in readings if len(reading.samples)]
        samples = Samples.concatenate(parts) if parts else self.clock.empty()
        events = tuple(event for reading in readings for event in reading.events)
        if not self._channels:  # a device that described channels sends their values in messages of their own
            for reading in readings:
                events += self._means.push(reading.samples.time_us, reading.auxiliary, host_time)
        if final:
            events += self._means.finish(host_time)
        if final or host_time >= self._report_due:
            events += self._rejected(host_time)
            self._log_rejected(final=final)
        return Delivery(samples, events, host_time)

    def _log_rejected(self, *, final: bool) -> None:
        """Log the first rejected line when it comes, and the last one at the end, both whole."""
        if not isinstance(self.decoder, LineDecoder) or self.decoder.first_rejected is None:
            return
        if not self._first_logged:
            self._first_logged = True
            logger.warning("the first line that was rejected: {!r}", self.decoder.first_rejected)
        if final and self.decoder.last_rejected != self._last_logged:
            self._last_logged = self.decoder.last_rejected
            logger.warning("the last line that was rejected: {!r}", self.decoder.last_rejected)

    def _rejected(self, host_time: float) -> tuple[LinkEvent, ...]:
        tally = self.decoder.tally
        news = {
            name: count - self._reported.get(name, 0)
            for name, count in tally.causes.items()
            if count > self._reported.get(name, 0)
        }
        if not news:
            return ()
        discarded = tally.bytes_discarded - self._reported.get("bytes_discarded", 0)
        self._reported = tally.as_dict()
        self._report_due = host_time + REJECTED_EVERY_S
        return (LinkEvent("rejected", host_time, self.clock.last_time_us, {"bytes": discarded, **news}),)


def _channel(unit: str) -> RawChannel:
    # How finely a scaled source resolves is not known here; whoever reads the capture estimates it.
    return RawChannel() if unit == COUNTS else RawChannel(unit, 0.0)
