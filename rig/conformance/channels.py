"""Channels beside force and position: what a device says of them, and whether their readings come."""

from __future__ import annotations

from rig.conformance.abilities import refuses_channel, told
from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.stand import Stand
from rig.conformance.verdicts import CheckGroup
from rig.reader import complaint_about_channel
from rig.wire import Accepts, Channel, Describe, Readings, StreamAt

CHECKS = CheckGroup("channels")

LISTEN_S = 2.0
"""Readings come ten times a second or so; slower than one a second no cycle would have its own."""


def _count(stand: Stand) -> int:
    count = told(stand).channels
    if not count:
        raise NotApplicableError("it has no channels beside force and position")
    return count


@CHECKS.add(
    "channels-described",
    "What it says of its channels",
    "Each channel has a name of its own, a unit and a scale; there are three further forces at most.",
    "a channel message for each, and result 2 for one that is not there",
    "The host refuses the device, or a temperature is recorded under a wrong name.",
)
def _described(stand: Stand) -> str:
    found: list[Channel] = []
    count = _count(stand)
    for number in range(1, count + 1):
        before = len(stand.talk.heard)
        stand.must(Describe(stand.talk.next_id(), number), f"say what channel {number} is")
        messages = [each.message for each in stand.talk.heard[before:]]
        channels = [message for message in messages if isinstance(message, Channel)]
        require(bool(channels), f"channel {number}: a reply, but no channel message")
        require(channels[-1].number == number, f"asked for channel {number}, it says {channels[-1].number}")
        complaint = complaint_about_channel(channels[-1], found)
        require(complaint is None, complaint or "")
        found.append(channels[-1])
    refuses_channel(stand, count + 1)
    return ", ".join(channel.name for channel in found)


@CHECKS.add(
    "channels-read",
    "Readings of its channels",
    "Readings of all channels come to a host that asks for them, and to no other.",
    "one a second at least; none unasked",
    "A cycle has no temperature, or older programs count every reading as damage.",
)
def _readings(stand: Stand) -> str:
    count = _count(stand)
    heard = {}
    for accepts in (Accepts.READINGS, Accepts.SAMPLES):
        stand.must(StreamAt(stand.talk.next_id(), stand.known.rate_mhz, accepts), "stream")
        stand.talk.forget()
        stand.talk.listen(LISTEN_S)
        heard[accepts] = [message for message in stand.talk.messages() if isinstance(message, Readings)]
    wanted, unwanted = heard[Accepts.READINGS], heard[Accepts.SAMPLES]
    if not stand.talk.taken:
        raise UnreadyError("no samples came")
    require(len(wanted) >= LISTEN_S, f"{len(wanted)} readings in {LISTEN_S:g} s")
    numbers = {each.first + place for each in wanted for place in range(len(each.counts))}
    require(numbers == set(range(1, count + 1)), f"of {count} channels it sends number {sorted(numbers)}")
    require(not unwanted, f"{len(unwanted)} readings to a host that did not ask for them")
    return f"{len(wanted)} readings of {count} channels in {LISTEN_S:g} s; none unasked"
