"""The serial port: from a cable to samples on one clock.

In: a port's address and the format of its bytes; requests and motions in counts. Out: batches of samples
with unwrapped numbers and times, the events of the link between them, and how each motion ended.
Must not depend on: captures, calibrations, what a squeeze is. It never waits for a disk or a browser.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.reader.abilities import complaint_about
    from rig.reader.auxiliary import newest_auxiliary
    from rig.reader.channels import MOST_CHANNELS, complaint_about_channel
    from rig.reader.clock import ClockedSamples, DeviceClock
    from rig.reader.clock_fit import ClockFit, ClockLine
    from rig.reader.device_session import DeviceLimits, Session
    from rig.reader.events import Delivery, LinkEvent
    from rig.reader.greeting import MOST_RATE
    from rig.reader.heart import LAG_LIMIT_S, Heart
    from rig.reader.intake import Intake, WireFormat
    from rig.reader.link import Link
    from rig.reader.motion import EndKind, MotionEnd, MotionRequest
    from rig.reader.ports import PortAddress, PortDescription, find_port, list_ports
    from rig.reader.reader import MANY_BOOTS, Reader, restarts
    from rig.reader.switches import standing_words, switch_words

import_when_used(__name__)
