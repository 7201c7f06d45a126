"""A condition chooses the rows that DuckDB chooses, and nothing but a condition is taken."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import duckdb
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.results import column_values, selected

TABLE = pa.table(
    {
        "place": pa.array(range(6), pa.int64()),
        "specimen": ["F-90-001", "F-90-002", "F-90-003", "<b>F</b>", None, "F-90-002"],
        "batch": ["spring mould", "autumn mould", None, "Spring mould", "spring mould", None],
        "peak_force_n": pa.array([61.5, 69.25, None, -1.0, 61.5, 0.0], pa.float64()),
        "samples": pa.array([100, None, 300, 2, 5, 0], pa.int64()),
        "started": pa.array(
            [datetime(2026, 4, 16, hour, tzinfo=UTC) for hour in (0, 10, 23)]
            + [datetime(2026, 4, 17, tzinfo=UTC), None, datetime(2025, 1, 1, tzinfo=UTC)],
            pa.timestamp("us", "UTC"),
        ),
    }
)


def places(where: str | None = None, sort: str | None = None) -> list[Any]:
    return column_values(selected(TABLE, where=where, sort=sort), "place")


CONNECTION = duckdb.connect()
CONNECTION.register("captures", TABLE)


def by_duckdb(where: str) -> list[Any]:
    return [row[0] for row in CONNECTION.sql(f"SELECT place FROM captures WHERE {where}").fetchall()]


@st.composite
def conditions(draw: st.DrawFn, depth: int = 3) -> tuple[str, str]:
    """The same condition in our words and in SQL, whose text of columns and texts cannot differ."""
    kind = draw(st.sampled_from(["number", "text", "null", "list"] + ["and", "or", "not"] * (depth > 0)))
    if kind in ("and", "or"):
        (one, sql_one), (other, sql_other) = draw(conditions(depth - 1)), draw(conditions(depth - 1))
        return f"({one} {kind} {other})", f"(({sql_one}) {kind} ({sql_other}))"
    if kind == "not":
        one, sql = draw(conditions(depth - 1))
        return f"(not {one})", f"(not ({sql}))"
    text_column = draw(st.sampled_from(["specimen", "batch"]))
    number_column = draw(st.sampled_from(["peak_force_n", "samples", "place"]))
    text = draw(st.sampled_from(["spring mould", "F-90-002", "", "<b>F</b>"]))
    if kind == "null":
        none, sql = draw(st.sampled_from([("is None", "IS NULL"), ("is not None", "IS NOT NULL")]))
        column = draw(st.sampled_from([text_column, number_column, "started"]))
        return f"{column} {none}", f"{column} {sql}"
    if kind == "list":
        inside = draw(st.sampled_from(["in", "not in"]))
        return (
            f"{text_column} {inside} ['{text}', 'F-90-001']",
            f"{text_column} {inside} ('{text}', 'F-90-001')",
        )
    sign = draw(st.sampled_from(["==", "!=", "<", "<=", ">", ">="]))
    if kind == "text":
        return f"{text_column} {sign} '{text}'", f"{text_column} {sign} '{text}'"
    number = draw(st.sampled_from([0, 61.5, -1, 5, 100, 1e9]))
    return f"{number} {sign} {number_column}", f"{number} {sign} {number_column}"


@settings(deadline=None, max_examples=80)
@given(conditions())
def test_a_condition_chooses_what_duckdb_chooses(both: tuple[str, str]) -> None:
    ours, sql = both
    assert places(ours) == by_duckdb(sql)


@pytest.mark.parametrize(
    ("where", "expected"),
    [
        ('"SPRING" in batch', [0, 3, 4]),
        ('"spring" not in batch', [1]),
        ('started >= "2026-04-16" and started <= "2026-04-16"', [0, 1, 2]),
        ('started == "2026-04-16"', [0, 1, 2]),
        ('started > "2026-04-16"', [3]),
        ('"2026-04-16 10:00" <= started < "2026-04-17 00:00+00:00"', [1, 2]),
        ("0 < peak_force_n < 65", [0, 4]),
        ("samples < peak_force_n", [4]),
        ('specimen == "<b>F</b>"', [3]),
        ("  samples == 2", [3]),
    ],
)
def test_days_parts_of_texts_and_chains(where: str, expected: list[int]) -> None:
    assert places(where) == expected


def test_rows_without_a_value_come_last_in_either_order() -> None:
    assert places(sort="peak_force_n") == [3, 5, 0, 4, 1, 2]
    assert places(sort="-peak_force_n,-place") == [1, 4, 0, 5, 3, 2]
    assert places(sort="batch,-samples") == [3, 1, 0, 4, 2, 5]
    assert places() == [0, 1, 2, 3, 4, 5]


@pytest.mark.parametrize(
    ("where", "said"),
    [
        ("", "cannot be read"),
        ("samples = 3", "write == for equal"),
        ("started > 2026-05-01", "write a day in quotes"),
        ("samples == ", "cannot be read"),
        ("sample == 3", "samples"),
        ("samples", "expected a comparison"),
        ("3", "expected a comparison"),
        ("samples == 'three'", "expected a number"),
        ("specimen == 3", "expected a quoted text"),
        ("specimen == batch == True", "expected"),
        ("samples == True", "expected a number"),
        ("'a' in samples", "no text"),
        ("samples in 3", "expected"),
        ("specimen < samples", "cannot be compared"),
        ("started > 'yesterday'", "expected a day"),
        ("started > 3", "quoted day"),
        ("3 == 3", "the name of a column"),
        ("samples + 1 == 3", "samples + 1"),
        ("__import__('os').system('true') == 0", "__import__"),
        ("specimen.__class__ == 'a'", "specimen.__class__"),
        ("(samples := 3) == samples", "samples := 3"),
        ("[x for x in samples] == 3", "for x in"),
        ("(lambda: 0)() == samples", "lambda"),
        ("f'{samples}' == specimen", "samples"),
        ("samples == 3j", "3j"),
        ("samples == 3\x00", ""),
        ("not " * 240 + "samples == 3", ""),
        ("(" * 400 + "samples == 3" + ")" * 400, ""),
        ("samples == 3 or " * 100 + "samples == 3", "at most 1000"),
        ("samples == 3\nimport os", "cannot be read"),
    ],
)
def test_whatever_is_no_condition_is_refused_in_words(where: str, said: str) -> None:
    try:
        places(where)
    except InputError as refusal:
        assert str(refusal).startswith("--where: ")
        assert said in str(refusal)
    else:
        assert where.startswith("not ")  # deep, but a condition


@settings(deadline=None)
@given(st.text(max_size=60) | st.text("samplesin()[]<=>!'\"3- andortnm.,:{}", max_size=40))
def test_any_text_is_a_condition_or_refused(where: str) -> None:
    try:
        places(where)
    except InputError as refusal:
        assert str(refusal).startswith("--where: ")


def test_an_unknown_column_of_an_order_is_refused() -> None:
    with pytest.raises(InputError, match="--sort: no column 'sample'; expected one such as samples"):
        places(sort="-sample")
