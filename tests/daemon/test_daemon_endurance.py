"""Endurance on the virtual rig, over a real pseudo-terminal: counts, criteria, losses, recovery."""

import os
import threading
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime

import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

from delivering import CALIBRATION, header_of

from rig.capture import ENDURANCE, CaptureHeader, CaptureWriter, open_capture, writing
from rig.errors import CaptureError
from rig.jobs import Bench, Watch
from rig.jobs.endurance import perform_endurance, recorded_until_s, unfinished
from rig.methods import RigLimits, SpecimenFacts, check_plan, parse_plan
from rig.reader import PortAddress, Reader
from rig.rigfile import RigFile
from rig.virtual import Foam, LinearSpring, VirtualPort, VirtualRig
from rig.virtual.device import Device
from rig.wire import EventCode

LIMITS = RigLimits(
    travel_mm=(1.0, 80.0),
    speed_mm_per_s=60.0,
    force_n=(-5.0, 200.0),
    deceleration_mm_per_s2=200.0,
    conversions_per_s=500.0,
    delay_s=0.0,
    samples_per_s=500.0,
)
PLAN = """
name: many squeezes
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "5 N/mm"}
contact_check: {force: "0.5 N", speed: "5 mm/s"}
squeeze: {deflection: "8 mm", speed: "40 mm/s", gap: "1 mm"}
block: 10
reference_after: 5
until: {cycles: 25}
"""


class CountedRig(VirtualRig):
    """Keeps what the device itself counted, over resets, and lets things happen to it."""

    def __init__(self, specimen, **how):
        self.finished = 0
        self.happenings = []
        super().__init__(specimen, scripted=False, rate_hz=500.0, **how)

    def advance(self, duration_s, room=None):
        for due in [due for due in self.happenings if self.finished >= due[0]]:
            self.happenings.remove(due)
            due[1](self)
        return super().advance(duration_s, room)

    def _send(self, items, room=None):
        self.finished += sum(getattr(item, "code", None) == EventCode.CYCLE_FINISHED for item in items)
        super()._send(items, room)


@contextmanager
def driven(folder, specimen=None, speed_up=20.0, **how):
    rig = CountedRig(specimen or LinearSpring(3.0, 60.0), **how)
    locks = folder / "locks"
    locks.mkdir(exist_ok=True)
    with VirtualPort(rig, folder / "rig", speed_up) as port:
        yield rig, Reader(PortAddress(path=port.path), "framed", rate_hz=500.0, lock_places=[locks])


def checked(text=PLAN, height_mm=60.0):
    return check_plan(parse_plan(text, "test.yaml"), LIMITS, SpecimenFacts(height_mm, None, None))


@pytest.fixture(autouse=True)
def told_at_once(monkeypatch):
    monkeypatch.setattr("rig.jobs.endurance.TELL_S", 0.0)


def once(rig, cycles, happening):
    """Let something happen to the rig, once, after so many cycles: it waits for no host."""
    rig.happenings.append((cycles, happening))


def run(reader, folder, plan, *, tell=None, stopped=None, take_up=None):
    watch = Watch(stopped or threading.Event(), lambda text: None, tell or (lambda step, done: None))

    def header(reader):
        method = {"kind": ENDURANCE, "goes_on": plan.plan.goes_on}
        return replace(header_of(reader), method=method, rig={"name": "test rig"})

    bench = Bench(reader, RigFile("test rig", calibration=CALIBRATION), folder / "captures", watch)
    with reader:
        return perform_endurance(bench, header, plan, take_up=take_up)


def events_of(result, kind):
    return [each for each in open_capture(result.path).events() if each["kind"] == kind]


def test_it_ends_at_the_count_which_is_the_devices_own(tmp_path):
    with driven(tmp_path) as (rig, reader):
        result = run(reader, tmp_path, checked())
    assert (result.reason, result.failed) == ("25 cycles", False)
    assert (result.done, result.doubtful, result.exact) == (25, 0, True)
    assert rig.finished == 25


def test_the_intent_of_each_block_stands_before_its_count(tmp_path):
    with driven(tmp_path) as (_, reader):
        result = run(reader, tmp_path, checked())
    kinds = [each["kind"] for each in open_capture(result.path).events()]
    assert [kind for kind in kinds if kind.startswith("block")] == ["block intent", "block settled"] * 3
    assert [each["cycles"] for each in events_of(result, "block intent")] == [10, 10, 5]


