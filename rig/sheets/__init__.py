"""What people read: documents, tables and plots of results.

In: analysis results and capture headers. Out: JSON-ready mappings, data frames, terminal tables, pictures.
Must never know: how a number was measured, or where samples come from.
"""

from rig.sheets.document import capture_document, cycle_entries, cycles_frame, document_head
from rig.sheets.plots import save_comparison, save_cycle_trends, save_loops
from rig.sheets.quantities import Quantity, quantity
from rig.sheets.tables import cycle_table, rounded, summary_table

__all__ = [
    "Quantity",
    "capture_document",
    "cycle_entries",
    "cycle_table",
    "cycles_frame",
    "document_head",
    "quantity",
    "rounded",
    "save_comparison",
    "save_cycle_trends",
    "save_loops",
    "summary_table",
]
