"""A number with its uncertainty, and what a formula makes of several.

Problem: a builder's answer hangs on inputs that are known unequally well, and must say which of them
leaves it in doubt. Plan: the law of propagation in its numerical form: the formula is worked out
again with each input moved by its standard uncertainty to either side, and half the difference is its
contribution; inputs are independent. Cost: two evaluations for each input.

References
----------
JCGM 100:2008 (GUM), 5.1.2 and 5.1.3 note 2 (recalled).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import hypot, isfinite
from typing import Any

from rig.errors import InputError

COVERAGE = 2.0
"""What is typed after "+-" is taken as the half width of a 95 % interval: two standard uncertainties."""


@dataclass(frozen=True, slots=True)
class Known:
    """An input.

    Parameters
    ----------
    value
        In the unit that its name says.
    u
        Standard uncertainty; zero for a number that is taken as exact.

    Raises
    ------
    InputError
        If either is not finite, or the uncertainty is below zero.
    """

    value: float
    u: float = 0.0

    def __post_init__(self) -> None:
        if not (isfinite(self.value) and isfinite(self.u) and self.u >= 0):
            raise InputError(
                f"found {self.value!r} with an uncertainty of {self.u!r}, expected finite numbers, "
                "the uncertainty not below zero"
            )

    def as_dict(self) -> dict[str, float]:
        """Plain mapping."""
        return {"value": self.value, "u": self.u}


@dataclass(frozen=True, slots=True)
class Derived:
    """What a formula made of its inputs.

    Parameters
    ----------
    value, u
        With the combined standard uncertainty.
    parts
        Contribution of each input, signed, in the unit of the value.
    """

    value: float
    u: float
    parts: Mapping[str, float] = field(default_factory=dict)

    @property
    def interval(self) -> tuple[float, float]:
        """Ends of the 95 % interval, `COVERAGE` standard uncertainties to either side."""
        return self.value - COVERAGE * self.u, self.value + COVERAGE * self.u

    def as_dict(self) -> dict[str, Any]:
        """Plain mapping with the interval."""
        low, high = self.interval
        return {"value": self.value, "u": self.u, "low95": low, "high95": high, "parts": dict(self.parts)}


def propagate(formula: Callable[..., float], inputs: Mapping[str, Known]) -> Derived:
    """Value of a formula with the uncertainty that its inputs leave it.

    Parameters
    ----------
    formula
        Takes the inputs by their names.
    inputs
        Independent of each other.

    Examples
    --------
    >>> grip = propagate(lambda mu, force_n: mu * force_n, {"mu": Known(0.6, 0.05), "force_n": Known(80, 3)})
    >>> round(grip.value, 6), round(grip.u, 3)
    (48.0, 4.386)
    """
    values = {name: each.value for name, each in inputs.items()}
    parts = {}
    for name, each in inputs.items():
        if each.u:
            above = formula(**(values | {name: each.value + each.u}))
            below = formula(**(values | {name: each.value - each.u}))
            parts[name] = (above - below) / 2
    return Derived(formula(**values), hypot(*parts.values()), parts)
