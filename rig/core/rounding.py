"""Numbers and lists as people read them: the digits that the uncertainty leaves, and the first few names."""

from __future__ import annotations

import math
from collections.abc import Iterable

DIGITS = 4
"""Of a mean over pieces on a page: a machine is not built to more. JSON and CSV hold all digits."""


def shown_u(value: float, u: float = 0.0) -> float:
    """Return what to round a value to: its uncertainty, but no more than `DIGITS` digits of the value.

    Examples
    --------
    >>> rounded(2.14832, shown_u(2.14832, 0.0002)), rounded(61.178, shown_u(61.178, 0.3))
    ('2.148', '61.18')
    """
    if not (math.isfinite(value) and value):
        return u
    return max(u, 10.0 ** (math.floor(math.log10(abs(value))) + 2 - DIGITS))


def rounded(value: float, u: float) -> str:
    """Return a number with as many digits as its uncertainty leaves two of.

    Examples
    --------
    >>> rounded(12.34567, 0.012)
    '12.346'
    >>> rounded(1234.567, 25.0)
    '1235'
    >>> rounded(float("nan"), 1.0)
    '-'
    """
    if not math.isfinite(value):
        return "-"
    if not math.isfinite(u) or u <= 0:
        return f"{value:.4g}"
    digits = max(1 - math.floor(math.log10(u)), 0)
    return f"{value:.{min(digits, 9)}f}"


def signed(value: float, u: float) -> str:
    """Return a number as `rounded` does, with its sign also where it is above zero."""
    return f"{'+' if value > 0 else ''}{rounded(value, u)}"


def counted(number: int, what: str) -> str:
    """Return a number of things, in words.

    Examples
    --------
    >>> counted(1, "piece"), counted(2, "piece")
    ('1 piece', '2 pieces')
    """
    return f"{number} {what}{'' if number == 1 else 's'}"


def first_few(names: Iterable[object], most: int = 4, between: str = ", ") -> str:
    """Return the first of some names, and how many more there are.

    Examples
    --------
    >>> first_few(["a", "b", "c", "d"], most=2)
    'a, b and 2 more'
    """
    listed = [str(name) for name in names]
    more = f" and {len(listed) - most} more" if len(listed) > most else ""
    return between.join(listed[:most]) + more