def test_squeezes_to_a_force_are_counted_by_the_host(tmp_path):
    text = PLAN.replace('deflection: "8 mm"', 'force: "15 N", stop_at: "20 mm"').replace(
        "cycles: 25", "cycles: 6"
    )
    with driven(tmp_path) as (rig, reader):
        result = run(reader, tmp_path, checked(text))
    assert result.done == 6
    assert rig.finished == 0
    assert len(events_of(result, "cycle done")) == 6


def test_it_ends_when_the_stiffness_is_down(tmp_path):
    text = PLAN.replace("cycles: 25", 'cycles: 5000, stiffness_loss: "3 %"')
    with driven(tmp_path, Foam()) as (_, reader):
        result = run(reader, tmp_path, checked(text, 90.0))
    assert result.reason.startswith("stiffness down by")
    assert 10 < result.done < 5000


def test_it_ends_when_the_set_is_reached(tmp_path):
    text = PLAN.replace("cycles: 25", 'cycles: 5000, set: "0.3 mm"')
    with driven(tmp_path, Foam()) as (_, reader):
        result = run(reader, tmp_path, checked(text, 90.0))
    assert result.reason.startswith("set of")
    assert not result.failed


def test_it_ends_when_its_time_is_over(tmp_path):
    with driven(tmp_path) as (rig, reader):
        result = run(reader, tmp_path, checked(PLAN.replace("cycles: 25", 'time: "20 s"')))
    assert result.reason == "20 s of squeezing"
    assert result.done == rig.finished
    # time is looked at after each block of ten; a slow host lets some of the device's pass between them
    events = open_capture(result.path).events()
    ends_s = [event["time_us"] / 1e6 for event in events if event.get("name") == "cycle_finished"]
    begin_s = ends_s[0] - 0.85  # a cycle takes so long
    over = [end_s - begin_s >= 20.0 for end_s in ends_s[9::10]]
    assert over == [False] * (len(over) - 1) + [True]


def test_a_specimen_that_is_gone_ends_it(tmp_path):
    def gone(rig):
        rig.device.machine._contact_mm += 30.0

    with driven(tmp_path) as (rig, reader):
        plan = checked(PLAN.replace("cycles: 25", "cycles: 5000"))
        once(rig, 12, gone)
        result = run(reader, tmp_path, plan)
    assert result.reason.startswith("specimen lost")
    assert result.done < 1000


def test_a_persons_stop_ends_it_with_the_devices_count(tmp_path):
    stopped = threading.Event()
    plan = PLAN.replace("cycles: 25", "cycles: 5000").replace("block: 10", "block: 1000")
    with driven(tmp_path) as (rig, reader):
        once(rig, 7, lambda rig: stopped.set())
        result = run(reader, tmp_path, checked(plan), stopped=stopped)
    assert not result.failed
    assert result.done == rig.finished
    assert result.doubtful == 1


def reset(rig):
    rig._send(rig.device.reboot())


def stop_pressed(rig):
    rig._send(rig.device.open_emergency_stop())


GOING_ON = PLAN.replace("block: 10", "after_loss: go on\nblock: 10").replace("cycles: 25", "cycles: 40")


def test_it_goes_on_after_a_reset_if_it_was_told_to_and_marks_the_cycle_that_was_cut_short(tmp_path):
    with driven(tmp_path) as (rig, reader):
        once(rig, 15, reset)
        result = run(reader, tmp_path, checked(GOING_ON))
    assert (result.reason, result.done) == ("40 cycles", 40)
    assert rig.finished == 40
    assert result.doubtful == 1
    assert len(events_of(result, "taken up")) == 1
    assert len(events_of(result, "pause")) == 1


def test_it_does_not_go_on_after_a_loss_unless_it_was_told_to(tmp_path):
    with driven(tmp_path) as (rig, reader):
        once(rig, 5, reset)
        result = run(reader, tmp_path, checked())
    assert result.failed
    assert result.done < 25


def test_it_never_goes_on_after_a_stop(tmp_path):
    with driven(tmp_path) as (rig, reader):
        once(rig, 15, stop_pressed)
        result = run(reader, tmp_path, checked(GOING_ON))
    assert result.failed
    assert "stop" in result.reason
    assert result.done == rig.finished < 40


