"""What the platen was ordered to do, as a header keeps it under `method`.

The header holds a mapping that was perhaps written by an older version or edited by hand; everything that
reads it asks here. A field of the wrong type counts as absent: an order is only a description, and a
capture whose description is damaged is still measured.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Self

ENDURANCE: Final = "endurance"
"""Kind of an order for an endurance run."""

HEIGHT: Final = "free height"
"""Kind of an order to measure a free height by contact checks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ordered:
    """What was ordered; each field is empty where the header does not say.

    `kind`: `ENDURANCE`, `HEIGHT`, or what else the writer called it; empty for a method of a file.
    `name`, `file`, `text`: name of the method, the file it was read from, and the whole text of that file.
    `stiffness_n_per_mm`: what the person who gave the order expected of the specimen.
    `goes_on`: of an endurance run: whether it may be resumed without a person.
    `surfaces`: of a free height: what was measured, "bare" or "piece" or both; None where the header does not
    say.
    `homed_now`: of a free height: whether the position was homed just before.
    `contact_n`, `top_n`: of a free height: the smaller and the larger force of a contact check, N.
    """

    kind: str = ""
    name: str = ""
    file: str = ""
    text: str = ""
    stiffness_n_per_mm: float | None = None
    goes_on: bool = False
    surfaces: tuple[str, ...] | None = None
    homed_now: bool | None = None
    contact_n: float | None = None
    top_n: float | None = None

    @classmethod
    def from_header(cls, method: Mapping[str, Any] | None) -> Self:
        """Return what a header's `method` says; an empty order where it has none."""
        about = method or {}
        surfaces = about.get("surfaces")
        homed_now = about.get("homed_now")
        return cls(
            kind=_text(about.get("kind")),
            name=_text(about.get("name")),
            file=_text(about.get("file")),
            text=_text(about.get("text")),
            stiffness_n_per_mm=_number(about.get("stiffness_n_per_mm")),
            goes_on=about.get("goes_on") is True,
            surfaces=tuple(map(str, surfaces)) if isinstance(surfaces, list | tuple) else None,
            homed_now=homed_now if isinstance(homed_now, bool) else None,
            contact_n=_number(about.get("contact_n")),
            top_n=_number(about.get("top_n")),
        )

    @property
    def title(self) -> str:
        """What a person calls it: its name, else the name of its file, else its kind."""
        return self.name or Path(self.file or self.kind).name

    @property
    def title_and_mark(self) -> str:
        """The name of its file or its kind, with a mark of its text: two of the same name may differ."""
        title = Path(self.file or self.kind or "method").name
        return f"{title} {hashlib.sha256(self.text.encode()).hexdigest()[:6]}" if self.text else title


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
