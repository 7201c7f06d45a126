"""A block of samples as the wire gave them: columns that still wrap.

Problem: samples come by the million, so they are never objects. Plan: one array for each column, with
None for a column that the format does not have. Unwrapping needs memory of the stream and is the
reader's work.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from rig.samples import BoolArray, FloatArray, IntArray, RawArray, StatusArray


@dataclass(frozen=True, slots=True, eq=False)
class SampleBlock:
    """Samples in wire order.

    `seq`: sample number modulo 2^16, int64 of shape (n,); None if the format has no such column.
    `time_us`: device time in microseconds, int64 of shape (n,), modulo 2^32 for frames and modulo
    `LineFormat.time_modulus_us` for lines; None if the format has no time.
    `force`, `position`: int32 counts, or float64 in the unit that the line format states, shape (n,).
    `status`: bits of `rig.samples.Status`, uint8 of shape (n,); zeros if `has_status` is False.
    `auxiliary`: slow quantities by the names of `rig.wire.AUXILIARY_UNITS`, float64 of shape (n,) in the
    units there; empty if the format has none.
    """

    seq: IntArray | None
    time_us: IntArray | None
    force: RawArray
    position: RawArray
    status: StatusArray
    has_status: bool = True
    auxiliary: Mapping[str, FloatArray] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.force)

    def __getitem__(self, part: slice | IntArray | BoolArray) -> SampleBlock:
        """Return a stretch of the samples, those at some places, or those that a mask of shape (n,) keeps."""
        return SampleBlock(
            None if self.seq is None else self.seq[part],
            None if self.time_us is None else self.time_us[part],
            self.force[part],
            self.position[part],
            self.status[part],
            self.has_status,
            {name: column[part] for name, column in self.auxiliary.items()},
        )

    @classmethod
    def concatenate(cls, parts: Sequence[SampleBlock]) -> SampleBlock:
        """Join blocks of one stream, in order.

        Raises ValueError if there is no block, or if the blocks differ in the columns they have or in their
        types.
        """
        if not parts:
            raise ValueError("no blocks to join")
        kinds = {
            (
                part.seq is None,
                part.time_us is None,
                part.has_status,
                part.force.dtype,
                part.position.dtype,
                frozenset(part.auxiliary),
            )
            for part in parts
        }
        if len(kinds) != 1:
            raise ValueError(f"blocks of different columns: {sorted(map(str, kinds))}")
        return cls(
            _join([part.seq for part in parts]),
            _join([part.time_us for part in parts]),
            np.concatenate([part.force for part in parts]),
            np.concatenate([part.position for part in parts]),
            np.concatenate([part.status for part in parts]),
            parts[0].has_status,
            {name: np.concatenate([part.auxiliary[name] for part in parts]) for name in parts[0].auxiliary},
        )


def _join(columns: Sequence[IntArray | None]) -> IntArray | None:
    present = [column for column in columns if column is not None]
    return np.concatenate(present) if present else None
