"""Verification of force: how far readings are from references, and which class that would be.

Problem: a calibration says what a count is; whether the rig then reads what it should has to be shown with
other readings: three runs of rising loads and one of falling ones. Plan: for each load the errors of
accuracy, repeatability, reversibility and resolution, and the zero's error once; each class asks for all of
them at once, from a lowest force up to the largest. A class is stated only with the references'
certificates, and for the sense in which the loads worked: what pulls is verified by itself, like what presses
(ISO 7500-1; recalled). Cost: a few dozen readings.

No conformity is claimed: only the standard itself is the authority, and its limits here were written down
from memory.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import islice, pairwise
from statistics import fmean, stdev
from typing import Any, Literal

from rig.core import finite, first_few
from rig.core.measured import combined, coverage_factor
from rig.errors import InputError

Direction = Literal["rising", "falling"]
Sense = Literal["compression", "tension"]

RISING_RUNS = 3
"""Repeatability is the range over this many."""

FEWEST_LOADS = 5
"""Loads above zero that a class is stated for, spread over the range; recalled from ISO 7500-1."""

REACH = 0.2
"""A class is stated for a range that begins at this share of its largest force or below; likewise."""

SAME_LOAD = 1e-6
"""Loads that differ by a smaller share are the same."""

ROUNDING = 1e-9
"""An error that is its limit but for the computer's rounding keeps it."""

MOST_READINGS = 10_000

NO_CONFORMITY = (
    "The limits of the classes are those of ISO 7500-1 as recalled, not read from it; no conformity is "
    "claimed. Only the standard itself is the authority."
)


@dataclass(frozen=True, slots=True)
class ClassLimits:
    """Largest permitted relative values of one class, per cent.

    `q`, `b`, `v`, `f0`, `a`: accuracy, repeatability, reversibility, zero, resolution.
    """

    name: str
    q: float
    b: float
    v: float
    f0: float
    a: float


CLASSES = (
    ClassLimits("0.5", 0.5, 0.5, 0.75, 0.05, 0.25),
    ClassLimits("1", 1.0, 1.0, 1.5, 0.1, 0.5),
    ClassLimits("2", 2.0, 2.0, 3.0, 0.2, 1.0),
    ClassLimits("3", 3.0, 3.0, 4.5, 0.3, 1.5),
)
"""From the best to the worst. ISO 7500-1, table of characteristic values; recalled."""

_OTHER: Mapping[Sense, Sense] = {"compression": "tension", "tension": "compression"}

ERROR_NAMES: Mapping[str, str] = {
    "q": "accuracy error",
    "b": "repeatability error",
    "v": "reversibility error",
    "f0": "zero error",
    "a": "resolution",
    "U": "expanded uncertainty of the references",
}


@dataclass(frozen=True, slots=True)
class VerificationReading:
    """One load of one run.

    `load_n`: what the references say; 0 for a reading without load, below zero for one that pulls.
    """

    run: int
    direction: Direction
    load_n: float
    indicated_n: float


@dataclass(frozen=True, slots=True)
class VerificationReferences:
    """What the loads rest on.

    `certificates`: a sentence each: which reference, which certificate, of which day. A class is stated only
    with one.
    `relative_u`: standard uncertainty of a load over the load; None if it was not stated.
    """

    certificates: tuple[str, ...] = ()
    relative_u: float | None = None
    absolute_n: float = 0.0

    def relative_at(self, load_n: float) -> float | None:
        """Return the standard uncertainty of a load over the load."""
        return None if self.relative_u is None else math.hypot(self.relative_u, self.absolute_n / load_n)


@dataclass(frozen=True, slots=True)
class LoadErrors:
    """Errors at one load, per cent of it.

    `q`, `b`, `v`, `a`: accuracy, repeatability, reversibility, resolution; None where they cannot be had.
    `u_q`, `degrees_of_freedom`: standard uncertainty of q, from references, repeats and resolution; None
    where one is not known.
    """

    load_n: float
    indicated_n: float
    q: float
    b: float | None
    v: float | None
    a: float | None
    u_q: float | None
    degrees_of_freedom: float

    @property
    def interval_q(self) -> float | None:
        """Half the width of the interval that holds q with 95 %."""
        if self.u_q is None:
            return None
        return coverage_factor(self.degrees_of_freedom) * self.u_q


