"""Every command that reads a short table reads it in every dialect, with the same numbers."""

from __future__ import annotations

import codecs
import gzip
import io
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.calibration import force_table
from rig.errors import InputError
from rig.tables import name_and_unit, plain_number, read_rows, rows_of


def english(rows) -> bytes:
    return "".join(",".join(row) + "\n" for row in rows).encode()


def german(rows) -> bytes:
    return "".join(";".join(cell.replace(".", ",") for cell in row) + "\r\n" for row in rows).encode("cp1252")


def tabbed(rows) -> bytes:
    return codecs.BOM_UTF16_LE + "".join("\t".join(row) + "\n" for row in rows).encode("utf-16-le")


def quoted(rows) -> bytes:
    lines = "".join(",".join(f'"{cell.replace(".", ",")}"' for cell in row) + "\n" for row in rows)
    return b"\xef\xbb\xbf# for people: a, b\n\n" + lines.encode()


def preamble(rows) -> bytes:
    return b"Harbour workshop,invented\nMade,2026-04-16,by,somebody\n\n" + english(rows)


def units_below(rows) -> bytes:
    """Units move from the headings into a row of their own."""
    names = [cell.partition("_") for cell in rows[0]]
    if not any(unit in ("N", "mm") for _, _, unit in names):
        return english(rows)
    bare = [name if unit in ("N", "mm") else name + mark + unit for name, mark, unit in names]
    below = [f"({unit})" if unit in ("N", "mm") else "" for _, _, unit in names]
    return english([bare, below, *rows[1:]])


def packed(rows) -> bytes:
    return gzip.compress(german(rows))


def framed(rows) -> bytes:
    lines = ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join([lines[0], "|" + " --- |" * len(rows[0]), *lines[1:], ""]).encode()


def headings_again(rows) -> bytes:
    return english([*rows[:2], rows[0], *rows[2:]]).replace(b",", b"~")


def archived(rows) -> bytes:
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w") as archive:
        archive.writestr("table.csv", german(rows))
    return written.getvalue()


DIALECTS = (
    english, german, tabbed, quoted, preamble, units_below, packed, framed, headings_again, archived,
)  # fmt: skip

VERIFICATION = [
    ("run", "direction", "load_N", "indicated_N"),
    *(("1", "rising", f"{load}.5", f"{load}.52") for load in range(0, 50, 10)),
]
READINGS = [("load_N", "counts"), *((f"{load}.5", str(1000 * load + 7)) for load in range(0, 60, 10))]
SIZES = [
    ("id", "direction", "size_mm"),
    ("F-90-001", "diameter A", "90.4"),
    ("F-90-001", "diameter B", "89.8"),
]
TRIALS = [
    ("piece", "appraiser", "trial", "secant_n_per_mm"),
    *(
        (f"P{piece}", who, str(trial), f"{1 + piece / 10 + trial / 1000:.4f}")
        for piece in range(3) for who in ("A", "B") for trial in (1, 2)
    ),
]  # fmt: skip
PIECES = [
    ("piece", "batch", "secant_n_per_mm"),
    *((f"F-{n}", "spring" if n < 4 else "autumn", f"{1.5 + n / 100:.3f}") for n in range(8)),
]
CURVES = [
    ("piece", "deflection_mm", "loading_n", "unloading_n", "size_mm"),
    *(("F-1", f"{x}.5", f"{2 * x}.25", f"{2 * x}.125", "90.5") for x in range(5)),
]


@pytest.mark.parametrize("dialect", DIALECTS)
def test_readings_of_a_verification(tmp_path, dialect) -> None:
    from rig.results.verify_readings import read_verification

    path = tmp_path / "t.csv"
    path.write_bytes(dialect(VERIFICATION))
    found = read_verification(path, None).readings
    assert [(each.load_n, each.indicated_n) for each in found] == [
        (n + 0.5, n + 0.52) for n in range(0, 50, 10)
    ]


@pytest.mark.parametrize("dialect", DIALECTS)
def test_readings_of_a_calibration(tmp_path, dialect) -> None:
    from rig.cli.calibrate_options import table_text

    path = tmp_path / "t.csv"
    path.write_bytes(dialect(READINGS))
    found = force_table(table_text(path), "t.csv").readings
    assert [(each.reference, each.counts) for each in found] == [
        (n + 0.5, 1000 * n + 7) for n in range(0, 60, 10)
    ]


@pytest.mark.parametrize("dialect", DIALECTS)
def test_sizes_of_pieces(tmp_path, dialect) -> None:
    from rig.cli.specimens_sizes import _table

    path = tmp_path / "t.csv"
    path.write_bytes(dialect(SIZES))
    found = list(_table(path, "2026-04-16", None))
    assert [(each.specimen, each.detail, each.value) for each in found] == [
        ("F-90-001", "diameter A", 90.4),
        ("F-90-001", "diameter B", 89.8),
    ]


@pytest.mark.parametrize("dialect", [each for each in DIALECTS if each is not units_below])
def test_trials_and_pieces_and_curves(tmp_path, dialect) -> None:
    from rig.results.piece_curves import read_curves
    from rig.results.piece_tables import read_pieces
    from rig.results.study_values import read_trials

    path = tmp_path / "t.csv"
    path.write_bytes(dialect(TRIALS))
    assert read_trials(path, None).columns["value"] == [float(row[3]) for row in TRIALS[1:]]
    path.write_bytes(dialect(PIECES))
    found = read_pieces(path).results
    assert [each.values["secant_n_per_mm"] for each in found] == [float(row[2]) for row in PIECES[1:]]
    path.write_bytes(dialect(CURVES))
    (curve,) = read_curves(path, None)
    assert curve.size_mm.value == 90.5


