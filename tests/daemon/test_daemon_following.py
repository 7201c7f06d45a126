"""What is done on standing platens begins once they stand, however late their samples are taken."""

import os
import threading
from dataclasses import replace

import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

from attended import wait_until
from delivering import CALIBRATION, header_of

from rig.capture import ENDURANCE, open_capture
from rig.jobs import Bench, Watch
from rig.jobs.driving import Driver
from rig.jobs.endurance import perform_endurance
from rig.methods import RigLimits, SpecimenFacts, check_plan, parse_plan
from rig.reader import PortAddress, Reader
from rig.rigfile import RigFile
from rig.virtual import LinearSpring, VirtualPort, VirtualRig

LIMITS = RigLimits((1.0, 80.0), 60.0, (-5.0, 200.0), 200.0, 500.0, 0.0, 500.0)
RETURN_MM_PER_S = 40.0
PLAN = """
name: many squeezes
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "5 N/mm"}
contact_check: {force: "0.5 N", speed: "5 mm/s"}
squeeze: {deflection: "8 mm", speed: "40 mm/s", gap: "1 mm"}
block: 4
reference_after: 2
until: {cycles: 4}
raw: {one_block_in: 2}
"""


class LateReader(Reader):
    """Hands nothing over while a motion it is late in goes on, as on a host that is busy elsewhere."""

    late_in = None

    def get(self, timeout_s):
        if self.late_in is not None and self.late_in.end is None:
            wait_until(lambda: self.late_in.end is not None)
        return super().get(timeout_s)


@pytest.fixture
def late(tmp_path):
    rig = VirtualRig(LinearSpring(3.0, 60.0), scripted=False, rate_hz=500.0)
    (tmp_path / "locks").mkdir()
    address = PortAddress(path=str(tmp_path / "rig"))
    with VirtualPort(rig, tmp_path / "rig", 2.0):
        yield LateReader(address, "framed", rate_hz=500.0, lock_places=[tmp_path / "locks"])


def late_in_moves(reader, monkeypatch):
    """Be late in every move to a position from now on."""
    move_to = reader.session.move_to

    def late_move(position, *, speed):
        reader.late_in = move_to(position, speed=speed)
        return reader.late_in

    monkeypatch.setattr(reader.session, "move_to", late_move)


def test_a_motion_has_ended_when_its_last_sample_is_taken(late, monkeypatch):
    taken = []
    watch = Watch(threading.Event(), lambda text: None, lambda step, done: None, see=taken.append)
    with late as reader:
        driver = Driver(reader, CALIBRATION, LIMITS, watch)
        driver.make_ready()
        driver.arm()
        driver.move_to(4.0, RETURN_MM_PER_S, "there")
        late_in_moves(reader, monkeypatch)
        driver.move_to(8.0, RETURN_MM_PER_S, "on")
        last_mm = float(CALIBRATION.position.value(float(taken[-1].samples.position[-1])))
        driver.leave()
    assert last_mm == pytest.approx(8.0, abs=0.02)


def test_the_contact_check_before_an_endurance_run_is_not_measured_however_late_it_is_heard_of(
    late, tmp_path, monkeypatch
):
    plan = check_plan(parse_plan(PLAN, "test.yaml"), LIMITS, SpecimenFacts(60.0, None, None))

    def header(reader):
        late_in_moves(reader, monkeypatch)
        return replace(header_of(reader), method={"kind": ENDURANCE, "goes_on": False}, rig={"name": "a"})

    watch = Watch(threading.Event(), lambda text: None, lambda step, done: None)
    bench = Bench(late, RigFile("a", calibration=CALIBRATION), tmp_path / "captures", watch)
    with late:
        result = perform_endurance(bench, header, plan)
    rows = list(open_capture(result.path).summary_rows())
    assert [row["flags"] for row in rows] == [[], [], [], []]
    secant = [row["secant_n_per_mm"] for row in rows]
    assert secant == pytest.approx([3.0] * 4, abs=4 * max(row["secant_n_per_mm_u"] for row in rows))