def test_a_stop_that_this_version_does_not_know_ends_it_in_words(tmp_path, monkeypatch):
    """A newer firmware may latch a stop of its own."""
    tells = Device.state

    def state(device):
        told = tells(device)
        return replace(told, stop_cause=99) if device.has_booted_again else told

    def reset_by_something_new(rig):
        rig.device.has_booted_again = True
        reset(rig)

    monkeypatch.setattr(Device, "has_booted_again", False, raising=False)
    monkeypatch.setattr(Device, "state", state)
    with driven(tmp_path) as (rig, reader):
        once(rig, 15, reset_by_something_new)
        result = run(reader, tmp_path, checked(GOING_ON))
    assert result.failed
    assert "cause 99" in result.reason
    assert result.done == rig.finished


def test_a_disk_that_fills_up_ends_it_with_its_count(tmp_path, monkeypatch):
    whole, full = writing.append_whole, threading.Event()

    def put(file, data):
        if full.is_set() and file.name.endswith(".arrow") and len(data) > 100:
            raise OSError(28, "No space left on device")
        whole(file, data)

    monkeypatch.setattr(writing, "append_whole", put)
    monkeypatch.setattr("rig.capture.writing.SYNC_AFTER_S", 0.1)
    with driven(tmp_path) as (rig, reader):
        once(rig, 15, lambda rig: full.set())
        result = run(reader, tmp_path, checked(PLAN.replace("cycles: 25", "cycles: 5000")))
    assert result.failed
    assert "disk full" in result.reason
    assert 15 <= result.done == rig.finished


def test_recovery_is_watched_at_contact_checks_spaced_by_the_logarithm_of_time(tmp_path):
    text = PLAN + 'recovery: {contact_checks: 5, from: "5 s", to: "80 s"}\n'
    with driven(tmp_path, Foam(), speed_up=8.0) as (_, reader):
        result = run(reader, tmp_path, checked(text, 90.0))
    contact_checks = events_of(result, "recovery contact check")
    assert result.reason == "25 cycles"
    assert len(contact_checks) == 5
    # each approach begins at its time, and takes a second or so to feel the force, more with a busy host
    for check, at_s in zip(contact_checks, (5, 10, 20, 40, 80), strict=True):
        assert at_s <= check["after_s"] < 2 * at_s
    sets = [check["set_mm"] for check in contact_checks]
    assert sets[0] > sets[-1] > 0


def test_a_capture_whose_host_was_lost_is_found_and_taken_up(tmp_path):
    class Killed(BaseException):
        pass

    with driven(tmp_path) as (rig, reader):

        def killed(step, done):
            if done.cycles >= 14:
                raise Killed

        with pytest.MonkeyPatch.context() as patch:
            # as if the process were gone: nothing is ended, nothing halted
            patch.setattr("rig.capture.CaptureWriter.__exit__", lambda self, *error: self._close())
            patch.setattr("rig.jobs.driving.Driver.leave", lambda self: None)
            with pytest.raises(Killed):
                run(reader, tmp_path, checked(GOING_ON), tell=killed)
        path = unfinished(tmp_path / "captures", "test rig")
        assert path is not None
        again = Reader(
            PortAddress(path=str(tmp_path / "rig")), "framed", rate_hz=500.0, lock_places=[tmp_path / "locks"]
        )
        progress = []
        result = run(
            again, tmp_path, checked(GOING_ON), tell=lambda step, done: progress.append(done), take_up=path
        )
    assert (result.path, result.reason, result.done) == (path, "40 cycles", 40)
    assert rig.finished == 40
    # the squeezes before it was lost say nothing of the seconds since
    (taken_up,) = events_of(result, "taken up")
    assert (progress[-1].earlier, progress[-1].cycles) == (taken_up["cycles"], 40)
    samples = open_capture(path).samples()
    assert (samples.time_us[1:] > samples.time_us[:-1]).all()
    assert unfinished(tmp_path / "captures", "test rig") is None


