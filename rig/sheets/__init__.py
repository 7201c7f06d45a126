"""What people read: documents, tables and plots of results.

In: analysis results, capture headers, and the samples of a method's steps. Out: JSON-ready mappings, data
frames, terminal tables, pictures. Must never know: how a number was measured, or where samples come from.
"""

from rig.sheets.aid_report import (
    AidSheet,
    lift_sheet,
    nip_sheet,
    pull_sheet,
    save_lift_report,
    save_nip_report,
    save_pull_report,
)
from rig.sheets.calibration_plots import save_delay, save_frame
from rig.sheets.check_plots import ChartPoint, save_control_chart
from rig.sheets.comparison_report import (
    ComparedPieces,
    compared_pieces,
    comparison_answer,
    comparison_notes,
    comparison_tables,
    save_comparison_report,
)
from rig.sheets.conformance_report import conformance_document, conformance_headline, conformance_page
from rig.sheets.design_sheet import CaptureFacts, DesignSheet, Photo, PieceFacts, design_sheet
from rig.sheets.design_sheet_files import save_design_sheet
from rig.sheets.design_sheet_first_page import UNITS, design_sheet_answers, sets_sentences
from rig.sheets.document import (
    budget_document,
    capture_document,
    cycle_entries,
    cycle_frames,
    cycles_frame,
    document_head,
    monte_carlo_document,
)
from rig.sheets.endurance_report import (
    EnduranceReport,
    endurance_report,
    endurance_sentences,
    endurance_table,
)
from rig.sheets.gauge_report import (
    GaugeStudy,
    gauge_answer,
    gauge_notes,
    gauge_tables,
    save_gauge_report,
)
from rig.sheets.height_report import (
    HeightReport,
    TouchedSurface,
    height_budget_table,
    height_report,
    height_table,
    planned_forces,
    touched_surface,
)
from rig.sheets.method_report import (
    RECOVERY,
    MethodReport,
    contact_force_n,
    method_of,
    method_report,
    method_table,
    needs_cycles,
    sentences_of_pulls,
)
from rig.sheets.page import Page, page_html, page_markdown
from rig.sheets.plots import save_comparison, save_cycle_trends, save_loops
from rig.sheets.quantities import Quantity, quantity
from rig.sheets.recovery_words import recovery_sentences
from rig.sheets.spilled import SpilledRows
from rig.sheets.tables import (
    budget_table,
    cycle_table,
    empty_table,
    monte_carlo_table,
    rounded,
    summary_table,
)
from rig.sheets.trend_words import trend_sentences
from rig.sheets.verification_report import (
    VerificationSheet,
    save_verification_report,
    verification_table,
)

__all__ = [
    "RECOVERY",
    "UNITS",
    "AidSheet",
    "CaptureFacts",
    "ChartPoint",
    "ComparedPieces",
    "DesignSheet",
    "EnduranceReport",
    "GaugeStudy",
    "HeightReport",
    "MethodReport",
    "Page",
    "Photo",
    "PieceFacts",
    "Quantity",
    "SpilledRows",
    "TouchedSurface",
    "VerificationSheet",
    "budget_document",
    "budget_table",
    "capture_document",
    "compared_pieces",
    "comparison_answer",
    "comparison_notes",
    "comparison_tables",
    "conformance_document",
    "conformance_headline",
    "conformance_page",
    "contact_force_n",
    "cycle_entries",
    "cycle_frames",
    "cycle_table",
    "cycles_frame",
    "design_sheet",
    "design_sheet_answers",
    "document_head",
    "empty_table",
    "endurance_report",
    "endurance_sentences",
    "endurance_table",
    "gauge_answer",
    "gauge_notes",
    "gauge_tables",
    "height_budget_table",
    "height_report",
    "height_table",
    "lift_sheet",
    "method_of",
    "method_report",
    "method_table",
    "monte_carlo_document",
    "monte_carlo_table",
    "needs_cycles",
    "nip_sheet",
    "page_html",
    "page_markdown",
    "planned_forces",
    "pull_sheet",
    "quantity",
    "recovery_sentences",
    "rounded",
    "save_comparison",
    "save_comparison_report",
    "save_control_chart",
    "save_cycle_trends",
    "save_delay",
    "save_design_sheet",
    "save_frame",
    "save_gauge_report",
    "save_lift_report",
    "save_loops",
    "save_nip_report",
    "save_pull_report",
    "save_verification_report",
    "sentences_of_pulls",
    "sets_sentences",
    "summary_table",
    "touched_surface",
    "trend_sentences",
    "verification_table",
]
