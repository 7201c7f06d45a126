"""What must be equal before results may be put together, and the refusal where it is not.

Problem: pieces squeezed at another rate or temperature, or read with another calibration, make a difference
that belongs to neither. Plan: circumstances travel with each result as plain words; those of numbers are
equal within a stated tolerance, all others letter by letter. What differs is refused by name, unless a person
says "although", and then it is reported in the result. Cost: one pass over the words.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from rig.core import first_few
from rig.errors import InputError
from rig.population.pieces import UNSTATED, PieceResult

STATE, BATCH, METHOD, OPERATOR = "state", "batch", "method", "operator"

WAYS = (BATCH, STATE, OPERATOR, METHOD)
"""What results can be told apart by."""

RATE = "rate"

RATIOS = {
    RATE: 1.10,
    "contact force": 1.10,
    "area": 1.02,
    "days since moulding": 2.0,
    "hours since last squeeze": 2.0,
}
"""Largest ratio of two numbers that count as the same. Force changes by some per cent
when the rate changes tenfold, and foam ages and recovers with the logarithm of time."""

BY_HAND = "by hand"
"""The method where no drive moved the platen."""

HAND_RATIO = 2.0
"""Speeds of a hand may lie apart from their middle one by this factor: what a stroke is measured at differs
from capture to capture by a third, and force of foam changes by some per cent for a factor of two."""

STEPS = {"temperature": 4.0, "humidity": 20.0}
"""Largest difference of two numbers that count as the same: the whole width of standard laboratory
air, 23 +- 2 degC and 50 +- 10 % (ISO 23529)."""

_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*(.*)", re.ASCII)


@dataclass(frozen=True, slots=True)
class Unlike:
    """A circumstance that differs between results.

    `found`: what was found, in the order in which it first appears.
    `captures`: for each of these, a capture that has it.
    """

    name: str
    found: tuple[str, ...]
    captures: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """What differs, with a capture of each, the first few."""
        shown = [f"{value} ({capture})" for value, capture in zip(self.found, self.captures, strict=True)]
        return f"{self.name}: {first_few(shown, 3)}"


def unlike_circumstances(results: Sequence[PieceResult], *, strict: bool = False) -> tuple[Unlike, ...]:
    """Return the circumstances that differ; a circumstance that some results do not state does not differ.

    Parameters
    ----------
    strict
        Speeds of hands differ as soon as those of a drive would.
    """
    names = dict.fromkeys(name for result in results for name in result.circumstances)
    loose = not strict and _by_hand(results)
    unlike = (
        _unlike(name, [_words(result, name) for result in results], results, loose=loose) for name in names
    )
    return tuple(difference for difference in unlike if difference is not None)


def joined_circumstances(results: Sequence[PieceResult]) -> tuple[str, ...]:
    """Return sentences about what was put together only because a hand cannot hold it."""
    if not _by_hand(results):
        return ()
    differing = _unlike(RATE, [_words(result, RATE) for result in results], results, loose=False)
    if differing is None:
        return ()
    speeds = sorted(differing.found, key=lambda words: float(words.split()[0]))
    return (
        f"Pressed by hand at {speeds[0]} to {speeds[-1]} and pooled, since a hand cannot hold a speed; "
        "--strict lists them separately.",
    )


def _by_hand(results: Sequence[PieceResult]) -> bool:
    return all(_words(result, METHOD) == BY_HAND for result in results)


def unstated_circumstances(results: Sequence[PieceResult]) -> tuple[str, ...]:
    """Return the sentences about circumstances that some or all results do not state."""
    names = dict.fromkeys(name for result in results for name in result.circumstances)
    lacking = {name: sum(_words(result, name) == UNSTATED for result in results) for name in names}
    said = [
        f"Not stated for {count} of {len(results)} captures: {name}."
        for name, count in lacking.items()
        if 0 < count < len(results)
    ]
    everywhere = [name for name, count in lacking.items() if count == len(results)]
    if everywhere:
        said.append(f"Not stated for any capture: {', '.join(everywhere)}.")
    return tuple(said)


def pooled_although(
    results: Sequence[PieceResult], by: str, although: Sequence[str] = (), *, strict: bool = False
) -> tuple[str, ...]:
    """Refuse to put together what was measured under different conditions.

    Parameters
    ----------
    results
        All that are to be compared.
    by
        What they are distinguished by, which differs of itself.
    although
        Names of circumstances that may differ.
    strict
        See `unlike_circumstances`.

    Returns
    -------
    Sentences about what differs and was put together all the same.

    Raises
    ------
    InputError
        If something differs that is not permitted to differ, or something is named that does not exist.
    """
    known = {STATE, *(name for result in results for name in result.circumstances)}
    strange = [name for name in although if name not in known]
    if strange:
        raise InputError(f"although: no circumstance {strange[0]!r:.40}; found {', '.join(sorted(known))}")
    differing = list(unlike_circumstances(results, strict=strict))
    state = _unlike(STATE, [result.state for result in results], results, loose=False)
    differing += [] if state is None else [state]
    refused = [unlike for unlike in differing if unlike.name not in (by, *although)]
    if refused:
        names = ", ".join(difference.name for difference in refused)
        told = "; ".join(difference.sentence for difference in refused)
        calibrations = any(difference.name == "calibration" for difference in refused)
        read_as_one = ", read all with one calibration (--calibration FILE)" * calibrations
        raise InputError(
            f"these were measured under different conditions: {told}. "
            f'Leave some out{read_as_one}, or pool them with --although "{names}"'
        )
    allowed = (
        f"Pooled although different: {unlike.sentence}." for unlike in differing if unlike.name in although
    )
    return (*allowed, *(() if strict or RATE in although else joined_circumstances(results)))


def _words(result: PieceResult, name: str) -> str:
    return result.circumstances.get(name, UNSTATED).strip() or UNSTATED


def _unlike(name: str, words: Sequence[str], results: Sequence[PieceResult], *, loose: bool) -> Unlike | None:
    """Return what differs of one circumstance, `words` by result; None where nothing does."""
    first: dict[str, str] = {}
    for word, result in zip(words, results, strict=True):
        if word != UNSTATED:
            first.setdefault(word, result.capture)
    if len(first) < 2 or _close(name, list(first), loose=loose):
        return None
    return Unlike(name, tuple(first), tuple(first.values()))


def _close(name: str, words: Sequence[str], *, loose: bool) -> bool:
    """Return whether all are numbers of one unit that lie close enough together."""
    if name not in RATIOS and name not in STEPS:
        return False
    matches = [_NUMBER.fullmatch(word) for word in words]
    read = [(float(match[1]), match[2]) for match in matches if match is not None]
    if len(read) < len(words) or len({unit for _, unit in read}) > 1:
        return False
    numbers = [number for number, _ in read]
    low, high = min(numbers), max(numbers)
    if name in STEPS:
        return high - low <= STEPS[name]
    if loose and name == RATE:
        middle = median(numbers)
        return middle <= HAND_RATIO * low and high <= HAND_RATIO * middle
    return low > 0 and high <= RATIOS[name] * low


def grouped(results: Sequence[PieceResult], labels: Mapping[str, str]) -> dict[str, list[PieceResult]]:
    """Return the results by the label of their capture, in the order in which the labels first appear."""
    groups: dict[str, list[PieceResult]] = {}
    for result in results:
        groups.setdefault(labels[result.capture], []).append(result)
    return groups
