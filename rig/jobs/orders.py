"""What a rig can be asked to do, as whoever asks writes it: on a page, in a terminal, through a socket.

Problem: an order comes from another process, may be anything, and moves a platen. Plan: one frozen value for
each kind of job, whose every field is validated, whatever way it came; a number may carry its unit and is
read whole or refused. Cost: one validation for each order.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from rig.errors import InputError
from rig.methods import HeightPlan
from rig.renamed import KEYS
from rig.units import parse

LONGEST_METHOD = 64 * 1024
"""Characters of a method or plan; the longest example has two thousand."""

MOST_BARE = 8
"""Captures of bare contact checks, one for each homing, that one height is reckoned against."""

MOST_NOTES = 16
LONGEST_NOTE = 600
"""Of the notes beside a height. Watchers get it with each status."""

_USUAL = HeightPlan()

Text = Annotated[str, Field(max_length=400)]
Name = Annotated[str, Field(min_length=1, max_length=200)]
Source = Annotated[str, Field(min_length=1, max_length=4096)]
Size = Annotated[float, Field(gt=0, lt=1e9, allow_inf_nan=False)]


def _in_unit(unit: str) -> BeforeValidator:
    """Read text as a number with its unit, or as a bare number of the field's own unit; cut nothing off.

    What is neither is left as it is found, and refused as no number, with the name of the field.
    """

    def read(found: object) -> object:
        if isinstance(found, bool):
            raise ValueError(f"expected a number of {unit}")
        if not isinstance(found, str) or _BARE.fullmatch(found.strip()):
            return found
        try:
            return parse(found.strip(), unit)
        except InputError as problem:
            raise ValueError(f"{problem}; or write a bare number of {unit}") from None

    return BeforeValidator(read)


def _whole(found: object) -> object:
    """Let no other spelling of a count through than its digits: `true` is no 1, and 1_000 a slip."""
    if isinstance(found, bool) or (isinstance(found, str) and not _DIGITS.fullmatch(found.strip())):
        raise ValueError("expected a whole number")
    return found


_DIGITS = re.compile("[0-9]{1,12}")
_BARE = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")

Count = Annotated[int, Field(gt=0, le=10_000_000), BeforeValidator(_whole)]
Millimetres = Annotated[Size, _in_unit("mm")]
SquareMillimetres = Annotated[Size, _in_unit("mm^2")]
Newtons = Annotated[Size, _in_unit("N")]
NewtonsPerMillimetre = Annotated[Size, _in_unit("N/mm")]
MillimetresPerSecond = Annotated[Size, _in_unit("mm/s")]
Seconds = Annotated[Size, _in_unit("s")]


class Message(BaseModel):
    """Crosses between processes: validated on both sides, and never changed."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    @model_validator(mode="before")
    @classmethod
    def _refuse_old_names(cls, fields: Any) -> Any:
        for old in KEYS.keys() & (fields.keys() if isinstance(fields, dict) else ()):
            if KEYS[old] in cls.model_fields:
                raise ValueError(f"{old!r} is now called {KEYS[old]!r}")
        return fields


_Typed = TypeVar("_Typed", bound=Message)


class RigRef(Message):
    """Which rig is meant: its whole name, and its port or the USB adapter's id. Names alone can be equal.

    `port` is None where whoever asks means the rig of this name, whatever its port.
    """

    name: Name
    port: Annotated[str, Field(min_length=1, max_length=4096)] | None = None

    def __str__(self) -> str:
        return f"rig {self.name!r}" if self.port is None else f"rig {self.name!r} at port {self.port}"

    def means(self, held: RigRef) -> bool:
        """Return whether a rig that is held is the one that is meant."""
        if self.name != held.name or self.port is None or self.port == held.port:
            return self.name == held.name
        try:  # two paths may lead to one device now, such as a link and what it names
            return held.port is not None and Path(self.port).samefile(held.port)
        except (OSError, ValueError):
            return False


class SpecimenCard(Message):
    """What is squeezed."""

    specimen: Name
    batch: Name | None = None
    free_height_mm: Millimetres | None = None
    area_mm2: SquareMillimetres | None = None
    stiffness_n_per_mm: NewtonsPerMillimetre | None = None
    operator: Name | None = None
    notes: Annotated[str, Field(max_length=4000)] = ""
    conditions: Annotated[dict[Name, Text], Field(max_length=40)] = Field(default_factory=dict)


