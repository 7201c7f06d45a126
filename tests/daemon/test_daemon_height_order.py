"""A height ordered from the desk: measured on a virtual rig, worked out, shown, or refused in words."""

import os
import time
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

from attended import CARD, attended, attending, wait_until
from height_runs import LIMITS

from rig.capture import open_capture
from rig.daemon.bulletin import Seen
from rig.jobs.height import INSTRUCTIONS
from rig.jobs.height_card import height_card
from rig.jobs.height_job import HeightJob
from rig.jobs.orders import LONGEST_NOTE, MOST_NOTES, HeightOrder, SpecimenCard
from rig.methods import HeightPlan, check_height_plan
from rig.results import read_height
from rig.virtual import DriveSettings, LinearSpring, VirtualPort, VirtualRig
from rig.wire import StateFlag

PLATEN_N_PER_MM, BARE_MET_MM = 2000.0, 42.0
PIECE_N_PER_MM, HEIGHT_MM, PIECE_MET_MM = 3.0, 30.0, 12.0
PATIENCE = 20.0
"""A busy machine is no silent host: the device waits so many times longer for a heartbeat."""

QUIET_S = 10.0
CONTACT_CHECKS = 3


def height(*, surface="both", cautions_read=True, **plan):
    quick = {"contact_checks": CONTACT_CHECKS, "rest_s": 0.5}
    card = {"specimen": CARD["specimen"]}
    return HeightOrder(card=card, surface=surface, cautions_read=cautions_read, **quick | plan)


class Bench:
    """A desk at work on a rig with bare platens, and a person beside it."""

    def __init__(self, at):
        self.at = at

    def lay_in(self, surface):
        if surface == "piece":
            self.at.rig.replace_specimen(LinearSpring(PIECE_N_PER_MM, HEIGHT_MM), PIECE_MET_MM)
        else:
            self.at.rig.replace_specimen(LinearSpring(PLATEN_N_PER_MM, 10.0), BARE_MET_MM)

    def asked(self, surface):
        """Wait until something is asked for."""
        wait_until(lambda: (job := self.at.board.status().job) is not None and job.asks is not None)
        assert self.at.board.status().job.asks == INSTRUCTIONS[surface]

    def does(self, surface, lies_in=None):
        """Do what is asked for, or lay something else in, and say that it is done."""
        self.asked(surface)
        self.lay_in(lies_in or surface)
        self.at.desk.proceed()
        wait_until(lambda: (job := self.at.board.status().job) is None or job.asks is None)

    def armed_or_moving(self):
        return int(self.at.rig.device.state().flags) & int(StateFlag.MOVING | StateFlag.ARMED)


@contextmanager
def bench(folder: Path, speed_up=50.0):
    rig = VirtualRig(
        LinearSpring(PLATEN_N_PER_MM, 10.0),
        scripted=False,
        rate_hz=500.0,
        contact_mm=BARE_MET_MM,
        clock=lambda: time.monotonic() / PATIENCE,
        drive=DriveSettings(112.0, 50.0, 200.0),
    )
    with (
        pytest.MonkeyPatch.context() as patched,
        VirtualPort(rig, folder / "rig", speed_up) as port,
    ):
        patched.setattr("rig.jobs.driving.QUIET_S", QUIET_S)
        with attending(folder, rig, port.path) as at:
            at.state_is("idle")
            wait_until(lambda: at.board.status().device is not None)
            yield Bench(at)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """A bench, and how the job ended that measured the platens and a piece."""
    with bench(tmp_path_factory.mktemp("height")) as there:
        number = there.at.started(height())
        there.does("bare")
        there.does("piece")
        yield there, there.at.end_of(number)


