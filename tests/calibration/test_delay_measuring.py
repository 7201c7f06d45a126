"""The delay of the force comes out of slow and fast presses, honestly uncertain, or is refused in words."""

from dataclasses import replace

import numpy as np
import pytest
from pressed import CALIBRATION, recorded, spring_presses

from rig.calibration import Delay, measure_delay
from rig.errors import InputError
from rig.samples import Status

SPEEDS = (2.0, 5.0, 12.0)


def presses(seed=1, speeds=SPEEDS, **how):
    rng = np.random.default_rng(seed)
    return [spring_presses(speed, rng, **how) for speed in speeds]


def refusal(recordings, calibration=CALIBRATION):
    with pytest.raises(InputError) as refused:
        measure_delay(recordings, calibration)
    return str(refused.value)


def test_a_delay_is_found_within_its_interval():
    found = measure_delay(presses(delay_s=0.025), CALIBRATION)
    assert found.interval_s < 0.0002
    assert abs(found.delay.s - 0.025) < found.interval_s


def test_hysteresis_before_is_what_the_algebra_says_and_none_is_left_after():
    found = measure_delay(presses(delay_s=0.025), CALIBRATION)
    # a force 25 ms late is k v t off on both strokes: 2 k v t x over k x^2/2 is 4 v t/x, 12 % at 12 mm/s
    fast = [press for press in found.presses if press.speed_mm_per_s > 10]
    assert [press.loss_before_pct for press in fast] == pytest.approx([-12.0] * 3, abs=0.4)
    assert [press.loss_after_pct for press in found.presses] == pytest.approx([0.0] * 9, abs=0.1)


def test_what_is_lost_at_any_speed_is_told_apart():
    # 0.6 N of friction at full depth, growing with depth: 0.6 x 10 mJ out of 150 mJ
    found = measure_delay(presses(delay_s=0.01, rub_n=0.6), CALIBRATION)
    assert found.loss_pct == pytest.approx(4.0, abs=0.1)
    assert abs(found.delay.s - 0.01) < found.interval_s


def test_a_delay_that_is_known_in_part_is_told_whole():
    known = replace(CALIBRATION, delay=Delay(0.02))
    found = measure_delay(presses(delay_s=0.025), known)
    assert abs(found.delay.s - 0.025) < found.interval_s
    assert min(press.loss_before_pct for press in found.presses) > -3.0


def test_the_order_of_recordings_does_not_matter():
    recordings = presses(delay_s=0.02)
    there, back = (measure_delay(each, CALIBRATION).delay for each in (recordings, recordings[::-1]))
    assert there.s == pytest.approx(back.s, rel=1e-7)
    assert there.u_s == pytest.approx(back.u_s, rel=1e-4)


@pytest.mark.parametrize(
    "chain",
    [{}, {"force_noise_n": 0.05, "position_noise_mm": 0.01}],
    ids=["fine", "noisy"],
)
def test_the_stated_interval_holds_the_truth_as_often_as_it_says(chain):
    rng = np.random.default_rng(20)
    found = []
    for _ in range(200):
        delay_s = rng.uniform(0.0, 0.04)
        recordings = [
            spring_presses(speed, rng, delay_s=delay_s, presses=3, depth_mm=5.0, gap_mm=1.0, **chain)
            for speed in (4.0, 9.0, 20.0)
        ]
        measured = measure_delay(recordings, CALIBRATION)
        found.append((measured.delay.record.details["found_ms"] / 1e3 - delay_s, measured.interval_s))
    off_s, half_s = np.array(found).T
    assert 0.93 <= np.mean(np.abs(off_s) < half_s) <= 0.975
    assert abs(off_s.mean()) < 3 * off_s.std() / np.sqrt(len(off_s))


def test_one_speed_is_refused():
    said = refusal(presses(speeds=(5.0, 5.1)))
    assert said.startswith("found presses at one speed only (6 at 5.0")
    assert "slow and fast" in said


def test_speeds_that_are_too_alike_are_refused():
    assert "the fast 2 times as fast" in refusal(presses(speeds=(5.0, 7.0)))


def test_a_single_press_at_a_speed_is_refused():
    recordings = presses(speeds=(2.0,)) + presses(speeds=(10.0,), presses=1)
    assert "expected 2 presses at each speed" in refusal(recordings)


def test_presses_of_unlike_depth_are_refused():
    recordings = presses(speeds=(2.0,)) + presses(speeds=(10.0,), depth_mm=8.5)
    said = refusal(recordings + presses(speeds=(5.0,), depth_mm=12.0))
    assert "expected all equally deep" in said


def test_a_specimen_whose_loss_depends_on_speed_is_refused():
    # grows with the logarithm of speed, as a foam's does
    said = refusal(presses(delay_s=0.01, viscous_n=lambda speed: 1.0 + np.log(speed)))
    assert "depends on speed in a way that no delay explains" in said
    assert "metal spring" in said


