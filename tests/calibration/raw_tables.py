"""Raw samples made for tests of the calibration: their columns are known exactly."""

import numpy as np

from rig.samples import RawChannel, Samples, Status

NEWTONS = RawChannel("N", 0.0)
MILLIMETRES = RawChannel("mm", 0.0)


def counted(force, position, *, seq=None, time_us=None, status=None, clock="device"):
    """Samples in counts, a millisecond apart unless their times are given."""
    n = len(force)
    return Samples(
        np.arange(n, dtype=np.int64) if seq is None else np.asarray(seq, np.int64),
        np.arange(n, dtype=np.int64) * 1000 if time_us is None else np.asarray(time_us, np.int64),
        np.asarray(force, np.int32),
        np.asarray(position, np.int32),
        np.zeros(n, np.uint8) if status is None else np.asarray(status, np.uint8),
        clock=clock,
    )


def scaled(force, position, *, step_us=1000, status=None, force_channel=NEWTONS, position_channel=MILLIMETRES,
           clock="device"):  # fmt: skip
    """Samples whose source had scaled them already, so that nothing is rounded."""
    n = len(force)
    return Samples(
        np.arange(n, dtype=np.int64),
        np.arange(n, dtype=np.int64) * step_us,
        np.array(force, np.float64),
        np.array(position, np.float64),
        np.zeros(n, np.uint8) if status is None else np.asarray(status, np.uint8),
        force_channel,
        position_channel,
        clock,
    )


def fresh_every(n, every):
    """Status of a converter with a new value in every so many samples."""
    return np.where(np.arange(n) % every == 0, np.uint8(Status.FRESH_FORCE), np.uint8(0))
