"""The formulas behind a nip, with their sources and limits."""

from __future__ import annotations

from rig.aids.formula import COMMON_PRACTICE, Formula

_ALWAYS = (
    Formula(
        "gap",
        "gap = size - d, where F(d) = wanted force on the mean loading curve of the piece's counted cycles",
        COMMON_PRACTICE,
        "flat platens at test speed; a narrow or small wheel dents more than it squeezes and needs a "
        "smaller gap for the same force",
    ),
    Formula(
        "sensitivity",
        "dF/dgap = -dF/dd, slope of the loading curve over 5 % of the deflection to either side",
        COMMON_PRACTICE,
        "loading only: while the gap is opened, force falls more steeply",
    ),
    Formula(
        "grip",
        "G = mu N, for each side; u(G)^2 = (N u(mu))^2 + (mu u(N))^2, u(N) of the force on the next piece: "
        "the spread over pieces joined with the uncertainty of their mean",
        "Coulomb's law of dry friction, any textbook of mechanics; JCGM 100:2008, 5.1.2 (both recalled)",
        "soft parts differ: their mu falls with pressure and changes with speed, dust and moisture",
    ),
    Formula(
        "energy lost per pass",
        "E = h times the integral of F from 0 to d, h = (absorbed - returned) / absorbed energy of the whole "
        "measured loop",
        COMMON_PRACTICE,
        "exact only at the depth to which the loop was measured; one squeeze per pass, at test speed; a "
        "rolling piece is squeezed across new diameters all the time and loses more",
    ),
    Formula(
        "contact length at the wheel",
        "a = 2 sqrt(r^2 - h^2), h = (c^2 + r^2 - R^2) / (2 c), c = R + r - d/2: chord of two circles",
        "plane geometry of two circles, derived",
        "both sides dented equally, outlines unchanged: an upper bound; the contact of an elastic body is "
        "shorter, by a factor of root two for small dents (Johnson, Contact Mechanics, 1985, ch. 4, "
        "recalled)",
    ),
)

_PLATE = (
    Formula(
        "travel while squeezed",
        "L = 2 sqrt(d (2 R + 2 r - d)): the centre's way from first contact to release",
        "plane geometry of two circles, derived",
        "outlines unchanged until they meet; a piece that recovers slowly leaves earlier",
    ),
    Formula(
        "speed that friction can give",
        "v = sqrt(4 mu N L / ((1 + i) m)): the wheel drags by mu N over twice the centre's way, since the "
        "piece rolls along the plate; that is m v^2 (1 + i) / 2, i = I / (m r^2)",
        "work and kinetic energy, any textbook of mechanics, derived",
        "an upper bound: enters at rest, full force all along, wheel slips all the way, nothing lost to "
        "hysteresis or air. With the force as it grows and falls along the way, L is multiplied by the mean "
        "force over the largest. It is drawn in by itself only if wheel and plate both have "
        "mu > tan(b/2), cos b = (R + r - d) / (R + r)",
    ),
    Formula(
        "no-slip bound",
        "v = rim speed / 2: the piece rolls along the plate, its far side moves at twice its centre's speed",
        "rolling without slip, any textbook of mechanics, derived",
        "the squeezed radius is a little smaller at both sides equally, which leaves the half unchanged",
    ),
)

_WHEELS = (
    Formula(
        "travel while squeezed",
        "L = 2 sqrt(o (2 R + 2 r - o)), o = d/2 at each wheel; for different wheels the shorter travel",
        "plane geometry of two circles, derived",
        "both wheels squeeze by half; outlines unchanged until they meet",
    ),
    Formula(
        "speed that friction can give",
        "v = sqrt(4 mu N L / m): both wheels drag by mu N over the way L; that is m v^2 / 2",
        "work and kinetic energy, any textbook of mechanics, derived",
        "an upper bound: enters at rest, full force all along, both rims slip all the way, nothing lost to "
        "hysteresis or air. With the force as it grows and falls along the way, L is multiplied by the mean "
        "force over the largest. It is drawn in by itself only if mu > tan(b), "
        "cos b = (R + r - d/2) / (R + r)",
    ),
    Formula(
        "no-slip bound",
        "v = rim speed, equal at both rims",
        "rolling without slip, any textbook of mechanics, derived",
        "rims at different speeds turn the piece, and its centre moves at their mean",
    ),
)

_RATES = (
    Formula(
        "growth with the rate",
        "ln F = a + b log10(rate) at one deflection, a for each piece, b for all; squeeze rate of the line = "
        "d v / (L/2)",
        "least squares, any textbook of statistics; the straight line over the logarithm is common practice, "
        "no source",
        "within the measured rates; one power of ten beyond them is an indication, more is a guess",
    ),
)


def nip_formulas(*, against_plate: bool, rates: bool) -> tuple[Formula, ...]:
    """Return the formulas that an answer used."""
    return (*_ALWAYS, *(_PLATE if against_plate else _WHEELS), *(_RATES if rates else ()))
