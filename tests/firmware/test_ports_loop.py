"""The whole loop on a 32-bit chip: the unchanged host homes, presses by a method, endures losses, and halts.

The truths are the formula of the specimen (bench/press_model.h) and what the bench counts.
"""

from __future__ import annotations

import threading

import pytest
from ports_press import built_port, skip_without_tools
from simulated_press import (
    POWER,
    SET_SHARE,
    STIFFNESS_N_PER_MM,
    patient_bench,
    wait_until,
)
from test_firmware_method import HEIGHT_MM, LIMITS, METHOD, bench_of, header

from rig.capture import ENDURANCE, open_capture
from rig.jobs import Watch, perform_method
from rig.jobs.endurance import perform_endurance
from rig.methods import SpecimenFacts, check_method, check_plan, parse_method, parse_plan
from rig.notebook import open_recording
from rig.reader import PortAddress, Reader
from rig.results import contact_force_n, method_of, method_report

skip_without_tools()

CYCLES = 12
PLAN = """
name: losses
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "23 N/mm"}
contact_check: {force: "1 N", speed: "4 mm/s"}
squeeze: {deflection: "3 mm", speed: "12 mm/s", gap: "1 mm"}
block: 4
until: {cycles: CYCLES}
after_loss: go on
restart_within: '10 min'
"""


class HostLostError(BaseException):
    """As if the host's process were gone."""


def reader_of(folder):
    return Reader(PortAddress(path=str(folder / "port")), "framed", lock_places=[folder])


def pressed_by_a_method(folder):
    """The report of a method that homes first and squeezes four times."""
    plan = check_method(parse_method(METHOD, "four.yaml"), LIMITS, SpecimenFacts(HEIGHT_MM))
    watch = Watch(threading.Event(), lambda text: None, lambda step, done: None)
    with reader_of(folder) as reader:
        recorded = perform_method(
            bench_of(reader, folder, watch),
            lambda entered: header(entered, {"file": "four.yaml", "text": METHOD}),
            plan,
        )
    assert recorded.reason == "method finished"
    capture = open_capture(recorded.path)
    result = open_recording(recorded.path).analyse(contact_force_n=contact_force_n(method_of(capture.header)))
    report = method_report(capture.header, capture.events(), capture.batches(), result)
    return {quantity.name: quantity for quantity in report.quantities}


def endured(folder, tell, *, stopped=None, take_up=None, cycles=CYCLES):
    text = PLAN.replace("CYCLES", str(cycles))
    plan = check_plan(parse_plan(text, "plan.yaml"), LIMITS, SpecimenFacts(HEIGHT_MM))
    watch = Watch(stopped or threading.Event(), lambda text: None, tell)
    with reader_of(folder) as reader:
        return perform_endurance(
            bench_of(reader, folder, watch),
            lambda entered: header(entered, {"kind": ENDURANCE, "goes_on": plan.plan.goes_on}),
            plan,
            take_up=take_up,
        )


def test_the_host_homes_presses_endures_losses_and_halts(tmp_path_factory, tmp_path, monkeypatch):
    monkeypatch.setattr("rig.jobs.endurance.TELL_S", 0.0)
    losses = [(2, "reset external"), (6, "hang")]

    def lose(step, done):
        if losses and done.cycles >= losses[0][0]:
            bench.tell(losses.pop(0)[1])
        if not losses and done.cycles >= 9:
            raise HostLostError

    with patient_bench(built_port(tmp_path_factory), tmp_path) as bench:
        bench.usual_specimen()
        found = pressed_by_a_method(tmp_path)
        captures = set((tmp_path / "captures").iterdir())
        before = bench.state["squeezes"]
        for name, truth in (
            ("secant_n_per_mm", STIFFNESS_N_PER_MM / (1 - SET_SHARE)),
            ("hysteresis_pct", 100 * (POWER - 1) / (POWER + 1)),
        ):
            print(name, found[name].value, found[name].u, truth)
            assert abs(found[name].value - truth) <= 3 * found[name].u

        with pytest.MonkeyPatch.context() as gone:
            gone.setattr("rig.capture.CaptureWriter.__exit__", lambda self, *error: self._close())
            gone.setattr("rig.jobs.driving.Driver.leave", lambda self: None)
            with pytest.raises(HostLostError):
                endured(tmp_path, lose)
        (path,) = set((tmp_path / "captures").iterdir()) - captures
        ended = endured(tmp_path, lambda step, done: None, take_up=path)
        squeezes = bench.state["squeezes"] - before
        print(f"{ended.done} counted, {ended.doubtful} cut short, {squeezes} done")
        assert (ended.reason, ended.done) == (f"{CYCLES} cycles", CYCLES)
        # one squeeze may be cut short by each of the two resets and the host's loss
        assert CYCLES <= squeezes <= CYCLES + 3

        stopped = threading.Event()
        marked = []

        def halt(step, done):
            if done.cycles >= 1 and not marked:
                marked.append(bench.tell("mark"))
                stopped.set()

        cut = endured(tmp_path, halt, stopped=stopped, cycles=50)
        halted = bench.state
        wait_until(lambda: bench.state["time_us"] > halted["time_us"] + 500_000)
        after = bench.state
    assert cut.reason.startswith("stopped")
    assert cut.done < 50
    # it moved when it was told to stop, and half a second of the chip's time brings no step more
    assert halted["steps_since"] > 0
    assert after["steps"] == halted["steps"]
