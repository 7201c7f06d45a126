"""What the reader hands over: batches of samples, and what happened on the link between them.

Problem: a capture must say of every hole why it is there. Plan: one small value for each happening, with
a kind and plain fields, so that it goes into a file as it is; counts are gathered for each delivery, so
that a bad line cannot flood a capture with events. Cost: a few events for each delivery at most.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from rig.core import LinkKind
from rig.samples import Samples

Scalar = str | int | float | bool | None


@dataclass(frozen=True, slots=True)
class LinkEvent:
    """Something that happened on the link.

    `kind`: what happened; the comments of `LinkKind` say which fields it has.
    `host_time`: when the host noticed, by its monotonic clock, in seconds.
    `time_us`: unwrapped device time of the last sample before it; None if there was none.
    """

    kind: LinkKind
    host_time: float
    time_us: int | None = None
    fields: Mapping[str, Scalar] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Scalar]:
        """Return one flat mapping, ready for a line of JSON."""
        return {"kind": self.kind, "host_time_s": self.host_time, "time_us": self.time_us, **self.fields}


@dataclass(frozen=True, slots=True)
class Delivery:
    """One batch: samples, the events up to it, and when its bytes were received (monotonic, seconds)."""

    samples: Samples
    events: tuple[LinkEvent, ...]
    host_time: float
