"""A text with digits, signs and numbers spelt in the one way that the rest of the reader knows.

The problem: keyboards, spreadsheets and typesetters write one number in many ways: full-width or Arabic
digits, U+2212, 1.5*10^3, 1.5D+03, ="1.5", 1.5- and (1.5) for less than zero; a page or a report puts marks of
its own between cells. The plan: each spelling is replaced once, in the whole text; lines keep their places.
The cost: one look for the signs that show a spelling, and one pattern for each that is there.
"""

from __future__ import annotations

import html
import re
import unicodedata

_SIGNS = {
    **dict.fromkeys(map(ord, "\u2010\u2011\u2012\u2013\u2212\ufe63"), "-"),
    **dict.fromkeys(map(ord, "\u00a0\u2007\u2009\u202f\u3000"), " "),
    **{0x066A: "%", 0x066B: ".", 0x066C: "'", 0x2019: "'", 0x3010: "[", 0x3011: "]"},
    **{full: chr(full - 0xFEE0) for full in range(0xFF01, 0xFF5F)},
}
"""Signs of other scripts and of typesetters, and full-width forms of ASCII (U+FF01 to U+FF5E)."""

_CELL = r"(?m)(^[ ]*|[,;\t|][ ]*\"?)(?:\((\d[\d.]*)\)|(\d[\d.]*)-)(?=\"?[ ]*(?:[,;\t|]|$))"
_CELL_WITH_COMMA = (
    _CELL.replace(r"[\d.]*", r"[\d.]*,\d+").replace("[,;", "[;").replace("^[ ]*", r"^(?=.*[;\t|])[ ]*")
)
"""A cell of a number below zero; with a decimal comma only where another sign ends cells: 1,5- may be two."""
_DOUBLE = r"(?<![^\s,;|=:\"(])([-+]?(?:\d+\.\d*|\.\d+))[dD](?=[-+]\d{1,4}(?!\w))"
_DOUBLE_WITH_COMMA = re.compile(_DOUBLE.replace("\\.", ","))
_DOUBLES = ("D+", "D-", "d+", "d-")
_BELOW_ZERO = ("(", "-\n", "-,", "-;", "-\t", '-"', "-|")
_SPELLINGS = (
    (('="',), re.compile(r'(?m)(?:^|(?<=[,;\t|]))([ ]*)="([^"\n]{0,100})"'), r"\1\2"),
    (("10^", "10**"), re.compile(r"(?<=\d) ?[x×·*] ?10(?:\^|\*\*)[({]?([-+]?\d{1,2})[)}]?"), r"e\1"),
    (_BELOW_ZERO, re.compile(_CELL_WITH_COMMA), r"\1-\2\3"),
    (_BELOW_ZERO, re.compile(_CELL), r"\1-\2\3"),
    (("','", "';'", "'\t'"), re.compile(r"(?m)(^|[,;\t])'([^'\n]{0,100})'(?=[,;\t]|$)"), r'\1"\2"'),
    # double precision as Fortran writes it: always with a point, so that F-90D-12 and 90D-12 stay names; with
    # a decimal comma only where another sign ends cells, since 1,90D-12 may be a number and a name
    (_DOUBLES, re.compile(_DOUBLE), r"\1e"),
    (
        _DOUBLES,
        re.compile(r"(?m)^.*(?:[;\t|]|\d  ).*$"),
        lambda line: _DOUBLE_WITH_COMMA.sub(r"\1e", line[0]),
    ),
)
"""What shows a spelling, its pattern, and what stands for it."""
_RAISED = re.compile(r"(?<=10)[⁻⁺]?[⁰¹²³⁴⁵⁶⁷⁸⁹]+")
_EXPONENT_SIGNS = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻", "0123456789+-")
_TABLE_ENDS = re.compile(r"\\\\[^&\n]{0,200}$", re.MULTILINE)
_TABLE_RULES = re.compile(r"^[ ]*\\[a-zA-Z].*$", re.MULTILINE)
_MATHEMATICS = re.compile(r"\$\\?([^$\n]*)\$")
_TAG = re.compile(r"<[^<>]{0,1000}>")
_CELL_END, _ROW_END = re.compile(r"(?i)</t[dh]>"), re.compile(r"(?i)</tr>")


def plain_text(text: str) -> str:
    """Return a text with plain numbers, and with separators for the marks of a page or of a typesetter.

    Examples
    --------
    >>> plain_text("0;\uff08\uff11\uff0c\uff15\uff09;\u22122x10^3;0.5-;1.5D+02")
    '0;-1,5;-2e3;-0.5;1.5e+02'
    >>> plain_text("<tr><td>1</td><td>2 &micro;m</td></tr>")
    '1\\t2 µm\\t\\n'
    """
    if not text.isascii():
        beyond = {ord(sign): sign for sign in set(text) if sign > "\x7f"}
        digits = {code: str(unicodedata.decimal(sign)) for code, sign in beyond.items() if sign.isdecimal()}
        text = text.translate(digits | {code: _SIGNS[code] for code in beyond if code in _SIGNS})
        text = _RAISED.sub(lambda found: "^" + found[0].translate(_EXPONENT_SIGNS), text)
    if "</" in text and _ROW_END.search(text):
        lines = _ROW_END.sub("\n", _CELL_END.sub("\t", " ".join(text.split())))
        text = html.unescape(_TAG.sub("", lines))
    if "&" in text and "\\\\" in text:
        text = _MATHEMATICS.sub(r"\1", _TABLE_RULES.sub("", _TABLE_ENDS.sub("", text)))
    for signs, spelling, plain in _SPELLINGS:
        if any(sign in text for sign in signs):
            text = spelling.sub(plain, text)
    return text
