"""The frame compliance comes out of presses of a block, honestly uncertain, or is refused in words."""

import re
from dataclasses import replace

import numpy as np
import pytest
from pressed import CALIBRATION, block_presses

from rig.calibration import Backlash, Block, Calibration, Scale, ScaleUncertainty, Share, measure_frame
from rig.errors import InputError
from rig.samples import RawChannel

STEEL = Block(500e3, 0.1)


def straight(force_n):
    return 0.020 * force_n


def curved(force_n):
    """Slack first: 60 um are taken up over some 6 N, then 5 um/N."""
    return 0.06 * (1 - np.exp(-force_n / 6.0)) + 0.005 * force_n


def presses(give=straight, seed=3, **how):
    return [block_presses(give, np.random.default_rng(seed), **how)]


def refusal(recordings, calibration=CALIBRATION, **how):
    with pytest.raises(InputError) as refused:
        measure_frame(recordings, calibration, **how)
    return str(refused.value)


def test_a_straight_frame_is_found_within_its_interval_by_a_straight_line():
    found = measure_frame(presses(), CALIBRATION)
    (force_n,), (deflection_mm,) = found.frame.force_n, found.frame.deflection_at_mm
    assert force_n == pytest.approx(60.0, abs=0.1)
    assert abs(deflection_mm - 0.020 * force_n) < found.interval_mm[0] < 0.001
    assert found.reason.startswith("a straight line leaves")


def test_the_share_of_the_block_is_taken_off():
    recordings = presses(block_n_per_mm=50e3)
    stiff = measure_frame(recordings, CALIBRATION, Block(50e3, 0.1))
    rigid = measure_frame(recordings, CALIBRATION)
    (force_n,) = stiff.frame.force_n
    # 60 N on 50 N/um are 1.2 um
    assert stiff.frame.deflection_at_mm[0] == pytest.approx(0.020 * force_n, abs=stiff.interval_mm[0])
    assert rigid.frame.deflection_at_mm[0] - stiff.frame.deflection_at_mm[0] == pytest.approx(
        force_n / 50e3, rel=1e-6
    )
    assert "taken as rigid" in rigid.notes[0]


def test_what_is_not_known_of_the_block_is_a_share():
    found = measure_frame(presses(block_n_per_mm=50e3), CALIBRATION, Block(50e3, 0.2))
    (share,) = found.frame.shares
    # the block gives 1/50000 mm/N, a thousandth of the frame's 0.020
    assert share.source == "stiffness of the block"
    assert share.relative_u == pytest.approx(0.2 * (1 / 50e3) / 0.020, rel=0.01)


def test_a_frame_that_takes_up_slack_is_a_curve_within_its_interval():
    found = measure_frame(presses(curved, speed_mm_per_s=0.1, position_noise_mm=0.001), CALIBRATION)
    assert len(found.frame.force_n) >= 3
    knots_n = np.array(found.frame.force_n)
    off_mm = np.array(found.frame.deflection_at_mm) - curved(knots_n)
    assert (np.abs(off_mm) < np.array(found.interval_mm)).all(), off_mm
    assert max(found.interval_mm) < 0.004
    # between the knots too, where no uncertainty is stated of its own
    grid_n = np.linspace(1.0, knots_n[-1], 200)
    assert np.abs(found.frame.deflection_mm(grid_n) - curved(grid_n)).max() < 2 * max(found.interval_mm)


def test_as_many_knots_are_taken_as_asked_for():
    assert len(measure_frame(presses(), CALIBRATION, knots=4).frame.force_n) == 4


@pytest.mark.parametrize(
    ("chain", "knots"),
    [({"position_noise_mm": 0.02}, 1), ({"position_noise_mm": 0.02}, 3), ({"unlike": 0.002}, 1)],
    ids=["line", "curve", "unlike presses"],
)
def test_the_stated_interval_holds_the_truth_as_often_as_it_says(chain, knots):
    rng = np.random.default_rng(11)
    held = []
    for _ in range(200):
        recording = block_presses(straight, rng, block_n_per_mm=500e3, speed_mm_per_s=2.0, **chain)
        found = measure_frame([recording], CALIBRATION, STEEL, knots=knots)
        off_mm = found.frame.deflection_at_mm[-1] - straight(found.frame.force_n[-1])
        held.append((off_mm, found.interval_mm[-1]))
    off, half = np.array(held).T
    assert 0.93 <= np.mean(np.abs(off) < half) <= 0.98
    assert abs(off.mean()) < 3 * off.std() / np.sqrt(len(off))


