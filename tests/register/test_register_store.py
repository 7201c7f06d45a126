"""The register's file: what it keeps, what it refuses, and two processes at once."""

from __future__ import annotations

import multiprocessing
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest

from rig.errors import InputError, RecorderError
from rig.register import Record, Register, corrected
from rig.register import store as register_store

DAY = "2026-04-02"


def fact(kind, text=None, specimen="F-90-001", **others):
    return Record(specimen=specimen, kind=kind, text=text, **({"at": DAY} | others))


@pytest.fixture
def register(tmp_path):
    with Register(tmp_path / "captures" / "specimens.sqlite") as made:
        made.add("F-90-001", [fact("batch", "spring"), fact("moulded", "2026-03-14", at="2026-03-14")])
        yield made


def test_what_was_written_is_there_when_the_file_is_opened_again(register):
    register.write([fact("mass", value=37.2, u=0.05, how="scale")])
    register.close()
    with Register(register.path, make=False) as again:
        piece = again.specimen("F-90-001")
    assert (piece.batch, piece.moulded, piece.mass.g, piece.mass.u_g) == ("spring", "2026-03-14", 37.2, 0.05)


def test_the_state_of_a_piece_is_that_of_the_day_asked_about(register):
    register.write([fact("state", "abused", at="2026-05-01"), fact("state", "conditioned", at="2026-04-10")])
    piece = register.specimen("F-90-001")
    assert piece.state == "abused"
    days = [datetime(2026, month, day, tzinfo=UTC) for month, day in ((4, 1), (4, 20), (5, 2))]
    assert [piece.state_at(day) for day in days] == [None, "conditioned", "abused"]


def test_a_correction_holds_and_the_wrong_record_stays_in_the_history(register):
    (number,) = register.write([fact("mass", value=73.2)])
    register.write([corrected(register.record(number), "digits swapped", value=37.2)])
    piece = register.specimen("F-90-001")
    assert [mass.g for mass in piece.masses] == [37.2]
    assert [r.value for r in piece.records if r.kind == "mass"] == [73.2, 37.2]
    assert piece.records[-1].reason == "digits swapped"


def test_a_record_that_was_withdrawn_no_longer_holds(register):
    (number,) = register.write([fact("mass", value=37.2)])
    register.write([fact("withdrawn", reason="it was another piece", corrects=number)])
    assert register.specimen("F-90-001").mass is None


def test_what_a_piece_has_for_life_changes_only_by_a_correction_with_a_reason(register):
    with pytest.raises(InputError, match="its batch is spring already, by record 2; correct that record"):
        register.write([fact("batch", "autumn")])
    register.write([corrected(register.record(2), "read off the wrong crate", text="autumn")])
    assert register.specimen("F-90-001").batch == "autumn"
    with pytest.raises(InputError, match="reason: is missing"):
        corrected(register.record(2), "  ", text="autumn")


def test_a_record_is_corrected_once_and_by_its_own_kind(register):
    register.write([corrected(register.record(2), "slip", text="autumn")])
    with pytest.raises(InputError, match="nothing to correct"):
        register.write([corrected(register.record(2), "slip", text="summer")])
    with pytest.raises(InputError, match="is a moulded; found a state"):
        register.write([fact("state", "new", corrects=3, reason="slip")])
    with pytest.raises(InputError, match="stays in the register"):
        register.write([fact("withdrawn", corrects=1, reason="slip")])


def test_the_file_itself_refuses_changes(register):
    with sqlite3.connect(register.path) as file:
        for order in ("UPDATE records SET value = 1", "DELETE FROM records"):
            with pytest.raises(sqlite3.IntegrityError, match="stay as they are"):
                file.execute(order)
    file.close()


def test_of_several_records_all_are_written_or_none(register):
    with pytest.raises(InputError, match="not in the register"):
        register.write([fact("mass", value=37.2), fact("mass", value=36.0, specimen="F-90-404")])
    assert register.specimen("F-90-001").mass is None


