"""What every part that reads or shows text needs: files read within bounds, text shown as text, in the
reader's units.

In: paths, bytes and names of untrusted origin. Out: text, plain values and node trees within stated
bounds, or an InputError that names file and line; text that terminal, plot, spreadsheet, Markdown and HTML
show and do not obey. Must not depend on: what any of the values mean.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.core.appending import append_whole, open_lines, write_all
    from rig.core.escaping import (
        csv_cell,
        file_names,
        from_csv_cell,
        html_text,
        json_visible,
        markdown_text,
        plot_text,
        visible,
    )
    from rig.core.event_kinds import EventKind, LinkKind, kind_of
    from rig.core.loading import (
        DEEPEST,
        LARGEST_TEXT,
        load_foreign_json,
        load_json,
        load_yaml,
        open_file,
        read_bytes,
        read_text,
        yaml_tree,
    )
    from rig.core.logs import log_to_stderr, logger
    from rig.core.missing import all_finite, finite
    from rig.core.quantities import Quantity, quantity
    from rig.core.reader_units import (
        BOTH,
        ENVIRONMENT,
        METRIC,
        SYSTEMS,
        US,
        choose_units,
        chosen_units,
        forget_units,
        in_chosen_units,
        keep_names,
        table_in_chosen_units,
    )
    from rig.core.rounding import counted, first_few, rounded, shown_u, signed

import_when_used(__name__)
