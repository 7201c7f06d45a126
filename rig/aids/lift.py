"""Where a long piece balances, and what a grip and an arm have to hold when it is lifted off its centre.

Problem: a grip rarely holds a piece at its centre of mass; the piece then turns in the grip, and loads the
arm's motor by more than its weight. Plan: the centre from two weighings, one end on a scale and the other on
a rest; then moments, with the arm's own mass; uncertainties of all inputs go through. Cost: none.

Derivation. With a rest at each of two places `span` apart, moments about the far rest give
R1 span = (R1 + R2) (span - x), so that x = span R2 / (R1 + R2) from the rest under which R1 was read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from math import cos, isfinite, radians
from typing import Any

from rig.aids.formula import Formula
from rig.core.measured import Measured, combined, coverage_factor, propagate
from rig.errors import InputError

STANDARD_GRAVITY_M_PER_S2 = Measured(9.80665, 0.015)
"""Standard gravity (NIST SP 811, appendix B); on the ground it is 9.780 to 9.832 m/s^2, which is within
sqrt(3) of these standard uncertainties (JCGM 100:2008, 4.3.7)."""

LEAST_MARGIN = 1.0

NO_TORQUE_N_MM = 1e-9
"""What rounding leaves of a torque that is none."""

FORMULAS = (
    Formula(
        "centre of mass",
        "x = s + span R2 / (R1 + R2), from the end at which R1 was read; s from that end to its rest",
        "moments about a rest, any textbook of statics (recalled), derived",
        "piece level and at rest, each end in turn on the scale with the other on a support of the same "
        "height; a soft piece must not sag; supports bear along a line",
    ),
    Formula(
        "torque in the grip",
        "T = m g |x - p| cos(a), p the place of the grip from the same end, a the angle from level",
        "moment of a weight about a point, any textbook of statics (recalled)",
        "held still; starting, stopping and swinging add to it",
    ),
    Formula(
        "torque at the arm's joint",
        "T = (m g (l + |x - p|) + m_a g l_a) cos(a), l from joint to grip, m_a and l_a of the arm alone",
        "moments about the joint, any textbook of statics (recalled)",
        "the piece's centre on the far side of the grip, which is the worst; held still",
    ),
    Formula(
        "margin",
        "available torque / needed torque",
        "common practice, no source",
        "common practice is 1.5 to 2 for a moving load; a motor gives its torque only below a certain "
        "speed and temperature",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """A piece weighed at its two ends, or its mass and one reading.

    `near_g`, `far_g`: scale readings under the near and the far rest; one of them may be None if the mass is
    known.
    `mass_g`: of the whole piece; None where both readings are there, whose sum it is.
    `offset_mm`: from the near end of the piece to the near rest; lengths count from that end.
    """

    span_mm: Measured
    near_g: Measured | None = None
    far_g: Measured | None = None
    mass_g: Measured | None = None
    offset_mm: Measured = field(default_factory=lambda: Measured(0.0))

    def __post_init__(self) -> None:
        given = [reading for reading in (self.near_g, self.far_g, self.mass_g) if reading is not None]
        if len(given) < 2:
            raise InputError(
                f"lift: found {len(given)} of near reading, far reading and mass, expected two or three"
            )
        if not self.span_mm.value > 0:
            raise InputError(f"lift: span: found {self.span_mm.value:g} mm, expected more than zero")
        if any(reading.value < 0 for reading in given):
            raise InputError("lift: readings and mass: found one below zero, expected zero or more")


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftArm:
    """What holds the piece.

    `grip_at_mm`: place of the grip, from the near end of the piece.
    `length_mm`: from the joint to the grip; None where only the grip is asked for.
    `mass_g`, `centre_mm`: of the arm itself, its centre from the joint.
    `angle_deg`: from level; a level arm is the worst.
    """

    grip_at_mm: Measured
    length_mm: Measured | None = None
    mass_g: Measured = field(default_factory=lambda: Measured(0.0))
    centre_mm: Measured = field(default_factory=lambda: Measured(0.0))
    angle_deg: float = 0.0
    grip_torque_n_mm: Measured | None = None
    joint_torque_n_mm: Measured | None = None

    def __post_init__(self) -> None:
        if not (isfinite(self.angle_deg) and -90 <= self.angle_deg <= 90):
            raise InputError(
                f"lift: angle: found {self.angle_deg:g} degrees, expected -90 to 90 from horizontal"
            )
        if self.joint_torque_n_mm is not None and self.length_mm is None:
            raise InputError("lift: a joint's torque needs the arm's length, found none")


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftAnswer:
    """What a lift asks for; what was not asked is None.

    `mass_g`, `centre_mm`: of the piece, its centre from the near end.
    `grip_margin`, `joint_margin`: available torque over needed torque.
    `misfit_g`: sum of both readings minus the mass, where all three are known.
    """

    mass_g: Measured
    centre_mm: Measured
    torque_n_mm: Measured | None = None
    joint_torque_n_mm: Measured | None = None
    grip_margin: Measured | None = None
    joint_margin: Measured | None = None
    misfit_g: Measured | None = None
    notes: tuple[str, ...] = ()
    formulas: tuple[Formula, ...] = FORMULAS

    @property
    def enough(self) -> bool:
        """Whether no stated torque falls short."""
        margins = (self.grip_margin, self.joint_margin)
        return all(margin is None or margin.value >= LEAST_MARGIN for margin in margins)

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping."""
        names = [entry.name for entry in fields(self) if entry.name not in ("notes", "formulas")]
        found = {name: getattr(self, name) for name in names}
        return {name: None if figure is None else figure.as_dict() for name, figure in found.items()} | {
            "enough": self.enough,
            "formulas": [formula.as_dict() for formula in self.formulas],
            "notes": list(self.notes),
        }


