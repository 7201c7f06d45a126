"""The numbers of a table come back whatever it is written in, or it is refused in words."""

from __future__ import annotations

import re

import numpy as np
import pytest
from dialects import ENCODINGS, FOOTERS, PREAMBLES, Dialect
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.capture import TableForm, import_table, parse_column
from rig.errors import InputError

ROWS = [(round(0.02 * n, 3), round(0.2 * n - 1, 3), round(-3.25 + 41.5 * n, 3)) for n in range(40)]


def assert_same(path, rows=ROWS, **asked) -> None:
    samples = import_table(path, **asked).samples
    time, position, force = (np.array(column) for column in zip(*rows, strict=True))
    np.testing.assert_array_equal(samples.position, position)
    np.testing.assert_array_equal(samples.force, force)
    np.testing.assert_array_equal(samples.time_us, np.rint(time * 1e6).astype(np.int64))


@pytest.mark.parametrize(
    ("language", "encoding"), [(word, code) for word, codes in ENCODINGS.items() for code in codes]
)
@pytest.mark.parametrize("units", ["row", "bare row", "heading"])
def test_each_language_and_encoding_is_read_without_options(tmp_path, language, encoding, units) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(Dialect(language, encoding, ";", ",", units=units).table(ROWS))
    assert_same(path)


@st.composite
def any_dialect(draw) -> Dialect:
    language = draw(st.sampled_from(sorted(ENCODINGS)))
    encoding = draw(st.sampled_from(ENCODINGS[language]))
    decimal = draw(st.sampled_from([".", ","]))
    quoted = draw(st.booleans())
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"] if decimal == "." or quoted else [";", "\t", "|"]))
    marks = ["", " ", "'", "," if decimal == "." else "."]
    if not quoted:
        marks = [mark for mark in marks if mark != delimiter]
    unicode_too = encoding.startswith("utf")
    return Dialect(
        language,
        encoding,
        delimiter,
        decimal,
        draw(st.sampled_from(marks)),
        draw(st.sampled_from(["row", "bare row", "heading"])),
        quoted,
        draw(st.sampled_from(PREAMBLES)),
        draw(st.sampled_from(FOOTERS)),
        draw(st.sampled_from(["-", "\u2212"])) if unicode_too else "-",
        draw(st.sampled_from(["\n", "\r\n"])),
        draw(st.booleans()),
    )


value = st.integers(-9_999_999, 9_999_999).filter(lambda n: not re.fullmatch("-?9{3,}0*", str(n)))
"""Nines only may stand for no reading."""


@settings(max_examples=300, deadline=None)
@given(any_dialect(), st.lists(st.tuples(value, value), min_size=3, max_size=40), st.integers(1, 4))
def test_a_table_in_any_dialect_gives_its_numbers_or_is_refused(
    tmp_path_factory, dialect, pairs, decimals
) -> None:
    rows = [
        (n, round(a / 10**decimals, decimals), round(b / 10**decimals, decimals))
        for n, (a, b) in enumerate(pairs)
    ]
    path = tmp_path_factory.getbasetemp() / "any_dialect.csv"
    path.write_bytes(dialect.table(rows, decimals))
    try:
        samples = import_table(path, keep_signs=True).samples
    except InputError as refusal:
        # Only where one mark before three digits may be either is there anything to ask.
        assert decimals == 3 and "may be decimal or mark thousands" in str(refusal), str(refusal)
        return
    np.testing.assert_array_equal(samples.position, [a for _, a, _ in rows])
    np.testing.assert_array_equal(samples.force, [b for _, _, b in rows])


@settings(max_examples=300, deadline=None)
@given(
    st.binary(max_size=400),
    st.sampled_from([b"", b"Time (s),Pos (mm),Force (N)\n0,1,2\n1,2,3\n", b"\x1f\x8b", b"PK\x03\x04"]),
)
def test_arbitrary_bytes_never_give_a_traceback(tmp_path_factory, content, head) -> None:
    path = tmp_path_factory.getbasetemp() / "any_bytes.csv"
    path.write_bytes(head + content)
    try:
        samples = import_table(path).samples
    except InputError:
        return
    assert np.isfinite(samples.force).all()
    assert (np.diff(samples.time_us) > 0).all()


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet='0123456789.,;:-+eE"\t #()smNT\n\u2212', max_size=300))
def test_texts_that_look_like_tables_never_give_a_traceback(tmp_path_factory, text) -> None:
    path = tmp_path_factory.getbasetemp() / "any_text.csv"
    path.write_text(text, encoding="utf-8")
    for asked in ({}, {"position": parse_column("#1:mm"), "force": parse_column("#2:N")}):
        try:
            import_table(path, **asked)
        except InputError:
            continue


CONTENT = "\n".join(",".join(map(str, row)) for row in ROWS)


def written(tmp_path, text: str):
    path = tmp_path / "t.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_units_in_headings_of_every_form(tmp_path) -> None:
    for names in (
        "Time (s),Displacement (mm),Force (N)",
        "Time [s],Displacement [mm],Force [N]",
        '"Time, s","Displacement, mm","Force, N"',
        "time_s,disp_mm,load_N",
        "Time / s,Travel / mm,Load / N",
        '"Time\n(s)","Position\n(mm)","Force\n(N)"',
    ):
        assert_same(written(tmp_path, f"{names}\n{CONTENT}\n"))


def test_headings_that_allow_two_readings_are_refused_with_the_options_to_type(tmp_path) -> None:
    lines = "\n".join(f"{t},{x},{x + 1},{f}" for t, x, f in ROWS)
    path = written(tmp_path, f"Time (s),Extension (mm),Displacement (mm),Load (N)\n{lines}\n")
    with pytest.raises(InputError) as refusal:
        import_table(path)
    assert '--position "Displacement (mm):mm" --force "Load (N):N"' in str(refusal.value)
    assert_same(path, position=parse_column("Extension (mm)"))


