"""A method on the virtual rig, over a real pseudo-terminal: it runs, and whatever goes wrong stops it."""

import os
import threading
from contextlib import contextmanager

import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

from attended import BY_HAND, PRESSES, STIFFNESS
from delivering import CALIBRATION, header_of

from rig.capture import open_capture
from rig.errors import DeviceError
from rig.jobs import Bench, Watch, perform_method
from rig.methods import RigLimits, SpecimenFacts, check_method, parse_method
from rig.notebook import open_recording
from rig.reader import PortAddress, Reader
from rig.rigfile import RigFile
from rig.virtual import LinearSpring, VirtualPort, VirtualRig
from rig.wire import StateFlag

LIMITS = RigLimits((1.0, 60.0), 20.0, (-5.0, 100.0), 200.0, 500.0, 0.0, 500.0)


def checked(text=PRESSES, limits=LIMITS):
    return check_method(parse_method(text, "test.yaml"), limits, SpecimenFacts(60.0, None, None))


@contextmanager
def driven(folder, speed_up=10.0, **how):
    """A virtual rig that does what it is told, and a reader for it that is not yet entered."""
    rig = VirtualRig(LinearSpring(STIFFNESS), scripted=False, rate_hz=500.0, **how)
    locks = folder / "locks"
    locks.mkdir(exist_ok=True)
    with VirtualPort(rig, folder / "rig", speed_up) as port:
        yield rig, Reader(PortAddress(path=port.path), "framed", rate_hz=500.0, lock_places=[locks])


def run(reader, folder, method, *, stopped=None, ask=None, tell=None):
    watch = Watch(stopped or threading.Event(), ask or (lambda text: None), tell or (lambda step, done: None))
    bench = Bench(reader, RigFile("test rig", calibration=CALIBRATION), folder / "captures", watch)
    with reader:
        return perform_method(bench, header_of, method)


def test_a_method_runs_to_its_end_and_its_presses_measure_as_the_specimen_is(tmp_path):
    with driven(tmp_path) as (_, reader):
        result = run(reader, tmp_path, checked())
    assert (result.reason, result.failed) == ("method finished", False)
    found = open_recording(result.path).analyse()
    presses = [row for row, depth in enumerate(found.columns["peak_deflection_mm"]) if depth > 1.0]
    assert len(presses) == 3
    for row in presses:
        secant, u = found.columns["secant_n_per_mm"][row], found.columns["secant_n_per_mm_u"][row]
        assert secant == pytest.approx(STIFFNESS, abs=3 * u)
        # depths count from where 0.5 N was felt, 0.17 mm past the contact check, and at most a sample's way
        # more
        assert found.columns["peak_deflection_mm"][row] == pytest.approx(8.0 + 0.5 / STIFFNESS, abs=0.03)


def test_what_the_method_did_is_among_the_events(tmp_path):
    with driven(tmp_path) as (_, reader):
        result = run(reader, tmp_path, checked())
    kinds = [event["kind"] for event in open_capture(result.path).events()]
    assert kinds.index("method") < kinds.index("contact found") < kinds.index("ended")


@pytest.mark.parametrize("depth_mm", [8.0, 1.5])
def test_a_specimen_that_is_taken_out_ends_the_run_and_keeps_the_capture(tmp_path, monkeypatch, depth_mm):
    # neither silence nor heartbeats are looked at here, on a machine that may be busy
    for place in (
        "rig.reader.heart.FRESH_FOR_S",
        "rig.reader.heart.LAG_LIMIT_S",
        "rig.jobs.driving.QUIET_S",
    ):
        monkeypatch.setattr(place, 60.0)
    presses = []
    with driven(tmp_path, clock=lambda: 0.0) as (rig, reader):

        def tell(step, done):
            presses.extend([step] if "press" in step else [])
            if len(presses) == 2:
                rig.order("specimen none")

        result = run(
            reader, tmp_path, checked(PRESSES.replace('"8 mm", s', f'"{depth_mm} mm", s')), tell=tell
        )
    assert result.failed
    assert "specimen or force lost" in result.reason
    assert open_capture(result.path).how_it_ended == result.reason


def test_a_persons_stop_halts_the_platen_and_ends_the_capture_without_failure(tmp_path):
    stopped = threading.Event()

    def tell(step, done):
        if "press" in step:
            stopped.set()

    with driven(tmp_path) as (rig, reader):
        result = run(reader, tmp_path, checked(), stopped=stopped, tell=tell)
        moving = int(rig.device.state().flags) & int(StateFlag.MOVING | StateFlag.ARMED)
    assert (result.reason, result.failed) == ("stopped", False)
    assert moving == 0
    assert open_capture(result.path).how_it_ended == "stopped"


def test_an_opened_emergency_stop_ends_the_method_as_a_failure(tmp_path):
    with driven(tmp_path) as (rig, reader):

        def tell(step, done):
            if "press" in step:
                rig.device.open_emergency_stop()

        result = run(reader, tmp_path, checked(), tell=tell)
    assert result.failed
    assert "press" in result.reason
    assert open_capture(result.path).how_it_ended == result.reason


def test_a_contact_check_that_finds_nothing_within_the_travel_ends_the_method(tmp_path):
    with driven(tmp_path, contact_mm=40.0) as (_, reader):
        short = RigLimits((1.0, 25.0), 20.0, (-5.0, 100.0), 200.0, 500.0, 0.0, 500.0)
        result = run(reader, tmp_path, checked(limits=short))
    assert result.failed
    assert "position limit before the force was reached" in result.reason


def test_a_step_off_the_rig_is_waited_for_with_the_platen_disarmed(tmp_path):
    armed = []
    with driven(tmp_path) as (rig, reader):

        def ask(instruction):
            armed.append((instruction, int(rig.device.state().flags) & int(StateFlag.ARMED)))

        result = run(reader, tmp_path, checked(BY_HAND), ask=ask)
    assert not result.failed
    assert armed == [("Turn the float by a quarter.", 0)]
    events = [each for each in open_capture(result.path).events() if each["kind"] == "step off the rig"]
    assert [each["instruction"] for each in events] == ["Turn the float by a quarter."]


def test_a_rig_without_a_drive_is_refused_before_anything_is_recorded(tmp_path):
    rig = VirtualRig(LinearSpring(), motion="hand")
    (tmp_path / "locks").mkdir()
    with VirtualPort(rig, tmp_path / "rig", 10.0) as port:
        reader = Reader(PortAddress(path=port.path), "framed", lock_places=[tmp_path / "locks"])
        with pytest.raises(DeviceError, match="cannot drive its platen"):
            run(reader, tmp_path, checked())
    assert not (tmp_path / "captures").exists()


def test_afterwards_no_thread_of_the_run_is_left(tmp_path):
    with driven(tmp_path) as (_, reader):
        run(reader, tmp_path, checked(BY_HAND))
    left = {thread.name for thread in threading.enumerate()}
    assert not left & {"rig-reader", "rig-prompt"}
