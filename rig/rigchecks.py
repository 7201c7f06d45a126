"""What has been checked on a rig: a file beside the rig's own, and what it means for a recording.

In: check standards that were pressed, and who cleared what. Out: the chart of each, and sentences that are
printed at the start of every recording. Must not depend on: ports, how a stiffness was measured.

One JSON object to a line, and lines are only ever added: `bench.checks.jsonl` beside `bench.yaml`. A line
that was torn by a power cut costs itself only.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from rig.calibration import Judgement, Known, judge
from rig.calibration.provenance import finite
from rig.core import append_whole, load_json, open_lines
from rig.errors import InputError, RecorderError
from rig.rigfile import RigFile

LARGEST_FILE = 16 << 20
"""Some fifty thousand records: a century of days with a piece each. A larger file is some other."""

LONGEST_LINE = 1 << 16
SHOWN_PIECES = 3
"""Of pieces that are outside, in one sentence."""


@dataclass(frozen=True, slots=True)
class PieceCheck:
    """One pressing of a check standard.

    `quantity`, `value`, `u`, `unit`: what was measured of it, and the standard uncertainty; None where that
    cannot be had.
    `capture`, `calibration`: identities of the recording and of the calibration that read it.
    `known`, `tolerance`: what the piece is known to be, and how far a reading may be off; None if not stated.
    `reasons`: why it was outside when it was judged; none if it was inside.
    """

    at: datetime
    piece: str
    quantity: str
    value: float
    u: float | None
    unit: str
    capture: str
    calibration: str
    known: float | None = None
    tolerance: float | None = None
    reasons: tuple[str, ...] = ()
    depth_mm: float | None = None

    @property
    def stated(self) -> Known | None:
        """What the piece is known to be; None if that was not stated."""
        if self.known is None or self.tolerance is None:
            return None
        return Known(self.known, self.tolerance)


@dataclass(frozen=True, slots=True)
class Clearing:
    """Somebody found out why a piece was outside.

    `new_baseline`: whether charts are learnt anew from here, since the rig or a piece is another one now.
    """

    at: datetime
    by: str
    reason: str
    new_baseline: bool = False


@dataclass(frozen=True, slots=True)
class Verified:
    """The rig's force was verified against references.

    `verdict`: the class with its range, or why there is none.
    `expires`: last day on which it holds; None if not stated.
    """

    at: datetime
    by: str
    verdict: str
    expires: date | None = None


CheckRecord = PieceCheck | Clearing | Verified


_KINDS: Mapping[type, str] = {PieceCheck: "piece", Clearing: "cleared", Verified: "verified"}


@dataclass(frozen=True, slots=True)
class RigStanding:
    """How a rig stands at the start of a recording.

    `alarms`: pieces that were outside and are not cleared, and what is overdue.
    `notes`: what is not calibrated, and that no piece was pressed today.
    """

    alarms: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def sentences(self) -> tuple[str, ...]:
        """All of it, alarms first."""
        return (*self.alarms, *self.notes)


@dataclass(slots=True)
class CheckLog:
    """The records beside one rig's file.

    `path`: of the file; it need not be there yet.
    `damaged`: lines that could not be read.
    """

    path: Path
    records: list[CheckRecord] = field(default_factory=list)
    damaged: int = 0

    @property
    def pieces(self) -> tuple[str, ...]:
        """Names of the pieces, as they first came."""
        return tuple(dict.fromkeys(record.piece for record in self.records if isinstance(record, PieceCheck)))

    def outside(self) -> tuple[PieceCheck, ...]:
        """Checks that were outside and have not been cleared since."""
        since = _after_last(self.records, lambda record: isinstance(record, Clearing))
        return tuple(record for record in since if isinstance(record, PieceCheck) and record.reasons)

    def verified(self) -> Verified | None:
        """Return the last verification that was kept."""
        kept = (record for record in reversed(self.records) if isinstance(record, Verified))
        return next(kept, None)

    def chart(self, piece: str, quantity: str) -> tuple[PieceCheck, ...]:
        """Checks of one piece since its chart was begun, the oldest first."""
        since = _after_last(self.records, lambda record: isinstance(record, Clearing) and record.new_baseline)
        return tuple(_of_piece(since, piece, quantity))

    def known(self, piece: str, quantity: str) -> Known | None:
        """Return what was last said that a piece is."""
        checks = _of_piece(reversed(self.records), piece, quantity)
        return next((check.stated for check in checks if check.stated is not None), None)

    def judged(self, check: PieceCheck, baseline: int) -> Judgement:
        """Return what the chart says of a check that is not in it yet.

        Raises InputError if its recording is in the chart already.
        """
        if any(isinstance(record, PieceCheck) and record.capture == check.capture for record in self.records):
            raise InputError(f"{self.path}: this capture is in the chart already; press the piece again")
        earlier = self.chart(check.piece, check.quantity)
        # what was outside must not teach where the limits lie
        learnt = [check.value for check in earlier if not check.reasons]
        return judge(learnt, check.value, known=check.stated, unit=check.unit, baseline=baseline)

    def add(self, record: CheckRecord) -> None:
        """Add a record to the file, and wait until the disk has it.

        Raises RecorderError if the disk refuses.
        """
        fields = {"kind": _KINDS[type(record)]} | asdict(record) | {"at": record.at.isoformat()}
        if isinstance(record, Verified):
            fields["expires"] = None if record.expires is None else record.expires.isoformat()
        line = json.dumps(fields, ensure_ascii=True, allow_nan=False).encode("ascii") + b"\n"
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with open_lines(self.path) as file:
                append_whole(file, line)
                os.fsync(file.fileno())
        except OSError as problem:
            raise RecorderError(f"{self.path}: the check cannot be written ({problem.strerror})") from None
        self.records.append(record)


def check_file(rig_file: Path) -> Path:
    """Return where the checks of a rig are kept: beside its file."""
    return rig_file.with_name(f"{rig_file.stem}.checks.jsonl")


def read_checks(rig_file: Path) -> CheckLog:
    """Return the checks beside a rig's file; none if there is no such file yet.

    Raises InputError if the file is there and cannot be read.
    """
    log = CheckLog(check_file(rig_file))
    try:
        if log.path.stat().st_size > LARGEST_FILE:
            raise InputError(
                f"{log.path}: {log.path.stat().st_size} bytes are too many for a rig's checks; move it aside"
            )
        with log.path.open("rb") as file:
            for line in filter(bytes.strip, file.read(LARGEST_FILE).split(b"\n")):
                record = _read(line)
                if record is None:
                    log.damaged += 1
                else:
                    log.records.append(record)
    except FileNotFoundError:
        return log
    except OSError as problem:
        raise InputError(f"{log.path}: cannot be read ({problem.strerror})") from None
    return log


def standing_of(rig: RigFile, on: date | None = None) -> RigStanding:
    """Return what has to be said when a recording on this rig begins.

    Parameters
    ----------
    rig
        As its file describes it; without a path there are no checks.
    on
        The day; today if None.

    Returns
    -------
    Sentences. A file of checks that cannot be read is one of them: it must not keep anybody from recording.
    """
    today = on or datetime.now().astimezone().date()
    notes = list(rig.calibration.complaints())
    # what is overdue is complained of on this day only
    alarms = [complaint for complaint in rig.calibration.complaints(on=today) if complaint not in notes]
    force = rig.calibration.force
    span = None if force is None else force.value_range
    if span is not None and rig.limits is not None and span[1] < rig.limits.force_n[1]:
        notes.append(
            f"Force: calibrated up to {span[1]:.4g} N; the drive may reach {rig.limits.force_n[1]:g} N. "
            "Presses beyond the calibration are flagged and left out of means."
        )
    if rig.path is not None:
        try:
            log = read_checks(rig.path)
        except InputError as problem:
            alarms.append(f"Whether the check standards were inside is not known: {problem}")
        else:
            alarms += [*_open_alarms(log), *_overdue_verification(log, today)]
            notes += _not_today(log, today)
    return RigStanding(tuple(alarms), tuple(notes))


def _open_alarms(log: CheckLog) -> Iterator[str]:
    outside = log.outside()
    if not outside:
        return
    shown = "; ".join(
        f"{check.piece} on {_day(check.at)}: {check.reasons[0]}" for check in outside[-SHOWN_PIECES:]
    )
    yield (
        f"Check standard outside its limits, and not cleared: {shown}. Find out why before the figures are "
        "used; then `pressrig verify clear --rig RIG --reason TEXT --by NAME`."
    )


def _overdue_verification(log: CheckLog, today: date) -> Iterator[str]:
    last = log.verified()
    if last is not None and last.expires is not None and last.expires < today:
        yield (
            f"The verification of force of {_day(last.at)} is overdue since {last.expires.isoformat()}; "
            "`pressrig verify force` makes a new one."
        )


def _not_today(log: CheckLog, today: date) -> Iterator[str]:
    pieces = [record for record in log.records if isinstance(record, PieceCheck)]
    if pieces and all(piece.at.astimezone().date() != today for piece in pieces):
        latest = max(pieces, key=lambda piece: piece.at)
        yield f"No check standard was pressed today; the last was {latest.piece} on {_day(latest.at)}."


def _of_piece(records: Iterable[CheckRecord], piece: str, quantity: str) -> Iterator[PieceCheck]:
    for record in records:
        if isinstance(record, PieceCheck) and (record.piece, record.quantity) == (piece, quantity):
            yield record


def _day(at: datetime) -> str:
    return at.astimezone().date().isoformat()


def _after_last(records: list[CheckRecord], holds: Any) -> list[CheckRecord]:
    for place in range(len(records) - 1, -1, -1):
        if holds(records[place]):
            return records[place + 1 :]
    return records


def _read(line: bytes) -> CheckRecord | None:
    """Return a record; None if the line is damaged."""
    try:
        if len(line) > LONGEST_LINE:
            return None
        found = load_json(line, "check")
        at = datetime.fromisoformat(found["at"])
        at = at if at.tzinfo is not None else at.replace(tzinfo=UTC)
        if found["kind"] == "cleared":
            return Clearing(at, str(found["by"]), str(found["reason"]), bool(found.get("new_baseline")))
        if found["kind"] == "verified":
            expires = found.get("expires")
            day = None if expires is None else date.fromisoformat(expires)
            return Verified(at, str(found["by"]), str(found["verdict"]), day)
        if found["kind"] != "piece":
            return None
        return PieceCheck(
            at,
            piece=str(found["piece"]),
            quantity=str(found["quantity"]),
            value=finite(found["value"]),
            u=_number(found, "u"),
            unit=str(found["unit"]),
            capture=str(found["capture"]),
            calibration=str(found["calibration"]),
            known=_number(found, "known"),
            tolerance=_number(found, "tolerance"),
            reasons=tuple(str(reason) for reason in found.get("reasons", ())),
            depth_mm=_number(found, "depth_mm"),
        )
    except (InputError, ValueError, TypeError, KeyError, AttributeError):
        return None


def _number(found: Mapping[str, Any], name: str) -> float | None:
    value = found.get(name)
    return None if value is None else finite(value)