@pytest.mark.parametrize("dialect", DIALECTS)
def test_the_register_of_specimens(tmp_path, dialect) -> None:
    from rig.register import Register, import_into
    from rig.tables import read_table_text

    path = tmp_path / "t.csv"
    path.write_bytes(dialect([("id", "batch", "size height_mm"), ("F-90-001", "spring", "90.5")]))
    with Register(tmp_path / "r.sqlite") as register:
        assert import_into(register, read_table_text(path).text, "t.csv")[0] == 1
        (piece,) = register.specimens()
    assert [(size.direction, size.mm) for size in piece.sizes] == [("height", 90.5)]


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_a_cell_with_both_marks_tells_what_they_mark_in_the_others(delimiter) -> None:
    rows = [("size_mm", "load_N"), ("1.234", "12.345,6"), ("999", "1,5"), ("1.234.567", "2.000")]
    table = rows_of("\n".join(map(delimiter.join, rows)), "x.csv", lambda cell: "_" in cell)
    found = [[row.number_text(name) for name in table.headings] for row in table.rows]
    assert found == [["1234", "12345.6"], ["999", "1.5"], ["1234567", "2000"]]


def test_a_table_with_both_marks_is_refused_where_one_may_mark_thousands() -> None:
    table = rows_of("id;x\na;1,5\nb;1.234\n", "t.csv", {"id", "x"}.__contains__)
    assert table.rows[0].number_text("x") == "1.5"
    with pytest.raises(InputError, match=r"line 3, column 'x': found '1.234' in a table with decimal commas"):
        table.rows[1].number_text("x")


def test_a_heading_of_blanks_costs_no_more_than_its_length() -> None:
    # each blank once could belong to three parts of the heading
    assert name_and_unit(f"a{' ' * 99}({' ' * 98}") == (f"a{' ' * 99}(", "")
    assert name_and_unit(" free height  ( mm ) ") == ("free height", "mm")
    assert name_and_unit("free height\n(mm)") == ("free height", "mm")


def test_the_word_in_front_of_a_row_of_units_is_no_unit() -> None:
    table = rows_of("id;x\nUnit:;mm\na;1,5\n", "t.csv", {"id", "x"}.__contains__)
    assert table.headings == ("id", "x (mm)")


def test_statistics_below_a_table_are_no_piece() -> None:
    with pytest.raises(InputError, match=r"line 4: found 'Mittelwert', a row of statistics"):
        rows_of("id;x\na;1,5\nb;1,7\nMittelwert;1,6\n", "t.csv", {"id", "x"}.__contains__)


@pytest.mark.parametrize("cell", ["1e999", "nan", "1 N", "-"])
def test_only_a_number_is_a_number(cell) -> None:
    table = rows_of(f"id;x\nF-1;{cell}\n", "t.csv", {"id", "x"}.__contains__)
    with pytest.raises(InputError, match="line 2, column 'x'"):
        table.rows[0].number("x")


def test_a_cell_longer_than_any_heading_is_not_looked_up() -> None:
    asked = []
    with pytest.raises(InputError):
        rows_of(f"{'a(' * 10_000}\n" * 400, "t.csv", lambda cell: bool(asked.append(cell)))
    assert not asked


def test_of_several_sheets_the_one_with_known_headings_is_read(tmp_path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.active.append(["by hand", "on the bench"])
    for title in ("Sizes", "More"):
        sheet = book.create_sheet(title)
        sheet.append(["id", "x"] if title == "Sizes" else ["remarks", "y"])
        sheet.append(["F-1", 1.5])
    book.save(tmp_path / "t.xlsx")
    assert read_rows(tmp_path / "t.xlsx", {"id", "x"}.__contains__).rows[0].number_text("x") == "1.5"
    with pytest.raises(InputError, match=r"several sheets hold a table .*save the one that is meant as CSV"):
        read_rows(tmp_path / "t.xlsx", {"nothing"}.__contains__)


def test_cells_keep_their_lines_and_inch_marks(tmp_path) -> None:
    path = tmp_path / "t.csv"
    path.write_text('# for people\nid,note\n\nF-1,"two\nlines"\nF-2,5" block\n')
    rows = read_rows(path, {"id", "note"}.__contains__).rows
    assert [(row.line, row.cells["note"]) for row in rows] == [(4, "two\nlines"), (6, '5" block')]


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("1,5", "1.5"), ("1.234,5", "1234.5"), ("1,234.5", "1234.5"), ("\u22121,5", "-1.5"),
        ("1 234,5", "1234.5"),
        ("1'234.5", "1234.5"), ("1e\u22123", "1e-3"), ("F-90", "F-90"), ("", ""), ("1,234,567", "1234567"),
    ],
)  # fmt: skip
def test_a_single_number(text, plain) -> None:
    assert plain_number(text) == plain


@settings(max_examples=300, deadline=None)
@given(st.text(alphabet='id,x;\t|"\n\r#1.5 mm()\u2212', max_size=200), st.binary(max_size=200))
def test_arbitrary_short_tables_never_give_a_traceback(tmp_path_factory, text, content) -> None:
    path = tmp_path_factory.getbasetemp() / "short.csv"
    for data in (text.encode(), content, b"id,x\n" + content):
        path.write_bytes(data)
        try:
            for row in read_rows(path, {"id", "x"}.__contains__).rows:
                row.number_text("x")
        except InputError:
            continue