def test_the_height_at_the_end_is_the_springs_at_both_forces_and_without_load(measured):
    end = measured[1]
    assert (end.kind, end.reason, end.failed) == ("height", "height measured", False)
    assert end.height.specimen == CARD["specimen"]
    # squeezed by F/k, and the bare platens by F/K
    deflection_mm = 1 / PIECE_N_PER_MM - 1 / PLATEN_N_PER_MM
    assert [line.force_n for line in end.height.heights] == [0.05, 5.0, 0.0]
    for line in end.height.heights:
        assert 0 < line.u_mm < 0.004
        assert line.height_mm == pytest.approx(HEIGHT_MM - line.force_n * deflection_mm, abs=4 * line.u_mm)
        assert line.low_mm < line.height_mm < line.high_mm


def test_what_has_to_be_said_is_said_beside_it(measured):
    assert any("A caliper compresses a soft part" in note for note in measured[1].height.notes)


def test_its_contact_checks_are_counted_and_are_no_cycles(measured):
    there, end = measured
    assert end.cycles == 2 * CONTACT_CHECKS
    assert there.at.board.news(Seen()).cycles == ()


def test_the_rig_is_left_disarmed_and_the_capture_says_what_was_done(measured):
    there, end = measured
    assert there.armed_or_moving() == 0
    capture = open_capture(end.capture)
    assert capture.how_it_ended == "height measured"
    assert capture.header.method["kind"] == "free height"
    assert capture.header.method["surfaces"] == ["bare", "piece"]


def test_the_next_piece_is_measured_alone_against_the_newest_bare_contact_checks(measured):
    at = measured[0].at
    number = at.started(height(surface="piece"))
    measured[0].does("piece")
    end = at.end_of(number)
    assert (end.failed, end.cycles) == (False, CONTACT_CHECKS)
    small = end.height.heights[0]
    true_mm = HEIGHT_MM - 0.05 / PIECE_N_PER_MM + 0.05 / PLATEN_N_PER_MM
    assert small.height_mm == pytest.approx(true_mm, abs=4 * small.u_mm)


def test_a_piece_that_was_not_laid_in_is_noticed_and_no_height_is_told(measured):
    at = measured[0].at
    number = at.started(height(surface="piece", bare=(measured[1].capture,)))
    measured[0].does("piece", lies_in="bare")
    end = at.end_of(number)
    assert end.failed
    assert "there is no piece" in end.reason
    assert end.height is None


WRONG = {
    "contact checks: found 1, expected 2 to 100": {"contact_checks": 1},
    "greater force: found 0.06 N": {"top_n": 0.06},
    "greater force: found 600 N, the rig's limit is 100 N": {"top_n": 600.0},
    "speed: found 90 mm/s, the rig moves at up to 20 mm/s": {"speed_mm_per_s": 90.0},
    "speed: at 10 mm/s bare platens": {"speed_mm_per_s": 10.0},
    "gap: found 80 mm, the rig's travel is 59 mm": {"gap_mm": 80.0},
    "rest: found 100000 s": {"rest_s": 1e5},
    "expected height: a piece of 70 mm": {"expected_mm": 70.0},
    "bare: found captures of bare contact checks, but": {"bare": ("here",)},
    "bare: found 'nowhere', expected a capture in the folder": {"bare": ("nowhere",), "surface": "piece"},
    "bare: found '..', expected a capture in the folder": {"bare": ("..",), "surface": "piece"},
    "bare: found 'a\\x00b', expected a capture": {"bare": ("a\0b",), "surface": "piece"},
    "cautions: not confirmed today": {"cautions_read": False},
}


@pytest.fixture(scope="module")
def idle(tmp_path_factory):
    """A bench on which nobody has read the cautions, and nothing has been recorded."""
    with bench(tmp_path_factory.mktemp("idle")) as there:
        yield there


@pytest.mark.parametrize(("words", "plan"), WRONG.items(), ids=list(WRONG))
def test_a_wrong_plan_is_refused_by_its_field_and_nothing_moves(idle, words, plan):
    assert words in idle.at.refused(height(**plan))
    assert idle.at.board.status().job is None
    assert not idle.at.captures.exists()
    assert idle.armed_or_moving() == 0


