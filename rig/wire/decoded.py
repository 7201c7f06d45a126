"""What a decoder hands over, and its account of what it threw away."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields

from rig.wire.messages import Message
from rig.wire.sample_block import SampleBlock


@dataclass(frozen=True, slots=True)
class Placed:
    """A message and how many samples of the same block came before it."""

    position: int
    message: Message


@dataclass(frozen=True, slots=True)
class Decoded:
    """Samples and messages of one feed, in wire order."""

    samples: SampleBlock
    messages: tuple[Placed, ...]


@dataclass(slots=True)
class Tally:
    """Counts since the decoder was made. A frame or line is counted once, under one cause.

    Every byte fed is in `bytes_accepted`, in `bytes_discarded` or still pending in the decoder.
    """

    accepted: int = 0
    """Frames or lines that gave a sample or a message."""
    empty: int = 0
    """Empty frames, which are legal. Blank lines are not counted, since CR LF would make one each."""
    too_long: int = 0
    cut: int = 0
    """Frames or lines cut by `restart`."""
    short: int = 0
    bad_cobs: int = 0
    bad_crc: int = 0
    unknown_type: int = 0
    wrong_columns: int = 0
    bad_checksum: int = 0
    not_a_number: int = 0
    out_of_range: int = 0
    bytes_accepted: int = 0
    """Bytes of accepted frames and lines with their ends, of empty frames and of blank lines."""
    bytes_discarded: int = 0

    @property
    def rejected(self) -> int:
        """Frames or lines thrown away, whatever the cause."""
        return sum(self.causes.values())

    @property
    def causes(self) -> dict[str, int]:
        """Causes for which frames or lines were thrown away, each with its count above 0."""
        return {name: count for name in _CAUSES if (count := getattr(self, name))}

    def reject(self, cause: str, size_bytes: int) -> None:
        """Count one frame or line of `size_bytes` under the field named `cause`."""
        setattr(self, cause, getattr(self, cause) + 1)
        self.bytes_discarded += size_bytes

    def as_dict(self) -> dict[str, int]:
        """Return all counts by name."""
        return asdict(self)


_NO_CAUSES = {"accepted", "empty", "bytes_accepted", "bytes_discarded"}
_CAUSES = tuple(count.name for count in fields(Tally) if count.name not in _NO_CAUSES)
