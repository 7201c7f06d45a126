"""Bytes to messages and back, for both formats of the wire protocol.

In: bytes as they come, chopped anyhow; or messages and blocks of samples to send.
Out: blocks of samples, messages in their place among them, and a tally of every byte thrown away; or bytes.
Must never know: ports, clocks, files, calibrations. Nothing here waits, and no input raises in a decoder.
"""

from rig.wire.blocks import SampleBlock
from rig.wire.decoded import Decoded, Placed, Tally
from rig.wire.frames import FrameDecoder, encode_frame, seal
from rig.wire.line_format import AUXILIARY_UNITS, LineFormat
from rig.wire.lines import LineDecoder, encode_lines
from rig.wire.messages import (
    LATCHED_STOPS,
    MOTION_ENDS,
    PROTOCOL_VERSION,
    Abilities,
    Accepts,
    Arm,
    AskState,
    Capability,
    ClearStop,
    Command,
    Cycle,
    Describe,
    DeviceMessage,
    Disarm,
    Event,
    EventCode,
    Halt,
    Heartbeat,
    Home,
    Identify,
    Identity,
    Limits,
    Message,
    MoveTo,
    Note,
    PressUntil,
    Reply,
    ReplyResult,
    State,
    StateFlag,
    StreamAt,
)
from rig.wire.sample_frames import encode_blocks, encode_samples

__all__ = [
    "AUXILIARY_UNITS",
    "LATCHED_STOPS",
    "MOTION_ENDS",
    "PROTOCOL_VERSION",
    "Abilities",
    "Accepts",
    "Arm",
    "AskState",
    "Capability",
    "ClearStop",
    "Command",
    "Cycle",
    "Decoded",
    "Describe",
    "DeviceMessage",
    "Disarm",
    "Event",
    "EventCode",
    "FrameDecoder",
    "Halt",
    "Heartbeat",
    "Home",
    "Identify",
    "Identity",
    "Limits",
    "LineDecoder",
    "LineFormat",
    "Message",
    "MoveTo",
    "Note",
    "Placed",
    "PressUntil",
    "Reply",
    "ReplyResult",
    "SampleBlock",
    "State",
    "StateFlag",
    "StreamAt",
    "Tally",
    "encode_blocks",
    "encode_frame",
    "encode_lines",
    "encode_samples",
    "seal",
]
