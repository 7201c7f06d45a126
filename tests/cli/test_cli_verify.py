"""`pressrig verify`: references, creep and check standards, and the warnings that recordings begin with."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest
from command_line import CALIBRATED, FAST, ROOT, UNCALIBRATED, environment, pressrig, simulated
from loguru import logger

from rig.calibration import Calibration, Provenance, Scale, ScaleUncertainty
from rig.capture import CaptureHeader, CaptureWriter, open_capture
from rig.cli import main
from rig.rigchecks import PieceCheck, check_file, read_checks, standing_of
from rig.rigfile import read_rig_file
from rig.samples import Samples

EXAMPLE = ROOT / "configs" / "calibrations" / "verification_readings.csv"
CERTIFIED = ("--certificate", "mass set, certificate 12", "--reference-u", "0.02 %")
KNOWN = ("--known", "3 N/mm", "--tolerance", "2 %")


@dataclass(frozen=True)
class Said:
    code: int
    out: str
    err: str


Run = Callable[..., Said]


@pytest.fixture
def run(tmp_path, monkeypatch, capsys) -> Run:
    """The command in this process, in an empty folder."""
    monkeypatch.chdir(tmp_path)
    for name, value in environment(tmp_path).items():
        monkeypatch.setenv(name, value)

    def call(*arguments: object) -> Said:
        monkeypatch.setattr(sys, "argv", ["pressrig", *map(str, arguments)])
        with pytest.raises(SystemExit) as end:
            main()
        said = capsys.readouterr()
        return Said(int(end.value.code or 0), said.out, said.err)

    yield call
    logger.remove()  # it writes to the captured standard error, which is gone after the test


@pytest.fixture
def bench(tmp_path) -> Path:
    path = tmp_path / "bench.yaml"
    path.write_text(CALIBRATED)
    return path


def table(tmp_path: Path, *rows: str, heading: str = "run,direction,load_N,indicated_N") -> Path:
    path = tmp_path / "readings.csv"
    path.write_text("\n".join([heading, *rows]) + "\n")
    return path


# References.


def test_the_example_reaches_its_class_and_writes_a_report(run, bench, tmp_path) -> None:
    said = run("verify", "force", EXAMPLE, "--rig", bench, *CERTIFIED, "--out", tmp_path / "out")
    assert said.code == 0, said.err
    assert "Class 0.5 from 40 N to 200 N" in said.out
    assert "data:image/svg+xml" in (tmp_path / "out" / "verification.html").read_text()
    assert "<svg" in (tmp_path / "out" / "errors.svg").read_text()
    assert "Class 0.5" in (tmp_path / "out" / "verification.md").read_text()


def test_the_document_says_errors_class_and_expiry(run, bench) -> None:
    said = run(
        "verify", "force", EXAMPLE, "--rig", bench, *CERTIFIED, "--json", "--on", "2026-08-31",
        "--expires-after", "6 months", "--condition", "temperature=21 degC",
    )  # fmt: skip
    document = json.loads(said.out)
    assert (document["class"], document["from_n"], document["to_n"]) == ("0.5", 40, 200)
    assert document["expires"] == "2027-02-28"
    assert document["conditions"] == {"temperature": "21 degC"}
    # 40.10, 40.06 and 40.12 from their zeros: mean 40.0933
    assert document["loads"][0]["q"] == pytest.approx(0.2333, abs=1e-4)
    # written to 0.01 N
    assert document["loads"][0]["a"] == pytest.approx(0.025)


def test_without_a_certificate_errors_are_given_and_no_class(run, bench) -> None:
    said = run("verify", "force", EXAMPLE, "--rig", bench)
    assert said.code == 0
    assert "No class is stated, only the errors: no certificate" in said.out
    assert run("verify", "force", EXAMPLE, "--rig", bench, "--class", "3").code == 1


def test_a_class_asked_for_and_missed_is_said_plainly(run, bench) -> None:
    said = run(
        "verify", "force", EXAMPLE, "--rig", bench, *CERTIFIED, "--resolution", "0.2 N", "--class", "0.5"
    )
    assert said.code == 1
    assert "class 0.5 is not reached: resolution a of +0.5 % at 40 N, limit 0.25 %" in said.err
    assert run("verify", "force", EXAMPLE, "--rig", bench, *CERTIFIED, "--class", "2").code == 0


def test_counts_are_read_by_the_rigs_calibration(run, bench, tmp_path) -> None:
    rows = [f"1,rising,{load},{load * 1010}" for load in (20, 40, 60, 80, 100)]
    path = table(tmp_path, *rows, heading="run,direction,load (N),indicated_counts")
    document = json.loads(run("verify", "force", path, "--rig", bench, "--json").out)
    # 1 mN a count: 1 % high
    assert [each["q"] for each in document["loads"]] == pytest.approx([1.0] * 5)


def test_masses_press_with_their_weight_less_their_buoyancy(run, bench, tmp_path) -> None:
    path = table(tmp_path, "1,rising,2,19.62", heading="run,direction,mass_kg,indicated_N")
    document = json.loads(
        run("verify", "force", path, "--rig", bench, "--gravity", "9.81 m/s^2", "--json").out
    )
    # 2 kg of 8000 kg/m^3 at 9.81 m/s^2 in air of 1.2 kg/m^3: 19.62 N less 0.015 %
    assert document["loads"][0]["load_n"] == pytest.approx(19.62 * (1 - 0.00015), rel=1e-9)


def test_a_verification_that_is_kept_warns_once_it_is_overdue(run, bench) -> None:
    run("verify", "force", EXAMPLE, "--rig", bench, *CERTIFIED, "--keep", "--on", "2020-01-31")
    kept = read_checks(bench).verified()
    assert kept is not None
    assert kept.expires is not None
    assert kept.expires.isoformat() == "2021-01-31"
    assert "overdue since 2021-01-31" in " ".join(standing_of(read_rig_file(bench)).alarms)


HEADING = "run,direction,load_N,indicated_N"


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ((HEADING,), "found headings only"),
        (("run,direction,load,indicated_N", "1,rising,5,5"), "line 1: load: no unit; write `load_N`"),
        (("run,direction,load_mm,indicated_N", "1,rising,5,5"), "line 1: load: found the unit 'mm'"),
        (("run,direction,mass,indicated_N", "1,rising,5,5"), "line 1: mass: no unit; write `mass_kg`"),
        (("run,direction,load_kg,indicated_N", "1,rising,5,5"), "kg is a unit of mass; name the column mass"),
        (("run,direction,mass_N,indicated_N", "1,rising,5,5"), "mass: found the unit 'N'"),
        (("run,direction,mass_kg,indicated_N", "1,rising,5,5"), "for masses give the local gravity"),
        (("run,direction,load_N,load_N", "1,rising,5,5"), "line 1, headings: more than one column load_N"),
        (("run,direction,load_N", "1,rising,5"), "line 1: no column indicated"),
        ((HEADING, "1,up,5,5"), "line 2: direction: found 'up'"),
        ((HEADING, "one,rising,5,5"), "line 2: run: found 'one'"),
        ((HEADING, "1,rising,5 N,5"), "line 2, column 'load_N': found '5 N'"),
        ((HEADING, "1,rising,5"), "line 2: found 3 cells, expected 4"),
        ((HEADING, "1,rising,-5,5"), "at -5 N the rig reads 5 N"),
        ((HEADING, "1,rising,9,9", "1,rising,5,5"), "run 1: found 5 N after 9 N"),
    ],
)
def test_a_wrong_table_is_refused_with_its_line(run, bench, tmp_path, lines, words) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("\n".join(lines) + "\n")
    said = run("verify", "force", path, "--rig", bench)
    assert said.code == 2
    assert words in said.err


def test_counts_without_a_calibration_are_refused(run, tmp_path) -> None:
    bare = tmp_path / "bare.yaml"
    bare.write_text(UNCALIBRATED)
    path = table(tmp_path, "1,rising,5,5000", heading="run,direction,load_N,indicated_counts")
    said = run("verify", "force", path, "--rig", bare)
    assert said.code == 2
    assert "pressrig calibrate force" in said.err


# Creep.


def held(folder: Path, calibration: Calibration) -> Path:
    """A load of 100 N held for 60 s that creeps by 0.1 N and leaves 0.02 N behind, in counts of 1 mN."""
    time_s = np.arange(0, 90, 0.05)
    loaded = (time_s >= 15) & (time_s < 75)
    force_n = np.where(loaded, 100.0 + 0.1 * (time_s - 15) / 60, np.where(time_s >= 75, 0.02, 0.0))
    n = len(time_s)
    samples = Samples(
        np.arange(n), (time_s * 1e6).astype(np.int64), np.round(force_n * 1000).astype(np.int32),
        np.zeros(n, np.int32), np.zeros(n, np.uint8),
    )  # fmt: skip
    with CaptureWriter.create(
        folder, CaptureHeader(specimen="cell", calibration=calibration.as_dict())
    ) as writer:
        writer.append(samples)
    return writer.path


@pytest.mark.parametrize(("force", "unit"), [(Scale(1e-3), "N"), (None, "counts")])
def test_creep_and_zero_return_are_per_cent_with_and_without_a_calibration(
    run, tmp_path, force, unit
) -> None:
    capture = held(tmp_path / "captures", Calibration(force=force))
    document = json.loads(run("verify", "creep", capture, "--json").out)
    assert document["unit"] == unit
    # steady creep of 0.1 % in 60 s, read between the middles of windows at 3 s and 57 s
    assert document["creep"]["pct"] == pytest.approx(0.1 * 54 / 60, abs=0.002)
    assert document["zero_return"]["pct"] == pytest.approx(0.02, abs=0.002)


def test_more_creep_than_allowed_is_a_no(run, tmp_path) -> None:
    capture = held(tmp_path / "captures", Calibration(force=Scale(1e-3)))
    assert run("verify", "creep", capture, "--most", "0.2 %").code == 0
    said = run("verify", "creep", capture, "--most", "0.05 %")
    assert said.code == 1
    assert "more than 0.05 %: creep" in said.err


# Check standards.


def seeded(rig: Path, count: int, *, value: float = 3.0, piece: str = "K1") -> None:
    """A chart that was kept for some days, readings 0.002 apart."""
    log = read_checks(rig)
    for number in range(count):
        log.add(
            PieceCheck(
                at=datetime(2026, 3, 1 + number, 7, tzinfo=UTC),
                piece=piece,
                quantity="secant_n_per_mm",
                value=value + 0.002 * (number % 2),
                u=0.004,
                unit="N/mm",
                capture=f"{number:032x}",
                calibration="0123456789abcdef",
            )
        )


def test_a_piece_that_is_what_it_is_known_to_be_is_inside(run, bench, framed) -> None:
    said = run("verify", "piece", framed[0], "--rig", bench, *KNOWN)
    assert said.code == 0, said.err
    assert "inside" in said.out
    assert "being learnt: 7 more readings" in said.out
    (kept,) = read_checks(bench).records
    assert (kept.piece, kept.known, kept.capture) == ("K1", 3.0, open_capture(framed[0]).header.id)
    # the virtual spring is 3 N/mm
    assert kept.value == pytest.approx(3.0, abs=2 * kept.u)


def test_a_piece_off_its_known_value_is_a_no(run, bench, framed) -> None:
    said = run("verify", "piece", framed[0], "--rig", bench, "--known", "3.3 N/mm", "--tolerance", "0.1 N/mm")
    assert said.code == 1
    assert "off the piece's known 3.3 N/mm; 0.1 N/mm are allowed" in said.out


def test_a_piece_beyond_the_limits_of_its_chart_is_a_no(run, bench, framed) -> None:
    seeded(bench, 8, value=3.4)
    said = run("verify", "piece", framed[0], "--rig", bench)
    assert said.code == 1
    assert "outside the chart's limits of 3.39" in said.out
    assert "The calibration has changed" in said.out


def test_the_known_value_of_the_last_time_is_used_again(run, bench, framed) -> None:
    run("verify", "piece", framed[0], "--rig", bench, "--known", "3.3 N/mm", "--tolerance", "0.1 N/mm")
    again = read_checks(bench).known("K1", "secant_n_per_mm")
    assert again is not None
    assert again.value == 3.3


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--known", "3 N/mm"), "--known and --tolerance: found one of them"),
        (("--quantity", "softness"), "--quantity: found 'softness'; there are secant_n_per_mm"),
        (("--known", "3 N", "--tolerance", "1 %"), "--known"),
    ],
)
def test_a_wrong_piece_is_refused_and_nothing_is_kept(run, bench, framed, arguments, words) -> None:
    said = run("verify", "piece", framed[0], "--rig", bench, *arguments)
    assert said.code == 2
    assert words in said.err
    assert not check_file(bench).exists()


def test_a_capture_of_another_rig_is_refused(run, tmp_path, framed) -> None:
    other = tmp_path / "other.yaml"
    other.write_text(CALIBRATED.replace("bench", "second bench"))
    said = run("verify", "piece", framed[0], "--rig", other)
    assert said.code == 2
    assert "recorded on the rig 'bench', not on 'second bench'" in said.err


def test_a_capture_is_charted_once(run, bench, framed) -> None:
    run("verify", "piece", framed[0], "--rig", bench)
    said = run("verify", "piece", framed[0], "--rig", bench)
    assert said.code == 2
    assert "in the chart already" in said.err


def test_the_chart_is_shown_and_drawn(run, bench, tmp_path) -> None:
    seeded(bench, 9)
    said = run("verify", "chart", "--rig", bench, "--out", tmp_path / "plots")
    assert said.code == 0
    assert "set by 8 readings" in said.out
    assert (tmp_path / "plots" / "K1-secant_n_per_mm.png").read_bytes().startswith(b"\x89PNG")
    document = json.loads(run("verify", "chart", "--rig", bench, "--json").out)
    assert len(document["charts"][0]["points"]) == 9


def test_charts_of_pieces_with_like_names_are_drawn_into_files_of_their_own(run, bench, tmp_path) -> None:
    seeded(bench, 3, piece="K/1")
    seeded(bench, 3, piece="K 1")
    assert run("verify", "chart", "--rig", bench, "--out", tmp_path / "plots").code == 0
    assert len(list((tmp_path / "plots").glob("*.png"))) == 2


def test_clearing_takes_a_reason_and_something_to_clear(run, bench) -> None:
    assert run("verify", "clear", "--rig", bench, "--reason", "because", "--by", "M. R.").code == 2
    seeded(bench, 3)
    assert run("verify", "clear", "--rig", bench, "--reason", "x", "--by", "M. R.").code == 2


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_recordings_warn_while_a_piece_is_outside_and_say_so_in_the_capture(
    run, bench, framed, tmp_path
) -> None:
    run("verify", "piece", framed[0], "--rig", bench, "--known", "3.3 N/mm", "--tolerance", "0.1 N/mm")
    assert run("verify", "chart", "--rig", bench).code == 1

    def recorded() -> tuple[str, list[str], CaptureHeader]:
        with simulated(tmp_path, "--specimen", "spring", "--cycles", 1, *FAST) as link:
            finished = pressrig(
                tmp_path, "record", "--rig", bench, "--port", link, "--specimen", "F1", "--seconds", 1,
                "--out", tmp_path / "captures",
            )  # fmt: skip
        assert finished.returncode == 0, finished.stderr
        capture = open_capture(Path(finished.stdout.splitlines()[-1]))
        events = [each["text"] for each in capture.each_event() if each["kind"] == "warning"]
        return finished.stderr, events, capture.header

    said, events, header = recorded()
    assert said.count("WARNING: Check standard outside its limits, and not cleared: K1") == 1
    assert any("Check standard outside" in text for text in events)
    assert list(header.warnings) == events

    cleared = run(
        "verify", "clear", "--rig", bench, "--reason", "the wrong spring was pressed", "--by", "M. R."
    )
    assert cleared.code == 0
    said, events, _ = recorded()
    assert "outside" not in said
    assert not any("outside" in text for text in events)
    # what is not calibrated is said nevertheless, once
    assert said.count("Not calibrated") == 1


def test_a_capture_shows_what_was_said_when_it_was_begun(run, tmp_path) -> None:
    record = Provenance(expires=date(2020, 1, 31), references=("masses",), details={"degree": 1})
    scale = Scale(1e-3, uncertainty=ScaleUncertainty(1e5, ((1e-6,),)), record=record)
    about = CaptureHeader(
        specimen="F1",
        calibration=Calibration(force=scale).as_dict(),
        warnings=("Calibration overdue: force.",),
    )
    with CaptureWriter.create(tmp_path / "captures", about) as writer:
        pass
    said = run("show", writer.path)
    assert said.code == 0, said.err
    assert "Calibration overdue: force." in said.out
    assert "per_count_n 0.001" in said.out