@dataclass(frozen=True, slots=True)
class Failure:
    """A limit that was passed.

    `error`: q, b, v, f0 or a; U for twice the standard uncertainty of the references.
    `load_n`: at which load; None for the zero's error, which belongs to all.
    `found`, `limit`: per cent; None for an error that cannot be had.
    """

    error: str
    load_n: float | None
    found: float | None
    limit: float

    def __str__(self) -> str:
        where = "" if self.load_n is None else f" at {self.load_n:g} N"
        if self.found is None:
            return f"{ERROR_NAMES[self.error]} {self.error}{where} is not known"
        return f"{ERROR_NAMES[self.error]} {self.error} of {self.found:+.3g} %{where}, limit {self.limit:g} %"


@dataclass(frozen=True, slots=True)
class ClassOutcome:
    """How far down one class holds.

    `lowest_n`: lowest verified force from which every limit is kept up to the largest; None if there is none.
    """

    limits: ClassLimits
    lowest_n: float | None
    failures: tuple[Failure, ...]

    @property
    def why_not(self) -> str:
        """Which limits were passed, in words; the first few of them."""
        return first_few(self.failures, between="; ")


@dataclass(frozen=True, slots=True)
class Verification:
    """What came of a verification.

    `loads`: errors at each load, the lowest first.
    `f0`: error of the zero, per cent of the largest load; None if it was never read.
    `classes`: how far down each class holds, the best first.
    `missing`: why no class may be stated, however small the errors; empty if one may be.
    `sense`: in which the loads worked; those of tension are given without their sign.
    """

    loads: tuple[LoadErrors, ...]
    f0: float | None
    classes: tuple[ClassOutcome, ...]
    references: VerificationReferences
    missing: tuple[str, ...]
    notes: tuple[str, ...]
    sense: Sense = "compression"

    @property
    def stated(self) -> bool:
        """Whether a class may be stated at all."""
        return not self.missing

    @property
    def reached(self) -> ClassOutcome | None:
        """The best class that holds over a range wide enough for one, whether it may be stated or not."""
        largest_n = self.loads[-1].load_n
        for outcome in self.classes:
            if outcome.lowest_n is not None and outcome.lowest_n <= REACH * largest_n * (1 + SAME_LOAD):
                return outcome
        return None

    @property
    def verdict(self) -> str:
        """The class with its range, or why there is none, in a sentence."""
        largest_n = self.loads[-1].load_n
        if not self.stated:
            return f"No class is stated, only the errors: {'; '.join(self.missing)}."
        reached = self.reached
        if reached is None:
            return f"No class: {self.classes[-1].why_not}."
        return (
            f"Class {reached.limits.name} from {reached.lowest_n:g} N to {largest_n:g} N in {self.sense}, "
            f"against {'; '.join(self.references.certificates)}."
        )

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, without anything infinite."""
        fields = asdict(self) | {"verdict": self.verdict}
        for found, load in zip(fields["loads"], self.loads, strict=True):
            found["interval_q"] = load.interval_q
            found["degrees_of_freedom"] = finite(load.degrees_of_freedom)
        reached = self.reached if self.stated else None
        fields["class"] = None if reached is None else reached.limits.name
        fields["from_n"] = None if reached is None else reached.lowest_n
        fields["to_n"] = self.loads[-1].load_n
        if not self.stated:
            fields["classes"] = []
        return fields


def verify_force(
    readings: Iterable[VerificationReading],
    references: VerificationReferences,
    *,
    resolution_n: float | None = None,
) -> Verification:
    """Find the errors of a rig's force readings, and the classes that they keep.

    A run's readings count from its own reading without load before its loads, where there is one; one after
    its loads is how far the zero came back.

    Parameters
    ----------
    resolution_n
        Smallest step of the readings, or their fluctuation if that is larger; None if it is not known.

    Raises
    ------
    InputError
        If there is no load, some press and some pull, readings have a sign of their own, or loads are out of
        order.

    References
    ----------
    ISO 7500-1, as recalled: q = 100 (mean indicated - true)/true; b = 100 (largest - smallest)/true;
    v = 100 (falling - rising)/true; f0 = 100 (reading after unloading)/(largest true);
    a = 100 resolution/true.
    """
    sense, readings = _sense_of(readings)
    runs = _runs(readings)
    rising: dict[float, list[float]] = defaultdict(list)
    falling: dict[float, list[tuple[float, float | None]]] = defaultdict(list)
    returned: list[float] = []
    for run in runs:
        zero_n, loaded, after_n = _from_zero(run)
        # all readings of a run count from its own zero
        returned += [] if after_n is None else [after_n - zero_n]
        own = {
            reading.load_n: reading.indicated_n - zero_n
            for reading in loaded
            if reading.direction == "rising"
        }
        for reading in loaded:
            value_n = reading.indicated_n - zero_n
            if reading.direction == "rising":
                rising[reading.load_n].append(value_n)
            else:
                falling[reading.load_n].append((value_n, own.get(reading.load_n)))
    if not rising:
        raise InputError("verification: found no rising run with a load; expected three")
    largest_n = max(rising)
    if fmean(rising[largest_n]) <= 0:
        sign = -1 if sense == "tension" else 1
        raise InputError(
            f"at {sign * largest_n:g} N the rig reads {sign * fmean(rising[largest_n]):g} N; readings rise "
            "with compression: check the sign of the scale (per_count) or the wiring"
        )
    loads = tuple(
        _errors(load_n, rising[load_n], falling.get(load_n, []), references, resolution_n)
        for load_n in sorted(rising)
    )
    f0 = 100 * max(returned, key=abs) / loads[-1].load_n if returned else None
    classes = tuple(_outcome(limits, loads, f0, references) for limits in CLASSES)
    notes = (
        *_empty(loads, f0, resolution_n),
        *_about_references(classes, references),
        f"The loads worked in {sense}; forces in {_OTHER[sense]} are not covered: verify those separately.",
        NO_CONFORMITY,
    )
    # errors are shown all the same
    missing = tuple(_why_no_class(loads, references))
    return Verification(loads, f0, classes, references, missing, notes, sense)


def _sense_of(readings: Iterable[VerificationReading]) -> tuple[Sense, list[VerificationReading]]:
    """Return in which sense the loads work, and the readings with that sense as positive."""
    listed = list(islice(readings, MOST_READINGS + 1))
    if not any(reading.load_n < 0 for reading in listed):
        return "compression", listed
    presses = next((reading for reading in listed if reading.load_n > 0), None)
    if presses is not None:
        raise InputError(
            f"run {presses.run}: found a load of {presses.load_n:g} N among loads that pull; expected one "
            "sense in a table: verify tension and compression each by itself"
        )
    return "tension", [
        VerificationReading(reading.run, reading.direction, 0.0 - reading.load_n, 0.0 - reading.indicated_n)
        for reading in listed
    ]


def _runs(readings: Iterable[VerificationReading]) -> list[list[VerificationReading]]:
    """Return the readings by run, each checked for its order."""
    runs: dict[int, list[VerificationReading]] = defaultdict(list)
    loads: list[float] = []
    for number, reading in enumerate(readings, start=1):
        if number > MOST_READINGS:
            raise InputError(f"verification: more than {MOST_READINGS} readings; expected a few dozen")
        if not (math.isfinite(reading.load_n) and math.isfinite(reading.indicated_n)):
            raise InputError(
                f"run {reading.run}: found a load of {reading.load_n:g} N read as {reading.indicated_n:g} N; "
                "expected finite numbers"
            )
        same = next(
            (load for load in loads if abs(load - reading.load_n) <= SAME_LOAD * reading.load_n), None
        )
        if same is None:
            loads.append(reading.load_n)
            same = reading.load_n
        runs[reading.run].append(
            VerificationReading(reading.run, reading.direction, same, reading.indicated_n)
        )
    for run, each_run in runs.items():
        _must_be_in_order(run, each_run)
    return list(runs.values())


def _must_be_in_order(run: int, readings: Sequence[VerificationReading]) -> None:
    for before, after in pairwise(readings):
        if not (before.load_n and after.load_n) or before.direction != after.direction:
            continue
        step_n = after.load_n - before.load_n
        if step_n < 0 if after.direction == "rising" else step_n > 0:
            raise InputError(
                f"run {run}: found {after.load_n:g} N after {before.load_n:g} N in a {after.direction} run; "
                f"expected {after.direction} loads"
            )


def _from_zero(run: Sequence[VerificationReading]) -> tuple[float, list[VerificationReading], float | None]:
    """Return the zero before a run's loads (0 if it was not read), its loads, and the zero after them."""
    loaded = [place for place, reading in enumerate(run) if reading.load_n > 0]
    if not loaded:
        return 0.0, [], None
    before = [reading.indicated_n for reading in run[: loaded[0]]]
    after = [reading.indicated_n for reading in run[loaded[-1] + 1 :]]
    kept = [reading for reading in run if reading.load_n > 0]
    return (before[-1] if before else 0.0), kept, (after[0] if after else None)


