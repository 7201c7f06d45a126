"""A cap pulled off on the virtual rig, over a real pseudo-terminal: what is read, and what truly held it.

Source: the virtual cap's own force and travel, no outside value; recomputed here.
"""

import threading
import time
from pathlib import Path

import numpy as np
import pytest

from rig.analyser import PullSettings
from rig.calibration import Calibration, Frame, Scale, ScaleUncertainty
from rig.capture import CaptureHeader
from rig.jobs import Bench, Watch, perform_method
from rig.methods import RigLimits, SpecimenFacts, check_method, parse_method
from rig.reader import PortAddress, Reader
from rig.results.pull_captures import PullsAsked, pulled_captures
from rig.rigfile import RigFile
from rig.virtual import Chain, DriveSettings, PressedCap, VirtualPort, VirtualRig

METHOD = Path(__file__).resolve().parents[2] / "configs" / "methods" / "cap_pull.yaml"
LIMITS = RigLimits((1.0, 50.0), 30.0, (-60.0, 150.0), 200.0, 500.0, 0.0, 500.0)
PULLS = 2
PATIENCE = 20.0
"""The device waits so many times longer for a heartbeat: a busy machine is not what is looked at here."""

U = 5e-4
"""Relative standard uncertainty of both scales; their true counts are drawn from it."""

SOFT_MM_PER_N = 0.002
BACKLASH_MM = 0.03


def _calibration() -> Calibration:
    def scale(per_count: float, reach: float, low: float) -> Scale:
        end = reach / per_count
        return Scale(
            per_count, 0.0, (), ScaleUncertainty(end, (((U * reach) ** 2,),)), (low / per_count, end)
        )

    return Calibration(
        scale(1e-3, 150.0, -60.0), scale(5e-3, 50.0, 0.0), frame=Frame.straight(SOFT_MM_PER_N), name="bench"
    )


def _pulled(folder: Path, cap: PressedCap, seed: int, calibration: Calibration, *, rigid: bool = False):
    """Run the example with fewer pulls; reason of the end, and the capture."""
    random = np.random.default_rng([seed, 77])
    gain_n, gain_mm = 1 + U * random.standard_normal(2)
    rig = VirtualRig(
        cap,
        scripted=False,
        seed=seed,
        contact_mm=25.0 + random.uniform(0, 0.005),
        chain=Chain(
            force_n_per_count=1e-3 * gain_n,
            position_mm_per_count=5e-3 * gain_mm,
            force_noise_n=0.01,
            force_zero_counts=float(random.uniform(-900, 900)),
            backlash_mm=0.0 if rigid else BACKLASH_MM,
            compliance_mm_per_n=0.0 if rigid else SOFT_MM_PER_N,
        ),
        clock=lambda: time.monotonic() / PATIENCE,
        drive=DriveSettings(60.0, 40.0, 200.0),
    )
    text = METHOD.read_text(encoding="utf-8").replace("count: 5", f"count: {PULLS}")
    checked = check_method(parse_method(text, METHOD.name), LIMITS, SpecimenFacts(cap.height_mm))

    def header_of(reader: Reader) -> CaptureHeader:
        kinds = reader.empty()
        return CaptureHeader(
            specimen=f"cap {seed}",
            batch="A",
            free_height_mm=cap.height_mm,
            method={"file": METHOD.name, "text": text},
            calibration=calibration.as_dict(),
            force=kinds.force_channel,
            position=kinds.position_channel,
            clock=kinds.clock,
        )

    watch = Watch(threading.Event(), lambda said: None, lambda step, done: None)
    with VirtualPort(rig, folder / f"rig{seed}", 60.0) as port:
        reader = Reader(PortAddress(path=port.path), "framed", rate_hz=500.0, lock_places=[folder])
        bench = Bench(reader, RigFile("virtual", calibration=calibration), folder / "captures", watch)
        with reader:
            return perform_method(bench, header_of, checked)


def test_peak_slip_and_work_hold_the_truth_on_rigs_with_calibrations_of_their_own(tmp_path: Path) -> None:
    cap, calibration = PressedCap(), _calibration()
    away: dict[str, list[float]] = {}
    for seed in range(4):
        recorded = _pulled(tmp_path, cap, seed, calibration)
        assert recorded.reason == "method finished", recorded.reason
        (read,) = pulled_captures([recorded.path], PullsAsked(PullSettings()))
        assert [each.flags for each in read.pulls] == [()] * PULLS
        for number in range(PULLS):
            worn = 0.96**number
            # 24 N over the bead; 18 N and 0.05 mm x 12 N/mm; the bead's top 0.5 mm on, off after 8 mm; area
            # 10.5 + 14.4 + 40.2 mJ
            truth = {
                "peak_n": 24.0 * worn,
                "slip_n": 18.6 * worn,
                "slip_mm": 0.5,
                "travel_mm": 8.0,
                "work_mj": 65.1 * worn,
            }
            for name, true in truth.items():
                off = (read.piece.columns[name][number] - true) / read.piece.u_of(name)[number]
                away.setdefault(name, []).append(float(off))
    assert {name: max(map(abs, found)) < 3 for name, found in away.items()} == dict.fromkeys(away, True), away
    every = np.abs(np.concatenate(list(away.values())))
    assert np.mean(every < 2) > 0.85, away


def test_the_calibrations_part_is_told_and_is_that_of_the_scales(tmp_path: Path) -> None:
    recorded = _pulled(tmp_path, PressedCap(), 1, _calibration())
    (read,) = pulled_captures([recorded.path], PullsAsked(PullSettings()))
    shares = read.piece.relative_shared_u
    # forces by the force's, ways by the position's, work by both
    assert shares["peak_n"] == pytest.approx(U, rel=0.01)
    assert shares["travel_mm"] == pytest.approx(U, rel=0.1)
    assert shares["work_mj"] == pytest.approx(2**0.5 * U, rel=0.1)
    assert any("frame compliance was measured in compression" in note for note in read.notes)


def test_a_cap_that_holds_beyond_the_limit_halts_the_rig_and_keeps_what_came_before(tmp_path: Path) -> None:
    tight = PressedCap(first_slip_n=70.0, peak_n=80.0, sliding_n=60.0)
    recorded = _pulled(tmp_path, tight, 3, _calibration(), rigid=True)
    assert "below the limit of -60 N" in recorded.reason
    (read,) = pulled_captures([recorded.path], PullsAsked(PullSettings(), beyond=True))
    (pull,) = read.pulls
    # tripped at 60 N, and braked from 1 mm/s within 1 x 1 / (2 x 200) mm: 0.1 N of the grip's 40 N/mm
    assert pull.peak_n == pytest.approx(60.0, abs=1.5)
    assert "not pulled off" in pull.flags
