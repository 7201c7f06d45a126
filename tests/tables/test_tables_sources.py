"""Spreadsheets and compressed tables are read within bounds; pipes, devices and bombs are refused."""

from __future__ import annotations

import gzip
import os
import zipfile

import numpy as np
import pytest

from rig.capture import TableForm, import_table
from rig.errors import InputError
from rig.tables import archives, workbooks

ROWS = [(0.02 * n, 0.25 * n, 1.5 * n - 3) for n in range(30)]


def assert_rows(path, **asked) -> None:
    samples = import_table(path, **asked).samples
    np.testing.assert_array_equal(samples.position, [row[1] for row in ROWS])
    np.testing.assert_array_equal(samples.force, [row[2] for row in ROWS])


def xlsx(path, *sheets):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets:
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
    book.save(path)
    return path


def ods(path, rows):
    pytest.importorskip("odf")
    from odf.opendocument import OpenDocumentSpreadsheet
    from odf.table import Table, TableCell, TableRow
    from odf.text import P

    book = OpenDocumentSpreadsheet()
    table = Table(name="Data")
    for row in rows:
        line = TableRow()
        for value in row:
            number = isinstance(value, float)
            cell = (
                TableCell(valuetype="float", value=repr(value)) if number else TableCell(valuetype="string")
            )
            cell.addElement(P(text=str(value)))
            line.addElement(cell)
        table.addElement(line)
    book.spreadsheet.addElement(table)
    book.save(str(path))
    return path


HEAD = [("made up",), ("Time", "Travel", "Load"), ("s", "mm", "N")]


def test_a_sheet_of_xlsx_is_read(tmp_path) -> None:
    assert_rows(xlsx(tmp_path / "t.xlsx", ("Data", [*HEAD, *ROWS])))


def test_a_sheet_of_ods_is_read(tmp_path) -> None:
    assert_rows(ods(tmp_path / "t.ods", [*HEAD, *ROWS]))


def test_several_sheets_are_refused_until_one_is_named(tmp_path) -> None:
    other = [(time, -travel, load) for time, travel, load in ROWS]
    path = xlsx(tmp_path / "t.xlsx", ("Before", [*HEAD, *other]), ("Data", [*HEAD, *ROWS]))
    with pytest.raises(InputError, match='choose one: --sheet "Before" or --sheet "Data"'):
        import_table(path)
    assert_rows(path, form=TableForm(sheet="Data"))


def test_the_only_sheet_with_a_recording_is_taken_and_said(tmp_path) -> None:
    results = [("Specimen", "Max load (N)"), ("F-90-1", 55.2)]
    path = xlsx(tmp_path / "t.xlsx", ("Notes", [("a",)]), ("Results", results), ("Data", [*HEAD, *ROWS]))
    assert_rows(path)
    assert any("'Data' is the only one" in note for note in import_table(path).notes)


def test_a_formula_is_never_computed(tmp_path) -> None:
    # Written without a kept result, as no spreadsheet program has opened it: the cell is blank, not 2.
    path = xlsx(tmp_path / "t.xlsx", ("Data", [*HEAD, *ROWS, (0.6, 1.0, "=1+1")]))
    assert_rows(path)


def test_a_sheet_in_gzip_is_read(tmp_path) -> None:
    whole = xlsx(tmp_path / "t.xlsx", ("Data", [*HEAD, *ROWS])).read_bytes()
    path = tmp_path / "t.xlsx.gz"
    path.write_bytes(gzip.compress(whole))
    assert_rows(path)


