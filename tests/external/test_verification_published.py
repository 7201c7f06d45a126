"""Published limits, constants and a published spring, against the verification of a rig."""

from __future__ import annotations

import json
import math
import os
import sys
import threading
from functools import partial
from pathlib import Path

import pytest

from rig.calibration import (
    Calibration,
    Scale,
    VerificationReading,
    VerificationReferences,
    learnt_limits,
    verify_force,
)
from rig.capture import CaptureHeader
from rig.cli import main
from rig.jobs import Bench, StopRule, Watch, record
from rig.jobs.heading import complete_header
from rig.reader import PortAddress, Reader
from rig.rigfile import RigFile
from rig.units import factor, parse

CERTIFIED = VerificationReferences(("mass set, certificate 12",), 1e-4)

# ISO 7500-1, table of characteristic values, per cent for class 0.5 / 1 / 2 / 3. Recalled.
PERMITTED = {
    "q": (0.5, 1.0, 2.0, 3.0),
    "b": (0.5, 1.0, 2.0, 3.0),
    "v": (0.75, 1.5, 3.0, 4.5),
    "f0": (0.05, 0.1, 0.2, 0.3),
    "a": (0.25, 0.5, 1.0, 1.5),
}
NAMES = ("0.5", "1", "2", "3")
FULL_N = 100.0


def _verified(error: str, per_cent: float):
    """A rig with one error of a stated size and no other, at five loads from 20 N to 100 N.

    The definitions of ISO 7500-1: q = 100 (mean indicated - true)/true; b = 100 (largest - smallest)/true
    over three runs; v = 100 (falling - rising)/true; zero as per cent of the largest load, resolution of
    each load.
    """
    share = per_cent / 100
    rises = {"q": (share, share, share), "b": (-share / 2, share / 2, 0.0)}.get(error, (0.0, 0.0, 0.0))
    falls = rises[2] + (share if error == "v" else 0.0)
    loads = (20.0, 40.0, 60.0, 80.0, FULL_N)
    readings = []
    for run, rise in enumerate(rises, start=1):
        readings += [VerificationReading(run, "rising", load, load * (1 + rise)) for load in (0.0, *loads)]
        if run == 3:
            readings += [
                VerificationReading(run, "falling", load, load * (1 + falls)) for load in loads[-2::-1]
            ]
        readings.append(VerificationReading(run, "falling", 0.0, share * FULL_N if error == "f0" else 0.0))
    resolution_n = share * loads[0] if error == "a" else 1e-9
    return verify_force(readings, CERTIFIED, resolution_n=resolution_n)


@pytest.mark.parametrize("error", PERMITTED)
@pytest.mark.parametrize("rank", range(4))
def test_an_error_at_the_limit_of_a_class_keeps_it_and_above_it_loses_it(error: str, rank: int) -> None:
    # Source: ISO 7500-1:2018, table of characteristic values (edition not verified); recalled.
    limit = PERMITTED[error][rank]
    at_limit, above = _verified(error, limit * 0.999), _verified(error, limit * 1.001)
    assert at_limit.reached is not None
    assert at_limit.reached.limits.name == NAMES[rank]
    next_name = None if above.reached is None else above.reached.limits.name
    assert next_name == (NAMES[rank + 1] if rank < 3 else None)


def test_the_factors_of_a_chart_of_individuals_are_the_published_ones() -> None:
    # Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2012, 6.3.2.2 (section not verified);
    # recalled.
    # Charts of individuals: limits 3 mean(MR)/1.128; factor 3.267 for moving ranges of two.
    limits = learnt_limits([0.0, 1.0] * 4)
    assert limits is not None
    assert limits.upper - limits.mean == pytest.approx(3 / 1.128, rel=5e-4)
    assert limits.largest_range == pytest.approx(3.267, abs=5e-4)


RIG = """
name: bench
wire: {format: framed}
force: {per_count: "1 mN"}
position: {per_count: "5 um"}
"""


@pytest.fixture(scope="module")
def pressed_spring(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, float]:
    """The published spring, pressed on a virtual rig behind a pseudo-terminal; its closed form beside it.

    Budynas and Nisbett, Shigley's Mechanical Engineering Design, worked example on a music-wire spring
    (10-1). Recomputed: d = 0.037 in, D = 0.400 in, 10.5 active coils, G = 11.85 Mpsi: k = G d^4 / (8 D^3 N) =
    4.13 lbf/in.
    """
    if os.name != "posix":
        pytest.skip("needs a pseudo-terminal")
    from rig.virtual import LinearSpring, VirtualPort, VirtualRig

    home = tmp_path_factory.mktemp("spring")
    (home / "bench.yaml").write_text(RIG)
    wire_mm, coil_mm = parse("0.037 in", "mm"), parse("0.400 in", "mm")
    shear_mpa = 11.85e6 * factor("lbf/in^2", "N/mm^2")
    spring = LinearSpring.helical(
        wire_mm=wire_mm, coil_mm=coil_mm, active_coils=10.5, shear_modulus_mpa=shear_mpa, height_mm=40.0
    )
    calibration = Calibration(Scale(1e-3), Scale(5e-3))
    about = CaptureHeader(
        specimen="spring HW-1", rig={"name": "bench"}, calibration=calibration.as_dict(), free_height_mm=40.0
    )
    with VirtualPort(VirtualRig(spring, cycles=3, depth_mm=12.0, seed=17), speed_up=50.0) as port:
        reader = Reader(PortAddress(path=port.path), "framed", lock_places=[home])
        watch = Watch(threading.Event(), ask=str, tell=lambda step, done: None)
        bench = Bench(reader, RigFile("bench", calibration=calibration), home, watch)
        recorded = record(bench, partial(complete_header, about), StopRule(cycles=3))
    assert not recorded.failed
    return home / "bench.yaml", recorded.path, shear_mpa * wire_mm**4 / (8 * coil_mm**3 * 10.5)


def test_the_check_piece_measures_the_rate_of_the_worked_example(
    pressed_spring: tuple[Path, Path, float],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    # Source: Budynas and Nisbett, Shigley's Mechanical Engineering Design, example 10-1 (place
    # recalled, edition not verified); recomputed.
    rig_file, capture, rate = pressed_spring
    assert rate / factor("lbf/in", "N/mm") == pytest.approx(4.13, abs=0.005)
    words = ["verify", "piece", capture, "--rig", rig_file, "--known", "4.13 lbf/in", "--tolerance", "1 %"]
    monkeypatch.setattr(sys, "argv", ["pressrig", *map(str, words), "--json"])
    with pytest.raises(SystemExit) as ended:
        main()
    answer = json.loads(capsys.readouterr().out)
    assert ended.value.code == 0
    assert answer["piece"] == "spring HW-1"
    assert answer["quantity"] == "secant_n_per_mm"
    assert abs(answer["value"] - rate) <= 2 * answer["u"]
    assert 0 < answer["u"] < 0.005 * rate
    assert math.isclose(answer["known"], 4.13 * 4.4482216152605 / 25.4, rel_tol=1e-12)
