"""The desk carries out one order at a time on a virtual rig, and refuses in words what it cannot do."""

import json
import os
import shutil
import subprocess
import sys
import threading
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

from attended import (
    BY_HAND,
    GOING_ON,
    PRESSES,
    RIG_FILE,
    SLOW_PRESS,
    STIFFNESS,
    attended,
    attending,
    endurance,
    method,
    moving,
    recording,
    wait_until,
)

from rig.capture import open_capture
from rig.daemon import desk as desk_module
from rig.daemon.bulletin import Seen
from rig.virtual import LinearSpring, VirtualPort, VirtualRig
from rig.wire import EventCode, StateFlag


def armed_or_moving(rig):
    return int(rig.device.state().flags) & int(StateFlag.MOVING | StateFlag.ARMED)


def test_a_method_is_run_recorded_and_its_cycles_are_on_the_board(tmp_path):
    with attended(tmp_path) as at:
        end = at.end_of(at.started(method()))
        assert (end.reason, end.failed) == ("method finished", False)
        assert open_capture(end.capture).how_it_ended == "method finished"
        wait_until(lambda: len(deep(at)) == 3)
        for row in deep(at):
            # depths count from where 0.5 N was felt, 0.17 mm past the contact check
            assert row.peak_deflection_mm == pytest.approx(8.0 + 0.5 / STIFFNESS, abs=0.05)
            assert row.secant_n_per_mm == pytest.approx(STIFFNESS, rel=0.02)
        assert armed_or_moving(at.rig) == 0


def deep(at):
    return [row for row in at.board.news(Seen()).cycles if (row.peak_deflection_mm or 0) > 1]


def test_the_header_of_a_capture_says_what_the_order_said(tmp_path):
    with attended(tmp_path) as at:
        end = at.end_of(at.started(method(operator="the morning shift")))
    header = open_capture(end.capture).header
    assert (header.specimen, header.batch, header.free_height_mm) == ("F-90-007", "autumn", 60.0)
    assert header.operator == "the morning shift"
    assert header.method["text"] == PRESSES
    assert header.rig["name"] == "test bench"
    assert header.identity["name"] == "virtual press rig"


def test_a_halt_stops_the_platen_at_once_and_ends_the_capture(tmp_path):
    with attended(tmp_path, speed_up=5.0) as at:
        number = at.started(method(SLOW_PRESS))
        wait_until(lambda: "contact_check" in (getattr(at.board.status().job, "step", None) or ""))
        at.moves()
        assert at.desk.halt("a test").job == number
        # the device has answered: the platen brakes, from at most 20 mm/s at 200 mm/s^2 in 0.1 s
        assert at.rig.device.machine.speed_mm_per_s < 20.0
        end = at.end_of(number)
        assert (end.reason, end.failed) == ("stopped", False)
        assert armed_or_moving(at.rig) == 0
    assert open_capture(end.capture).how_it_ended == "stopped"


def test_a_second_order_is_refused_while_a_job_is_under_way(tmp_path):
    with attended(tmp_path, speed_up=1.0) as at:
        number = at.started(recording())
        assert "a job is under way: recording on F-90-007" in at.refused(recording())
        at.desk.halt("a test")
        at.end_of(number)
        assert at.started(recording(seconds=0.2)) == number + 1


