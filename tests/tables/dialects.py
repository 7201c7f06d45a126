"""Tables as laboratories write them: a plain writer that shares nothing with the reader."""

from __future__ import annotations

import gzip
import io
from dataclasses import dataclass

HEADINGS = {
    "en": ("Time", "Displacement", "Force"),
    "de": ("Prüfzeit", "Traversenweg", "Standardkraft"),
    "fr": ("Temps", "Déplacement", "Effort"),
    "es": ("Tiempo", "Desplazamiento", "Fuerza"),
    "ja": ("時間", "変位", "荷重"),
    "zh": ("时间", "位移", "试验力"),
    "ru": ("Время", "Перемещение", "Нагрузка"),
}
ENCODINGS = {
    "en": ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"),
    "de": ("utf-8", "latin-1", "cp1252", "utf-16"),
    "fr": ("utf-8", "cp1252"),
    "es": ("utf-8-sig", "utf-8"),
    "ja": ("utf-8", "cp932", "utf-16"),
    "zh": ("utf-8", "gb18030"),
    "ru": ("utf-8", "cp1251"),
}
UNITS = ("s", "mm", "N")
PREAMBLES = (
    "",
    "Operator,somebody\nDate,2026-04-16\nSpeed,10,mm/min\n\n",
    "# made up\n# a,b,c\n",
    "Harbour workshop\n\nSerial;12;x\nText only\n" * 3,
)
FOOTERS = ("", "Max;12;99\n", "\nEnd of test\n", "# done\n")


@dataclass(frozen=True)
class Dialect:
    """How a table is written."""

    language: str = "en"
    encoding: str = "utf-8"
    delimiter: str = ","
    decimal: str = "."
    thousands: str = ""
    units: str = "row"
    quoted: bool = False
    preamble: str = ""
    footer: str = ""
    minus: str = "-"
    newline: str = "\n"
    packed: bool = False

    def number(self, value: float, decimals: int) -> str:
        whole, _, part = f"{abs(value):,.{decimals}f}".partition(".")
        text = whole.replace(",", self.thousands) + self.decimal + part
        return (self.minus if value < 0 else "") + text

    def cell(self, text: str) -> str:
        return f'"{text}"' if self.quoted else text

    def row(self, cells) -> str:
        return self.delimiter.join(map(self.cell, cells)) + self.newline

    def table(self, rows, decimals: int = 3) -> bytes:
        names = HEADINGS[self.language]
        out = io.StringIO(newline="")
        out.write(self.preamble.replace("\n", self.newline))
        if self.units == "row":
            out.write(self.row(names) + self.row(f"({unit})" for unit in UNITS))
        elif self.units == "bare row":
            out.write(self.row(names) + self.row(UNITS))
        else:
            out.write(self.row(f"{name} [{unit}]" for name, unit in zip(names, UNITS, strict=True)))
        for row in rows:
            out.write(self.row(self.number(value, decimals) for value in row))
        out.write(self.footer.replace("\n", self.newline))
        data = out.getvalue().encode(self.encoding)
        return gzip.compress(data) if self.packed else data