def test_a_force_that_seems_to_come_first_is_refused():
    # a dashpot loses as a negative delay does: 0.2 N s/mm on a spring of 3 N/mm are 67 ms
    said = refusal(presses(viscous_n=lambda speed: 0.2 * speed))
    assert "before the position" in said


def test_presses_that_keep_contact_will_do():
    # the zero of the force does not matter to the area of a closed loop
    found = measure_delay(presses(delay_s=0.02, gap_mm=-3.0), CALIBRATION)
    assert abs(found.delay.s - 0.02) < found.interval_s


def test_a_recording_without_a_whole_press_is_refused():
    recordings = [each[: len(each) // 5] for each in presses(presses=2)]
    assert "none of them whole" in refusal(recordings)


def test_a_position_of_the_wrong_sign_is_refused():
    wrong = replace(CALIBRATION, position=replace(CALIBRATION.position, per_count=-0.005))
    assert "wrong sign" in refusal(presses(), wrong)


def test_recordings_without_a_clock_are_refused():
    recordings = [replace(each, clock="none") for each in presses()]
    assert "has no clock" in refusal(recordings)


def test_no_samples_are_refused():
    assert "hold no samples" in refusal([presses()[0][:0]])


def test_a_saturated_press_is_left_out_and_counted():
    recordings = presses(delay_s=0.02, presses=4)
    status = recordings[0].status.copy()
    status[int(np.argmax(recordings[0].force))] |= Status.FORCE_SATURATED
    recordings[0] = replace(recordings[0], status=status)
    found = measure_delay(recordings, CALIBRATION)
    assert (len(found.presses), found.left_out) == (11, 1)


def test_a_press_that_lost_samples_is_left_out_and_counted():
    recordings = presses(delay_s=0.02)
    at = int(np.argmax(recordings[1].force)) - 20
    seq = recordings[1].seq.copy()
    seq[at:] += 7
    recordings[1] = replace(recordings[1], seq=seq)
    found = measure_delay(recordings, CALIBRATION)
    assert (len(found.presses), found.left_out) == (8, 1)


def test_a_half_press_is_left_out_and_counted():
    recordings = presses(delay_s=0.02)
    half = spring_presses(5.0, np.random.default_rng(9), delay_s=0.02, presses=1, depth_mm=6.0)
    found = measure_delay([*recordings, half], CALIBRATION)
    assert (len(found.presses), found.left_out) == (9, 1)


def test_two_speeds_are_enough_but_a_note_says_what_they_hide():
    found = measure_delay(presses(speeds=(2.0, 12.0), delay_s=0.02), CALIBRATION)
    assert abs(found.delay.s - 0.02) < found.interval_s
    assert "Two speeds only" in found.notes[0]


def test_the_hosts_clock_is_noted():
    recordings = [replace(each, clock="host") for each in presses(delay_s=0.02)]
    assert any("the host's" in note for note in measure_delay(recordings, CALIBRATION).notes)


def test_the_evidence_reads_back_with_the_calibration():
    delay = measure_delay(presses(delay_s=0.02), CALIBRATION).delay
    whole = replace(CALIBRATION, delay=delay)
    assert type(whole).from_dict(whole.as_dict()).delay == delay
    assert len(delay.record.details["presses"]) == 9


def test_presses_of_too_few_values_are_refused():
    sparse = presses(speeds=(100.0, 250.0, 900.0))
    assert "press more slowly, or deeper" in refusal(sparse)


@pytest.mark.parametrize("kind", ["noise", "steps", "still", "waves without travel"])
def test_what_is_no_recording_of_presses_is_refused_in_words(kind):
    rng = np.random.default_rng(4)
    time_s = np.arange(0.0, 6.0, 0.002)
    square = (time_s % 1.5 > 0.8).astype(float)
    position_mm, force_n = {
        "noise": (rng.normal(0, 1, len(time_s)), rng.normal(0, 1, len(time_s))),
        "steps": (10 * square, 30 * square),
        "still": (0 * time_s, 0 * time_s),
        "waves without travel": (0 * time_s, np.maximum(10 * np.sin(4 * time_s), 0)),
    }[kind]
    refusal([recorded(time_s, position_mm, force_n, rng)] * 2)


def test_two_samples_at_one_time_do_no_harm():
    # as a host's clock gives them
    recordings = presses(delay_s=0.02)
    paired = [replace(each, time_us=each.time_us // 4000 * 4000, clock="host") for each in recordings]
    # times are two milliseconds early or right, one on the mean
    assert measure_delay(paired, CALIBRATION).delay.s == pytest.approx(0.02, abs=0.003)