def test_of_orders_that_come_together_one_is_carried_out(tmp_path):
    with attended(tmp_path, speed_up=1.0) as at:
        answers = []
        together = threading.Barrier(6)

        def order():
            together.wait()
            answers.append(at.desk.start(recording()))

        threads = [threading.Thread(target=order) for _ in range(6)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        accepted = [answer for answer in answers if getattr(answer, "job", None)]
        assert [answer.job for answer in accepted] == [1]
        at.desk.halt("a test")


@pytest.mark.parametrize(
    ("order", "words"),
    [
        (method("steps: ["), "test.yaml"),
        (method(PRESSES.replace("8 mm", "80 mm")), "line 13"),
        (method(PRESSES.replace('"10 mm/s"', '"90 mm/s"')), "20 mm/s"),
        (recording(cycles=1, seconds=1.0), "expected at most one"),
    ],
    ids=["no method", "too deep", "too fast", "two ends"],
)
def test_a_wrong_order_is_refused_in_words_and_nothing_moves(tmp_path, order, words):
    with attended(tmp_path) as at:
        assert words in at.refused(order)
        assert at.board.status().job is None
        assert not at.captures.exists()


def test_a_method_is_refused_until_the_cautions_have_been_read(tmp_path):
    with attended(tmp_path) as at:
        assert "cautions" in at.refused(method(cautions_read=False))
        at.desk.acknowledge("a test")
        assert at.board.status().cautions_read_today
        assert at.end_of(at.started(method(cautions_read=False))).reason == "method finished"


def test_a_person_is_led_through_a_method_on_a_rig_that_does_not_drive(tmp_path):
    with attended(tmp_path, scripted=True, motion="hand", cycles=500, speed_up=4.0) as at:
        number = at.started(method())
        wait_until(lambda: at.board.status().guided and at.board.status().job.step)
        assert at.board.status().state == "running"
        at.desk.halt("a test")
        end = at.end_of(number)
        assert end.reason == "stopped"
        assert not at.board.status().guided
    assert open_capture(end.capture).how_it_ended == "stopped"


def test_a_plan_of_many_squeezes_is_refused_on_a_rig_that_does_not_drive(tmp_path):
    with attended(tmp_path, scripted=True, motion="hand", cycles=50) as at:
        assert "cannot drive its platen" in at.refused(endurance())


def test_an_endurance_plan_is_carried_out_with_its_progress(tmp_path):
    with attended(tmp_path) as at:
        number = at.started(endurance())
        wait_until(lambda: (job := at.board.status().job) is not None and 0 < job.cycles < 12)
        assert at.board.status().job.cycles_wanted == 12
        end = at.end_of(number)
    assert (end.failed, end.cycles) == (False, 12)
    assert open_capture(end.capture).header.method["goes_on"] is False


CUT_SHORT = """
import os, sys, threading
sys.path.insert(0, sys.argv[1])
from pathlib import Path
from attended import attending, endurance, wait_until
import rig.jobs.driving as driving
driving.QUIET_S = 20.0
with attending(Path(sys.argv[2]), None, sys.argv[3]) as at:
    at.state_is("idle")
    at.started(endurance(sys.argv[4]))
    wait_until(lambda: (job := at.board.status().job) is not None and job.cycles >= 5)
    os.kill(os.getpid(), 9)
"""


@contextmanager
def cut_short(folder, plan=GOING_ON):
    """A rig whose daemon was killed in an endurance run, and the run's capture."""
    rig = VirtualRig(LinearSpring(STIFFNESS), scripted=False, rate_hz=500.0)
    with VirtualPort(rig, folder / "rig", 20.0) as port:
        killed = [sys.executable, "-c", CUT_SHORT, str(Path(__file__).parent), str(folder), port.path, plan]
        assert subprocess.run(killed, check=False, timeout=60).returncode == -9
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr("rig.virtual.drive.HEARTBEAT_LIMIT_S", 0.5)
            wait_until(lambda: rig.device.drive.stop_cause is not None)
        assert rig.device.drive.stop_cause == EventCode.HEARTBEAT_LOST
        (capture,) = (folder / "captures").iterdir()
        yield rig, port.path, capture


def test_a_daemon_goes_on_with_the_endurance_run_of_one_that_was_killed(tmp_path, monkeypatch):
    monkeypatch.setattr(desk_module, "WARNING_S", 5.0)
    with cut_short(tmp_path) as (rig, path, _), attending(tmp_path, rig, path, read=["a person"]) as at:
        wait_until(lambda: not moving(rig))
        warned = False
        while True:
            # motion first: a warning that is still shown afterwards was shown then
            moved, job = moving(rig), at.board.status().job
            if job is not None and "will move by itself" not in job.step:
                break
            warned = warned or job is not None
            assert not moved
        assert warned
        end = at.end_of(1)
    assert (end.kind, end.failed, end.reason) == ("endurance", False, "12 cycles")
    assert len(list(at.captures.iterdir())) == 1


def test_a_halt_while_the_warning_is_shown_keeps_the_platen_still(tmp_path):
    with cut_short(tmp_path) as (rig, path, capture):
        with attending(tmp_path, rig, path, read=["a person"]) as at:
            wait_until(lambda: any("will move by itself" in text for text in at.board.status().warnings))
            wait_until(lambda: not moving(rig))
            before_mm = rig.device.machine.position_mm
            assert at.desk.halt("a test").job == 1
            assert at.end_of(1).halted_by == "a test"
            assert rig.device.machine.position_mm == before_mm
        # it can still be resumed by a person
        assert open_capture(capture).ending is None


def later_by(capture, **time):
    """Rewrite what a capture recorded of the wall's clock."""
    events = capture / "events.jsonl"
    lines = [json.loads(line) for line in events.read_text(encoding="ascii").splitlines()]
    for event in lines:
        event["wall"] = (datetime.fromisoformat(event["wall"]) + timedelta(**time)).isoformat()
    events.write_text("".join(f"{json.dumps(event)}\n" for event in lines), encoding="ascii")


def older(capture):
    later_by(capture, minutes=-11)


def from_the_future(capture):
    later_by(capture, hours=1)


def in_its_recovery(capture):
    with (capture / "events.jsonl").open("a", encoding="ascii") as events:
        wall = datetime.now(UTC).isoformat()
        events.write(
            f'{{"wall": "{wall}", "kind": "squeezing ended", "time_us": 1, "reason": "12 cycles"}}\n'
        )


def of_another_device(capture):
    header = capture / "capture.yaml"
    text = header.read_text(encoding="utf-8")
    unit = open_capture(capture).header.identity["unit_id"]
    header.write_text(text.replace(unit, "f" * len(unit)), encoding="utf-8")


@pytest.mark.parametrize(
    ("plan", "spoil", "read", "words"),
    [
        (GOING_ON.split("restart_within")[0], None, ["a person"], "states no `restart_within`"),
        (GOING_ON, older, ["a person"], "its plan allows 0 to 600 s"),
        (GOING_ON, from_the_future, ["a person"], "its plan allows 0 to 600 s"),
        (GOING_ON, in_its_recovery, ["a person"], "only contact checks of its recovery are left"),
        (GOING_ON, of_another_device, ["a person"], "the device on the port is not"),
        (GOING_ON, None, [], "cautions of this rig have not been confirmed today"),
    ],
    ids=[
        "no age stated",
        "too old",
        "the clock went back",
        "in its recovery",
        "another device",
        "cautions not read",
    ],
)
def test_a_run_that_a_daemon_may_not_go_on_with_is_left_to_a_person(tmp_path, plan, spoil, read, words):
    with cut_short(tmp_path, plan) as (rig, path, capture):
        if spoil is not None:
            spoil(capture)
        with attending(tmp_path, rig, path, read=read) as at:
            wait_until(lambda: not moving(rig))
            before_mm = rig.device.machine.position_mm
            wait_until(lambda: any(words in text for text in at.board.status().warnings))
            assert any("--resume" in text for text in at.board.status().warnings)
            assert at.board.status().job is None
            assert rig.device.machine.position_mm == before_mm


def test_a_method_is_refused_while_a_stop_is_latched(tmp_path):
    with attended(tmp_path, speed_up=1.0) as at:
        at.rig.device.open_emergency_stop()
        at.state_is("stopped")
        assert "stop opened" in at.refused(method())


def test_a_recording_ends_after_the_cycles_that_were_asked_for(tmp_path):
    with attended(tmp_path, scripted=True, cycles=50, link=False) as at:
        at.state_is("idle")
        number = at.started(recording(cycles=2))
        wait_until(lambda: at.board.status().state in ("recording", "idle"))
        end = at.end_of(number)
        assert (end.reason, end.failed, end.cycles) == ("2 cycles", False, 2)
        at.state_is("idle")
    assert open_capture(end.capture).how_it_ended == "2 cycles"


def test_a_step_off_the_rig_waits_for_a_person(tmp_path):
    with attended(tmp_path) as at:
        assert "no manual step is waiting" in at.desk.proceed().refused
        number = at.started(method(BY_HAND))
        at.state_is("by hand")
        assert at.board.status().job.asks == "Turn the float by a quarter."
        assert at.desk.proceed().job == number
        assert at.end_of(number).reason == "method finished"


def test_a_halt_ends_a_step_off_the_rig_too(tmp_path):
    with attended(tmp_path) as at:
        number = at.started(method(BY_HAND))
        at.state_is("by hand")
        at.desk.halt("a test")
        assert at.end_of(number).reason == "stopped"


def test_a_port_that_is_absent_at_first_is_found_when_it_comes(tmp_path):
    rig = VirtualRig(LinearSpring(STIFFNESS), scripted=False, rate_hz=500.0)
    with attending(tmp_path, rig, tmp_path / "rig") as at:
        wait_until(lambda: "there is no such port" in " ".join(at.board.status().warnings))
        assert at.board.status().state == "away"
        assert "the rig is disconnected" in at.refused(recording())
        with VirtualPort(rig, tmp_path / "rig", 10.0):
            at.state_is("idle")
            assert at.end_of(at.started(recording(seconds=0.5))).reason == "0.5 s"


def test_a_port_that_is_unplugged_and_put_back_goes_on_in_the_same_recording(tmp_path):
    rig = VirtualRig(LinearSpring(STIFFNESS), scripted=False, rate_hz=500.0)
    with attending(tmp_path, rig, tmp_path / "rig") as at:
        with VirtualPort(rig, tmp_path / "rig", 10.0):
            at.state_is("idle")
            number = at.started(recording())
            at.state_is("recording")
        at.state_is("away")
        with VirtualPort(rig, tmp_path / "rig", 10.0):
            at.state_is("recording")
            at.desk.halt("a test")
            end = at.end_of(number)
    assert (end.reason, end.failed) == ("stopped", False)
    kinds = [event["kind"] for event in open_capture(end.capture).events()]
    assert kinds.index("link_lost") < kinds.index("link_restored")


def test_the_loop_turns_in_a_job_as_well_as_idle(tmp_path):
    with attended(tmp_path) as at:
        number = at.started(method(BY_HAND))
        at.state_is("by hand")
        before = len(at.turns)
        wait_until(lambda: len(at.turns) > before + 3)
        at.desk.halt("a test")
        at.end_of(number)
        before = len(at.turns)
        wait_until(lambda: len(at.turns) > before + 3)


def test_a_job_that_breaks_off_by_a_mistake_in_the_program_leaves_the_desk_free(tmp_path, monkeypatch):
    def broken(*args, **how):
        raise RuntimeError("a mistake")

    with attended(tmp_path) as at:
        monkeypatch.setattr("rig.jobs.recording.perform_recording", broken)
        end = at.end_of(at.started(recording()))
        assert end.failed
        assert "a mistake" in end.reason
        monkeypatch.undo()
        assert at.end_of(at.started(recording(seconds=0.2))).reason == "0.2 s"


def test_the_end_of_the_daemon_halts_a_motion_and_ends_its_capture(tmp_path):
    with attended(tmp_path, speed_up=5.0) as at:
        at.started(method(SLOW_PRESS))
        wait_until(lambda: (job := at.board.status().job) is not None and job.capture is not None)
        at.moves()
    assert not moving(at.rig)
    (capture,) = at.captures.iterdir()
    assert open_capture(capture).how_it_ended == "stopped"


def test_a_rig_file_without_limits_moves_no_platen(tmp_path):
    with attended(tmp_path, text=RIG_FILE.split("drive:", maxsplit=1)[0]) as at:
        assert "no `drive:` section" in at.refused(endurance())


def test_afterwards_no_thread_is_left(tmp_path):
    with attended(tmp_path) as at:
        at.end_of(at.started(recording(seconds=0.2)))
    left = {thread.name for thread in threading.enumerate()}
    assert not left & {"rig-reader", "rig-prompt", "rig-live", "test-desk"}


def armed(rig):
    """Whether the device itself says so."""
    return bool(int(rig.device.state().flags) & int(StateFlag.ARMED))


def test_it_reads_armed_from_the_accepted_arm_to_the_confirmed_disarm(tmp_path):
    with attended(tmp_path, speed_up=5.0) as at:
        wait_until(lambda: not at.board.status().armed)
        number = at.started(method())
        seen = []
        while (last := at.board.status().last) is None or last.number != number:
            before, said, after = armed(at.rig), at.board.status().armed, armed(at.rig)
            seen.append((before and after, said))
        assert sum(truth for truth, _ in seen) > 100
        assert all(said for truth, said in seen if truth)
        wait_until(lambda: not at.board.status().armed)
        assert not armed(at.rig)


def test_a_rig_that_went_away_while_it_was_armed_reads_armed_until_it_has_spoken_again(tmp_path):
    rig = VirtualRig(LinearSpring(STIFFNESS), scripted=False, rate_hz=500.0)
    link = tmp_path / "rig"
    with attending(tmp_path, rig, link) as at:
        at.state_is("away")
        assert at.board.status().armed  # nobody has heard it yet
        with VirtualPort(rig, link, 5.0):
            at.state_is("idle")
            wait_until(lambda: not at.board.status().armed)
            at.started(method(SLOW_PRESS))
            at.moves()
        at.state_is("away")
        assert at.board.status().armed
        with VirtualPort(rig, link, 5.0):
            wait_until(lambda: at.board.status().device is not None and not at.board.status().armed)
            assert not armed(rig)


def test_an_order_by_a_rig_file_that_was_changed_since_the_daemon_read_it_is_refused(tmp_path):
    with attended(tmp_path) as at:
        (tmp_path / "rig.yaml").write_text(RIG_FILE.replace('"100 N"', '"20 N"'), encoding="utf-8")
        assert "was changed after this daemon read it" in at.refused(method())
        (tmp_path / "rig.yaml").unlink()
        assert "rig.yaml" in at.refused(method())
        (tmp_path / "rig.yaml").write_text(RIG_FILE + "# as it was\n", encoding="utf-8")
        assert at.end_of(at.started(method())).reason == "method finished"


def test_a_capture_that_is_deleted_while_it_is_recorded_halts_the_platen(tmp_path, monkeypatch):
    monkeypatch.setattr("rig.capture.writing.SYNC_AFTER_S", 0.2)
    with attended(tmp_path, speed_up=5.0) as at:
        number = at.started(method(SLOW_PRESS))
        wait_until(lambda: (job := at.board.status().job) is not None and job.capture is not None)
        at.moves()
        shutil.rmtree(at.board.status().job.capture)
        end = at.end_of(number)
        assert end.failed
        assert "deleted or moved while it was recorded" in end.reason
        assert armed_or_moving(at.rig) == 0
