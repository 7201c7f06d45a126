"""Height and area of the specimen as the lines above a table say them.

The problem: a table of strain and stress needs both to become a table of position and force, and most such
tables say them in their preamble, each in its own words. The plan: a name of a height or an area, a number
and a unit, in one line. Where one value stands there, it is used and reported; where there are several, or
only a width and a thickness, the refusal spells out the option.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from math import pi

from rig import units
from rig.errors import InputError
from rig.tables import plain_number

_VALUE = (
    r"\.?[ \t]?(?:[\[(](?P<bracketed>[^\])]{1,8})[\])])?[\"\s:=,;|]{1,8}(?P<value>\d[\d.,]*)"
    r"[\"\s,;|]{0,6}(?P<unit>[A-Za-z\u00b5\u03bc]{1,5}\s?\^?[2\u00b2]?|\")?(?![\w.])"
)
_HEIGHT = (
    r"(?:free|initial|original|nominal|specimen|sample|probe\w{0,12}|anfangs|ausgangs|start)?[ _-]{0,2}"
    r"(?:height|h[öo]he|hauteur|altura|altezza|高さ|高度)"
)
_LENGTH = (
    r"(?:gau?ge|initial|original|clamping|grip(?:[ -]to[ -]grip)?|specimen|sample|mess|einspann|"
    r"anfangs)[ _-]{0,2}"
    r"(?:length|separation|l[äa]nge)|longueur initiale|longitud inicial|lunghezza iniziale|"
    r"標点距離|标距"
)
_SYMBOL = r"[hHlL][0o₀]"
_AREA = (
    r"(?:cross[ -]?section(?:al)?|loaded|initial|original|contact|specimen|sample)?[ _-]{0,2}area|"
    r"cross[ -]?section|querschnitt\w{0,12}|\w{0,20}fl[äa]che|aire|superficie|section|[áa]rea|sezione|"
    r"断面積|面积|"
    r"[AS][0o₀]"
)
_WORDS = {
    "height": rf"{_HEIGHT}|{_LENGTH}|{_SYMBOL}",
    "area": _AREA,
    "width": r"width|breite|largeur|ancho|larghezza|幅",
    "thickness": r"thickness|dicke|[ée]paisseur|espesor|spessore|厚さ",
    "diameter": r"diameter|durchmesser|diam[èe]tre|di[áa]metro|直径",
}
_STATED = {name: re.compile(rf"(?i)(?<![^\W_])(?:{words}){_VALUE}") for name, words in _WORDS.items()}
_LONGEST_LINE, MOST_LINES = 400, 300
"""Characters of a line, and lines nearest to the table, that are looked at."""


@dataclass(frozen=True, slots=True)
class StatedSize:
    """A size with the line that says it, in mm or mm^2."""

    value: float
    said: str


def stated_sizes(preamble: Iterable[tuple[int, str]]) -> dict[str, list[StatedSize]]:
    """Return what the lines above a table say of height, area, width, thickness and diameter.

    Parameters
    ----------
    preamble
        Lines with their numbers.

    Returns
    -------
    dict
        Different values of each, in order; "height" and "area" in mm and mm^2.

    Examples
    --------
    >>> sizes = stated_sizes([(3, "Specimen height: 50.0 mm"), (4, "Area (mm2);2500")])
    >>> [(name, [size.value for size in found]) for name, found in sizes.items()]
    [('height', [50.0]), ('area', [2500.0])]
    """
    found: dict[str, list[StatedSize]] = {}
    for number, line in list(preamble)[-MOST_LINES:]:
        for name, pattern in _STATED.items():
            for match in pattern.finditer(line[:_LONGEST_LINE]):
                value = _in_mm(match, "mm^2" if name == "area" else "mm")
                if value is not None and value not in [size.value for size in found.get(name, [])]:
                    said = f"line {number}: {match[0].strip():.60}"
                    found.setdefault(name, []).append(StatedSize(value, said))
    return found


def likely_area(sizes: dict[str, list[StatedSize]]) -> StatedSize | None:
    """Return the area that a width and a thickness, or a diameter, make up; None where they are not known."""
    width, thickness, diameter = (sizes.get(name, []) for name in ("width", "thickness", "diameter"))
    if len(width) == len(thickness) == 1 and not diameter:
        return StatedSize(width[0].value * thickness[0].value, f"{width[0].said}; {thickness[0].said}")
    if len(diameter) == 1 and not width:
        return StatedSize(pi / 4 * diameter[0].value ** 2, diameter[0].said)
    return None


def _in_mm(match: re.Match[str], unit: str) -> float | None:
    spelt = (match["unit"] or match["bracketed"] or "").replace(" ", "")
    spelt = re.sub(r"(?<=[A-Za-z])2$", "^2", spelt.replace("\u00b2", "^2"))
    try:
        value = float(plain_number(match["value"].rstrip(".,"))) * units.factor(spelt, unit)
    except (ValueError, InputError):
        return None
    return value if value > 0 else None
