"""A virtual rig whose frame gives and whose force is late: measured by its own presses, and corrected.

Truths are the chain's own numbers and the algebra of springs in series; nothing comes from the code under
test. Recordings go as bytes through the decoder.

Source: the chain's own numbers and springs in series, no outside value; recomputed here.
"""

from dataclasses import replace

import numpy as np
import pytest

from rig.analyser import AnalysisSettings, CaptureAnalysis
from rig.calibration import Block, Calibration, Scale, measure_delay, measure_frame
from rig.samples import Samples
from rig.wire import FrameDecoder, StreamAt, encode_frame

pytest.importorskip("fcntl", reason="the virtual rig needs a pseudo-terminal's system")

from rig.virtual import Chain, LinearSpring, VirtualRig

PLAIN = Calibration(Scale(1e-3), Scale(5e-3))
COMPLIANCE_MM_PER_N = 0.020
STIFFNESS_N_PER_MM = 40.0
BLOCK_N_PER_MM = 500e3
DELAY_S = 0.025
CHAIN = Chain(compliance_mm_per_n=COMPLIANCE_MM_PER_N, force_delay_s=DELAY_S)


def recorded(specimen, chain, seed, **plan):
    """Samples of a scripted run; too short for its sample number or its clock to wrap."""
    rig = VirtualRig(specimen, chain=chain, seed=seed, **plan)
    sent = rig.receive(encode_frame(StreamAt(1, 500_000))) + rig.advance(rig.script_s + 0.5)
    block = FrameDecoder().feed(sent).samples
    return Samples(
        block.seq.astype(np.int64),
        block.time_us.astype(np.int64),
        block.force.astype(np.int32),
        block.position.astype(np.int32),
        block.status.astype(np.uint8),
    )


def analysed(samples, calibration):
    analysis = CaptureAnalysis(calibration, AnalysisSettings())
    analysis.push(samples)
    return analysis.finish().columns


def slow_and_fast(chain):
    return [
        recorded(LinearSpring(), chain, seed, cycles=3, depth_mm=6.0, speed_mm_per_s=speed)
        for seed, speed in enumerate((2.0, 5.0, 10.0))
    ]


@pytest.fixture(scope="module")
def with_delay():
    """The calibration after slow and fast presses of a spring."""
    return replace(PLAIN, delay=measure_delay(slow_and_fast(CHAIN), PLAIN).delay)


@pytest.fixture(scope="module")
def with_frame(with_delay):
    """The same after presses of a block as well."""
    slow = recorded(
        LinearSpring(BLOCK_N_PER_MM), CHAIN, 7, cycles=5, depth_mm=1.2, gap_mm=0.4, speed_mm_per_s=0.5
    )
    found = measure_frame([slow], with_delay, Block(BLOCK_N_PER_MM, 0.1))
    return replace(with_delay, frame=found.frame)


@pytest.fixture(scope="module")
def spring():
    """Fast presses of the spring to be measured; a press of 2.2 mm is 1.2 mm of spring."""
    return recorded(
        LinearSpring(STIFFNESS_N_PER_MM), CHAIN, 11, cycles=4, depth_mm=2.2, gap_mm=1.0, speed_mm_per_s=10.0
    )


def test_the_delay_is_the_chains(with_delay):
    delay = with_delay.delay
    assert delay.u_s < 1e-4
    assert delay.s == pytest.approx(DELAY_S, abs=3 * delay.u_s)


@pytest.mark.parametrize("conversions_per_s", [80.0, 10.0])
def test_the_delay_of_a_slow_converter_is_told_apart_from_its_conversion(conversions_per_s):
    chain = Chain(force_delay_s=DELAY_S, conversions_per_s=conversions_per_s)
    delay = measure_delay(slow_and_fast(chain), PLAIN).delay
    assert delay.s == pytest.approx(DELAY_S, abs=3 * delay.u_s)
    assert delay.u_s < 0.003


def test_backlash_of_the_position_is_not_taken_for_a_delay():
    delay = measure_delay(slow_and_fast(Chain(force_delay_s=DELAY_S, backlash_mm=0.05)), PLAIN).delay
    assert delay.s == pytest.approx(DELAY_S, abs=3 * delay.u_s)
    assert delay.record.details["loss_at_any_speed_pct"] == pytest.approx(100 * 0.05 * 18 / 54, abs=0.2)


def test_the_frame_is_the_chains(with_frame):
    frame = with_frame.frame
    (force_n,), (deflection_mm,) = frame.force_n, frame.deflection_at_mm
    u_mm = frame.covariance_mm2[0][0] ** 0.5
    assert u_mm < 0.0005
    assert deflection_mm == pytest.approx(COMPLIANCE_MM_PER_N * force_n, abs=3 * u_mm + 1e-5 * deflection_mm)


def test_raw_stiffness_is_wrong_by_what_the_algebra_says(spring, with_delay):
    columns = analysed(spring, with_delay)
    # two springs in series: 1/(1 + 0.020 * 40) = 0.556 of the true stiffness
    factor = 1 / (1 + COMPLIANCE_MM_PER_N * STIFFNESS_N_PER_MM)
    assert columns["secant_n_per_mm"] / STIFFNESS_N_PER_MM == pytest.approx([factor] * 4, rel=0.005)


@pytest.mark.parametrize("name", ["secant_n_per_mm", "chord_n_per_mm"])
def test_corrected_stiffness_is_right_within_its_uncertainty(spring, with_frame, name):
    columns = analysed(spring, with_frame)
    off = np.abs(columns[name] - STIFFNESS_N_PER_MM)
    assert (off <= 3 * columns[f"{name}_u"]).all(), (columns[name], columns[f"{name}_u"])
    assert (columns[f"{name}_u"] < 0.01 * STIFFNESS_N_PER_MM).all()


def test_a_late_force_makes_false_hysteresis_of_several_points(spring, with_frame):
    late = analysed(spring, replace(with_frame, delay=PLAIN.delay))
    # the force is behind by 40/1.8 N/mm * 10 mm/s * 25 ms = 5.6 N on both strokes of up to 49 N
    assert (late["hysteresis_pct"] < -10.0).all()


def test_none_is_left_beyond_its_uncertainty(spring, with_frame):
    columns = analysed(spring, with_frame)
    assert (np.abs(columns["hysteresis_pct"]) <= 3 * columns["hysteresis_pct_u"]).all()
    assert (columns["hysteresis_pct_u"] < 0.5).all()
