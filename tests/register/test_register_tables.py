"""Tables of the register: out and in again, and what a person's spreadsheet may hold."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.register import Record, Register, corrected, import_into, records_csv, specimens_csv

EXAMPLE = Path(__file__).parents[2] / "configs" / "specimens" / "floats.csv"


@pytest.fixture
def register(tmp_path):
    with Register(tmp_path / "pieces.sqlite") as made:
        yield made


@pytest.fixture
def fresh(tmp_path):
    with Register(tmp_path / "fresh.sqlite") as made:
        yield made


def test_a_history_comes_back_exactly_corrections_and_odd_texts_included(register, fresh):
    odd = 'lies "flat",\nsecond line; ümlaut'
    register.add("F-90-001")
    (number,) = register.write(
        [
            Record(
                specimen="F-90-001",
                kind="size",
                value=90.123456789,
                u=0.1 / 3,
                detail="diameter A",
                force_n=2.0,
                at="2026-04-02T09:30:00+02:00",
                who="quay",
            )
        ]
    )
    register.write([corrected(register.record(number), "read twice", value=90.2, detail="diameter B")])
    register.write([Record(specimen="F-90-001", kind="notes", text=odd, at="2026-04-02")])
    import_into(fresh, records_csv(register.records()), "history.csv")
    assert fresh.records() == register.records()
    with pytest.raises(InputError, match="read into a new register only"):
        import_into(fresh, records_csv(register.records()), "history.csv")


def test_one_row_a_piece_comes_back_as_the_same_rows(register, fresh):
    import_into(register, EXAMPLE.read_text(), "floats.csv")
    table = specimens_csv(register.specimens())
    import_into(fresh, table, "export.csv")
    assert specimens_csv(fresh.specimens()) == table


def test_the_example_tells_masses_sizes_and_what_is_missing(register):
    assert import_into(register, EXAMPLE.read_text(), "floats.csv")[0] == 5
    piece = register.specimen("F-90-004")
    assert piece.missing() == ("mass", "captures")
    assert (piece.drawing_size_mm, piece.sizes[0].mm, piece.sizes[0].at) == (90.0, 90.2, "2026-04-02")
    assert [each.id for each in register.specimens(state="abused")] == ["F-90-005"]


def test_a_table_that_is_read_twice_adds_nothing(register):
    import_into(register, EXAMPLE.read_text(), "floats.csv")
    assert import_into(register, EXAMPLE.read_text(), "floats.csv") == (0, 0)


def test_units_stand_in_headings_or_in_cells_and_decimals_may_have_commas(register):
    table = "id;mass_oz;drawing size;size length (in)\nF-90-001;1,31;9 cm;2,5\n"
    import_into(register, table, "ounces.csv")
    piece = register.specimen("F-90-001")
    assert piece.mass.g == pytest.approx(1.31 * 28.349523125)
    assert (piece.drawing_size_mm, piece.sizes[0].mm) == pytest.approx((90.0, 63.5))


@pytest.mark.parametrize(
    ("table", "refused"),
    [
        ("id,mass (g)\nF-90-001,37.2 N\n", "t.csv, line 2: mass (g): unit 'N' does not convert"),
        ("id,mass\nF-90-001,37.2\n", "t.csv, line 2: mass: found '37.2' without a unit"),
        ("id,colour\nF-90-001,red\n", "t.csv, headings: found 'colour', expected id, batch"),
        ("id,batch\nF-90-001,spring\nF-90-001,autumn\n", "t.csv, line 3: specimen F-90-001 stands in"),
        ("id,batch\nF-90-001\n", "t.csv, line 2: found 1 cells, expected 2"),
        ("id,moulded\nF-90-001,spring\n", "t.csv, line 2: moulded: found 'spring', expected a day"),
        ("name,batch\nF-90-001,spring\n", "t.csv, headings: found 'name', expected id"),
        ("batch,model\nspring,F-90\n", "t.csv, headings: found batch, model; expected one named id"),
        ("id,batch,batch\nF-90-001,a,b\n", "t.csv, line 1, headings: more than one column batch"),
        ("id,batch\n", "t.csv, line 1: found headings only; expected rows"),
        ("", "t.csv: found nothing"),
        (
            "number,specimen,kind,at,written\n1,F-90-001,mass,2026-04-02,2026-04-02\n",
            "line 2: mass: found None",
        ),
        (
            "number,specimen,kind,at,written\nx,F-90-001,registered,2026-04-02,2026-04-02\n",
            "number: found 'x'",
        ),
        (
            "number,specimen,kind,at,written,text\n1,F-90-001,batch,2026-04-02,2026-04-02,b\n",
            "none that enters",
        ),
    ],
)
def test_a_wrong_table_is_refused_with_its_line_and_nothing_is_written(register, table, refused):
    with pytest.raises(InputError) as refusal:
        import_into(register, table, "t.csv")
    assert refused in str(refusal.value)
    assert register.ids() == ()


def test_a_row_that_contradicts_the_register_writes_none_of_the_table(register):
    import_into(register, "id,batch\nF-90-001,spring\n", "t.csv")
    with pytest.raises(InputError, match="its batch is spring already"):
        import_into(register, "id,batch\nF-90-002,autumn\nF-90-001,autumn\n", "t.csv")
    assert register.ids() == ("F-90-001",)


HEADINGS = st.sampled_from(
    ["id", "number", "batch", "mass (g)", "u mass (g)", "size A (mm)", "measured", "at"]
)
CELLS = st.one_of(
    st.text(max_size=8), st.sampled_from(["F-1", "1", "-1", "1e400", "nan", "2026-04-02", "new", '"'])
)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(HEADINGS, min_size=1, max_size=5),
    st.lists(st.lists(CELLS, min_size=1, max_size=5), max_size=3),
    st.sampled_from(",;\t"),
)
def test_no_table_makes_more_than_a_refusal(headings, rows, separator):
    lines = [separator.join(cells) for cells in [headings, *rows]]
    with Register(Path(":memory:")) as memory, suppress(InputError):
        import_into(memory, "\n".join(lines), "t.csv")