def _errors(
    load_n: float,
    values_n: Sequence[float],
    falling_n: Sequence[tuple[float, float | None]],
    references: VerificationReferences,
    resolution_n: float | None,
) -> LoadErrors:
    """Return the errors at one load; `falling_n` holds each falling reading and the rising one of its run."""
    mean_n = fmean(values_n)
    per_cent = 100 / load_n
    # falling less rising of the same run, where it has one
    differences = [down_n - (mean_n if up_n is None else up_n) for down_n, up_n in falling_n]
    enough = len(values_n) >= RISING_RUNS
    u_q, freedom = None, math.inf
    relative_u = references.relative_at(load_n)
    if relative_u is not None and resolution_n is not None and len(values_n) > 1:
        repeats = per_cent * stdev(values_n) / math.sqrt(len(values_n))
        # a reading is the difference of two, the load's and the zero's, each rounded: variances of 1/12
        # each (half ranges of half a step, JCGM 100:2008, F.2.2.1)
        steps = per_cent * resolution_n / math.sqrt(6)
        known = (100 * relative_u, math.inf), (steps, math.inf)
        u_q, freedom = combined([(repeats, len(values_n) - 1), *known])
    return LoadErrors(
        load_n,
        mean_n,
        per_cent * (mean_n - load_n),
        per_cent * (max(values_n) - min(values_n)) if enough else None,
        per_cent * max(differences, key=abs) if differences else None,
        None if resolution_n is None else per_cent * resolution_n,
        u_q,
        freedom,
    )


