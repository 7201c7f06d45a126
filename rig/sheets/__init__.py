"""What people read: documents, tables and plots of results.

In: analysis results, capture headers, and the samples of a method's steps. Out: JSON-ready mappings, data
frames, terminal tables, pictures. Must never know: how a number was measured, or where samples come from.
"""

from rig.sheets.document import (
    capture_document,
    cycle_entries,
    cycle_frames,
    cycles_frame,
    document_head,
)
from rig.sheets.endurance_report import (
    EnduranceReport,
    endurance_report,
    endurance_sentences,
    endurance_table,
)
from rig.sheets.method_report import (
    MethodReport,
    contact_force_n,
    method_of,
    method_report,
    method_table,
    needs_cycles,
)
from rig.sheets.plots import save_comparison, save_cycle_trends, save_loops
from rig.sheets.quantities import Quantity, quantity
from rig.sheets.recovery_words import recovery_sentences
from rig.sheets.spilled import SpilledRows
from rig.sheets.tables import cycle_table, rounded, summary_table

__all__ = [
    "EnduranceReport",
    "MethodReport",
    "Quantity",
    "SpilledRows",
    "capture_document",
    "contact_force_n",
    "cycle_entries",
    "cycle_frames",
    "cycle_table",
    "cycles_frame",
    "document_head",
    "endurance_report",
    "endurance_sentences",
    "endurance_table",
    "method_of",
    "method_report",
    "method_table",
    "needs_cycles",
    "quantity",
    "recovery_sentences",
    "rounded",
    "save_comparison",
    "save_cycle_trends",
    "save_loops",
    "summary_table",
]
