"""One reader of tables: whatever a laboratory, a spreadsheet or a hand wrote, as columns with their lines.

In: a file of text or JSON, plain, gzip-compressed or in a zip, a spreadsheet (.xlsx, .ods), or a text.
Out: headings, units, cells and numbers, each with the line that it stands on; what was left out, counted.
Must not depend on: captures, calibrations, what a column is used for.

A file becomes text (`sources`, `encodings`, `workbooks`, `json_rows`), the text one with plain numbers
(`plain_text`, `spelt_cells`) and a block of rows below its headings (`layout`), its cells numbers or times
(`numbers`, `clocks`), and headings the quantities that they name (`headings`). `short_tables` serves tables
that a person wrote.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.tables.cells import WHITESPACE, BoolArray, Cells, column_cells
    from rig.tables.clocks import Stamps, looks_like_clock, read_clock, spread_equal
    from rig.tables.headings import (
        COUNTING,
        KINDS,
        NAMES_PIECE,
        SHARES,
        Kind,
        agreed_unit,
        is_pressure,
        is_unit_alone,
        kind_in_other_unit,
        kind_of,
        kind_of_unit,
        name_and_unit,
        names_reduced,
        pressure_mpa,
        reduced_kind,
        unit_in,
        unit_of,
    )
    from rig.tables.layout import Layout, holds_rows, is_numeric, lay_out
    from rig.tables.numbers import numbers_of, plain_number, quantity_in, tell_decimal
    from rig.tables.plain_text import plain_text
    from rig.tables.short_tables import Row, RowTable, read_rows, rows_of
    from rig.tables.sources import LARGEST_TABLE, SUFFIXES, TableText, file_sha256, read_table_text

import_when_used(__name__)
