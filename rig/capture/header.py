"""`capture.yaml`: who, what and when, written once at the start of a capture.

An old capture is read again years later, by other software, with a better calibration: so everything
that could change a result stands beside the samples. What is read back was perhaps edited by hand: it
is validated, and each refusal names file and field.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from typing import Annotated, Any

import yaml
from pydantic import AwareDatetime, Field

from rig import __version__
from rig.capture.disk import parse_yaml, validated
from rig.capture.ordered import Ordered
from rig.core import LARGEST_TEXT, keep_names
from rig.errors import CaptureError
from rig.renamed import in_names_of_now
from rig.samples import ClockSource, RawChannel, Sense

HEADER_FILE = "capture.yaml"

Name = Annotated[str, Field(min_length=1, max_length=200)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
CaptureId = Annotated[str, Field(pattern=r"^[0-9a-f]{32}$")]


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureHeader:
    """What a capture says about itself.

    `specimen`, `batch`: names of the piece and of the pieces made together with it.
    `free_height_mm`, `area_mm2`: free height and loaded area of the specimen, where known.
    `conditions`: temperature, humidity, orientation, platen size and the like, where known.
    `method`: what the platen was ordered to do; None if it was moved by hand.
    `rig`, `calibration`, `identity`: the whole rig configuration, its calibration, and what the firmware said
    about itself.
    `zero`: force zero that a person asked for: "untouched", "as-recorded" or a force; None: the analysis
    chooses.
    `force`, `position`, `clock`: unit and resolution of the raw channels, and whose time it is.
    `warnings`: warnings about the rig when the recording began: overdue, uncalibrated, a check standard
    outside.
    `source`: "rig", or which file the samples were imported from.
    `imported`: of an import: the file's SHA-256, which columns were taken in which units, and the key of the
    import.
    `id`: sixteen random bytes in hexadecimal; the mark that recovery looks for.
    """

    specimen: Name
    batch: Name | None = None
    free_height_mm: Positive | None = None
    area_mm2: Positive | None = None
    notes: str = ""
    operator: str | None = None
    conditions: Mapping[str, Any] = field(default_factory=dict)
    method: Mapping[str, Any] | None = None
    rig: Mapping[str, Any] = field(default_factory=dict)
    calibration: Mapping[str, Any] = field(default_factory=dict)
    identity: Mapping[str, Any] = field(default_factory=dict)
    sense: Sense = "compression"
    zero: str | None = None
    force: RawChannel = field(default_factory=RawChannel)
    position: RawChannel = field(default_factory=RawChannel)
    clock: ClockSource = "device"
    warnings: tuple[str, ...] = ()
    source: str = "rig"
    imported: Mapping[str, Any] = field(default_factory=dict)
    id: CaptureId = field(default_factory=lambda: secrets.token_hex(16))
    started: AwareDatetime = field(default_factory=lambda: datetime.now(UTC).replace(microsecond=0))
    software: str = f"pressrig {__version__}"

    @property
    def typed_conditions(self) -> dict[str, Any]:
        """Conditions by their names in lower case, with spaces between words, however they were typed."""
        return {name.strip().lower().replace("_", " "): text for name, text in self.conditions.items()}

    @property
    def ordered(self) -> Ordered:
        """What `method` says, typed; empty if the platen was moved by hand."""
        return Ordered.from_header(self.method)


def header_text(header: CaptureHeader) -> bytes:
    """Write a header as YAML that `parse_header` reads back as the same header.

    Raises CaptureError if a field holds what cannot be written or would be refused when read.
    """
    fields = asdict(header) | {"started": header.started.isoformat()}
    try:
        text: bytes = yaml.safe_dump(fields, sort_keys=False, allow_unicode=True, encoding="utf-8")
    except yaml.YAMLError as refusal:
        reason = " ".join(str(refusal).split())[:200]
        raise CaptureError(
            f"{HEADER_FILE}: a field cannot be written ({reason}); use text, numbers, lists and mappings"
        ) from refusal
    if len(text) > LARGEST_TEXT // 2:
        raise CaptureError(
            f"{HEADER_FILE}: {len(text)} bytes of header; at most {LARGEST_TEXT // 2} can be read back"
        )
    # What could not be read back is refused now, before there are samples that rest on it.
    parse_header(fields, HEADER_FILE)
    parse_yaml(text, HEADER_FILE)
    return text


def parse_header(fields: Mapping[str, Any], where: str) -> CaptureHeader:
    """Validate the fields of a header, or raise CaptureError; unknown ones are left aside."""
    header = validated(CaptureHeader, fields, where)
    header = replace(header, calibration=in_names_of_now(header.calibration))
    keep_names(header.specimen, header.batch)
    return header
