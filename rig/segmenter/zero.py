"""Which force means "no contact": asked for by a person, or chosen from the recording.

A laboratory often records from a stated preload; taking that off as zero changes every number. A load cell
read in counts has a zero of no meaning. So the zero is a policy that a person may state, and what was done
is reported with every result.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rig.errors import InputError
from rig.units import parse

ZeroKind = Literal["untouched", "as-recorded", "stated"]
"""Mean of the untouched stretches; the recording's own zero; a value that a person stated."""


@dataclass(frozen=True, slots=True)
class ZeroPolicy:
    """The force zero that a person asks for.

    Parameters
    ----------
    kind
        None: chosen from the recording. An untouched stretch at its start gives the zero; where there is
        none, forces that arrived in newtons keep their own, unless the platen goes clear below it later.
    value_n
        Of a stated zero.
    """

    kind: ZeroKind | None = None
    value_n: float = 0.0

    @classmethod
    def of(cls, text: str | None) -> ZeroPolicy:
        """Read "untouched", "as-recorded" or a force such as "-17.7 N"; None leaves the choice open.

        Raises
        ------
        InputError
            If it is none of these.

        Examples
        --------
        >>> ZeroPolicy.of("1.9 N")
        ZeroPolicy(kind='stated', value_n=1.9)
        """
        if text is None:
            return cls()
        asked = text.strip().lower().replace("_", "-").replace(" ", "-")
        if asked == "untouched":
            return cls("untouched")
        if asked == "as-recorded":
            return cls("as-recorded")
        try:
            return cls("stated", parse(text, "N"))
        except InputError as problem:
            raise InputError(
                f"zero: found {text!r}, expected untouched, as-recorded or a force, '1.9 N' ({problem})"
            ) from None

    @property
    def text(self) -> str | None:
        """What `of` reads back as the same policy."""
        return f"{self.value_n!r} N" if self.kind == "stated" else self.kind


@dataclass(frozen=True, slots=True)
class ForceZero:
    """The force zero that a recording was read with.

    Parameters
    ----------
    kind
        What it is.
    asked
        Whether a person asked for it; otherwise it was chosen from the recording.
    value_n, u_n
        At the start of the recording, in the working direction, and its standard uncertainty.
    start_n
        Force of the first samples: the preload, if the recording began with one.
    untouched_s
        Length of the untouched stretch at the start; 0 if there is none.
    """

    kind: ZeroKind
    asked: bool
    value_n: float
    u_n: float
    start_n: float
    untouched_s: float
