"""Design sheets from captures: what captures and a register say of pieces, put together."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from rig.analyser import PART_SAMPLES, Depth
from rig.capture import ENDURANCE, open_capture
from rig.core import kind_of
from rig.errors import CaptureError, InputError
from rig.methods import RecoveryCheck
from rig.register import Register, RegisteredSpecimen
from rig.results.analysing import Asked
from rig.results.comparing import studies_of
from rig.results.design_sheet import CaptureFacts, DesignSheet, Photo, PieceFacts, design_sheet
from rig.results.endurance_results import endurance_report
from rig.results.many import Workers
from rig.results.method_results import RECOVERY, method_of, method_report
from rig.results.piece_captures import PressedCapture, calibration_words, known_by_register, pressed_captures
from rig.results.progress import Progress, no_progress
from rig.samples import gathered

DEPTHS = "10%,25%,40%,50%,65%"
"""Depths at which forces are read off every cycle, and not off the drawn curves."""

DEPTHS_WITHOUT_HEIGHT = "2 mm,5 mm,10 mm,20 mm"

HOMED = "homed"
"""Name of the device's event after which positions count from its home switch."""


def sheet_of(
    pressed: Sequence[PressedCapture],
    notes: Sequence[str] = (),
    *,
    register: Path | None = None,
    model: str | None = None,
    title: str = "",
    margins: Mapping[str, float] | None = None,
    although: Sequence[str] = (),
    strict: bool = False,
    gauges: Sequence[Path] = (),
    supplier: str = "",
    revision: str = "",
    photos: Sequence[Photo] = (),
    same_zero: bool = False,
) -> DesignSheet:
    """Put what captures and a register say on a sheet.

    Parameters
    ----------
    model
        Name of the pieces; those that the register knows by another one are left out.
    margins, although, strict, gauges, supplier, revision, photos
        See `rig.results.design_sheet`; gauges are files of studies.
    same_zero
        Whether the position reading kept its zero between captures.

    Raises
    ------
    InputError
        If the captures are too different for one sheet, or of several models.
    """
    facts: list[PieceFacts] = []
    if register is not None:
        with Register(register, make=False) as opened:
            known = {specimen.id: specimen for specimen in opened.specimens()}
        pieces = dict.fromkeys(capture.values.piece for capture in pressed)
        facts = [_piece_facts(known[name]) for name in pieces if name in known]
    others = _of_another_model(facts, model)
    if others:
        pressed = [capture for capture in pressed if capture.values.piece not in others]
        facts = [fact for fact in facts if fact.piece not in others]
        notes = [*notes, f"Left out because they are another model: {', '.join(others)}."]
    models = dict.fromkeys(fact.model for fact in facts if fact.model)
    results = [capture.values for capture in pressed]
    columns = list(dict.fromkeys(name for result in results for name in result.values))
    return design_sheet(
        results,
        [_capture_facts(capture, same_zero=same_zero) for capture in pressed],
        facts,
        title=title,
        model=model or ", ".join(models) or None,
        margins=margins,
        although=although,
        strict=strict,
        gauges=studies_of(gauges, columns),
        notes=notes,
        supplier=supplier,
        revision=revision,
        photos=photos,
    )


def _of_another_model(facts: Sequence[PieceFacts], model: str | None) -> list[str]:
    """Return the pieces that the register knows by another name than this one."""
    models = list(dict.fromkeys(fact.model for fact in facts if fact.model))
    if model is None and len(models) > 1:
        raise InputError(f"--model: the pieces are of several models: {', '.join(models)}; give one of them")
    if model is None or not models:
        return []
    if model not in models:
        raise InputError(
            f"--model: the register has no captured piece of {model!r}; found {', '.join(models)}"
        )
    return [fact.piece for fact in facts if fact.model and fact.model != model]