def answer_lift(
    weighed: Weighed, arm: LiftArm | None = None, gravity_m_per_s2: Measured = STANDARD_GRAVITY_M_PER_S2
) -> LiftAnswer:
    """Return centre of mass, torques and margins.

    Raises InputError if the readings leave no centre between the rests.
    """
    read = {entry.name: getattr(weighed, entry.name) for entry in fields(weighed)}
    inputs: dict[str, Measured] = {name: figure for name, figure in read.items() if figure is not None}
    mass = propagate(lambda **known: _mass_and_centre(**known)[0], inputs)
    if not mass.value > 0:
        raise InputError(f"lift: found a mass of {mass.value:g} g, expected more than zero")
    centre = propagate(lambda **known: _mass_and_centre(**known)[1], inputs)
    found: dict[str, Any] = {"mass_g": mass, "centre_mm": centre}
    if len(inputs) == len(read):
        found["misfit_g"] = propagate(lambda near_g, far_g, mass_g, **rest: near_g + far_g - mass_g, inputs)
    if arm is not None:
        found |= _torques(inputs, arm, gravity_m_per_s2)
    return LiftAnswer(**found, notes=tuple(_notes(weighed, found, arm)))


def _mass_and_centre(
    *,
    span_mm: float,
    offset_mm: float,
    near_g: float | None = None,
    far_g: float | None = None,
    mass_g: float | None = None,
    **rest: float,
) -> tuple[float, float]:
    """Return the mass in g and centre in mm from the near end. Two readings go before a stated mass."""
    if near_g is not None and far_g is not None:
        total_g, share = near_g + far_g, far_g
    elif far_g is not None and mass_g is not None:
        total_g, share = mass_g, far_g
    else:
        assert near_g is not None
        assert mass_g is not None
        total_g, share = mass_g, mass_g - near_g
    return total_g, offset_mm + span_mm * share / total_g if total_g else float("nan")


def _torques(inputs: Mapping[str, Measured], arm: LiftArm, gravity: Measured) -> dict[str, Measured]:
    """Return the torques in N mm and their margins, by the names of `LiftAnswer`."""
    level = cos(radians(arm.angle_deg))
    # signed, since the bend of |x - p| would hide the uncertainty of a piece that is held near its centre
    centre_mm = _mass_and_centre(**{name: measured.value for name, measured in inputs.items()})[1]
    side = 1.0 if centre_mm >= arm.grip_at_mm.value else -1.0

    def grip(**known: float) -> float:
        mass_g, centre_mm = _mass_and_centre(**known)
        # g m/s^2 = mN, and mN mm / 1000 = N mm
        return side * mass_g * known["gravity"] * (centre_mm - known["grip_at_mm"]) * level / 1000

    def joint(**known: float) -> float:
        mass_g, _ = _mass_and_centre(**known)
        straight = mass_g * known["length_mm"] + known["arm_g"] * known["arm_centre_mm"]
        return grip(**known) + known["gravity"] * straight * level / 1000

    about = dict(inputs) | {"grip_at_mm": arm.grip_at_mm, "gravity": gravity}
    found = {"torque_n_mm": propagate(grip, about)}
    if arm.length_mm is not None:
        about |= {"length_mm": arm.length_mm, "arm_g": arm.mass_g, "arm_centre_mm": arm.centre_mm}
        found["joint_torque_n_mm"] = propagate(joint, about)
    for name, needed, available in _held(arm):
        if available is not None and found[needed].value > NO_TORQUE_N_MM:
            found[name] = _margin(available, found[needed])
    return found


def _held(arm: LiftArm) -> tuple[tuple[str, str, Measured | None], ...]:
    """Return the names of margin and needed torque, and what is available."""
    return (
        ("grip_margin", "torque_n_mm", arm.grip_torque_n_mm),
        ("joint_margin", "joint_torque_n_mm", arm.joint_torque_n_mm),
    )


def _margin(available: Measured, needed: Measured) -> Measured:
    """Return available over needed torque, with relative uncertainties (JCGM 100:2008, 5.1.6)."""
    ratio = available.value / needed.value
    parts = {"available": available.u / needed.value, "needed": -ratio * needed.u / needed.value}
    freedoms = {"available": available.effective_freedom, "needed": needed.effective_freedom}
    return Measured(ratio, parts=parts, freedoms=freedoms)


def _notes(weighed: Weighed, found: Mapping[str, Any], arm: LiftArm | None) -> list[str]:
    said = []
    centre, misfit = found["centre_mm"], found.get("misfit_g")
    low, high = weighed.offset_mm.value, weighed.offset_mm.value + weighed.span_mm.value
    if not low <= centre.value <= high:
        said.append("The centre lies outside the two supports: one reading or the mass must be wrong.")
    if misfit is not None and abs(misfit.value) > max(misfit.reach(), 1e-9):
        said.append(
            f"The two readings add up to {misfit.value:+.3g} g more than the mass: weigh again with both "
            "supports at the same height."
        )
    for name, needed, available in () if arm is None else _held(arm):
        ratio, what = found.get(name), name.removesuffix("_margin")
        if available is None:
            continue
        if ratio is None:
            said.append(f"The {what} needs no torque: the piece is held at its balance point.")
            continue
        # by the difference, not the ratio: near zero torque the ratio's interval says nothing
        u, freedom = combined((torque.u, torque.effective_freedom) for torque in (available, found[needed]))
        certain = available.value - found[needed].value >= coverage_factor(freedom) * u
        if ratio.value >= LEAST_MARGIN and not certain:
            said.append(f"The {what} can probably hold it, but the two intervals overlap.")
    said.append("Torques are for a load held still; moving it adds mass times acceleration times distance.")
    return said
