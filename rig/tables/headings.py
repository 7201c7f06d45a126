"""Which quantity a heading names, and in which unit.

The problem: "Kraft [kN]", "试验力(N)", "disp_mm" and "Weg / mm" all say what a column is, and none is a name
that a program could require. The plan: a vocabulary of the words that laboratories use in several languages
(common practice, no source), and the unit in brackets, behind a mark, or in a row of its own. A heading that
also holds a word for a rate, a ratio or a limit names something else, and is not proposed.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from functools import lru_cache
from typing import Literal
from unicodedata import normalize

from rig import units
from rig.errors import InputError

Kind = Literal["time", "force", "position"]
KINDS: tuple[Kind, ...] = ("time", "position", "force")

_WORDS: dict[Kind, str] = {
    "time": """
        time elapsed duration seconds timestamp clock zeit prüfzeit temps durée tiempo tempo tijd tid czas
        čas aika idő süre zaman jikan shijian время 时间 時間 時刻 时刻 시간
    """,
    "force": """
        force load loadcell kraft prüfkraft standardkraft druckkraft last effort charge fuerza carga forza
        carico força kracht belasting belastning siła obciążenie síla zatížení voima kuorma erő terhelés
        kuvvet yük kajuu kaju zaihe сила нагрузка усилие 力 荷重 试验力 試験力 载荷 負荷 负荷 載荷 压力 하중
        힘
    """,
    "position": """
        position displacement disp extension travel stroke crosshead deflection deformation compression pos
        distance depth elongation indentation penetration gap weg federweg einfederung eindrückung hub
        enfoncement écrasement cedimento deformación deformação droga posuv dráha zdvih intryckning vandring
        traversenweg standardweg verschiebung verformung stauchung déplacement deplacement course
        déformation allongement desplazamiento recorrido carrera posición posicion spostamento corsa
        schiacciamento deslocamento curso verplaatsing indrukking förskjutning hoptryckning forskydning
        forskyvning przemieszczenie ugięcie posunutí stlačení siirtymä elmozdulás yerdeğiştirme heni weiyi
        encoder lvdt перемещение деформация ход путь положение 位移 变位 変位 变形 行程 位置 ストローク 변위
    """,
}
WORDS: dict[Kind, tuple[str, ...]] = {kind: tuple(words.split()) for kind, words in _WORDS.items()}

_ELSE = re.compile(
    r"(?i)(?<![a-z])(rate|speed|velocity|per|stress|strain|set|setpoint|setpt|demand|commanded|soll|sollwert|"
    r"consigne|consigna|target|max|min|peak|limit|command|modulus|steps?|cycles?|gewenst|börvärde|zadan[ae]|"
    r"žádan[áé]|richiest[ao]|comandat[ao]|alvo|pr[ée]charge|preload|vorkraft|spitze|"
    r"error|deviation|offset|zero|tare|uncertainty|noise|sd|std|fehler|abweichung|erreur|errore|work|energy|temp|"
    r"temperature|raw|geschwindigkeit|spannung|dehnung|vitesse|contrainte|velocidad|"
    r"deformación unitaria)(?![a-z])|速度|应力|応力|应变|指令|目標|目标|设定|設定|скорость|напряжение|задан"
)

COUNTING = re.compile(
    r"(?i)(?<![^\W\d_])(cycles?|cyc|zyklus|zyklen|ciclos?|cicl[oi]|cykl|cyklus|цикл|segments?|steps?|blocks?|loops?|"
    r"ramps?|schritt|[ée]tape|cyklu|passo|paso|stap|odcinek|segmento)(?![^\W\d_])|循环|周期|サイクル|사이클"
)
"""What a recording counts while it goes on, as a column or above its parts; never specimens."""

NAMES_PIECE = re.compile(
    r"(?i)(?<![^\W\d_])(specimens?|samples?|probe|prüfling|muster|[ée]prouvette|[ée]chantillon|probeta|muestra|"
    r"provino|campione|prova|pr[óo]bka|id|piece|part|name|label|replicate|batch|run|test)(?![^\W\d_])|試料|試験片|试样"
)
"""A heading of a column that says which specimen a row is of."""

_UNITS = {
    spelling: unit
    for unit, spellings in {
        "s": "sec secs second seconds sekunden sek seg с сек 秒 초 sn secondi segundos secondes",
        "ms": "msec millis мс 毫秒 ms ミリ秒",
        "us": "micros 微秒",
        "min": "мин 分 minutes minute",
        "h": "hours hr hrs 小时",
        "N": "newton newtons н 牛 牛顿 ニュートン n niuton niutony nyuton",
        "kN": "кн kn 千牛",
        "mN": "мн mn",
        "kgf": "кгс kgf kp kilopond",
        "gf": "гс gf gram-force grams-force grf",
        "mm": (
            "millimeter millimeters millimetre millimetres мм 毫米 ミリ mm millimètres milímetros millimetri "
            "ミリメートル"
        ),
        "um": "мкм 微米 micron microns um mikrometer マイクロメートル",
        "cm": "см 厘米 cm",
        "m": "м",
        "in": 'inch inches " pouces zoll pulgadas pollici in',
        "thou": "mil mils",
        "kg": "kg kilograms kilogram kgs",
        "lbf": "lbf lbs",
        "daN": "dan",
        "cN": "cn",
        "g": "gramos gramm",
    }.items()
    for spelling in spellings.split()
}
"""Spellings of units that are not the sign itself; lower case. "M" and "m" differ, so signs come first."""

_IN_BRACKETS = {"S": "s"}
"""Capitals that are a unit only where brackets or a row of units say that they are one."""

_ALONE = re.compile(
    "[mu\u00b5]s|sec|seconds|millis|micros|minutes|[mu\u00b5c]m|inches|(?:k|m|c|da)?N|newtons|kgf?|gf|grams|lbf|lbs"
)
"""Units that are a heading of their own; others are also words, as point, hand and chain are."""

SHARES: dict[str, float] = {"%": 0.01, "mm/mm": 1.0, "m/m": 1.0, "in/in": 1.0}
"""Units of a strain, as shares of the free height."""

_STRAIN = re.compile(
    r"(?i)strain|dehnung|stauchung|compressi|deflection|deforma[tczç]|verformung|d[ée]formation|extension|"
    r"(?<![^\W_])rek(?![^\W_])|töjning|tøyning|tøjning|odkształcenie|přetvoření|megnyúlás|venymä|"
    r"应变|歪み|ひずみ|деформация|(?<![^\W_])(?:ε|epsilon|eps)(?![^\W_])"
)
_STRESS = re.compile(
    r"(?i)stress|spannung|spanning|spänning|spenning|spænding|contrainte|tensi[óo]n|tensione|tensão|"
    r"esfuerzo|sforzo|naprężenie|napětí|jännitys|feszültség|应力|応力|напряжение|(?<![^\W_])(?:σ|sigma)(?![^\W_])"
)

_PRESSURE = re.compile(
    r"(?i)(?<![^\W\d_])(?:pressure|druck|pression|presi[óo]n|pressione|press[ãa]o|давление)(?![^\W\d_])|压强|圧力"
)
"""A stress only where the unit is one: the word alone may be that of a force."""

_OTHER_PRESSURE = re.compile(
    r"(?i)(?<![a-z])(?:air|supply|oil|hydraulic|pneumatic|atmospheric|ambient|barometric|vacuum|gas|inlet|"
    r"outlet|line|luft|öl|umgebung\w*)"
)
"""A pressure that is none on the specimen."""

_NAME_AND_UNIT = re.compile(r"(?s)(.*?)[\[(]([^\])]*)[\])]")
_LAST_WORD = re.compile(r"(.*?)[ _]+([^ _]+)")
_UNITS_OF_PIECES = frozenset(("mm", "cm", "in", "mm2", "g", "kg", "oz", "lb", "N"))
_BRACKETED = re.compile(r"[\[(<{]\s*([^\[\](){}<>]{1,24}?)\s*[\])>}]\s*$")
_ANYWHERE = re.compile(r"[\[(<{]([^\[\](){}<>]{1,24})[\])>}]")
_BEHIND = re.compile(r"^(.*\S)\s*(?:,|/|_|\s|:|;|\.|\bin\b|\ben\b)\s*([^\s,/_:;.]{1,12})\.?$")
_CAPITAL = re.compile(r"^(.*[a-z0-9])([A-Z][A-Za-z]{0,11})$")
_IS_OF = {"time": units.is_time, "force": units.is_force, "position": units.is_length}


@lru_cache(maxsize=4096)
def unit_of(text: str) -> str | None:
    """Return the unit that a text spells, as `rig.units` reads it; None if it is none of time, force, length.

    Examples
    --------
    >>> [unit_of(text) for text in ("(kN)", "мм", "Sec", "Pa", "mil")]
    ['kN', 'mm', 's', None, 'thou']
    >>> [unit_of(text) for text in ("MM", "Kgf", "\uff4d\uff4d", "MS", "S")]
    ['mm', 'kgf', 'mm', 'ms', None]
    """
    # full-width letters and units in one sign (U+339C) are those that they look like; a micro sign stays
    bare = text if text.isascii() else "".join(c if c in "µμ²³" else normalize("NFKC", c) for c in text)
    bare = bare.strip().strip("[](){}<>").strip().rstrip(".")
    bare = bare.strip('"') or bare
    if not bare or len(bare) > 24:
        return None
    for spelling in (bare, _UNITS.get(bare.lower(), ""), bare.replace("µ", "u").replace("μ", "u")):
        if spelling and kind_of_unit(spelling) is not None:
            return spelling
    return None


def unit_said(text: str) -> str | None:
    """Return the unit that a text spells where brackets or a row of units say that it is one."""
    return unit_of(text) or _IN_BRACKETS.get(text.strip("[]() "))


def name_and_unit(heading: str, known: Collection[str] = ()) -> tuple[str, str]:
    """Return the name and the unit, perhaps empty, of a heading of a table that a command asks for.

    Parameters
    ----------
    heading
        Unit in brackets, or behind a blank or an underscore.
    known
        Names, in small letters with blanks, behind which any word is a unit.

    Examples
    --------
    >>> [name_and_unit(text) for text in ("free height (mm)", "size_A mm", "load_kN")]
    [('free height', 'mm'), ('size_A', 'mm'), ('load_kN', '')]
    >>> name_and_unit("load_kN", known=("load",))
    ('load', 'kN')
    """
    heading = heading.strip()
    bracketed = _NAME_AND_UNIT.fullmatch(heading)
    if bracketed is not None:
        return bracketed[1].strip(), bracketed[2].strip()
    found = _LAST_WORD.fullmatch(heading)
    if found is not None and (found[2] in _UNITS_OF_PIECES or found[1].lower().replace("_", " ") in known):
        return found[1], found[2]
    return heading, ""


def is_unit_alone(heading: str) -> bool:
    """Return whether a heading is a unit and nothing else; beside a name with a unit, "N" is a number."""
    return _ALONE.fullmatch(heading.strip()) is not None


def kind_of_unit(unit: str | None) -> Kind | None:
    """Return the quantity that a unit measures; None if it is none of the three."""
    return next((kind for kind in KINDS if unit is not None and _IS_OF[kind](unit)), None)


def unit_in(heading: str) -> tuple[str, str | None]:
    """Return a heading without its unit, and the unit: "Load [kN]", "Displacement, mm", "disp_mm".

    Examples
    --------
    >>> unit_in("Load [kN]"), unit_in("Weg / mm"), unit_in("Force")
    (('Load', 'kN'), ('Weg', 'mm'), ('Force', None))
    >>> unit_in("timeMs"), unit_in("loadMin"), unit_in("sampleN")
    (('time', 'ms'), ('loadMin', None), ('sampleN', None))
    >>> [unit_in(text)[1] for text in ("Provino N.", "Test load, N", "mm Travel", "In position")]
    [None, 'N', 'mm', None]
    >>> unit_in("Time (m)"), unit_in("Travel (m)")
    (('Time', 'min'), ('Travel', 'm'))
    """
    name, unit = _split_unit(heading.strip())
    if _ALONE.fullmatch(name):
        unit = unit_of(name)
    return name, unit_beside(name, unit)


def unit_beside(name: str, unit: str | None) -> str | None:
    """Return what a unit stands for beside a name: no time is in metres, so m beside one is minutes."""
    if unit == "m" and _named(name) == {"time"}:
        return "min"
    return unit


def _split_unit(heading: str) -> tuple[str, str | None]:
    bracketed = _BRACKETED.search(heading)
    if bracketed is not None:
        # Brackets that hold something else ("(%)", "(MPa)") still say that no other word is the unit.
        return heading[: bracketed.start()].strip(), unit_said(bracketed[1])
    # in front or between, as in "[kN] Load" and "Load (N) cell 1", brackets hold a unit or mean nothing
    said = [found for found in _ANYWHERE.finditer(heading) if unit_of(found[1]) is not None]
    if len(said) == 1:
        bare = heading[: said[0].start()] + heading[said[0].end() :]
        return " ".join(bare.split()), unit_of(said[0][1])
    behind = _BEHIND.match(heading)
    if behind is not None and (unit := unit_of(behind[2])) is not None:
        # "Provino N." is the number of a specimen, "Test load, N" a force
        counted = NAMES_PIECE.search(behind[1]) or COUNTING.search(behind[1])
        is_number = unit == "N" and counted and not _named(behind[1])
        return (heading, None) if is_number else (behind[1].strip(" ,/_:;"), unit)
    return _unit_beside_quantity(heading) or (heading, None)


def _unit_beside_quantity(heading: str) -> tuple[str, str] | None:
    """Return a heading without its unit, and the unit, in "platenPositionMm" and "mm Travel".

    Only where the rest names the quantity that the unit measures: "loadMin" and "sampleN" hold none.
    """
    first, _, rest = heading.partition(" ")
    cut = _CAPITAL.match(heading)
    if rest and (first == "s" or is_unit_alone(first)):  # no word, as "Point position" and "In position" have
        name, last = rest, first
    elif cut is not None:
        name, last = cut[1], cut[2]
    else:
        return None
    named = _named(name)
    # "Ms" is written for ms, but "MN" is no mN
    small = last[0].lower() + last[1:]
    for spelling in (last, small) if last.isupper() and len(last) > 1 else (small, last):
        unit = unit_of(spelling)
        if unit is not None and {kind_of_unit(unit)} == named:
            return name, unit
    return None


def kind_of(heading: str, unit: str | None) -> Kind | None:
    """Return which quantity a column holds by its heading and unit; None if it is not one of the three.

    Examples
    --------
    >>> [kind_of(name, None) for name in ("axialForce", "crossheadPos", "loadRate")]
    ['force', 'position', None]
    """
    name, own = unit_in(heading)
    name = _in_words(name)
    bracketed = _BRACKETED.search(heading.strip())
    if bracketed is not None and own is None:
        return None
    if _ELSE.search(name):
        return None
    measured = kind_of_unit(unit or own)
    if measured is None and unit is not None:
        return None
    named = _named(name)
    if measured is None:
        return next(iter(named)) if len(named) == 1 else None
    return measured if not named or measured in named else None


def kind_in_other_unit(heading: str) -> Kind | None:
    """Return which quantity a heading names whose unit in brackets is none of it: counts, volts.

    Examples
    --------
    >>> [kind_in_other_unit(name) for name in ("Encoder (counts)", "Load [V]", "Force (N)", "Load rate (V)")]
    ['position', 'force', None, None]
    """
    bracketed = _BRACKETED.search(heading.strip())
    if bracketed is None or unit_of(bracketed[1]) is not None or is_pressure(bracketed[1]):
        return None
    name = _in_words(heading.strip()[: bracketed.start()].strip())
    named = _named(name)
    if _ELSE.search(name) or len(named) != 1 or bracketed[1] in SHARES:
        return None
    return next(iter(named))


def reduced_kind(heading: str, unit: str | None) -> tuple[Kind, str] | None:
    """Return which quantity a strain or a stress stands for, and its unit; None if a column is neither.

    Examples
    --------
    >>> reduced_kind("Strain [%]", None), reduced_kind("Stress", "kPa"), reduced_kind("Humidity (%)", None)
    (('position', '%'), ('force', 'kPa'), None)
    >>> reduced_kind("Pressure (kPa)", None), reduced_kind("Air pressure (kPa)", None)
    (('force', 'kPa'), None)
    """
    bracketed = _BRACKETED.search(heading.strip())
    behind = _BEHIND.match(heading.strip())
    spelt = unit or (bracketed[1].strip() if bracketed else behind[2] if behind else "")
    if "rate" in heading.lower():
        return None
    share = "mm/mm" if spelt.strip("[]() ") in ("-", "1") else spelt
    if share in SHARES and _STRAIN.search(heading):
        return "position", share
    is_stress = _STRESS.search(heading) or (
        _PRESSURE.search(_in_words(heading)) and not _OTHER_PRESSURE.search(heading)
    )
    return ("force", spelt) if is_pressure(spelt) and is_stress else None


def agreed_unit(heading: str, own: str | None, cell: str) -> str | None:
    """Return the unit of a heading beside a cell that says one; None where both say different ones of one
    kind, which leaves it open which is right."""
    reduced = reduced_kind(heading, cell.strip("[]() "))
    unit = unit_beside(heading, unit_said(cell)) or (reduced[1] if reduced else None)
    if unit is None or own is None:
        return unit or own
    kind = kind_of_unit(own)
    differ = kind == kind_of_unit(unit) is not None and units.factor(own, unit) != 1
    return None if differ else unit


def names_reduced(heading: str) -> Kind | None:
    """Return which quantity a heading of a strain or a stress without a unit would stand for."""
    if "rate" in heading.lower():
        return None
    return "position" if _STRAIN.search(heading) else "force" if _STRESS.search(heading) else None


@lru_cache(maxsize=256)
def is_pressure(unit: str) -> bool:
    """Return whether a unit is one of stress: kPa, MPa, psi, N/mm2."""
    try:
        return bool(unit) and pressure_mpa(unit) > 0
    except InputError:
        return False


def pressure_mpa(unit: str) -> float:
    """Return how many N/mm^2 a unit of stress is; InputError if it is none."""
    return units.factor(re.sub(r"(?<=m)([23])$", r"^\1", unit.strip().replace("²", "^2")), "MPa")


def _in_words(name: str) -> str:
    """Return a name with a space before each capital that follows a small letter: axialForce, loadRate."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)


def _named(name: str) -> set[Kind]:
    """Return the quantities whose words a name holds: whole ones where letters are cut by spaces, else
    anywhere."""
    lower = _in_words(name).lower()
    parts = set(re.split(r"[^\w]+|_|\d+", lower))
    return {
        kind
        for kind in KINDS
        if any(word in parts if word[0] < "\u0500" else word in lower for word in WORDS[kind])
    }


VOCABULARY = frozenset(word for words in WORDS.values() for word in words if not word.isascii()) | frozenset(
    word for word in _UNITS if not word.isascii()
)
"""Words that tell an encoding, since they need more than ASCII."""
