"""A specimen that grows warm, recorded over a pseudo-terminal, against the heat that the truth tells.

The truth: each squeeze gives its loss as heat at the instant when the specimen lets go of the platen, and the
warmth fades with one time constant. What is recorded are means over seconds.

Source: the first-order cooling that the climate model states, no outside value; recomputed here.
"""

import math
import threading

import numpy as np
import pytest

from rig.analyser import auxiliary_by_cycle
from rig.calibration import Calibration, Scale
from rig.capture import CaptureHeader, auxiliary_readings, open_capture
from rig.jobs import Bench, StopRule, Watch, record
from rig.reader import PortAddress, Reader
from rig.rigfile import RigFile
from rig.virtual import Climate, VirtualPort, VirtualRig, specimen_named
from rig.wire import LineFormat

LINES = LineFormat(
    columns=("time_us", "force", "specimen_temperature", "position", "ambient_temperature", "humidity"),
    auxiliary_scales={"specimen_temperature": (32.0, 5 / 9)},
)
CLIMATE = Climate(ambient_c=18.5, humidity_pct=55.0, heat_capacity_j_per_k=0.5, cooling_time_s=20.0)
CYCLES = 6
STEP_C = 0.01
"""What the virtual thermometer resolves; a mean over rounded values is as uncertain as half of it."""


def truth_c(truth, times_s):
    """Temperature of the specimen at instants of the run."""
    warmth = np.full(len(times_s), CLIMATE.ambient_c)
    for cycle in truth.cycles:
        curve = truth.curve(cycle.cycle)
        let_go_s = curve.time_s[np.flatnonzero(curve.force_n > 0)[-1] + 1]
        since_s = times_s - let_go_s
        step_k = cycle.loss_mj / 1000 / CLIMATE.heat_capacity_j_per_k
        warmth += np.where(since_s >= 0, step_k * np.exp(-np.abs(since_s) / CLIMATE.cooling_time_s), 0.0)
    return warmth


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """A recording of a rig that prints temperatures, and the truth of its run."""
    rig = VirtualRig(
        specimen_named("foam"),
        cycles=CYCLES,
        depth_mm=25.0,
        speed_mm_per_s=25.0,
        line_format=LINES,
        climate=CLIMATE,
        seed=4,
    )
    calibration = Calibration(Scale(1e-3), Scale(5e-3))
    with VirtualPort(rig, speed_up=math.inf) as port:
        reader = Reader(PortAddress(path=port.path), LINES)
        watch = Watch(threading.Event(), ask=str, tell=lambda step, done: None)
        folder = tmp_path_factory.mktemp("captures")
        bench = Bench(reader, RigFile("virtual", wire=LINES, calibration=calibration), folder, watch)
        finished = record(
            bench, lambda reader: CaptureHeader(specimen="F-90-001"), StopRule(seconds=rig.script_s)
        )
    assert not finished.failed, finished.reason
    return open_capture(finished.path), rig.truth


def test_the_recorded_temperature_is_the_specimens_within_its_resolution(recorded):
    capture, truth = recorded
    time_s, found_c = auxiliary_readings(capture)["specimen_temperature"]
    assert len(time_s) >= 15
    # Full seconds begin with the second one: the first line after the port was opened is cut.
    seconds = np.floor(time_s[1:-1])
    expected_c = [float(truth_c(truth, one + np.arange(0.0, 1.0, 0.002)).mean()) for one in seconds]
    assert max(expected_c) - CLIMATE.ambient_c > 50 * STEP_C
    np.testing.assert_allclose(found_c[1:-1], expected_c, atol=STEP_C)


def test_the_air_is_recorded_beside_it(recorded):
    readings = auxiliary_readings(recorded[0])
    assert set(readings) == {"specimen_temperature", "ambient_temperature", "humidity"}
    assert set(readings["ambient_temperature"][1].tolist()) == {18.5}
    assert set(readings["humidity"][1].tolist()) == {55.0}


def test_there_is_one_event_for_each_second_at_most(recorded):
    capture, _ = recorded
    events = [event for event in capture.events() if event["kind"] == "auxiliary"]
    seconds = [event["time_us"] // 1_000_000 for event in events]
    assert len(events) >= capture.samples().time_us[-1] // 1_000_000
    assert sorted(set(seconds)) == seconds
    assert {event["count"] for event in events[1:-1]} == {500}


def test_each_cycle_has_the_temperature_that_the_specimen_had_in_it(recorded):
    capture, truth = recorded
    time_s, found_c = auxiliary_readings(capture)["specimen_temperature"]
    starts = np.array([cycle.start_s for cycle in truth.cycles])
    ends = np.array([cycle.end_s for cycle in truth.cycles])
    by_cycle = auxiliary_by_cycle(time_s, found_c, starts, ends)
    # Readings are a second apart; the warmth of one squeeze comes all at once.
    step_c = max(cycle.loss_mj for cycle in truth.cycles) / 1000 / CLIMATE.heat_capacity_j_per_k
    expected = [truth_c(truth, np.arange(a, b, 0.002)).mean() for a, b in zip(starts, ends, strict=True)]
    np.testing.assert_allclose(by_cycle, expected, atol=step_c / 2)
    assert (np.diff(by_cycle) > 0).all()