def test_a_run_that_a_person_stopped_is_resumed_to_its_count_in_the_same_capture(tmp_path):
    stopped = threading.Event()
    with driven(tmp_path) as (rig, reader):
        once(rig, 7, lambda rig: stopped.set())
        first = run(reader, tmp_path, checked(), stopped=stopped)
        assert first.done < 25
        again = Reader(
            PortAddress(path=str(tmp_path / "rig")), "framed", rate_hz=500.0, lock_places=[tmp_path / "locks"]
        )
        result = run(again, tmp_path, checked(), take_up=first.path)
        with pytest.raises(CaptureError, match="it is complete"):
            run(again, tmp_path, checked(), take_up=result.path)
    assert (result.path, result.reason, result.done) == (first.path, "25 cycles", 25)
    assert rig.finished == 25
    capture = open_capture(result.path)
    assert not capture.damage
    assert capture.ending.tallies["endurance"]["cycles"] == 25
    assert (result.path / "end-1.yaml").is_file()


RECOVERING = PLAN.replace("cycles: 25", "cycles: 12") + (
    'recovery: {contact_checks: 5, from: "5 s", to: "80 s", gap: "1 mm"}\n'
)


def resumed(folder, first, plan):
    again = Reader(
        PortAddress(path=str(folder / "rig")), "framed", rate_hz=500.0, lock_places=[folder / "locks"]
    )
    return run(again, folder, plan, take_up=first.path)


def test_a_run_that_was_stopped_during_its_recovery_goes_on_with_the_contact_checks_that_are_left(tmp_path):
    stopped = threading.Event()

    def stop(step, done):
        if "check 3 of 5" in step:
            stopped.set()

    with driven(tmp_path, Foam()) as (rig, reader):
        first = run(reader, tmp_path, checked(RECOVERING, 90.0), tell=stop, stopped=stopped)
        assert (first.reason, first.resumable) == ("stopped, during recovery", True)
        result = resumed(tmp_path, first, checked(RECOVERING, 90.0))
        assert (result.reason, result.failed, result.resumable) == ("12 cycles", False, False)
        with pytest.raises(CaptureError, match=r"it is complete \(12 cycles\)"):
            resumed(tmp_path, result, checked(RECOVERING, 90.0))
    assert rig.finished == 12
    # two before the stop, the one that finds the specimen again, and what is left at its times
    times_s = [check["after_s"] for check in events_of(result, "recovery contact check")]
    assert times_s == sorted(times_s)
    assert times_s[0] >= 5
    assert times_s[1] >= 10
    assert sum(all(not 0 <= time_s - due_s < 4 for due_s in (5, 10, 20, 40, 80)) for time_s in times_s) <= 1
    assert times_s[-2] >= 40
    assert 80 <= times_s[-1] < 160


def test_a_specimen_that_is_lost_is_not_looked_for_in_a_recovery(tmp_path):
    def gone(rig):
        rig.device.machine._contact_mm += 30.0

    with driven(tmp_path) as (rig, reader):
        once(rig, 12, gone)
        result = run(reader, tmp_path, checked(RECOVERING.replace("cycles: 12", "cycles: 5000")))
    assert result.reason.startswith("specimen lost")
    assert not (result.failed or result.resumable or events_of(result, "recovery contact check"))


def test_how_long_a_capture_was_away_is_what_it_recorded_not_the_date_of_its_files(tmp_path):
    header = CaptureHeader(specimen="F-90-007", started=datetime(2026, 3, 1, 12, tzinfo=UTC))
    with CaptureWriter.create(tmp_path, header) as writer:
        path = writer.path
    lines = (
        '{"wall": "2026-03-01T12:00:05.000+00:00", "kind": "contact found", "time_us": 5000000}\n'
        '{"wall": "yesterday", "kind": "note", "text": "of another program"}\n'
        '{"wall": "2026-03-01T13:00:00.000+00:00", "kind": "resumed", "run": 2}\n'
        '{"wall": "2026-03-01T13:00:00.000+00:00", "kind": "pause", "time_us": 0, "why": "killed again"}\n'
    )
    (path / "events.jsonl").write_text(lines, encoding="utf-8")
    begun_s = header.started.timestamp()
    # the last sample came 7.5 s of the device's time after the event
    assert recorded_until_s(open_capture(path), 12_500_000) == begun_s + 12.5
    assert recorded_until_s(open_capture(path)) == begun_s + 3600.0
    # the samples behind it were left out: the last one that was kept came 3 s before the event
    assert recorded_until_s(open_capture(path), 2_000_000) == begun_s + 2.0