def test_friction_between_the_strokes_is_reported_and_uncertain():
    found = measure_frame(presses(rub_mm=0.06), CALIBRATION, knots=3)
    assert found.loop_mm == pytest.approx(0.06, abs=0.02)
    middle = found.u_mm[1]
    # a rectangle of half the loop
    assert middle == pytest.approx(0.03 / np.sqrt(3), rel=0.5)
    assert any("Loading and unloading" in note for note in found.notes)


def test_backlash_that_is_known_is_taken_off():
    recordings = presses()
    deepest = int(np.argmax(recordings[0].position))
    assert deepest
    turned = np.diff(recordings[0].position, prepend=recordings[0].position[0])
    smooth = np.convolve(turned, np.ones(25), "same")
    lagging = recordings[0].position + np.where(smooth < -2, 8, 0).astype(np.int32)
    recordings[0] = replace(recordings[0], position=lagging)
    found = measure_frame(recordings, replace(CALIBRATION, backlash=Backlash(0.040)))
    assert found.loop_mm < 0.005


@pytest.mark.parametrize("share", [0.05, 0.15, 0.4, 1.0])
@pytest.mark.parametrize("give", [straight, curved])
def test_a_frame_is_found_behind_any_backlash(give, share):
    """Backlash as a share of the frame's deflection: from little to so much that no way out is left."""
    backlash_mm = share * give(60.0)
    known = replace(CALIBRATION, backlash=Backlash(backlash_mm))
    quiet = {"speed_mm_per_s": 0.1, "position_noise_mm": 0.001}
    found = measure_frame(presses(give, backlash_mm=backlash_mm, **quiet), known)
    knots_n = np.array(found.frame.force_n)
    off_mm = np.array(found.frame.deflection_at_mm) - give(knots_n)
    # eight draws: one may lie a little outside a 95 % interval
    assert (np.abs(off_mm) < 1.5 * np.array(found.interval_mm)).all(), off_mm
    assert max(found.interval_mm) < 0.004
    (said,) = [note for note in found.notes if "has backlash" in note]
    assert ("is not known" in said) == (share == 1.0)


def test_intervals_hold_the_truth_behind_a_backlash_as_often_as_they_say():
    rng = np.random.default_rng(12)
    known, held = replace(CALIBRATION, backlash=Backlash(0.4)), []
    for _ in range(150):
        recording = block_presses(
            straight, rng, block_n_per_mm=500e3, speed_mm_per_s=2.0, position_noise_mm=0.02, backlash_mm=0.4
        )
        found = measure_frame([recording], known, STEEL, knots=1)
        off_mm = found.frame.deflection_at_mm[-1] - straight(found.frame.force_n[-1])
        held.append((off_mm, found.interval_mm[-1]))
    off, half = np.array(held).T
    assert 0.92 <= np.mean(np.abs(off) < half) <= 0.985
    assert abs(off.mean()) < 3 * off.std() / np.sqrt(len(off))


def test_friction_shows_behind_a_backlash_and_a_backlash_that_is_a_little_off_does_not():
    rubbing = presses(rub_mm=0.06, backlash_mm=0.3)
    right = measure_frame(rubbing, replace(CALIBRATION, backlash=Backlash(0.3)), knots=1)
    smooth = measure_frame(presses(backlash_mm=0.3), replace(CALIBRATION, backlash=Backlash(0.3)), knots=1)
    off = measure_frame(presses(backlash_mm=0.3), replace(CALIBRATION, backlash=Backlash(0.31)), knots=1)
    assert right.u_mm[-1] > 3 * smooth.u_mm[-1]
    assert off.frame.deflection_at_mm == smooth.frame.deflection_at_mm
    assert off.u_mm[-1] == pytest.approx(smooth.u_mm[-1], rel=0.01)


def test_what_is_not_known_of_the_scales_is_a_share():
    force = replace(
        CALIBRATION.force, uncertainty=ScaleUncertainty(1e5, ((0.04,),), 8.0, (Share("references", 0.001),))
    )
    found = measure_frame(presses(), Calibration(force, CALIBRATION.position))
    # a standard uncertainty of 0.2 N at 100 N
    assert [(share.source, share.relative_u) for share in found.frame.shares] == [
        ("force calibration, fit", pytest.approx(0.002)),
        ("force calibration, references", 0.001),
    ]
    assert found.u_mm[0] > np.hypot(0.002, 0.001) * found.frame.deflection_at_mm[0]