def test_a_piece_alone_is_refused_where_no_bare_contact_checks_are(idle):
    assert "found no bare contact checks of rig test bench" in idle.at.refused(height(surface="piece"))


def test_bare_contact_checks_at_a_smaller_force_than_the_pieces_are_none(measured):
    refused = measured[0].at.refused(height(surface="piece", top_n=50.0))
    assert "found no bare contact checks of rig test bench up to 50 N" in refused


def test_bare_contact_checks_outside_of_the_daemons_folder_are_not_opened(measured, idle):
    refused = idle.at.refused(height(surface="piece", bare=(measured[1].capture,)))
    assert "expected a capture in the folder of this daemon" in refused


def test_a_halt_in_the_midst_of_a_contact_check_stops_the_platen_and_no_height_is_told(tmp_path):
    with bench(tmp_path, speed_up=20.0) as there:
        at = there.at
        number = at.started(height())
        assert "a job is under way: free height on F-90-007" in at.refused(height())
        there.does("bare", lies_in="piece")
        # the force rises for 8 s of the device's time
        wait_until(lambda: "contact check 1 of" in at.board.status().job.step)
        wait_until(lambda: (at.board.status().force_n or 0.0) > 1.0)
        assert at.desk.halt("a test").job == number
        end = at.end_of(number)
        assert there.armed_or_moving() == 0
    assert (end.reason, end.failed, end.height) == ("stopped", False, None)
    capture = open_capture(end.capture)
    assert capture.how_it_ended == "stopped"
    phases = [event["phase"] for event in capture.events() if event["kind"] == "height contact check"]
    assert phases == ["begin"]


def test_a_halt_ends_the_wait_for_a_person(tmp_path):
    with bench(tmp_path) as there:
        number = there.at.started(height())
        there.asked("bare")
        there.at.desk.halt("a test")
        end = there.at.end_of(number)
    assert (end.reason, end.failed) == ("stopped", False)


def test_a_contact_force_in_the_noise_ends_the_job_in_words_before_anything_moves(tmp_path):
    with bench(tmp_path) as there:
        end = there.at.end_of(there.at.started(height(contact_n=0.002)))
        assert end.failed
        assert "contact force: found 0.002 N, but the force at rest has a noise" in end.reason
        assert not there.at.captures.exists()


def test_a_rig_that_does_not_drive_measures_no_height(tmp_path):
    with attended(tmp_path, scripted=True, motion="hand", cycles=50) as at:
        assert "cannot drive its platen" in at.refused(height())


def test_too_long_a_recording_is_left_to_the_command_line_in_words(measured, monkeypatch):
    """The daemon must not grow."""
    monkeypatch.setattr("rig.jobs.height_job.MOST_SAMPLES", 100)
    order = HeightOrder(card=SpecimenCard(specimen="F-90-007"))
    job = HeightJob(order, check_height_plan(HeightPlan(), LIMITS), ("bare", "piece"))
    card = job.work_out(Path(measured[1].capture))
    assert card.heights == ()
    assert card.notes[0].startswith("No height: ")
    assert "more than 100 samples" in card.notes[0]


def test_no_more_is_said_than_a_watcher_can_be_told_each_time(measured):
    capture = Path(measured[1].capture)
    report = read_height((capture,), capture, forces_n=(0.05, 5.0), oldest_bare_s=3600.0)
    card = height_card(replace(report, notes=tuple(f"{number}" * 1000 for number in range(1, 60))))
    assert len(card.notes) == MOST_NOTES
    assert len(card.notes[0]) == LONGEST_NOTE
    assert card.notes[-1].startswith(f"{59 - MOST_NOTES + 1} more")


def test_an_order_that_says_nothing_is_the_usual_plan():
    order = HeightOrder(card={"specimen": "F"})
    usual = HeightPlan()
    assert {name: getattr(order, name) for name in HeightPlan.__slots__} == {
        name: getattr(usual, name) for name in HeightPlan.__slots__
    }
