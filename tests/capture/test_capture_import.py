"""A table that somebody already has becomes samples, or a sentence that says what to change."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.capture import ColumnChoice, TableForm, import_table, parse_column
from rig.capture.resolution import estimate_resolution
from rig.errors import InputError
from rig.samples import RawChannel, Samples

MM = ColumnChoice("pos", "mm")
N = ColumnChoice("force", "N")


@pytest.fixture
def table(tmp_path: Path):
    def write(content: str | bytes) -> Path:
        path = tmp_path / "table.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def assert_values(samples: Samples, position: list[float], force: list[float]) -> None:
    np.testing.assert_array_equal(samples.position, position)
    np.testing.assert_array_equal(samples.force, force)


def test_a_hand_read_table_of_four_points_is_read_as_it_stands(table) -> None:
    # Read by hand on a soft moulded part, common practice, no source: inches and pounds made metric.
    path = table("pos,force\n12.7,8.90\n25.4,13.34\n38.1,17.79\n50.8,22.24\n")
    imported = import_table(path, position=MM, force=N)
    samples = imported.samples
    assert imported.notes == ()
    assert_values(samples, [12.7, 25.4, 38.1, 50.8], [8.90, 13.34, 17.79, 22.24])
    assert samples.position_channel == RawChannel("mm", 0.1)
    assert samples.force_channel == RawChannel("N", 0.01)
    assert samples.clock == "none"
    assert samples.time_us.tolist() == samples.seq.tolist() == [0, 1, 2, 3]
    assert samples.status.tolist() == [0, 0, 0, 0]


@pytest.mark.parametrize(
    "content",
    [
        "pos;force\n1,5;2,25\n3;4\n",
        "pos\tforce\n1,5\t2,25\n3\t4\n",
        "pos,force\n1.5,2.25\n3,4\n",
        "pos,force\r\n1.5,2.25\r\n\r\n3,4\r\n,\r\n",
        " pos , force \n 1.5 , 2.25 \n 3 , 4 \n",
        "pos force\n 1.5   2.25\n3 4\n",
        '"pos","force"\n"1.5","2.25"\n"3","4"\n',
        "\ufeffpos,force\n1.5,2.25\n3,4\n",
        "pos,other,force\n1.5,left,2.25\n3,right,4\n",
        "pos,force,\n1.5,2.25,\n3,4,\n",
        "pos,force\r1.5,2.25\r3,4",
        "pos,force\n+1.5e0,225E-2\n3.,4\n",
        "pos,force\n1.5,2.25\n3,4\n".encode("utf-16"),
    ],
)
def test_tables_of_every_make_give_the_same_samples(table, content: str | bytes) -> None:
    assert_values(import_table(table(content), position=MM, force=N).samples, [1.5, 3.0], [2.25, 4.0])


def test_a_decimal_comma_and_a_western_encoding_are_noted(table) -> None:
    path = table("pos;Kraft (µN)\n1,5;2\n".encode("latin-1"))
    imported = import_table(path, position=MM, force=ColumnChoice("Kraft (µN)", "N"))
    assert len(imported.notes) == 3
    assert "cp1252" in imported.notes[0]
    assert "the table says 'uN'" in imported.notes[1].replace("µ", "u")
    assert "decimal comma" in imported.notes[2]


def test_columns_by_number_need_no_headings(table) -> None:
    for content in ("7,1.5,2.25\n8,3,4\n", "a,b,c\n7,1.5,2.25\n8,3,4\n", "# made up\nx\n7,1.5,2.25\n8,3,4\n"):
        skip = 2 if content.startswith("#") else 0
        imported = import_table(
            table(content),
            position=parse_column("#2:mm"),
            force=parse_column("#3:N"),
            form=TableForm(skip_rows=skip),
        )
        assert_values(imported.samples, [1.5, 3.0], [2.25, 4.0])


def test_time_becomes_microseconds_and_units_are_kept(table) -> None:
    path = table("t,pos,force\n0.001,1,2\n0.0025,3,4\n")
    samples = import_table(
        path,
        time=parse_column("t:min"),
        position=parse_column("pos:in"),
        force=parse_column("force:lbf"),
        negate_force=True,
    ).samples
    assert samples.time_us.tolist() == [60_000, 150_000]
    assert samples.clock == "device"
    assert_values(samples, [1.0, 3.0], [-2.0, -4.0])
    assert (samples.force_channel.unit, samples.position_channel.unit) == ("lbf", "in")


def test_counts_are_kept_as_whole_numbers(table) -> None:
    path = table("pos,force\n-5,2147483647\n0,-3\n")
    samples = import_table(
        path,
        position=ColumnChoice("pos", "counts"),
        force=ColumnChoice("force", "counts"),
        negate_position=True,
    ).samples
    assert samples.force.dtype == samples.position.dtype == np.int32
    assert samples.position.tolist() == [5, 0]
    assert samples.force_channel == RawChannel()


def test_headings_may_hold_colons() -> None:
    assert parse_column("load: cell 2:kgf") == ColumnChoice("load: cell 2", "kgf")


@pytest.mark.parametrize("text", [":mm", "disp:", ""])
def test_a_column_without_its_unit_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="disp:mm"):
        parse_column(text)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("pos,force\n1,2\n\n3,heavy\n", r"line 4, column 'force': found 'heavy'; expected a number"),
        ("pos,force\n1,nan\n", r"line 2: no row has a number in all chosen columns"),
        ("pos,force\n1,1e999\n", r"line 2, column 'force': found '1e999'"),
        ("pos,force\n1,2\n3,4,5\n", r"line 3: found 3 cells, .* 2"),
        ("pos,force,x\n1,2\n3,4,5\n", r"line 2: found 2 cells"),
        ("pos\tforce\n1,234\t2\n", r"line 2, column 'pos': found '1,234'; the comma may be decimal"),
        ("pos;force\n1,5;2\n1.2,5;2\n", r"line 3, column 'pos': found '1.2,5'"),
        ("x,force\n1,2\n", r"line 1: no column 'pos'; found #1 'x', #2 'force'"),
        ("pos,pos,force\n1,1,2\n", r"more than one column 'pos'"),
        ("pos,force\n", r"headings only"),
        ("", r"found nothing"),
        ("\n \n", r"found nothing"),
        (b"pos,force\n1,2\n\0\0\n", r"byte 14: a zero byte"),
        ('pos,force\n1,2\n"3,4\n', r"table.csv"),
    ],
)
def test_what_cannot_be_read_is_refused_with_line_and_column(table, content: str | bytes, said: str) -> None:
    with pytest.raises(InputError, match=said):
        import_table(table(content), position=MM, force=N)


def test_a_time_that_does_not_rise_is_refused_with_its_line(table) -> None:
    path = table("t,pos,force\n0,1,1\n1,1,1\n\n0.5,1,1\n")
    with pytest.raises(InputError, match=r"line 5, column 't': found '0.5'; earlier than '1' before it"):
        import_table(path, time=parse_column("t:s"), position=MM, force=N)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"force": ColumnChoice("force", "mm")}, "is not a unit of force; write N"),
        ({"position": ColumnChoice("pos", "lbf")}, "is not a unit of position; write mm"),
        ({"time": ColumnChoice("pos", "counts")}, "is not a unit of time; write s"),
        ({"force": ColumnChoice("force", "florin")}, "is not a unit of force"),
        ({"force": ColumnChoice("#3", "N")}, "no column '#3'"),
        ({"force": ColumnChoice("force", "counts")}, "line 2, column 'force': found '2.5'; counts are whole"),
        ({"form": {"encoding": "klingon"}}, "klingon"),
        ({"form": {"delimiter": "ab"}}, "delimiter"),
        ({"form": {"decimal": "x"}}, "decimal sign"),
        ({"form": {"delimiter": ",", "decimal": ","}}, "must differ"),
        ({"form": {"skip_rows": 9}}, "found nothing after the first 9 lines"),
        ({"form": {"skip_rows": -1}}, "0 or more"),
    ],
)
def test_wrong_choices_are_refused_in_words(table, changes: dict, said: str) -> None:
    path = table("pos,force\n1,2.5\n")
    with pytest.raises(InputError, match=said):
        changes = dict(changes)
        if "form" in changes:
            changes["form"] = TableForm(**changes["form"])
        import_table(path, **({"position": MM, "force": N} | changes))


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such table"):
        import_table(tmp_path / "absent.csv", position=MM, force=N)


@settings(deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused_in_words(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.csv"
    for head in (b"", b"pos,force\n1,2\n"):
        path.write_bytes(head + content)
        try:
            imported = import_table(path, position=MM, force=N)
        except InputError:
            continue
        assert np.isfinite(imported.samples.force).all()


def test_ninety_thousand_rows_are_read_to_the_last_digit(table) -> None:
    rng = np.random.default_rng(1)
    seconds, position, force = np.arange(90_000) / 1000, rng.normal(size=90_000), rng.normal(size=90_000)
    rows = [
        f"{t:.3f},{p!r},{f!r}" for t, p, f in zip(seconds, position.tolist(), force.tolist(), strict=True)
    ]
    path = table("t,pos,force\n" + "\n".join(rows) + "\n")
    samples = import_table(path, time=parse_column("t:s"), position=MM, force=N).samples
    np.testing.assert_array_equal(samples.position, position)
    assert samples.time_us[-1] == 89_999_000


@pytest.mark.parametrize(
    ("values", "step"),
    [
        ([12.7, 25.4, 38.1, 50.8], 0.1),  # half inches read by hand, common practice, no source
        ([1.0, 2.0, 3.5], 0.1),
        ([10.0, 20.0, 30.0], 1.0),
        ([7.25], 0.01),
        (np.arange(500) * 5 / 1000, 0.005),
        (np.arange(0, 500, 2) * 0.25, 0.5),
        (np.round(np.arange(300) * 0.0024414, 5), 0.0024414),
        (np.arange(300) * 0.0024414062371, 0.0024414062371),
        (np.random.default_rng(3).normal(size=500), 0.0),
    ],
)
def test_resolution_is_the_step_that_the_numbers_show(values: list[float], step: float) -> None:
    assert estimate_resolution(np.asarray(values, np.float64)) == pytest.approx(step, rel=0.01)
