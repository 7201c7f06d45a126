"""The register's file: SQLite, one table, nothing in it is ever changed.

Problem: two commands write at once, one is killed half way, an older program opens a newer file. Plan: each
write is one transaction that begins by taking the right to write, so that what it decides from is still so
when it writes; the file itself refuses changes; its version stands in it. Cost: one open file; a register of
ten thousand pieces is read in about a second.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from rig.errors import InputError, RecorderError
from rig.register import records as kinds
from rig.register.linking import Linked, SeenCapture, plan_links
from rig.register.near_ids import near_ids, similar_ids
from rig.register.records import FIXED, Record, now
from rig.register.specimen import RegisteredSpecimen

VERSION = 1
"""Of the table's shape."""

APPLICATION = 0x50524547
"""Stands in the file's head, so that another SQLite file is not taken for a register."""

PATIENCE_S = 10.0
"""For another process to finish writing, which takes milliseconds."""

MOST_RECORDS = 2_000_000
"""Above this the register would no longer be read whole in reasonable memory."""

COLUMNS = (
    "number",
    "specimen",
    "kind",
    "text",
    "value",
    "u",
    "detail",
    "force_n",
    "how",
    "at",
    "who",
    "reason",
    "corrects",
    "written",
)

_SHAPE = (
    """CREATE TABLE records (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    specimen TEXT NOT NULL,
    kind TEXT NOT NULL,
    text TEXT,
    value REAL,
    u REAL,
    detail TEXT,
    force_n REAL,
    how TEXT,
    at TEXT NOT NULL,
    who TEXT,
    reason TEXT,
    corrects INTEGER UNIQUE REFERENCES records (number),
    written TEXT NOT NULL
)""",
    "CREATE INDEX records_of_specimen ON records (specimen)",
    "CREATE UNIQUE INDEX specimen_once ON records (specimen) WHERE kind = 'registered'",
    """CREATE TRIGGER records_stay BEFORE UPDATE ON records
BEGIN SELECT RAISE(ABORT, 'records stay as they are; write one that corrects it'); END""",
    """CREATE TRIGGER records_remain BEFORE DELETE ON records
BEGIN SELECT RAISE(ABORT, 'records stay as they are; write one that withdraws it'); END""",
)


