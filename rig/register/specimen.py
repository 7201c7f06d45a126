"""A piece as its records tell it.

Problem: what is asked is what a piece is now, or was on the day of a capture; what is kept are dated facts,
some corrected. Plan: corrected records are put aside, the others taken in the order of their dates; of each
kind the last one holds. Cost: one pass over the records of a piece.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from rig.population import STATES, SizeReading
from rig.register import records as kinds
from rig.register.records import Record, instant

_NEW = STATES[0]
"""Default state, where none was given."""


@dataclass(frozen=True, slots=True)
class Mass:
    """A weighing: grams, their standard uncertainty where it is known, how and when."""

    g: float
    u_g: float | None
    how: str | None
    at: str


@dataclass(frozen=True, slots=True)
class Size:
    """A size in one direction: millimetres, standard uncertainty, contact force in newtons, how and when."""

    direction: str
    mm: float
    u_mm: float | None
    force_n: float | None
    how: str | None
    at: str


@dataclass(frozen=True, slots=True)
class BelongingCapture:
    """A capture of the piece: its id, its folder, and when it was started."""

    id: str
    folder: str
    started: str


@dataclass(frozen=True, slots=True)
class RegisteredSpecimen:
    """A piece of the register.

    `records`: all that was ever said of it, corrected ones too, in the order of their numbers.
    `holding`: those that hold, in the order of their dates.
    """

    id: str
    records: tuple[Record, ...]
    holding: tuple[Record, ...]

    @classmethod
    def of(cls, name: str, records: Iterable[Record]) -> RegisteredSpecimen:
        """Put a piece together from its records."""
        every = tuple(sorted(records, key=lambda record: record.number))
        gone = {record.corrects for record in every if record.corrects is not None}
        left = [record for record in every if record.number not in gone and record.kind != kinds.WITHDRAWN]
        return cls(name, every, tuple(sorted(left, key=lambda record: (record.instant, record.number))))

    def last(self, kind: str) -> Record | None:
        """Return the record of a kind that holds now."""
        return next((record for record in reversed(self.holding) if record.kind == kind), None)

    @property
    def batch(self) -> str | None:
        """Pieces that it was made with."""
        return self._text(kinds.BATCH)

    @property
    def model(self) -> str | None:
        """What it is one of."""
        return self._text(kinds.MODEL)

    @property
    def drawing_size_mm(self) -> float | None:
        """Size on the drawing."""
        found = self.last(kinds.DRAWING_SIZE)
        return None if found is None else found.value

    @property
    def moulded(self) -> str | None:
        """Day or time of moulding."""
        return self._text(kinds.MOULDED)

    @property
    def orientation(self) -> str | None:
        """How it lay when it was pressed last."""
        return self._text(kinds.ORIENTATION)

    @property
    def notes(self) -> tuple[str, ...]:
        """Remarks, the oldest first."""
        return tuple(record.text or "" for record in self.holding if record.kind == kinds.NOTES)

    @property
    def state(self) -> str:
        """What it has been through; "new" if not stated."""
        return self._text(kinds.STATE) or _NEW

    def state_at(self, at: str | datetime) -> str | None:
        """Return what it had been through by then, such as when a capture was started; None if not
        stated."""
        moment = at if isinstance(at, datetime) else instant(at)
        states = [r for r in self.holding if r.kind == kinds.STATE and r.instant <= moment]
        return states[-1].text if states else None

    @property
    def squeezed(self) -> str | None:
        """When it was squeezed last, as stated or as its captures show; None if unknown."""
        said = [r.text or "" for r in self.holding if r.kind == kinds.SQUEEZED]
        return max([*said, *(capture.started for capture in self.captures)], key=instant, default=None)

    def since_moulding_days(self) -> float | None:
        """Return the days since it was moulded; None if not stated."""
        return _days_since(self.moulded)

    def since_squeeze_days(self) -> float | None:
        """Return the days since it was squeezed last; None if unknown."""
        return _days_since(self.squeezed)

    @property
    def masses(self) -> tuple[Mass, ...]:
        """All weighings that hold, the oldest first."""
        return tuple(
            Mass(r.value, r.u, r.how, r.at)
            for r in self.holding
            if r.kind == kinds.MASS and r.value is not None
        )

    @property
    def mass(self) -> Mass | None:
        """The newest weighing."""
        return self.masses[-1] if self.masses else None

    @property
    def sizes(self) -> tuple[Size, ...]:
        """All sizes that hold, the oldest first."""
        return tuple(
            Size(r.detail or "", r.value, r.u, r.force_n, r.how, r.at)
            for r in self.holding
            if r.kind == kinds.SIZE and r.value is not None
        )

    @property
    def newest_sizes(self) -> tuple[SizeReading, ...]:
        """Readings of each direction's newest day."""
        sizes = self.sizes
        newest = {size.direction: size.at[:10] for size in sizes}
        return tuple(
            SizeReading(size.direction, size.mm, size.u_mm, size.force_n)
            for size in sizes
            if size.at[:10] == newest[size.direction]
        )

    @property
    def captures(self) -> tuple[BelongingCapture, ...]:
        """Its captures, the oldest first."""
        return tuple(
            BelongingCapture(r.text or "", r.detail or "", r.at)
            for r in self.holding
            if r.kind == kinds.CAPTURE
        )

    def missing(self) -> tuple[str, ...]:
        """Return what a design sheet would need and is not stated, in words."""
        wanted: Sequence[tuple[str, object]] = (
            ("batch", self.batch),
            ("model", self.model),
            ("drawing size", self.drawing_size_mm),
            ("moulded", self.moulded),
            ("mass", self.mass),
            ("size", self.sizes),
            ("captures", self.captures),
        )
        return tuple(name for name, found in wanted if not found)

    def _text(self, kind: str) -> str | None:
        found = self.last(kind)
        return None if found is None else found.text


def _days_since(at: str | None) -> float | None:
    return None if at is None else (datetime.now(UTC) - instant(at)).total_seconds() / 86_400
