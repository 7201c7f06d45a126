"""What a capture says about itself: what a person told, and what only the opened rig can tell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any

from rig.capture import CaptureHeader
from rig.jobs.orders import SpecimenCard
from rig.reader import Reader
from rig.rigchecks import standing_of
from rig.rigfile import RigFile
from rig.wire import Identity


def header_about(card: SpecimenCard, rig: RigFile, method: Mapping[str, Any] | None) -> CaptureHeader:
    """Return a header with everything that is known before the rig is asked.

    Parameters
    ----------
    method
        What the platen is ordered to do; None if a person moves it.
    """
    return CaptureHeader(
        specimen=card.specimen,
        batch=card.batch,
        free_height_mm=card.free_height_mm,
        area_mm2=card.area_mm2,
        operator=card.operator,
        notes=card.notes,
        conditions=dict(card.conditions),
        method=method,
        rig=dict(rig.source),
        calibration=rig.calibration.as_dict(),
        warnings=standing_of(rig).sentences,
    )


def complete_header(about: CaptureHeader, reader: Reader) -> CaptureHeader:
    """Return a header with what only the opened rig can tell: who it is, and what its channels hold."""
    kinds = reader.empty()
    identity = _identity_fields(reader.identity)
    return replace(
        about,
        # the device describes its channels when the port is opened, perhaps long before this capture
        identity=identity | ({"channels": reader.channels} if reader.channels else {}),
        force=kinds.force_channel,
        position=kinds.position_channel,
        clock=kinds.clock,
    )


def _identity_fields(identity: Identity | None) -> dict[str, object]:
    """Return what the device said of itself, as a file can hold it."""
    if identity is None:
        return {}
    return asdict(identity) | {"capabilities": int(identity.capabilities), "unit_id": identity.unit_id.hex()}
