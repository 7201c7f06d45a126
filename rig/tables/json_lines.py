"""Lines of JSON, one object per row, as lines of tab-separated cells below a row of names.

The problem: programs log {"t_s": 0.1, "x_mm": 2} line by line. The plan: the first object names the columns,
pyarrow reads the others in native code, and names that come later are left out. The cost: the table in memory
twice. A list of objects is read likewise; an object of lists is no such table, and is refused.
"""

from __future__ import annotations

import re

import pyarrow as pa
import pyarrow.json

from rig.core import load_json
from rig.errors import InputError

MOST_NAMES = 1000
_OPENS = re.compile(r"\s*(?:\[\s*)?\{")
_FRAME = re.compile(r"^[ \t]*[\[\]][ \t]*$|,[ \t]*$", re.MULTILINE)
_BETWEEN = re.compile(r"\}[ \t]*,\s*\{")
"""Of a list of objects: its brackets, and the commas between."""


def holds_json_lines(text: str) -> bool:
    """Return whether a text begins as an object of JSON does."""
    return _OPENS.match(text[:1000]) is not None and text.lstrip(" [\r\n\t{")[:1] in ('"', "}")


def json_lines_text(text: str, where: str) -> str:
    """Return lines of cells, tabs between them, below the names.

    Raises
    ------
    InputError
        Naming the row that is no object with plain values of the same kinds as the first.

    Examples
    --------
    >>> json_lines_text('{"t_s": 0.1, "x_mm": 2}\\n{"t_s": 0.2, "x_mm": 3}\\n', "log.jsonl")
    't_s\\tx_mm\\n0.1\\t2\\n0.2\\t3'
    """
    rows = _FRAME.sub("", _BETWEEN.sub("}\n{", text.strip().removeprefix("[").removesuffix("]")))
    first = next(line for line in [*rows.splitlines(), ""] if line.strip() or not rows.strip())
    object_ = load_json(first.replace("NaN", "null"), f"{where}, first row", expected="one object per line")
    if len(object_) > MOST_NAMES:
        raise InputError(f"{where}: found {len(object_)} names in a row, expected at most {MOST_NAMES}")
    kinds = {name: pa.string() if isinstance(value, str) else pa.float64() for name, value in object_.items()}
    kinds |= {name: pa.bool_() for name, value in object_.items() if isinstance(value, bool)}
    try:
        table = pyarrow.json.read_json(
            pa.BufferReader(rows.encode("utf-8", "surrogatepass")),
            read_options=pyarrow.json.ReadOptions(use_threads=False, block_size=1 << 20),
            parse_options=pyarrow.json.ParseOptions(
                explicit_schema=pa.schema(kinds), unexpected_field_behavior="ignore"
            ),
        )
    except (pa.ArrowException, ValueError, OSError) as problem:
        raise InputError(
            f"{where}: cannot be read as lines of JSON ({str(problem)[:120]}); expected one object with "
            "plain values per line"
        ) from None
    columns = [
        [
            "" if value is None else " ".join(str(value).removesuffix(".0").split())
            for value in column.to_pylist()
        ]
        for column in table.columns
    ]
    names = [" ".join(name.split()) for name in table.column_names]
    return "\n".join("\t".join(row) for row in [names, *zip(*columns, strict=True)])
