"""`pressrig import`: captures from tables that someone already has, one or a folder of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.capture import (
    CaptureHeader,
    CaptureWriter,
    FileFacts,
    NamePattern,
    TableForm,
    bare_name,
    import_key,
    import_table,
    imported_before,
    parse_column,
    read_list,
)
from rig.cli.options import (
    FILE,
    PATH,
    QuantityType,
    folder_option,
    read_zero,
    sense_and_zero_options,
    specimen_options,
)
from rig.cli.output import progress, say
from rig.errors import InputError
from rig.tables import SUFFIXES, file_sha256, holds_rows, read_table_text

if TYPE_CHECKING:
    from rig.capture import ColumnChoice, ImportedTable
    from rig.samples import Sense

NO_TIME = "none"
"""`--time none` leaves a column of time alone."""


@click.command("import")
@click.argument("files", nargs=-1, required=True, metavar="FILE|FOLDER...", type=PATH)
@click.option(
    "--time", "time_column", metavar="COL[:UNIT]",
    help='Time column; "none" if there is none and rows are in order.',
)  # fmt: skip
@click.option(
    "--position", "position_column", metavar="COL[:UNIT]", help='"travel:mm", "#2:in", "encoder:0.005 mm" ...'
)
@click.option("--force", "force_column", metavar="COL[:UNIT]", help='"load:N", "volts:50 N" ...')
@click.option(
    "--rate", "rate_hz", type=QuantityType("Hz"),
    help='Rows per second of a table without a time column, "50 Hz".',
)  # fmt: skip
@click.option("--delimiter", metavar="C", help="Column separator.  [default: detected]")
@click.option("--decimal", metavar="C", help="Decimal sign.  [default: detected]")
@click.option("--encoding", metavar="E", help="Text encoding.  [default: detected]")
@click.option("--sheet", metavar="NAME", help="Sheet of a workbook that has more than one.")
@click.option(
    "--skip-rows", type=click.IntRange(0), default=0, metavar="N", help="Number of lines before the table."
)
@click.option("--until-line", type=click.IntRange(1), metavar="N", help="Last line to read.")
@click.option("--negate-force", is_flag=True, help="Compression is negative in the table.")
@click.option("--negate-position", is_flag=True, help="Position in the table falls as the platen approaches.")
@click.option("--keep-signs", is_flag=True, help="Keep the table's signs, even if they look reversed.")
@click.option(
    "--list", "list_file", type=FILE, metavar="TABLE",
    help='Table with a column "file" and any of specimen, batch, state, date, free height (mm), '
            'area (mm^2), orientation, operator, notes, sense, zero; other columns become conditions.',
)  # fmt: skip
@click.option(
    "--name", "name_pattern", metavar="PATTERN",
    help='Pattern of the file names, "{specimen}_{batch}_{date}"; fields as in --list, {*} skips a part.',
)  # fmt: skip
@sense_and_zero_options
@specimen_options(required=False, default="the file name")
@folder_option("Folder for the captures.")
def command(
    files: tuple[Path, ...], *, list_file: Path | None, name_pattern: str | None, out: Path, **given: Any
) -> None:
    """Make a capture from each FILE: text, .gz, .xlsx or .ods with a position column and a force column.

    The table is found below any preamble. Headings and units decide which columns are used. If they are
    unclear, name each column by its heading or its number (#1 is the first), followed by a colon and its
    unit. Values keep their unit. In a FOLDER, every file that may be a table is read. Facts from --list come
    before those from the file name, and those before other options; without any, the specimen is named after
    the file. A file already imported into the same folder with the same options is skipped. The captures'
    paths are printed. If some files cannot be imported, the others still are, and the exit code is 2.
    """
    paths, of_folders = _files(files)
    order = _Order.of(given, out)
    listed = {} if list_file is None else read_list(list_file)
    pattern = None if name_pattern is None else NamePattern(name_pattern)
    before = imported_before(out)
    refused: list[InputError] = []
    made = passed = 0
    with progress("importing", len(paths)) as show:
        for done, path in enumerate(paths):
            show(done, path.name)
            try:
                new = order.perform(path, order.facts_of(path, listed, pattern, list_file), before)
            except InputError as problem:
                if path in of_folders and not _is_table(path):
                    say(f"pressrig: {path}: skipped, no table in it", err=True)
                else:
                    refused.append(problem)
                continue
            made, passed = made + new, passed + (not new)
        show(len(paths), "")
    _tell(made, passed, refused, len(paths))


def _files(given: Sequence[Path]) -> tuple[list[Path], set[Path]]:
    """Return the files as given, those that a pattern such as *.csv names, and those of folders, also
    apart."""
    found: list[Path] = []
    of_folders: set[Path] = set()
    for path in given:
        if not path.is_dir():
            found += _matching(path)
            continue
        inside = sorted(file for file in path.iterdir() if file.is_file() and not file.name.startswith("."))
        tables = [file for file in inside if file.name.lower().removesuffix(".gz").endswith(SUFFIXES)]
        if not tables:
            raise InputError(
                f"{path}: no tables in this folder; expected files ending in {', '.join(SUFFIXES)}"
            )
        if len(tables) < len(inside):
            other = next(file.name for file in inside if file not in tables)
            say(
                f"pressrig: {path}: skipped {len(inside) - len(tables)} that are not tables, such as {other}",
                err=True,
            )
        found += tables
        of_folders |= set(tables) - set(given)
    return list(dict.fromkeys(found)), of_folders


def _is_table(path: Path) -> bool:
    """Return whether a file of a folder holds any row of numbers; what cannot be read counts as one, to
    be named."""
    try:
        return holds_rows(read_table_text(path).text)
    except InputError:
        return True


def _matching(path: Path) -> list[Path]:
    """Return a path, or the files that it stands for where a shell left a pattern as it was."""
    if path.exists() or not any(mark in path.name for mark in "*?["):
        return [path]
    found = sorted(path.parent.glob(path.name)) if path.parent.is_dir() else []
    if not found:
        raise InputError(f"{path}: no such file")
    return found


@dataclass(frozen=True, slots=True)
class _Order:
    """What was asked for, the same for all files."""

    columns: dict[str, ColumnChoice]
    in_order: bool
    form: TableForm
    negate_force: bool
    negate_position: bool
    keep_signs: bool
    rate_hz: float | None
    default: FileFacts
    out: Path

    @staticmethod
    def of(given: dict[str, Any], out: Path) -> _Order:
        """Read the options."""
        in_order = given["time_column"] == NO_TIME
        columns = {
            kind: parse_column(given[f"{kind}_column"])
            for kind in ("time", "position", "force")
            if given[f"{kind}_column"] is not None and not (kind == "time" and in_order)
        }
        words = ("specimen", "batch", "operator", "notes", "sense", "zero")
        lengths = {"free height": given["free_height_mm"], "area": given["area_mm2"]}
        default = FileFacts(
            {name: given[name] for name in words if given[name]},
            {name: value for name, value in lengths.items() if value is not None},
            given["conditions"],
        )
        of_form = ("delimiter", "encoding", "decimal", "sheet", "skip_rows", "until_line")
        form = TableForm(**{name: given[name] for name in of_form})
        rate_hz = given["rate_hz"]
        if rate_hz is not None and "time" in columns:
            raise InputError("--rate and --time: found both; a time column already gives the spacing of rows")
        signs = {name: given[name] for name in ("negate_force", "negate_position", "keep_signs")}
        if given["keep_signs"] and (given["negate_force"] or given["negate_position"]):
            raise InputError("--keep-signs and --negate-...: found both; give the one that is meant")
        return _Order(columns, in_order, form, rate_hz=rate_hz, default=default, out=out, **signs)

    def facts_of(
        self, path: Path, listed: dict[str, FileFacts], pattern: Any, list_file: Path | None
    ) -> FileFacts:
        """Return what is known of a file: by the list, then its name, then the options."""
        if listed and path.name not in listed:
            raise InputError(f"{path}: not in {list_file}; add a row for it, or leave out the file")
        facts = listed.get(path.name, FileFacts())
        if pattern is not None:
            facts = facts.over(pattern.facts(path))
        facts = facts.over(self.default)
        return facts if "specimen" in facts.words else facts.over(FileFacts({"specimen": bare_name(path)}))

    def perform(self, path: Path, facts: FileFacts, before: dict[str, Path]) -> bool:
        """Import one file; False if it was imported before."""
        settings = {
            "columns": {kind: asdict(choice) for kind, choice in self.columns.items()},
            "in order": self.in_order,
            "form": asdict(self.form),
            "negate": [self.negate_force, self.negate_position] + ["keep"] * self.keep_signs,
            "rate": self.rate_hz,
            "facts": asdict(facts),
        }
        content = file_sha256(path)
        key = import_key(content, settings)
        if key in before:
            say(f"pressrig: {path}: imported before as {before[key]}; skipped", err=True)
            return False
        table = import_table(
            path,
            **self.columns,
            in_order=self.in_order,
            form=self.form,
            negate_force=self.negate_force,
            negate_position=self.negate_position,
            keep_signs=self.keep_signs,
            sense=_sense(path, facts),
            rate_hz=self.rate_hz,
            free_height_mm=facts.lengths.get("free height"),
            area_mm2=facts.lengths.get("area"),
        )
        for note in table.notes:
            say(f"pressrig: {note}", err=True)
        if content in before:
            twin = f"has the same contents as {before[content]}, and counts as another piece"
            say(f"pressrig: {path}: {twin}; `pressrig delete` removes one", err=True)
        before[key] = before[content] = self._write(path, table, facts, key)
        say(before[key])
        return True

    def _write(self, path: Path, table: ImportedTable, facts: FileFacts, key: str) -> Path:
        words, samples = facts.words, table.samples
        columns = {kind: choice.told() for kind, choice in table.taken.items()}
        header = CaptureHeader(
            specimen=words["specimen"],
            batch=words.get("batch"),
            free_height_mm=facts.lengths.get("free height"),
            area_mm2=facts.lengths.get("area"),
            operator=words.get("operator"),
            notes=words.get("notes", ""),
            conditions=dict(facts.conditions),
            sense=_sense(path, facts),
            zero=read_zero(words.get("zero")),
            force=samples.force_channel,
            position=samples.position_channel,
            clock=samples.clock,
            source=str(path),
            imported={"sha256": table.sha256, "key": key, "columns": columns},
        )
        started = facts.started or table.started
        if started is not None:
            header = replace(header, started=started)
        with CaptureWriter.create(self.out, header) as writer:
            writer.append(samples)
            writer.end("imported")
        return writer.path


def _sense(path: Path, facts: FileFacts) -> Sense:
    sense = facts.words.get("sense", "compression").lower()
    if sense not in ("compression", "tension"):
        raise InputError(f"{path}: sense: found {sense!r:.40}, expected compression or tension")
    return "tension" if sense == "tension" else "compression"


def _tell(made: int, passed: int, refused: Sequence[InputError], asked: int) -> None:
    """Counts of a folder, and every file that was refused."""
    if asked == 1 and refused:
        raise refused[0]
    if asked > 1:
        say(f"pressrig: {made} imported, {passed} imported before, {len(refused)} refused", err=True)
    if refused:
        raise InputError(
            f"{len(refused)} of {asked} files were not imported:\n"
            + "\n".join(f"  {problem}" for problem in refused)
        )
