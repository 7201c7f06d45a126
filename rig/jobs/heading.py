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


def header_about(card: SpecimenCard, rig: RigFile, method: Mapping[str, Any] | None) -> CaptureHeader:
    """Return a header with everything that is known before the rig is asked.

    `method`: what the platen is ordered to do; None if a person moves it.
    """
    return CaptureHeader(
        **card.model_dump(exclude={"stiffness_n_per_mm"}),
        method=method,
        rig=dict(rig.source),
        calibration=rig.calibration.as_dict(),
        warnings=standing_of(rig).sentences,
    )


def complete_header(about: CaptureHeader, reader: Reader) -> CaptureHeader:
    """Return a header with what only the opened rig can tell: who it is, and what its channels hold."""
    kinds, identity = reader.empty(), reader.identity
    told: dict[str, object] = {}
    if identity is not None:  # as a file can hold it
        numbers = {"capabilities": int(identity.capabilities), "unit_id": identity.unit_id.hex()}
        told = asdict(identity) | numbers
    return replace(
        about,
        # the device describes its channels when the port is opened, perhaps long before this capture
        identity=told | ({"channels": reader.channels} if reader.channels else {}),
        force=kinds.force_channel,
        position=kinds.position_channel,
        clock=kinds.clock,
    )
