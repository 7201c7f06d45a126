"""Free height measured on the virtual rig, against where its platen truly met what was between."""

import os
import threading
from dataclasses import replace

import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

from delivering import CALIBRATION
from height_runs import LIMITS, PLAN, PLATEN_N_PER_MM, measured, reported

from rig.calibration import Delay, Frame
from rig.capture import open_capture
from rig.errors import InputError
from rig.jobs.height import INSTRUCTIONS
from rig.methods import HeightPlan
from rig.results import checked_surface, height_report
from rig.virtual import Chain, HertzSphere, LinearSpring, specimen_named
from rig.wire import StateFlag

CONTACT_N, TOP_N = PLAN.contact_n, PLAN.top_n
SPRING = LinearSpring(3.0, 30.0)


@pytest.fixture(scope="module")
def spring(tmp_path_factory):
    """A spring measured once for all tests that only look."""
    return measured(tmp_path_factory.mktemp("spring"), SPRING)


HALF_INTERVALS = 1.6
"""A 95 % interval misses in one of twenty runs, and the noise falls otherwise when the machine is busy.
1.6 of its halves are 3.1 standard uncertainties or more, which one of 500 exceeds."""


def within(height, truth_mm):
    reach_mm = HALF_INTERVALS * (height.high_mm - height.low_mm) / 2
    return abs(height.mm - truth_mm) <= reach_mm


def counted(height, true_mm):
    """Mean of the true heights of the contact checks that the mean holds."""
    return float(true_mm[1:].mean() if height.first_mm is not None else true_mm.mean())


def test_the_height_of_a_spring_holds_what_its_stiffness_says_at_both_forces(spring):
    report = spring.report()
    for height in (report.at_contact, report.at_top):
        # squeezed by F/k, and the bare platens by F/K
        squeezed_mm = height.force_n / SPRING.stiffness_n_per_mm - height.force_n / PLATEN_N_PER_MM
        assert within(height, SPRING.height_mm - squeezed_mm)
        assert height.u_mm < 0.002
    assert within(report.unloaded, SPRING.height_mm)


def test_a_sphere_is_met_lower_than_it_is_high_and_its_height_is_had_by_its_foot(tmp_path):
    sphere = HertzSphere(0.1, 15.0)
    report = measured(tmp_path, sphere).report()
    squeezed_mm = sphere.deflection_at_mm(CONTACT_N) - CONTACT_N / PLATEN_N_PER_MM
    assert squeezed_mm > 100 * report.at_contact.u_mm
    assert within(report.at_contact, sphere.height_mm - squeezed_mm)
    assert within(report.at_top, sphere.height_mm - sphere.deflection_at_mm(TOP_N) + TOP_N / PLATEN_N_PER_MM)
    assert within(report.unloaded, sphere.height_mm)


def test_a_foam_that_creeps_is_told_apart_and_its_height_is_where_the_platen_truly_met_it(tmp_path):
    foam = specimen_named("block")
    # four contact checks leave a trend two degrees of freedom: chance can hide it
    run = measured(tmp_path, foam, plan=HeightPlan(contact_checks=8))
    report = run.report()
    for height in (report.at_contact, report.at_top):
        assert within(height, counted(height, run.true_heights_mm(height.force_n)))
    assert within(report.unloaded, counted(report.unloaded, run.true_heights_mm()))
    # it loses height with each contact check, and the report says so
    true_mm = run.true_heights_mm(TOP_N)
    assert true_mm[0] > true_mm[-1] + 0.001
    assert any("more than chance" in note or "apart from the later" in note for note in report.notes)


def test_the_frame_gives_the_same_at_both_contact_checks_and_goes_out(tmp_path):
    soft = 0.02
    calibration = replace(CALIBRATION, frame=Frame.straight(soft))
    run = measured(tmp_path, SPRING, calibration=calibration, chain=Chain(compliance_mm_per_n=soft), seed=3)
    report = run.report()
    squeezed_mm = TOP_N / SPRING.stiffness_n_per_mm - TOP_N / PLATEN_N_PER_MM
    # the frame gives 0.1 mm there
    assert within(report.at_top, SPRING.height_mm - squeezed_mm)
    assert within(report.unloaded, SPRING.height_mm)


def test_a_slow_converter_and_a_zero_that_drifts_leave_the_height_within_its_interval(tmp_path):
    """80 conversions a second that come 25 ms late, and 2 mN/s: more than the small force over a search."""
    calibration = replace(CALIBRATION, delay=Delay(0.025))
    slow = replace(LIMITS, conversions_per_s=80.0, delay_s=0.025)
    chain = Chain(conversions_per_s=80.0, force_delay_s=0.025, force_drift_n_per_s=0.002)
    run = measured(tmp_path, SPRING, calibration=calibration, limits=slow, chain=chain)
    report = run.report()
    for height in (report.at_contact, report.at_top):
        squeezed_mm = height.force_n / SPRING.stiffness_n_per_mm - height.force_n / PLATEN_N_PER_MM
        assert within(height, SPRING.height_mm - squeezed_mm)
        assert height.u_mm < 0.003


