"""A formula as a builder is shown it: what it gives, where it is from, and where it stops being right."""

from __future__ import annotations

from dataclasses import asdict, dataclass

COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Formula:
    """One formula behind an answer.

    `source`: textbook or standard, "recalled" where from memory, or `COMMON_PRACTICE`.
    """

    gives: str
    formula: str
    source: str
    limits: str

    def as_dict(self) -> dict[str, str]:
        """Return a plain mapping."""
        return asdict(self)
