"""Results: captures in, and out what they say of cycles, pieces, batches, methods, heights and sheets.

In: captures on disk, tables that people wrote, registers. Out: analyses, results of pieces, comparisons,
figures of a design sheet, documents and data frames. Must not depend on: terminals, pages, drawings, ports.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.results.analysing import (
        Analysed,
        Asked,
        Doubts,
        analyse_capture,
        climate_by_cycle,
        examine_capture,
        noise_contact_force_n,
    )
    from rig.results.archive import archive_table, column_values
    from rig.results.comparing import (
        ComparedPieces,
        check_stated,
        compared_pieces,
        quantities_of,
        studied,
        studies_of,
    )
    from rig.results.design_sheet import CaptureFacts, DesignSheet, Photo, PieceFacts, design_sheet
    from rig.results.design_sheet_frames import sheet_frames
    from rig.results.design_sheets import DEPTHS, measure_for_sheet, sheet_of
    from rig.results.document import (
        budget_document,
        capture_document,
        cycle_entries,
        cycle_frames,
        cycles_frame,
        document_head,
        monte_carlo_document,
    )
    from rig.results.endurance_results import EnduranceReport, endurance_report
    from rig.results.height_captures import read_height, read_surface, where_bare_met_mm
    from rig.results.height_checks import CheckedSurface, checked_surface, planned_forces
    from rig.results.height_results import HeightReport, height_report
    from rig.results.many import Workers
    from rig.results.method_results import (
        RECOVERY,
        MethodReport,
        contact_force_n,
        method_of,
        method_report,
        needs_cycles,
        sentences_of_pulls,
    )
    from rig.results.piece_captures import (
        Check,
        KnownPiece,
        PressedCapture,
        PressedPieces,
        known_by_register,
        piece_results,
        pieces_of,
        pressed_captures,
    )
    from rig.results.piece_curves import read_curves
    from rig.results.piece_tables import read_pieces
    from rig.results.progress import Progress, no_progress
    from rig.results.pull_captures import PulledCapture, PullsAsked, pulled_captures
    from rig.results.registered_pieces import registered_diameters, registered_mass
    from rig.results.selecting import archive_frame, selected
    from rig.results.spilled import SpilledRows
    from rig.results.study_captures import Trials, trials_of_captures
    from rig.results.study_values import read_trials
    from rig.results.verify_readings import VerificationTable, read_verification

import_when_used(__name__)