def measure_for_sheet(
    captures: Sequence[Path],
    asked: Asked,
    register: Path | None = None,
    *,
    optional: Collection[Path] = (),
    workers: Workers | None = None,
    progress: Progress = no_progress,
) -> tuple[Sequence[PressedCapture], Sequence[str]]:
    """Measure captures for a sheet; see `pressed_captures`. Depths are the sheet's own unless asked for."""
    if asked.at is None:
        asked = replace(asked, at=_depths(captures))
    # refuse a depth once, and not with every capture
    for text in (asked.at or "").split(","):
        try:
            Depth.of(text.strip())
        except InputError as problem:
            raise InputError(f"--at: {problem}") from None
    known = None if register is None else known_by_register(register)
    pressed, notes = pressed_captures(
        captures, asked, known=known, optional=optional, workers=workers, progress=progress
    )
    if not pressed:
        raise InputError(f"no capture is left. {' '.join(notes[:3])}")
    return pressed, notes


def _depths(captures: Sequence[Path]) -> str:
    """Return the sheet's own depths: in per cent where all captures state a free height."""
    for path in captures:
        try:
            if open_capture(path).header.free_height_mm is None:
                return DEPTHS_WITHOUT_HEIGHT
        except CaptureError:
            # whether it may be left out is seen when it is measured
            continue
    return DEPTHS


ZERO_CONDITION = "position zero"
"""Condition of a capture that names what its positions count from."""


def _capture_facts(pressed: PressedCapture, *, same_zero: bool = False) -> CaptureFacts:
    """Return what the sheet tells of a capture."""
    header, result = pressed.capture.header, pressed.result
    parts = [(measured, record) for _, measured, record in result.calibration.parts()]
    made = [record.made for _, record in parts if record.made is not None]
    expires = [record.expires for _, record in parts if record.expires is not None]
    return CaptureFacts(
        capture=pressed.values.capture,
        id=header.id,
        started=header.started,
        operator=header.operator,
        rig=str(header.rig.get("name") or ""),
        cycles=pressed.counted,
        left_out=pressed.left_out,
        free_height_mm=result.settings.free_height_mm,
        calibration=calibration_words(result.calibration),
        made=min(made).isoformat() if made else None,
        expires=min(expires).isoformat() if expires else None,
        has_uncertainty=any(measured for measured, _ in parts),
        notes=header.notes,
        warnings=tuple(header.warnings),
        softening=result.softening,
        recovery=tuple(_recovery(pressed)),
        contact_mm=pressed.first_contact_mm,
        contact_u_mm=pressed.first_contact_u_mm,
        position_zero=_position_zero(pressed, same_zero=same_zero),
    )


def _position_zero(pressed: PressedCapture, *, same_zero: bool) -> str:
    """Return what positions count from: the home switch of a rig, or what a person stated; empty if
    unknown."""
    header = pressed.capture.header
    rig = str(header.rig.get("name") or "")
    if same_zero:
        return f"kept on {rig}"
    stated = header.typed_conditions
    if ZERO_CONDITION in stated:
        return f"{stated[ZERO_CONDITION]} on {rig}"
    homed = any(
        kind_of(event) == "device_event" and event.get("name") == HOMED
        for event in pressed.capture.each_event()
    )
    return f"home switch of {rig}" if homed else ""


def _recovery(pressed: PressedCapture) -> Iterator[RecoveryCheck]:
    """Yield contact checks after release: of an endurance run, or of a method that asks for them."""
    capture = pressed.capture
    if capture.header.ordered.kind == ENDURANCE:
        yield from endurance_report(capture.each_event()).recovery
        return
    try:
        method = method_of(capture.header)
    except InputError:
        return
    if RECOVERY in method.report:
        samples = gathered(capture.batches(), PART_SAMPLES)
        yield from method_report(
            capture.header, capture.each_event(), samples, None, calibration=pressed.result.calibration
        ).recovery


def _piece_facts(specimen: RegisteredSpecimen) -> PieceFacts:
    """Return what the register says of a piece."""
    mass = specimen.mass
    return PieceFacts(
        piece=specimen.id,
        batch=specimen.batch,
        model=specimen.model,
        drawing_size_mm=specimen.drawing_size_mm,
        moulded=specimen.moulded,
        mass_g=None if mass is None else mass.g,
        mass_u_g=None if mass is None else mass.u_g,
        mass_how=None if mass is None else mass.how,
        sizes=specimen.newest_sizes,
        notes=specimen.notes,
    )