def _outcome(
    limits: ClassLimits, loads: Sequence[LoadErrors], f0: float | None, references: VerificationReferences
) -> ClassOutcome:
    failures: list[Failure] = []
    if f0 is None or _beyond(f0, limits.f0):
        failures.append(Failure("f0", None, f0, limits.f0))
    lowest_n = None
    # from the largest load down, as far as every limit is kept without a break
    unbroken = not failures
    for load in reversed(loads):
        here = [
            Failure(name, load.load_n, found, limit)
            for name, limit in (("q", limits.q), ("b", limits.b), ("v", limits.v), ("a", limits.a))
            if ((found := getattr(load, name)) is None and not _turn(name, load, loads))
            or (found is not None and _beyond(found, limit))
        ]
        # references known worse than the error allowed cannot show that it is kept
        doubled = 200 * (references.relative_at(load.load_n) or 0.0)
        if _beyond(doubled, limits.q):
            here.append(Failure("U", load.load_n, doubled, limits.q))
        failures += here
        unbroken = unbroken and not here
        if unbroken:
            lowest_n = load.load_n
    return ClassOutcome(limits, lowest_n, tuple(failures))


def _turn(name: str, load: LoadErrors, loads: Sequence[LoadErrors]) -> bool:
    """Return whether it is the reversibility of the largest load, where rising and falling are one
    reading."""
    return name == "v" and load is loads[-1] and any(other.v is not None for other in loads)


def _beyond(found: float, limit: float) -> bool:
    return abs(found) > limit * (1 + ROUNDING)


def _why_no_class(loads: Sequence[LoadErrors], references: VerificationReferences) -> list[str]:
    """Return the reasons for which no class is stated, however small the errors."""
    reasons = []
    if not references.certificates:
        reasons.append("no certificate of the references is named")
    if references.relative_u is None:
        reasons.append("the references' uncertainty is not known")
    if len(loads) < FEWEST_LOADS:
        reasons.append(f"there are {len(loads)} loads, and {FEWEST_LOADS} or more are expected")
    elif loads[0].load_n > REACH * loads[-1].load_n * (1 + SAME_LOAD):
        reasons.append(
            f"the loads begin at {loads[0].load_n:g} N, and {100 * REACH:.0f} % of the largest "
            f"({loads[-1].load_n:g} N) or less is expected"
        )
    return reasons


def _empty(loads: Sequence[LoadErrors], f0: float | None, resolution_n: float | None) -> list[str]:
    notes = []
    seldom = ", ".join(f"{load.load_n:g}" for load in loads if load.b is None)
    if seldom:
        notes.append(f"No repeatability at {seldom} N: read in fewer than {RISING_RUNS} rising runs.")
    if any(load.v is None and not _turn("v", load, loads) for load in loads):
        notes.append("No reversibility at loads without a falling reading.")
    if f0 is None:
        notes.append("No zero error: no reading without load after the loads of a run.")
    if resolution_n is None:
        notes.append("No resolution: the step of the readings is not stated.")
    return notes


def _about_references(classes: Sequence[ClassOutcome], references: VerificationReferences) -> list[str]:
    reached = next((outcome for outcome in classes if outcome.lowest_n is not None), None)
    if references.relative_u is None or reached is None or reached.lowest_n is None:
        return []
    doubled = 200 * (references.relative_at(reached.lowest_n) or 0.0)
    if doubled <= reached.limits.q / 3:
        return []
    return [
        f"The references are known to {doubled:.2g} % (two standard uncertainties), more than a third of the "
        f"{reached.limits.q:g} % that class {reached.limits.name} allows: they are too coarse to tell."
    ]
