"""What is known of a recording besides its numbers: from a list of files, or from the file's name.

The problem: a folder of a hundred recordings holds specimen, batch, state and date in file names or in a list
beside it, and no one types them a hundred times. The plan: a list is a short table with the column `file`; a
name is read by a pattern such as "{specimen}_{batch}_{date}", which has to fit in one way only. The cost: one
regular expression for each name.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from rig.errors import InputError, refused_at
from rig.tables import SUFFIXES, is_numeric, name_and_unit, plain_number, quantity_in, read_rows

WORDS = ("specimen", "batch", "operator", "notes", "sense", "zero")
LENGTHS = {"free height": "mm", "area": "mm^2"}
DATE = "date"
FILE = "file"
LEFT_OUT = "*"
"""A field of a pattern whose text is not kept."""

_FIELD = re.compile(r"\{([^{}]*)\}")
_DATES = (
    "%Y-%m-%dT%H:%M:%S%z", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M",
    "%Y-%m-%d", "%d.%m.%Y %H:%M", "%d.%m.%Y", "%Y%m%dT%H%M%S", "%Y%m%d_%H%M%S", "%Y%m%d-%H%M%S",
    "%Y%m%d_%H%M",
    "%Y%m%d-%H%M", "%Y%m%d", "%y%m%d_%H%M", "%y%m%d-%H%M", "%y%m%d",
)  # fmt: skip
_DIGITS = {"%y": (6, 10), "%Y": (8, 12, 14)}
_MOST_FILES = 100_000
_UNIT = re.compile(r"[°%]?[^\W\d_]\S*|%")


@dataclass(frozen=True, slots=True)
class FileFacts:
    """What a list or a name says of a file; None and empty where it says nothing.

    `words`: specimen, batch, operator, notes, sense, zero.
    `lengths`: "free height" in mm, "area" in mm^2.
    `conditions`: state, orientation and whatever else was named.
    `started`: when it was recorded.
    """

    words: Mapping[str, str] = field(default_factory=dict)
    lengths: Mapping[str, float] = field(default_factory=dict)
    conditions: Mapping[str, str] = field(default_factory=dict)
    started: datetime | None = None

    def over(self, other: FileFacts) -> FileFacts:
        """Return these facts, with those of the other where these say nothing."""
        return FileFacts(
            {**other.words, **self.words},
            {**other.lengths, **self.lengths},
            {**other.conditions, **self.conditions},
            self.started or other.started,
        )


def read_date(text: str, where: str) -> datetime:
    """Read a date, with a time or without; without a zone it is taken for UTC.

    Examples
    --------
    >>> read_date("250416_1012", "name").isoformat()
    '2025-04-16T10:12:00+00:00'
    """
    for form in _DATES:
        try:
            found = datetime.strptime(text.strip(), form)
        except ValueError:
            continue
        # Without marks, strptime also takes years, months and days with too few digits.
        if form.startswith(("%y%m", "%Y%m")) and len(re.sub(r"\D", "", text)) not in _DIGITS[form[:2]]:
            continue
        return found if found.tzinfo else found.replace(tzinfo=UTC)
    raise InputError(f"{where}: date: found {text!r:.40}, expected 2026-04-16, 20260416 or 16.04.2026")


def bare_name(path: Path) -> str:
    """Return a file's name without the endings of tables.

    Examples
    --------
    >>> bare_name(Path("F-90.1_spring.csv.gz"))
    'F-90.1_spring'
    """
    name = path.name
    for ending in (".gz", *SUFFIXES):
        if name.lower().endswith(ending) and len(name) > len(ending):
            name = name[: -len(ending)]
    return name


class NamePattern:
    """A pattern that file names are read by: text as it stands, and fields in braces.

    `{specimen}_{batch}_{date}` reads "F-90-014_spring_20260416.csv". Fields are specimen, batch, state, date,
    free_height, area, orientation, operator, notes, sense and zero; any other is kept as a condition, and
    `{*}` is left out. The name is read without its ending.
    """

    def __init__(self, text: str) -> None:
        names = _FIELD.findall(text)
        bare = _FIELD.sub("", text)
        if not names or "{" in bare or "}" in bare:
            raise InputError(
                f"--name: found {text!r:.60}, expected fields in braces such as "
                "'{specimen}_{batch}_{date}'"
            )
        if "}{" in text:
            raise InputError(
                f"--name: {text!r:.60}: two fields have nothing between them; put a character such as _ there"
            )
        self.text = text
        self._names = [name.strip().lower().replace("_", " ") for name in names]
        kept = [name for name in self._names if name != LEFT_OUT]
        doubled = sorted({name for name in kept if not name or kept.count(name) > 1})
        if doubled:
            raise InputError(f"--name: the field {doubled[0]!r} stands empty or twice in {text!r:.60}")
        parts = [re.escape(part) for part in re.split(r"\{[^{}]*\}", text)]
        self._shortest = re.compile("(.+?)".join(parts))
        self._longest = re.compile("(.+)".join(parts))

    def facts(self, path: Path) -> FileFacts:
        """Read the name of a file.

        Raises InputError if the pattern does not fit, or fits in more than one way.
        """
        name = bare_name(path)
        # Fields as short and as long as can be: where both agree, there is no third way.
        one, other = self._shortest.fullmatch(name), self._longest.fullmatch(name)
        if one is None or other is None:
            raise InputError(f"{path}: the name does not match --name {self.text!r:.60}")
        if one.groups() != other.groups():
            raise InputError(
                f"{path}: the name matches --name {self.text!r:.60} in several ways, such as "
                f"{', '.join(one.groups())!r:.60} or {', '.join(other.groups())!r:.60}; use other "
                "separators, or --list"
            )
        cells = {key: text for key, text in zip(self._names, one.groups(), strict=True) if key != LEFT_OUT}
        return _facts(cells, {}, str(path))


def read_list(path: Path) -> dict[str, FileFacts]:
    """Read a list of files: a table with the column `file`, and any of those that a name may hold.

    Units stand in the headings, "free height (mm)", or in the cells; a column of another name is a condition.

    Raises
    ------
    InputError
        Naming file and line.
    """
    known = {FILE, DATE, "state", "orientation", *WORDS, *LENGTHS}
    table = read_rows(path, lambda cell: _split(cell)[0] in known, most_rows=_MOST_FILES)
    columns = {heading: _split(heading) for heading in table.headings if heading}
    place = [heading for heading, (name, _) in columns.items() if name == FILE]
    if len(place) != 1:
        raise InputError(
            f"{table.where}, line {table.heading_line}, headings: found {', '.join(columns)}; "
            "expected one named file"
        )
    facts: dict[str, FileFacts] = {}
    for row in table.rows:
        name = Path(row.cells[place[0]].replace("\\", "/")).name
        if not name:
            raise InputError(f"{row.where}: file is empty; expected a name")
        if name in facts:
            raise InputError(f"{row.where}: file {name!r:.60} appears twice in the list")
        cells, units = {}, {}
        for heading, (key, unit) in columns.items():
            text = row.cells[heading]
            if text and key != FILE:
                is_length = key in LENGTHS
                measured = key not in (*WORDS, *LENGTHS, DATE) and _UNIT.fullmatch(unit) and is_numeric(text)
                cells[key] = row.number_text(heading) if is_length or measured else text
                # a condition is text, which is of no use without its unit
                cells[key] += f" {unit}" if measured else ""
                units[key] = unit
        facts[name] = _facts(cells, units, row.where)
    return facts


def _split(heading: str) -> tuple[str, str]:
    """Return name and unit of a heading; of a condition, what stands in brackets only is a unit."""
    name, unit = name_and_unit(heading)
    spelt = name.lower().replace("_", " ")
    if spelt in LENGTHS or heading.strip().endswith((")", "]")):
        return spelt, unit
    return heading.strip().lower().replace("_", " "), ""


def _facts(cells: Mapping[str, str], units: Mapping[str, str], where: str) -> FileFacts:
    lengths = {}
    for name, unit in LENGTHS.items():
        if name in cells:
            at = f"{where}: {name}"
            with refused_at(at):
                lengths[name] = quantity_in(plain_number(cells[name]), units.get(name, ""), unit)
            if not lengths[name] > 0:
                raise InputError(f"{at}: found {cells[name]!r:.40}, expected more than zero")
    return FileFacts(
        {name: cells[name] for name in WORDS if name in cells},
        lengths,
        {name: text for name, text in cells.items() if name not in (*WORDS, *LENGTHS, DATE)},
        read_date(cells[DATE], where) if DATE in cells else None,
    )
