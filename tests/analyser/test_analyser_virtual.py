"""Specimens of known truth, measured from the counts that a virtual rig sends."""

import numpy as np
import pytest
from press_recordings import CALIBRATION, analysed

from rig.calibration import Calibration, Delay
from rig.samples import Samples
from rig.wire import FrameDecoder, StreamAt, encode_frame

pytest.importorskip("fcntl", reason="the virtual rig needs a pseudo-terminal's system")

from rig.virtual import Chain, VirtualRig, specimen_named

CONTACT_FORCE_N = 0.1
TIMES = 3.5
"""Of the stated standard uncertainty; some two hundred numbers are looked at."""


def measured(name, *, chain=None, delay_s=0.0, **plan):
    """Result of a scripted run, and its truth."""
    rig = VirtualRig(specimen_named(name), chain=chain, seed=8, **plan)
    sent = rig.receive(encode_frame(StreamAt(1, 500_000))) + rig.advance(rig.script_s + 0.5)
    block = FrameDecoder().feed(sent).samples
    # such a run is too short for its sample number or its clock to wrap
    samples = Samples(
        block.seq.astype(np.int64),
        block.time_us.astype(np.int64),
        block.force.astype(np.int32),
        block.position.astype(np.int32),
        block.status.astype(np.uint8),
    )
    calibration = Calibration(CALIBRATION.force, CALIBRATION.position, Delay(delay_s))
    return analysed(samples, calibration=calibration, contact_force_n=CONTACT_FORCE_N), rig.truth


@pytest.fixture(scope="module", params=["spring", "sphere", "ring", "foam"])
def run(request):
    return measured(request.param, cycles=4)


@pytest.mark.parametrize(
    "name",
    [
        "contact_mm",
        "peak_force_n",
        "peak_deflection_mm",
        "secant_n_per_mm",
        "energy_absorbed_mj",
        "energy_returned_mj",
    ],
)
def test_each_cycle_has_the_truth_within_its_uncertainty(run, name):
    result, truth = run
    expected = np.array([getattr(cycle, name) for cycle in truth.cycles])
    off = np.abs(result.columns[name] - expected) / result.columns[f"{name}_u"]
    assert (off <= TIMES).all(), off


def test_set_at_the_contact_force_is_the_truths(run):
    result, truth = run
    expected = np.array([truth.set_mm(cycle.cycle, CONTACT_FORCE_N) for cycle in truth.cycles[1:]])
    off = np.abs(result.columns["set_mm"] - [0.0, *expected])[1:] / result.columns["set_mm_u"][1:]
    assert (off <= TIMES).all(), off


def test_a_slow_converter_that_is_late_shows_no_false_hysteresis():
    chain = Chain(force_delay_s=0.02, conversions_per_s=50.0)
    result, _ = measured("spring", cycles=4, chain=chain, delay_s=0.02)
    assert np.abs(result.columns["hysteresis_pct"]).max() < 1.0
    assert (np.abs(result.columns["loss_mj"]) <= TIMES * result.columns["loss_mj_u"]).all()


def test_the_same_converter_with_its_delay_unknown_shows_several_points_of_it():
    chain = Chain(force_delay_s=0.02, conversions_per_s=50.0)
    result, _ = measured("spring", cycles=4, chain=chain)
    # twice the lag of 0.2 mm over half the depth of 10 mm, the force being behind on both strokes
    assert result.columns["hysteresis_pct"] == pytest.approx(-8.0, abs=1.5)
