"""What people read: documents, tables and plots of results.

In: results. Out: terminal tables (`plain` ones without lines, for a pipe), pages, pictures and sentences. A
report is saved into a folder, which is made, as a page beside its pictures; what is returned is the page's
path. Must not depend on: samples, or how a number was measured.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.sheets.aid_plots import save_nip_plots, save_pull_plots
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
    from rig.sheets.check_plots import ChartPoint, draw_errors, save_control_chart
    from rig.sheets.comparison_plots import save_comparison_plots
    from rig.sheets.comparison_report import (
        comparison_answer,
        comparison_document,
        comparison_notes,
        comparison_tables,
        save_comparison_report,
    )
    from rig.sheets.conformance_report import conformance_document, conformance_headline, conformance_page
    from rig.sheets.design_sheet_files import save_design_sheet
    from rig.sheets.design_sheet_first_page import design_sheet_answers, sets_sentences
    from rig.sheets.endurance_words import endurance_sentences, endurance_table
    from rig.sheets.gauge_plots import save_gauge_plots, save_laboratory_plot
    from rig.sheets.gauge_report import GaugeStudy, gauge_answer, gauge_notes, gauge_tables, save_gauge_report
    from rig.sheets.height_tables import height_budget_table, height_table
    from rig.sheets.laboratory_report import (
        laboratory_answer,
        laboratory_notes,
        laboratory_tables,
        save_laboratory_report,
    )
    from rig.sheets.method_table import method_table
    from rig.sheets.page import Page, page_html, page_markdown
    from rig.sheets.plots import save_cycle_trends, save_loops
    from rig.sheets.recovery_words import recovery_sentences
    from rig.sheets.tables import (
        answer_sentence,
        budget_table,
        cycle_table,
        empty_table,
        key_table,
        monte_carlo_table,
        summary_table,
    )
    from rig.sheets.trend_words import trend_sentences
    from rig.sheets.verification_report import VerificationSheet, save_verification_report, verification_table

import_when_used(__name__)