def test_tables_side_by_side_of_unequal_length_are_read_one_by_one(tmp_path) -> None:
    lines = [f"{t},{x},{f},," + (f"{t},{x + 1},{f}" if n < 25 else "") for n, (t, x, f) in enumerate(ROWS)]
    path = written(tmp_path, "A,,,,B,,\nTime,Pos,Force,,Time,Pos,Force\ns,mm,N,,s,mm,N\n" + "\n".join(lines))
    with pytest.raises(InputError, match=r'or: --time "#5:s" --position "#6:mm" --force "#7:N"'):
        import_table(path)
    second = import_table(
        path, **{n: parse_column(c) for n, c in (("time", "#5:s"), ("position", "#6"), ("force", "#7"))}
    )
    assert len(second.samples.force) == 25
    assert any("15 of 40 rows left out" in note for note in second.notes)
    assert_same(path, time=parse_column("#1"), position=parse_column("#2"), force=parse_column("#3"))


def test_a_rounded_clock_is_spread_within_its_steps(tmp_path) -> None:
    true_s = 0.02 * np.arange(200) + 0.013
    lines = "\n".join(f"{int(t * 10) / 10},{n},{n}" for n, t in enumerate(true_s))
    imported = import_table(written(tmp_path, f"Time (s),Pos (mm),Force (N)\n{lines}\n"))
    # A clock cut to 0.1 s hides where in its step a row was: the error is at most one step.
    assert np.abs(imported.samples.time_us * 1e-6 - true_s).max() < 0.1
    assert (np.diff(imported.samples.time_us) > 0).all()
    assert any("160 of 200 times equal" in note for note in imported.notes)


@pytest.mark.parametrize(
    ("cells", "seconds"),
    [
        (("10:41:07.25", "10:41:07.50", "10:41:08"), (0.25, 0.5, 1.0)),
        (("23:59:59", "00:00:00", "00:00:01.5"), (0, 1, 2.5)),
        (("59:59.5", "60:00.0", "60:01.0"), (0.5, 1.0, 2.0)),
        (("2026-04-16T10:41:07.25Z", "2026-04-16T12:41:07.75+02:00", "2026-04-16T10:41:09Z"), (0, 0.5, 1.75)),
        (("16.04.2026 23:59:59", "17.04.2026 00:00:01", "17.04.2026 00:00:02"), (0, 2, 3)),
        (("4/16/2026 11:59:59 AM", "4/16/2026 12:00:00 PM", "4/16/2026 1:00:00 PM"), (0, 1, 3601)),
    ],
)
def test_clock_times_become_seconds(tmp_path, cells, seconds) -> None:
    lines = "\n".join(f"{cell},{n},{n}" for n, cell in enumerate(cells))
    samples = import_table(written(tmp_path, f"Time,Pos (mm),Force (N)\n{lines}\n")).samples
    found = (samples.time_us - samples.time_us[0]) * 1e-6
    np.testing.assert_allclose(found, np.array(seconds) - seconds[0], atol=1e-9)


def test_dates_say_when_a_recording_began(tmp_path) -> None:
    path = written(
        tmp_path, "Time,Pos (mm),Force (N)\n2026-04-16T10:41:07+02:00,1,2\n2026-04-16T10:41:08+02:00,2,3\n"
    )
    started = import_table(path).started
    assert started is not None
    assert started.isoformat() == "2026-04-16T08:41:07+00:00"


def test_what_is_left_out_is_counted(tmp_path) -> None:
    lines = CONTENT.split("\n")
    lines[7] = ",".join(lines[7].split(",")[:2]) + ","
    text = "Rate,10,mm/min\n\nTime (s),Pos (mm),Force (N)\n" + "\n".join(lines) + "\nMean,1,2\nEnd\n"
    imported = import_table(written(tmp_path, text))
    notes = "\n".join(imported.notes)
    assert len(imported.samples.force) == 39
    assert "line 1 above the table left out" in notes
    assert "2 lines below the table left out, the first: line 44, 'Mean,1,2'" in notes
    assert "1 of 40 rows left out" in notes and "line 11" in notes


def test_headings_written_again_within_a_table_are_left_out(tmp_path) -> None:
    head = "Time (s),Displacement (mm),Force (N)\n"
    lines = CONTENT.split("\n")
    path = written(tmp_path, head + "\n".join(lines[:20]) + "\n" + head + "\n".join(lines[20:]) + "\n")
    assert_same(path)


def test_another_table_below_is_refused_and_never_dropped(tmp_path) -> None:
    path = written(tmp_path, f"Time (s),Pos (mm),Force (N)\n{CONTENT}\n\nSpecimen,Peak\n1,5\n2,6\n")
    with pytest.raises(InputError, match=r"line 43: .*--until-line 4[12]|line 43.*"):
        import_table(path)
    assert_same(path, form=TableForm(until_line=42))


def test_a_mark_that_may_be_decimal_or_thousands_is_refused_unless_told(tmp_path) -> None:
    path = written(tmp_path, "Pos (mm)\tForce (N)\n1\t1,234\n2\t2,345\n")
    with pytest.raises(
        InputError, match=r"line 2, column 'Force .N.': found '1,234'; the comma may be decimal"
    ):
        import_table(path)
    assert import_table(path, form=TableForm(decimal=",")).samples.force.tolist() == [1.234, 2.345]
    assert import_table(path, form=TableForm(decimal=".")).samples.force.tolist() == [1234, 2345]