def test_a_block_laid_in_anew_between_recordings_will_do():
    again = replace(presses(seed=4)[0])
    moved = replace(again, position=again.position + np.int32(400))
    found = measure_frame([*presses(), moved], CALIBRATION)
    assert np.ptp(found.contacts_mm) == pytest.approx(2.0, abs=0.01)
    assert abs(found.frame.deflection_at_mm[0] - 0.020 * found.frame.force_n[0]) < found.interval_mm[0]


def test_a_block_that_creeps_is_refused():
    said = refusal(presses(creep_mm=0.05))
    assert said.startswith("recording 1: the block moved: its presses meet it at 20.000, 20.050")


def test_a_soft_block_is_refused_with_what_was_found():
    said = refusal(presses(block_n_per_mm=2.0))
    # 500 um/N of the block and 20 of the frame
    found_um_per_n = float(re.search(r"([\d.]+) um/N: far softer than a frame", said)[1])
    assert found_um_per_n == pytest.approx(520, abs=5)
    assert "expected at most 200 um/N" in said


def test_a_block_that_loses_energy_is_refused():
    assert "a soft block, a block that slid" in refusal(presses(rub_mm=0.5))


def test_a_block_stated_too_soft_is_refused():
    said = refusal(presses(), block=Block(40.0, 0.1))
    assert "the block alone, as stated, deflects by" in said


def test_a_give_below_the_steps_of_the_position_is_refused():
    said = refusal(presses(lambda force_n: 0.0004 * force_n, speed_mm_per_s=0.02))
    assert "the position reading's step is 5 um" in said


def test_a_small_force_beside_its_noise_is_refused():
    assert "press harder" in refusal(presses(force_noise_n=2.0))


def test_two_presses_are_refused():
    assert "found 2 whole presses" in refusal(presses(presses=2))


def test_presses_that_are_too_fast_are_refused():
    assert "press more slowly" in refusal(presses(speed_mm_per_s=40.0))


def test_presses_that_never_let_go_are_refused():
    # a load of 8 N stays on the block
    recordings = presses(presses=5)
    loaded = np.maximum(recordings[0].position - 4000 + 40, 0) * 5 / 20
    kept = replace(recordings[0], force=np.rint(1000 * (loaded + 8.0 + loaded / 8)).astype(np.int32))
    pulled = replace(kept, force=kept.force + (kept.position - 4000) * 100)
    assert "none of them whole" in refusal([pulled])


def test_a_number_of_knots_that_makes_no_sense_is_refused():
    assert refusal(presses(), knots=7) == "knots: found 7, expected 1 to 6"


def test_more_knots_than_the_steps_can_carry_are_refused():
    # 48 um are not ten counts of the position
    assert "expected fewer knots" in refusal(presses(lambda force_n: 0.0008 * force_n), knots=6)


def test_a_channel_that_came_scaled_has_no_share_of_a_scale():
    (counted,) = presses()
    scaled = replace(
        counted,
        force=counted.force * 1e-3,
        position=counted.position * 5e-3,
        force_channel=RawChannel("N", 1e-3),
        position_channel=RawChannel("mm", 5e-3),
    )
    force = replace(CALIBRATION.force, uncertainty=ScaleUncertainty(1e5, ((0.04,),), 8.0))
    found = measure_frame([scaled], Calibration(force, CALIBRATION.position))
    assert found.frame.shares == ()
    assert found.frame.deflection_at_mm[0] == pytest.approx(0.020 * found.frame.force_n[0], abs=0.001)


def test_the_evidence_reads_back_with_the_calibration():
    frame = measure_frame(presses(curved, speed_mm_per_s=0.1), CALIBRATION, STEEL).frame
    whole = replace(CALIBRATION, frame=frame)
    assert Calibration.from_dict(whole.as_dict()).frame == frame
    assert len(frame.record.details["presses"]) == 5
    assert "500 N/um" in frame.record.references[0]


def test_a_position_scale_that_is_off_makes_the_frame_as_much_off():
    found = measure_frame(presses(), Calibration(CALIBRATION.force, Scale(0.005 * 1.01)))
    assert found.frame.deflection_at_mm[0] / found.frame.force_n[0] == pytest.approx(0.0202, rel=2e-3)