class Register:
    """The specimens of one file; use it in a `with` block.

    Parameters
    ----------
    path
        Of the file; it is made, with its folder, where it does not exist.

    Raises
    ------
    InputError
        If the file is no register, or one of a later version, or does not exist and may not be made.
    RecorderError
        If the disk refuses.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder, Register(Path(folder) / "pieces.sqlite") as register:
    ...     told = Record(specimen="F-90-001", kind="batch", text="spring", at="2026-03-14")
    ...     register.add("F-90-001", [told])
    ...     register.specimen("F-90-001").batch
    'spring'
    """

    def __init__(self, path: Path, *, make: bool = True) -> None:
        self.path = path
        if not make and not path.exists():
            raise InputError(f"{path}: no such register; `pressrig specimens add` makes one")
        with self._worded():
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file = sqlite3.connect(path, timeout=PATIENCE_S, isolation_level=None)
        try:
            with self._worded():
                self._open()
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Register:
        return self

    def __exit__(self, *ending: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; what was written is on disk already."""
        self._file.close()

    def ids(self) -> tuple[str, ...]:
        """Return the ids of all specimens, in order."""
        found = self._ask("SELECT specimen FROM records WHERE kind = ? ORDER BY specimen", kinds.REGISTERED)
        return tuple(row[0] for row in found)

    def specimen(self, name: str) -> RegisteredSpecimen:
        """Return one piece.

        Raises InputError if it is not known; the message asks about those spelt nearly so.
        """
        found = self._records("WHERE specimen = ?", name)
        if not found:
            near = near_ids(name, self.ids())
            asked = f" (did you mean {' or '.join(near)}?)" if near else ""
            raise InputError(f"specimen {name}: is not in the register {self.path}{asked}")
        return RegisteredSpecimen.of(name, found)

    def specimens(
        self, *, batch: str | None = None, state: str | None = None
    ) -> tuple[RegisteredSpecimen, ...]:
        """Return all pieces in the order of their ids, or those of a batch, or in a state."""
        every = self._by_id().values()
        return tuple(
            specimen
            for specimen in every
            if batch in (None, specimen.batch) and state in (None, specimen.state)
        )

    def records(self) -> tuple[Record, ...]:
        """Return all that was ever written, in order."""
        return tuple(self._records(""))

    def record(self, number: int) -> Record:
        """Return one record by its number.

        Raises InputError if there is none.
        """
        found = self._records("WHERE number = ?", number)
        if not found:
            raise InputError(f"record {number}: there is none; `pressrig specimens show ID` lists them")
        return found[0]

    def add(self, name: str, facts: Sequence[Record] = (), *, another: bool = False) -> None:
        """Enter a piece.

        Parameters
        ----------
        another
            It is another piece than those whose ids are spelt nearly so.

        Raises
        ------
        InputError
            If it is known already, or one spelt nearly so is.
        """
        self.take_over(facts, entered=[name], another=another)

    def write(self, records: Iterable[Record]) -> tuple[int, ...]:
        """Write facts and corrections: all of them, or none.

        Returns
        -------
        Their numbers.

        Raises
        ------
        InputError
            If a specimen is not known, a fixed fact would change without a correction, or a correction
            corrects nothing that holds.
        """
        with self._writing():
            return self._append(records)

    def take_over(self, records: Sequence[Record], *, entered: Sequence[str], another: bool = False) -> None:
        """Enter specimens and write what is known of them, all or nothing.

        Raises InputError as `add` and `write`.
        """
        with self._writing():
            known = self.ids()
            for name in entered:
                self._enter(name, known, another=another)
            self._append(records)

    def restore(self, records: Sequence[Record]) -> None:
        """Write a whole history with its numbers into an empty register.

        Raises InputError if the register is not empty, or the history does not hold together.
        """
        with self._writing():
            if self._ask("SELECT 1 FROM records LIMIT 1"):
                raise InputError(
                    f"{self.path}: holds records; a whole history is read into a new register only"
                )
            for record in sorted(records, key=lambda record: record.number):
                self._insert(record)
            for name, specimen in self._by_id().items():
                if not any(record.kind == kinds.REGISTERED for record in specimen.records):
                    raise InputError(f"specimen {name}: has records, but none that enters it")
                own = {record.number for record in specimen.records}
                for record in specimen.records:
                    if record.corrects is not None and record.corrects not in own:
                        raise InputError(
                            f"record {record.number}: corrects {record.corrects}, which is not {name}'s"
                        )

    def link(self, seen: Iterable[SeenCapture], *, add: bool = False) -> Linked:
        """Attach captures to their pieces; see `rig.register.linking`."""
        with self._writing():
            linked, records = plan_links(self._by_id(), seen, add=add, at=now())
            for record in records:
                self._insert(record)
            return linked

    def _open(self) -> None:
        self._file.execute("PRAGMA foreign_keys = ON")
        # a record that was acknowledged outlives a power failure
        self._file.execute("PRAGMA synchronous = FULL")
        if self._version() == VERSION:
            return
        with self._writing():
            # looked at again under the lock: another process may have made the register meanwhile
            version, application = self._version(), self._ask("PRAGMA application_id")[0][0]
            if version > VERSION and application == APPLICATION:
                raise InputError(
                    f"{self.path}: a register of version {version}; this program knows {VERSION}; update it"
                )
            if version == VERSION and application == APPLICATION:
                return
            if version or application or self._ask("SELECT 1 FROM sqlite_master LIMIT 1"):
                raise InputError(f"{self.path}: an SQLite file, but no register of specimens")
            for statement in _SHAPE:
                self._file.execute(statement)
            # a PRAGMA takes no parameters; both are this module's own whole numbers
            self._file.execute(f"PRAGMA application_id = {APPLICATION:d}")
            self._file.execute(f"PRAGMA user_version = {VERSION:d}")

    def _version(self) -> int:
        version: int = self._ask("PRAGMA user_version")[0][0]
        if version == VERSION and self._ask("PRAGMA application_id")[0][0] != APPLICATION:
            raise InputError(f"{self.path}: an SQLite file, but no register of specimens")
        return version

    def _enter(self, name: str, known: Sequence[str], *, another: bool) -> None:
        if name in known:
            raise InputError(f"specimen {name}: is in the register already; expected a new id")
        near = [] if another else similar_ids(name, known)
        if near:
            raise InputError(
                f"specimen {name}: did you mean {' or '.join(near)}? If it is another piece, say so "
                "(--another)"
            )
        self._insert(Record(specimen=name, kind=kinds.REGISTERED, at=now()))

    def _append(self, records: Iterable[Record]) -> tuple[int, ...]:
        known: dict[str, RegisteredSpecimen] = {}
        numbers = []
        for record in records:
            name = record.specimen
            if name not in known:
                known[name] = self.specimen(name)
            self._check(record, known[name])
            numbers.append(self._insert(record))
            # the next record of the same piece is checked against this one
            stored = replace(record, number=numbers[-1])
            known[name] = RegisteredSpecimen.of(name, [*known[name].records, stored])
        return tuple(numbers)

    def _check(self, record: Record, specimen: RegisteredSpecimen) -> None:
        if record.corrects is None:
            held = specimen.last(record.kind)
            if record.kind in FIXED and held is not None:
                raise InputError(
                    f"specimen {specimen.id}: its {record.kind.replace('_', ' ')} is "
                    f"{held.text or f'{held.value:g} mm'} already, by record {held.number}; correct that "
                    "record with a reason, if it is wrong"
                )
            return
        if record.corrects not in {event.number for event in specimen.holding}:
            raise InputError(
                f"record {record.corrects}: holds nothing of {specimen.id} now, so there is nothing "
                f"to correct there; `pressrig specimens show {specimen.id}` lists what holds"
            )
        wrong = self.record(record.corrects)
        if wrong.kind == kinds.REGISTERED:
            raise InputError(f"record {wrong.number}: enters the piece itself, which stays in the register")
        if record.kind not in (wrong.kind, kinds.WITHDRAWN):
            raise InputError(
                f"record {wrong.number}: is a {wrong.kind}; found a {record.kind} that corrects it"
            )

    def _insert(self, record: Record) -> int:
        values = (
            record.number or None,
            *(getattr(record, name) for name in COLUMNS[1:-1]),
            record.written or now(),
        )
        marks = ", ".join("?" for _ in COLUMNS)
        done = self._file.execute(f"INSERT INTO records ({', '.join(COLUMNS)}) VALUES ({marks})", values)
        assert done.lastrowid is not None
        return done.lastrowid

    def _by_id(self) -> dict[str, RegisteredSpecimen]:
        found: dict[str, list[Record]] = {}
        for record in self._records(""):
            found.setdefault(record.specimen, []).append(record)
        return {name: RegisteredSpecimen.of(name, found[name]) for name in sorted(found)}

    def _records(self, which: str, *values: object) -> list[Record]:
        rows = self._ask(f"SELECT {', '.join(COLUMNS)} FROM records {which} ORDER BY number", *values)
        if len(rows) > MOST_RECORDS:
            raise InputError(f"{self.path}: more than {MOST_RECORDS} records, expected fewer")
        try:
            return [Record(**dict(zip(COLUMNS, row, strict=True))) for row in rows]
        except (InputError, TypeError) as problem:
            raise InputError(f"{self.path}: holds a record that cannot be: {problem}") from None

    def _ask(self, question: str, *values: object) -> list[tuple[Any, ...]]:
        with self._worded():
            return self._file.execute(question, values).fetchmany(MOST_RECORDS + 1)

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """Hold the right to write, and write all of it or nothing."""
        with self._worded():
            self._file.execute("BEGIN IMMEDIATE")
            try:
                yield
            except BaseException:
                if self._file.in_transaction:  # a full disk has ended it already
                    self._file.execute("ROLLBACK")
                raise
            self._file.execute("COMMIT")

    @contextmanager
    def _worded(self) -> Iterator[None]:
        """Put SQLite's refusals in this program's words."""
        try:
            yield
        except sqlite3.IntegrityError as problem:
            raise InputError(f"{self.path}: the record does not fit the others ({problem})") from None
        except sqlite3.OperationalError as problem:
            raise RecorderError(f"{self.path}: cannot be read or written ({problem})") from None
        except sqlite3.DatabaseError as problem:
            raise InputError(f"{self.path}: no register of specimens ({problem})") from None
