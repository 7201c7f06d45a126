"""A recording on disk: written so that nothing is lost, read back whatever happened to it.

In: `Samples`, events and a header that says who, what and when; or a table that somebody already has.
Out: the same samples and events, what was damaged, and tables for other programs. Must not depend on:
ports, messages of the wire, what a calibration means, cycles.

A capture is a folder: `capture.yaml` (written once, at the start), `samples-0001.arrow` and so on (an
Arrow IPC stream for each run of the recorder, locked while it is written), `events.jsonl`, and `end.yaml`
(renamed into place at a proper end, so its absence says that the recorder was killed or is still at work).
`amendments.jsonl` holds later corrections.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.capture.amendments import AMENDABLE, Amendment, Exclusions, add_amendment
    from rig.capture.auxiliary import (
        ChannelRange,
        auxiliary_readings,
        auxiliary_units,
        recorded_channels,
        typed_conditions,
    )
    from rig.capture.columns import ColumnChoice, parse_column
    from rig.capture.ending import Ending
    from rig.capture.exporting import Calibrated, export_samples
    from rig.capture.file_facts import FileFacts, NamePattern, bare_name, read_list
    from rig.capture.finding import FoundCaptures, find_captures
    from rig.capture.header import CaptureHeader
    from rig.capture.imported import import_key, imported_before
    from rig.capture.intact_batches import Damage
    from rig.capture.listing import CaptureSummary, list_captures, looks_like_capture
    from rig.capture.opened import STILL_RECORDING, Capture, content_files, open_capture
    from rig.capture.ordered import ENDURANCE, HEIGHT, Ordered
    from rig.capture.table import ImportedTable, TableForm, import_table
    from rig.capture.writing import CaptureWriter

import_when_used(__name__)