def test_an_id_spelt_nearly_so_is_asked_about_and_entered_as_another_on_a_word(register):
    with pytest.raises(InputError, match="did you mean F-90-001"):
        register.add("f90-1")
    with pytest.raises(InputError, match=r"not in the register .* \(did you mean F-90-001\?\)"):
        register.specimen("F-90-01")
    register.add("f90-1", another=True)
    assert register.ids() == ("F-90-001", "f90-1")
    with pytest.raises(InputError, match="is in the register already"):
        register.add("F-90-001")


@pytest.mark.parametrize(
    ("fields", "refused"),
    [
        ({"kind": "weight"}, "kind: found 'weight', expected one of"),
        ({"kind": "state", "text": "broken"}, "state: found 'broken', expected new, conditioned"),
        ({"kind": "mass"}, "mass: found None, expected a number of g"),
        ({"kind": "mass", "value": -1.0}, "mass value: found -1, expected more than zero"),
        ({"kind": "mass", "value": float("nan")}, "mass value: found nan"),
        ({"kind": "notes", "text": "x" * 3000}, "text: found 3000 characters"),
        ({"kind": "moulded", "text": "in spring"}, "moulded: found 'in spring', expected a day"),
        ({"kind": "state", "text": "new", "at": "2999-01-01"}, "at: 2999-01-01 is in the future"),
        ({"kind": "size", "value": 90.0}, "size: found no direction"),
        ({"kind": "batch", "text": " "}, "batch: found nothing"),
        ({"kind": "state", "text": "new", "specimen": "-x"}, "id: found '-x'"),
        ({"kind": "state", "text": "new", "specimen": "=a"}, "id: found '=a'"),
    ],
)
def test_what_cannot_be_a_fact_is_refused_in_words(fields, refused):
    with pytest.raises(InputError) as refusal:
        Record(**({"specimen": "F-90-001", "at": DAY} | fields))
    assert refused in str(refusal.value)


def test_other_files_and_later_registers_are_refused_and_left_alone(tmp_path):
    text = tmp_path / "notes.txt"
    text.write_text("no database " * 100)
    other = tmp_path / "other.sqlite"
    with sqlite3.connect(other) as file:
        file.execute("CREATE TABLE things (name TEXT)")
    file.close()
    later = tmp_path / "later.sqlite"
    Register(later).close()
    with sqlite3.connect(later) as file:
        file.execute("PRAGMA user_version = 9")
    file.close()
    for path, refused in (
        (text, "no register of specimens"),
        (other, "an SQLite file, but no register"),
        (later, "a register of version 9; this program knows 1"),
        (tmp_path / "none.sqlite", "no such register"),
    ):
        with pytest.raises(InputError, match=refused):
            Register(path, make=False)
    assert text.read_text().startswith("no database")


def test_a_register_that_another_process_keeps_locked_is_said_to_be(register, monkeypatch):
    monkeypatch.setattr(register_store, "PATIENCE_S", 0.05)
    with Register(register.path) as waiting:
        register._file.execute("BEGIN IMMEDIATE")
        with pytest.raises(RecorderError, match="locked"):
            waiting.write([fact("mass", value=37.2)])
        register._file.execute("ROLLBACK")


def enter_some(path: Path, first: int, started) -> None:
    started.wait()
    with Register(path) as register:
        for number in range(first, first + 20):
            register.add(f"F-90-{number:03d}", [fact("batch", "spring", specimen=f"F-90-{number:03d}")])


def test_two_processes_that_write_at_once_into_a_new_file_lose_nothing(tmp_path):
    path = tmp_path / "both.sqlite"
    context = multiprocessing.get_context("spawn")
    started = context.Barrier(2)
    both = [context.Process(target=enter_some, args=(path, first, started)) for first in (100, 200)]
    for process in both:
        process.start()
    for process in both:
        process.join(60)
    assert [process.exitcode for process in both] == [0, 0]
    with Register(path, make=False) as register:
        assert len(register.specimens(batch="spring")) == 40
        assert [record.number for record in register.records()] == list(range(1, 81))