def test_a_resumed_run_knows_where_its_specimen_was(tmp_path):
    """A press that meets nothing there ends before its full depth, as in a run that was never stopped."""
    stopped = threading.Event()
    plan = checked(PLAN.replace('deflection: "8 mm"', 'force: "15 N", stop_at: "20 mm"'))
    with driven(tmp_path) as (rig, reader):

        def stop(step, done):
            if done.cycles >= 2:
                stopped.set()

        def take_it_out(step, done):
            if done.cycles >= 6:
                rig.device.machine._contact_mm = 200.0

        first = run(reader, tmp_path, plan, tell=stop, stopped=stopped)
        assert first.resumable
        again = Reader(
            PortAddress(path=str(tmp_path / "rig")), "framed", rate_hz=500.0, lock_places=[tmp_path / "locks"]
        )
        result = run(again, tmp_path, plan, tell=take_it_out, take_up=first.path)
    assert result.failed
    assert "past the contact found with 0.5 N" in result.reason


def test_a_resumed_run_looks_for_its_specimen_no_deeper_than_into_half_of_it(tmp_path):
    stopped = threading.Event()

    def stop(step, done):
        if done.cycles >= 2:
            stopped.set()

    with driven(tmp_path) as (rig, reader):
        first = run(reader, tmp_path, checked(), tell=stop, stopped=stopped)
        rig.device.machine._contact_mm = 200.0
        result = resumed(tmp_path, first, checked())
        stands_mm = rig.device.machine.position_mm
    assert result.failed
    assert "position limit" in result.reason
    (found,) = events_of(first, "contact found")
    assert stands_mm <= found["position_mm"] + 30.0 + 0.5


def test_a_run_that_never_found_its_specimen_is_not_said_to_be_resumable(tmp_path):
    with driven(tmp_path) as (rig, reader):
        rig.device.machine._contact_mm = 200.0
        result = run(reader, tmp_path, checked())
    assert result.failed
    assert not result.resumable


def test_a_run_of_another_rig_is_not_taken_up(tmp_path):
    header = CaptureHeader(specimen="F-90-007", method={"kind": ENDURANCE}, rig={"name": "another rig"})
    with CaptureWriter.create(tmp_path, header) as writer:
        path = writer.path
    nowhere = Bench(None, RigFile("test rig"), tmp_path, None)
    with pytest.raises(CaptureError, match="'another rig', not on 'test rig'"):
        perform_endurance(nowhere, header_of, checked(), take_up=path)


def test_a_run_whose_events_make_no_sense_is_not_taken_up(tmp_path):
    header = CaptureHeader(specimen="F-90-007", method={"kind": ENDURANCE})
    with CaptureWriter.create(tmp_path, header) as writer:
        writer.event("block intent", block=1, first_cycle=1, cycles="many", by="device")
        path = writer.path
    (path / "end.yaml").unlink()
    nowhere = Bench(None, RigFile("test rig"), tmp_path, None)
    with pytest.raises(CaptureError, match="its count is not certain"):
        perform_endurance(nowhere, header_of, checked(), take_up=path)


def test_a_thinned_run_keeps_a_checked_row_for_every_cycle(tmp_path):
    text = PLAN + "raw: {one_block_in: 3}\n"
    with driven(tmp_path) as (_, reader):
        result = run(reader, tmp_path, checked(text))
    capture = open_capture(result.path)
    rows = list(capture.summary_rows())
    assert [row["cycle"] for row in rows] == list(range(1, 26))
    assert {row["calibration"] for row in rows} == {CALIBRATION.identity}
    for row in rows:
        assert row["secant_n_per_mm"] == pytest.approx(3.0, abs=4 * row["secant_n_per_mm_u"])
    assert capture.damage == ()
    # of three blocks the samples of two are left out: some 8 s of 0.85 s cycles, and the last half block
    kept_s = len(capture.samples()) / 500.0
    assert kept_s < result.progress.seconds - 10.0


def test_a_row_that_was_changed_is_damage_and_no_other_is_lost(tmp_path):
    with driven(tmp_path) as (_, reader):
        result = run(reader, tmp_path, checked(PLAN + "raw: {one_block_in: 3}\n"))
    assert result.reason == "25 cycles"
    path = result.path / "summary.jsonl"
    lines = path.read_bytes().split(b"\n")
    lines[4] = lines[4].replace(b'"peak_force_n":2', b'"peak_force_n":3')
    path.write_bytes(b"\n".join(lines))
    capture = open_capture(result.path)
    assert len(list(capture.summary_rows())) == 24
    assert any("summary" in damage.file for damage in capture.damage)