def typed(kind: type[_Typed], **fields: Any) -> _Typed:
    """Return an order, or a card, of what a person typed.

    Raises InputError with the first field that is wrong, and what was found.
    """
    try:
        return kind(**fields)
    except ValidationError as problem:
        first = problem.errors(include_url=False)[0]
        name = ".".join(str(part) for part in first["loc"])
        raise InputError(f"{name}: found {first['input']!r:.80}; {first['msg'].lower()}") from None


class MethodOrder(Message):
    """Run a method; `text` is its YAML, `source` the name that messages about it begin with."""

    kind: Literal["method"] = "method"
    text: Annotated[str, Field(min_length=1, max_length=LONGEST_METHOD)]
    source: Source = "method"
    card: SpecimenCard
    cautions_read: bool = False


class EnduranceOrder(Message):
    """Squeeze until a count, a time or a criterion; `text` is the plan's YAML."""

    kind: Literal["endurance"] = "endurance"
    text: Annotated[str, Field(min_length=1, max_length=LONGEST_METHOD)]
    source: Source = "plan"
    card: SpecimenCard
    cautions_read: bool = False


class RecordingOrder(Message):
    """Record while a person moves the platen, until enough or halted."""

    kind: Literal["recording"] = "recording"
    card: SpecimenCard
    cycles: Count | None = None
    seconds: Annotated[float, Field(gt=0, le=1e8, allow_inf_nan=False), _in_unit("s")] | None = None


class HeightOrder(Message):
    """Measure a free height by contact checks of the bare platens and the piece.

    A person clears the platens and lays the piece in.
    `contact_n` is the small force at which the height is reported, `top_n` the greater one beside it. Where
    only the piece is measured, `bare` names captures of bare contact checks in the daemon's folder; without
    any, the newest there are taken.
    """

    kind: Literal["height"] = "height"
    card: SpecimenCard
    surface: Literal["both", "bare", "piece"] = "both"
    contact_n: Newtons = _USUAL.contact_n
    top_n: Newtons = _USUAL.top_n
    contact_checks: Annotated[Count, Field(le=1_000_000)] = _USUAL.contact_checks
    speed_mm_per_s: MillimetresPerSecond = _USUAL.speed_mm_per_s
    gap_mm: Millimetres = _USUAL.gap_mm
    rest_s: Seconds = _USUAL.rest_s
    platen_stiffness_n_per_mm: NewtonsPerMillimetre = _USUAL.platen_stiffness_n_per_mm
    expected_mm: Millimetres | None = None
    bare: Annotated[
        tuple[Annotated[str, Field(min_length=1, max_length=1000)], ...], Field(max_length=MOST_BARE)
    ] = ()
    cautions_read: bool = False


class ReleaseOrder(Message):
    """After a stop: clear it, and take the platen slowly away. `confirmed`: by a person who sees it.

    `current`: clear nothing and move nothing, but take the motor's current away.
    """

    kind: Literal["release"] = "release"
    confirmed: Literal[True]
    away_mm: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False), _in_unit("mm")] = 10.0
    current: bool = False

    @property
    def card(self) -> SpecimenCard:
        """Whatever lies in the rig."""
        return SpecimenCard(specimen="what lies in the rig")


Order = Annotated[
    MethodOrder | EnduranceOrder | RecordingOrder | HeightOrder | ReleaseOrder, Field(discriminator="kind")
]

JobKind = Literal["method", "endurance", "recording", "height", "release"]


class HeightLine(Message):
    """Height of a piece at one force; zero newtons where it was extrapolated. None where it cannot be had."""

    force_n: float
    height_mm: float
    u_mm: float | None = None
    low_mm: float | None = None
    high_mm: float | None = None
    contact_checks: int


class HeightCard(Message):
    """What contact checks gave: heights with their 95 % intervals, and what has to be said beside them."""

    specimen: Name
    heights: Annotated[tuple[HeightLine, ...], Field(max_length=3)] = ()
    notes: Annotated[
        tuple[Annotated[str, Field(max_length=LONGEST_NOTE)], ...], Field(max_length=MOST_NOTES)
    ] = ()