def test_a_gzip_that_unpacks_to_too_much_is_refused(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(archives, "LARGEST_UNPACKED", 1 << 20)
    path = tmp_path / "t.csv.gz"
    path.write_bytes(gzip.compress(b"0,0,0\n" * (1 << 20)))
    with pytest.raises(InputError, match="unpacks to more than 1 MiB"):
        import_table(path)


def test_a_cut_gzip_is_refused(tmp_path) -> None:
    path = tmp_path / "t.csv.gz"
    path.write_bytes(gzip.compress(b"Pos (mm),Force (N)\n1,2\n" * 99)[:-9])
    with pytest.raises(InputError, match="cannot be unpacked"):
        import_table(path)


def repacked(path, name: str, change):
    with zipfile.ZipFile(path) as archive:
        parts = {each: archive.read(each) for each in archive.namelist()}
    (found,) = [each for each in parts if each.endswith(name)]
    parts[found] = change(parts[found])
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for each, content in parts.items():
            archive.writestr(each, content)
    return path


def test_a_spreadsheet_that_unpacks_to_too_much_is_refused(tmp_path, monkeypatch) -> None:
    for module in (archives, workbooks):
        monkeypatch.setattr(module, "LARGEST_UNPACKED", 1 << 20)
    path = xlsx(tmp_path / "t.xlsx", ("Data", [*HEAD, *ROWS]))
    repacked(path, "sheet1.xml", lambda content: content + b" " * (2 << 20))
    with pytest.raises(InputError, match="unpacks to more than 1 MiB"):
        import_table(path)


def test_a_cell_in_the_far_corner_is_refused_before_memory_is_taken(tmp_path) -> None:
    path = xlsx(tmp_path / "t.xlsx", ("Data", [*HEAD, *ROWS]))
    repacked(path, "sheet1.xml", lambda content: content.replace(b'r="C33"', b'r="XFD1048576"'))
    with pytest.raises(InputError, match="spans 17179869184 cells"):
        import_table(path)


def test_a_row_of_ods_repeated_a_million_times_is_refused(tmp_path) -> None:
    path = ods(tmp_path / "t.ods", [*HEAD, *ROWS])
    many = b'<table:table-row table:number-rows-repeated="9000000">'
    repacked(path, "content.xml", lambda content: content.replace(b"<table:table-row>", many, 1))
    with pytest.raises(InputError, match="spans"):
        import_table(path)


def test_entities_are_refused(tmp_path) -> None:
    path = xlsx(tmp_path / "t.xlsx", ("Data", [*HEAD, *ROWS]))
    repacked(path, "sheet1.xml", lambda content: b'<!DOCTYPE a [<!ENTITY b "c">]>' + content)
    with pytest.raises(InputError, match="defines entities"):
        import_table(path)


def test_a_file_that_is_not_in_a_zip_is_refused_with_those_that_are(tmp_path) -> None:
    path = tmp_path / "t.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a/", "")
    with pytest.raises(InputError, match="no file in this archive"):
        import_table(path)
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("run.csv", "Pos (mm),Force (N)\n1,2\n")
    with pytest.raises(InputError, match=r"no file 'walk\.csv' in this archive; .*--sheet .run\.csv"):
        import_table(path, form=TableForm(sheet="walk.csv"))


def test_a_zip_with_one_table_is_read_and_of_several_one_is_chosen(tmp_path) -> None:
    table = "Time (s),Travel (mm),Load (N)\n" + "".join(f"{t},{x},{f}\n" for t, x, f in ROWS)
    path = tmp_path / "t.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("run/", "")
        archive.writestr("run/readings.csv", table.encode("utf-16"))
    assert_rows(path)
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("read me.txt", "see the readings")
    with pytest.raises(
        InputError, match=r'2 files .* choose one: --sheet "run/readings\.csv" or --sheet "read me'
    ):
        import_table(path)
    assert_rows(path, form=TableForm(sheet="run/readings.csv"))
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("zeros.csv", b"0" * (archives.LARGEST_UNPACKED + 1))
    with pytest.raises(InputError, match="unpacks to more than"):
        import_table(path)


@pytest.mark.parametrize("end", [b"\n", b"\r"])
def test_a_line_longer_than_any_row_is_refused_with_its_number(tmp_path, end) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes((b"1,2,3" + end) * 40_000 + b"1.5," * 20_000 + end)
    with pytest.raises(InputError, match="line 40001: longer than 65536 bytes; expected one line per row"):
        import_table(path)


def test_a_zip_with_a_piece_cut_out_is_refused_in_words(tmp_path) -> None:
    path = tmp_path / "t.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<a/>" * 200)
        archive.writestr("readings.csv", "Time (s),Pos (mm),Force (N)\n0,1,2\n1,2,3\n" * 9)
    whole = path.read_bytes()
    for begin in range(4, len(whole) - 8, 3):
        path.write_bytes(whole[:begin] + whole[begin + 7 :])
        with pytest.raises(InputError, match=r"unpacked|spreadsheet|sheet|zero byte|found"):
            import_table(path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('{"a":' * 2000 + "1" + "}" * 2000, "deep"),
        ('{"time_s": 3, "disp_mm": {"unit": "mm"}}', "no row of numbers"),
        ('{"rate": 3, "data": ["a"]}', "JSON without a table; expected objects, or lists"),
        ('[{"time_s": 0, "disp_mm": 1}, {"time_s"', "not whole JSON"),
        ("{" + ",".join(f'"k{n}": 1' for n in range(1001)) + "}", "JSON without a table"),
        ('{"a": 1}\n{"a": 2}\n{"a"', "no heading names a force"),
    ],
)  # fmt: skip
def test_json_that_is_no_table_is_refused(tmp_path, text, words) -> None:
    path = tmp_path / "t.jsonl"
    path.write_text(text)
    with pytest.raises(InputError, match=words):
        import_table(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_pipes_and_devices_are_refused_at_once(tmp_path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    with pytest.raises(InputError, match="found a pipe"):
        import_table(tmp_path / "pipe.csv")
    with pytest.raises(InputError, match="found a device"):
        import_table("/dev/zero")