def test_the_piece_is_laid_in_after_the_bare_contact_checks_while_the_platen_is_disarmed(spring):
    assert spring.asked == [INSTRUCTIONS["bare"], INSTRUCTIONS["piece"]]
    events = [
        (event["surface"], event["number"])
        for event in open_capture(spring.recorded.path).events()
        if event["kind"] == "height contact check" and event["phase"] == "begin"
    ]
    assert events == [(each, n) for each in ("bare", "piece") for n in range(1, PLAN.contact_checks + 1)]
    assert not int(spring.rig.device.state().flags) & int(StateFlag.ARMED | StateFlag.MOVING)


def test_a_bare_contact_check_of_another_homing_is_said_and_one_of_the_same_is_not(tmp_path, spring):
    alone = measured(tmp_path, SPRING, surfaces=("piece",))
    report = reported([spring.recorded.path], alone.recorded.path)
    assert any("homed between" in note for note in report.notes)
    assert [part.u_mm for part in report.at_contact.parts if part.source == "homing in between"] == [None]
    assert not any("homed between" in note for note in spring.report().notes)


def test_bare_contact_checks_of_several_homings_bring_their_spread_into_the_budget(tmp_path, spring):
    bare = [spring.recorded.path]
    for seed in (1, 2):
        folder = tmp_path / str(seed)
        folder.mkdir()
        bare.append(measured(folder, SPRING, surfaces=("bare",), seed=seed, bare_met_mm=42.2).recorded.path)
    report = reported(bare, spring.recorded.path)
    (homing,) = [part for part in report.at_contact.parts if part.source == "homing in between"]
    # Two of three met 0.2 mm further on: a standard deviation of 0.1155 mm, times the root of 1 + 1/3.
    # A homing takes one reading as its zero, in whole counts of 5 um and with a noise of 1 um, so that each
    # zero may be off by 5.5 um, and three of them may spread by 6.4 um of their own.
    assert homing.u_mm == pytest.approx(0.1333, abs=0.0075)
    assert homing.degrees_of_freedom == 2


def surface(path, which, **changed):
    """Contact checks of one surface in a capture, some fields of whose header may be others."""
    capture = open_capture(path)
    header = replace(capture.header, **changed)
    forces_n = (CONTACT_N, TOP_N)
    return checked_surface(
        "here", header, capture.events(), capture.batches(), surface=which, forces_n=forces_n
    )


def compared(bare, piece):
    return height_report([bare], piece, forces_n=(CONTACT_N, TOP_N), oldest_bare_s=3600.0)


def test_exchanged_captures_are_refused_for_their_sign(spring):
    path = spring.recorded.path
    with pytest.raises(InputError, match="before the piece is met"):
        compared(surface(path, "piece"), surface(path, "bare"))


@pytest.mark.parametrize(
    ("homed_now", "boot_id", "said"),
    [(False, 7, None), (True, 7, "was homed"), (False, 8, "was homed"), (None, 7, "may have been")],
)
def test_captures_of_the_same_boot_without_a_homing_share_their_zero(spring, homed_now, boot_id, said):
    path = spring.recorded.path
    header = open_capture(path).header
    before = surface(path, "bare", id="0" * 32, identity={"boot_id": 7})
    method = dict(header.method) | {"homed_now": homed_now}
    after = surface(path, "piece", identity={"boot_id": boot_id}, method=method)
    notes = " ".join(compared(before, after).notes)
    assert said in notes if said else "homed" not in notes


def test_bare_platens_that_do_not_meet_within_the_travel_end_it_in_words(tmp_path):
    short = replace(LIMITS, travel_mm=(1.0, 30.0))
    recorded = measured(tmp_path, SPRING, limits=short).recorded
    assert recorded.failed
    assert "the bare platens do not meet within the travel, which ends at 30 mm" in recorded.reason
    assert open_capture(recorded.path).how_it_ended == recorded.reason


def test_a_piece_that_leaves_no_way_before_it_is_refused_in_words(tmp_path):
    recorded = measured(tmp_path, SPRING, piece_met_mm=1.5, bare_met_mm=31.5).recorded
    assert recorded.failed
    assert "too tall for this rig" in recorded.reason


def test_no_piece_laid_in_is_noticed(tmp_path):
    recorded = measured(tmp_path, None, bare_met_mm=40.0).recorded
    assert recorded.failed
    assert "there is no piece" in recorded.reason


def test_a_contact_force_in_the_noise_is_refused_before_anything_moves(tmp_path):
    with pytest.raises(InputError, match=r"noise of 0\.0(2[5-9]|3)"):
        measured(tmp_path, SPRING, chain=Chain(force_noise_n=0.03))
    assert not (tmp_path / "captures").exists()


def test_a_persons_stop_ends_it_with_the_platen_at_rest(tmp_path):
    stopped = threading.Event()

    def tell(step, done):
        if "contact check 2" in step:
            stopped.set()

    run = measured(tmp_path, SPRING, stopped=stopped, tell=tell)
    assert (run.recorded.reason, run.recorded.failed) == ("stopped", False)
    assert not int(run.rig.device.state().flags) & int(StateFlag.ARMED | StateFlag.MOVING)
