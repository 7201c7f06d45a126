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
from rig.tables import plain_number, unit_of

_VALUE = (
    r"(?:[ _'\u2019-]{1,2}(?!mm|cm|in\b)[^\W\d_]{1,15}){0,4}(?:[ _-]{0,2}[hHlLAS][o0₀])?\.?[ \t]*"
    r"(?:[\[(](?P<bracketed>[^\])]{1,8})[\])]|_(?P<suffix>[a-z]{1,3}[2²]?))?"
    r"[\"\s:=,;|]{1,8}(?P<value>\d[\d.,]*)"
    r"[\"\s,;|]{0,6}(?P<unit>[^\W\d_]{1,5}\s?\^?[2\u00b2]?|\")?(?![\w.])"
    r"(?!\s*(?:-|\u2013|\.\.|to|bis)\s*\d)"
)
"""What may stand between a name and its number: four more words, a symbol, a unit."""
_WORDS = {
    "height": (
        r"\w{0,12}(?:height|h[öo]he|hauteur|altura|altezza|hoogte|höjd|højde|høyde|wysokość|výška|высота)|"
        r"\w{0,6}(?:高さ|高度|标距)|標点距離|(?:gau?ge|initial|original|clamping|grip(?:[ -]to[ -]grip)?|"
        r"specimen|sample|mess|einspann|anfangs)[ _-]{0,2}(?:length|separation|l[äa]nge)|"
        r"longueur initiale|longitud inicial|lunghezza iniziale|[hHlL][0o₀]"
    ),
    "area": (
        r"\w{0,12}area|cross[ -]?section|querschnitt\w{0,12}|\w{0,20}fl[äa]che|aire|superficie|section|"
        r"[áa]rea|sezione|se[cç][cç]?ão|\w{0,12}oppervlakte?|doorsnede|\w{0,12}areal|pole|průřez|plocha|площадь|"
        r"\w{0,6}(?:断面積|面积|面積)|[AS][0o₀]"
    ),
    "width": r"width|breite|largeur|ancho|larghezza|breedte|bredd|szerokość|šířka|幅|宽度",
    "thickness": r"thickness|dicke|[ée]paisseur|espesor|spessore|dikte|tjocklek|grubość|tloušťka|厚さ|厚度",
    "diameter": r"diameter|durchmesser|diam[èe]tre|di[áa]metro|średnica|průměr|直径",
}
_STATED = {name: re.compile(rf"(?i)(?<![^\W_])(?:{words}){_VALUE}") for name, words in _WORDS.items()}
_OTHER = re.compile(
    r"(?i)plat|jaw|anvil|cell|sensor|piston|machine|frame|chamber|mou?ld|hole|bore|inner|piastr|piatt|"
    r"placa|plaat|tryck|płyt|圧盤|压盘|压板|final|after|ending|residual|compressed|recover|nach|après|dopo|"
    r"despu|após|efter|končn|końc|\bmin|\bmax|drop|speed|limit|tolerance|"
    r"range|bereich|plage|rango|campo"
)
"""Sizes of the press, and of a specimen that is no longer as it was."""
_LONGEST_LINE, MOST_LINES = 400, 300
"""Characters of a line, and lines nearest to the table, that are looked at."""


@dataclass(frozen=True, slots=True)
class StatedSize:
    """A size with the line that says it, in mm or mm^2."""

    value: float
    said: str


def stated_sizes(preamble: Iterable[tuple[int, str]]) -> dict[str, list[StatedSize]]:
    """Return what the lines above a table say of height, area, width, thickness and diameter.

    `preamble`: lines with their numbers.

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
                begins = 1 + max(line.rfind(mark, 0, match.start()) for mark in ";,|\t")
                if _OTHER.search(line[begins : match.start("value")]):
                    continue
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
    spelt = (match["unit"] or match["bracketed"] or match["suffix"] or "").replace(" ", "")
    length = re.fullmatch(r"(.+?)(\^?[2\u00b2])?", spelt)
    spelt = ((unit_of(length[1]) or length[1]) + ("^2" if length[2] else "")) if length else ""
    try:
        value = float(plain_number(match["value"].rstrip(".,"))) * units.factor(spelt, unit)
    except (ValueError, InputError):
        return None
    return value if value > 0 else None
