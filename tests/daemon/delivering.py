"""Rigs to record from: a virtual one on a real pseudo-terminal, and a reader that hands over what it was
given."""

from contextlib import contextmanager

import numpy as np

from rig.calibration import Calibration, Scale
from rig.capture import CaptureHeader
from rig.reader import Delivery, LinkEvent, PortAddress, Reader
from rig.samples import Samples
from rig.wire import Tally

CALIBRATION = Calibration(Scale(0.001), Scale(0.005))


def header_of(reader):
    kinds = reader.empty()
    return CaptureHeader(
        specimen="F-90 no. 7",
        batch="autumn",
        calibration=CALIBRATION.as_dict(),
        force=kinds.force_channel,
        position=kinds.position_channel,
        clock=kinds.clock,
    )


@contextmanager
def virtual_rig(folder, *, speed_up=float("inf"), **how):
    """A spring squeezed on a pseudo-terminal, and a reader for it that is not yet entered."""
    from rig.virtual import LinearSpring, VirtualPort, VirtualRig

    rig = VirtualRig(LinearSpring(), keep_sent=True, **how)
    locks = folder / "locks"
    locks.mkdir(exist_ok=True)
    with VirtualPort(rig, folder / "rig", speed_up) as port:
        yield rig, Reader(PortAddress(path=port.path), "framed", lock_places=[locks])


class HandedOver:
    """Stands in for a reader: first what is handed over while it is open, then what only came as it closed.

    Attributes
    ----------
    entered, left
        How often it was opened and closed.
    """

    def __init__(self, while_open, at_close=()):
        self._while_open, self._at_close = list(while_open), list(at_close)
        self.entered = self.left = 0
        self.tally, self.clock_fit = Tally(), None

    def empty(self):
        return Samples.empty()

    def get(self, timeout_s):
        waiting = self._at_close if self.left else self._while_open
        return waiting.pop(0) if waiting else None

    def __enter__(self):
        self.entered += 1
        return self

    def __exit__(self, *error):
        self.left += 1


def delivery(first, count, *events):
    """Samples a millisecond apart, with the events up to them."""
    seq = np.arange(first, first + count, dtype=np.int64)
    samples = Samples(seq, seq * 1000, seq.astype(np.int32), seq.astype(np.int32), np.zeros(count, np.uint8))
    return Delivery(samples, tuple(LinkEvent(kind, 0.0, None, fields) for kind, fields in events), 0.0)
