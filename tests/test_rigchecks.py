"""The checks beside a rig's file: what is kept, what survives, and what is said at the next recording."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from rig.calibration import Calibration, Provenance, Scale, ScaleUncertainty
from rig.errors import InputError
from rig.rigchecks import CheckLog, Clearing, PieceCheck, Verified, check_file, read_checks, standing_of
from rig.rigfile import RigFile, read_rig_file

NOON = datetime(2026, 3, 17, 12, 0, tzinfo=UTC)
DAY = NOON.astimezone().date()
RIG = "name: bench\nwire: {format: framed}\n"


def check(number: int = 0, *, value: float = 3.0, reasons: tuple[str, ...] = ()) -> PieceCheck:
    return PieceCheck(
        at=NOON + timedelta(days=number - 100),
        piece="K1",
        quantity="secant_n_per_mm",
        value=value,
        u=0.004,
        unit="N/mm",
        capture=f"{number:032x}",
        calibration="0123456789abcdef",
        known=3.0,
        tolerance=0.06,
        reasons=reasons,
        depth_mm=10.0,
    )


def clearing(*, new_baseline: bool = False) -> Clearing:
    return Clearing(NOON, "M. Rigger", "a screw of the frame was loose; tightened", new_baseline)


@pytest.fixture
def rig_path(tmp_path: Path) -> Path:
    path = tmp_path / "bench.yaml"
    path.write_text(RIG)
    return path


@pytest.fixture
def rig(rig_path: Path) -> RigFile:
    return read_rig_file(rig_path)


def kept(rig_path: Path, *records: PieceCheck | Clearing) -> CheckLog:
    log = read_checks(rig_path)
    for record in records:
        log.add(record)
    return read_checks(rig_path)


def test_checks_are_kept_beside_the_rigs_file() -> None:
    assert check_file(Path("rigs/bench.yaml")) == Path("rigs/bench.checks.jsonl")


def test_records_come_back_as_they_were_added(rig_path: Path) -> None:
    records = [check(1), clearing(), check(2, reasons=("too soft",)), clearing(new_baseline=True)]
    records += [Verified(NOON, "M. Rigger", "Class 1", date(2027, 3, 17)), Verified(NOON, "", "No class")]
    assert kept(rig_path, *records).records == records


def test_a_line_torn_at_any_byte_costs_itself_only(rig_path: Path) -> None:
    kept(rig_path, check(1), check(2))
    path = check_file(rig_path)
    whole = path.read_bytes()
    first = whole.index(b"\n") + 1
    for cut in range(first + 1, len(whole) - 1, 7):
        path.write_bytes(whole[:cut])
        log = kept(rig_path, check(3))
        assert log.records == [check(1), check(3)]
        assert log.damaged == 1


@pytest.mark.parametrize(
    "line",
    [
        "[]",
        "3",
        '"text"',
        "{}",
        '{"kind": "piece", "at": "yesterday"}',
        json.dumps({"kind": "piece", "at": NOON.isoformat(), "piece": "K1", "value": "NaN"}),
        "[" * 5000,
        "x" * 100_000,
    ],
)
def test_rubbish_in_the_file_is_counted_and_never_raises(rig_path: Path, line: str) -> None:
    check_file(rig_path).write_text(line + "\n")
    log = kept(rig_path, check(1))
    assert (log.damaged, log.records) == (1, [check(1)])


def test_what_is_outside_stays_so_until_it_is_cleared(rig_path: Path) -> None:
    outside = check(2, reasons=("too soft",))
    assert kept(rig_path, check(1), outside, check(3)).outside() == (outside,)
    assert kept(rig_path, clearing()).outside() == ()


def test_a_chart_goes_on_after_a_clearing_and_begins_anew_only_where_that_is_said(rig_path: Path) -> None:
    assert len(kept(rig_path, check(1), clearing(), check(2)).chart("K1", "secant_n_per_mm")) == 2
    log = kept(rig_path, clearing(new_baseline=True), check(3))
    assert log.chart("K1", "secant_n_per_mm") == (check(3),)


def test_what_was_outside_teaches_no_limits(rig_path: Path) -> None:
    steady = [check(number, value=3.0 + 0.002 * (number % 2)) for number in range(8)]
    wild = [check(50 + number, value=9.0, reasons=("wild",)) for number in range(3)]
    judgement = kept(rig_path, *wild, *steady).judged(check(99), baseline=8)
    assert judgement.limits is not None
    assert judgement.limits.upper < 3.01


def test_a_capture_enters_a_chart_once(rig_path: Path) -> None:
    with pytest.raises(InputError, match="in the chart already"):
        kept(rig_path, check(1)).judged(check(1), baseline=8)


def test_what_a_piece_is_known_to_be_is_remembered(rig_path: Path) -> None:
    silent = replace(check(2), known=None, tolerance=None)
    known = kept(rig_path, check(1), silent).known("K1", "secant_n_per_mm")
    assert known is not None
    assert (known.value, known.tolerance) == (3.0, 0.06)


def test_a_rig_whose_piece_was_outside_says_so_at_each_start_until_it_is_cleared(rig_path, rig) -> None:
    kept(rig_path, check(100, reasons=("2.5 N/mm is 0.5 N/mm off",)))
    (alarm,) = standing_of(rig, DAY).alarms
    assert f"K1 on {DAY.isoformat()}: 2.5 N/mm is 0.5 N/mm off" in alarm
    assert "pressrig verify clear" in alarm
    kept(rig_path, clearing())
    assert standing_of(rig, DAY).alarms == ()


def test_that_no_piece_was_pressed_today_is_a_note(rig_path, rig) -> None:
    kept(rig_path, check(100))
    assert not [each for each in standing_of(rig, DAY).notes if "pressed today" in each]
    assert [each for each in standing_of(rig, DAY + timedelta(days=1)).notes if "pressed today" in each]


def test_a_rig_without_pieces_is_not_asked_for_one(rig) -> None:
    assert not [each for each in standing_of(rig, DAY).notes if "piece" in each]


def test_an_overdue_calibration_is_an_alarm_from_the_day_after(rig) -> None:
    record = Provenance(made=date(2025, 3, 1), expires=date(2026, 3, 1), references=("masses",))
    force = Scale(0.001, uncertainty=ScaleUncertainty(1e5, ((1e-6,),)), record=record)
    due = replace(rig, calibration=Calibration(force=force))
    assert standing_of(due, date(2026, 3, 1)).alarms == ()
    (alarm,) = standing_of(due, date(2026, 3, 2)).alarms
    assert "force (since 2026-03-01)" in alarm


def test_a_verification_is_overdue_from_the_day_after_until_there_is_a_newer_one(rig_path, rig) -> None:
    kept(rig_path, Verified(NOON, "M. Rigger", "Class 1", date(2027, 3, 17)))
    assert standing_of(rig, date(2027, 3, 17)).alarms == ()
    (alarm,) = standing_of(rig, date(2027, 3, 18)).alarms
    assert "overdue since 2027-03-17" in alarm
    kept(rig_path, Verified(NOON, "M. Rigger", "Class 1", date(2028, 3, 17)))
    assert standing_of(rig, date(2027, 3, 18)).alarms == ()


def test_what_is_not_calibrated_is_a_note(rig) -> None:
    assert "Not calibrated: force" in " ".join(standing_of(rig, DAY).notes)


def test_a_check_file_that_cannot_be_read_does_not_keep_anybody_from_recording(rig_path, rig) -> None:
    check_file(rig_path).mkdir()
    (alarm,) = standing_of(rig, DAY).alarms
    assert "not known" in alarm


def test_a_drive_that_reaches_beyond_the_calibrated_force_is_a_note(rig_path: Path) -> None:
    rig_path.write_text(
        RIG.replace("framed}", "framed, rate_hz: 500}")
        + "force: {per_count: 1 mN}\nposition: {per_count: 5 um}\n"
        "drive: {travel: [1 mm, 110 mm], force: [-5 N, 500 N], speed: 30 mm/s, deceleration: 200 mm/s^2, "
        "conversions_per_s: 500}\n"
    )
    rig = read_rig_file(rig_path)

    def notes(highest: int) -> list[str]:
        force = replace(rig.calibration.force, range_counts=(0.0, highest))
        covered = replace(rig, calibration=replace(rig.calibration, force=force))
        return [each for each in standing_of(covered, DAY).notes if "calibrated up to" in each]

    (note,) = notes(8_000)
    assert "calibrated up to 8 N; the drive may reach 500 N" in note
    assert notes(500_000) == []
