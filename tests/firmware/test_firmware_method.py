"""The unchanged runner of methods presses with the reference firmware, and what it reports agrees with the
formula of the simulated press's specimen (bench/press_model.h)."""

import threading
from functools import partial

import pytest
from simulated_press import (
    CONTACT_MM,
    POWER,
    REFERENCE,
    SET_SHARE,
    STIFFNESS_N_PER_MM,
    N,
    built,
    patient_bench,
    skip_without_tools,
)

from rig.calibration import Calibration, Delay, Scale
from rig.capture import ENDURANCE, CaptureHeader, open_capture
from rig.cli import main
from rig.jobs import Bench, Watch, perform_method
from rig.jobs.endurance import perform_endurance
from rig.methods import (
    RigLimits,
    SpecimenFacts,
    check_method,
    check_plan,
    parse_method,
    parse_plan,
)
from rig.notebook import open_recording
from rig.reader import PortAddress, Reader
from rig.results import contact_force_n, method_of, method_report
from rig.rigfile import RigFile

skip_without_tools()

FIRST_MOTION = REFERENCE.parents[1] / "configs" / "methods" / "first_motion.yaml"
WITHIN = 3.0
HEIGHT_MM = 30.0
DELAY_S = 1 / 80 - 60e-6
DELAY_U_S = 100e-6
"""The simulated amplifier delivers each conversion one period late, the edges of the scale come up to 120 us
after the platen has moved; what else a step takes until it is counted makes the rest of the uncertainty."""

CALIBRATION = Calibration(Scale(1 / N), Scale(0.005), delay=Delay(DELAY_S, DELAY_U_S))
LIMITS = RigLimits(
    travel_mm=(0.0, 20.0),
    speed_mm_per_s=15.0,
    force_n=(-5.0, 200.0),
    deceleration_mm_per_s2=200.0,
    conversions_per_s=80.0,
    delay_s=DELAY_S,
    samples_per_s=500.0,
)
METHOD = """
name: four squeezes
purpose: Stiffness, hysteresis and set of the pad in the simulated press.
follows: Nothing published.
specimen: {needs: [free_height], stiffness: "23 N/mm"}
conditioning: {cycles: 1}
steps:
  - contact_check: {force: "1 N", speed: "4 mm/s"}
  - repeat:
      count: 4
      steps:
        - press: {deflection: "4 mm", speed: "4 mm/s"}
        - return: {gap: "1 mm", speed: "8 mm/s"}
        - rest: "1 s"
report: [peak_force_n, secant_n_per_mm, hysteresis_pct, set_mm]
"""
HELD = """
name: one hold
purpose: A test.
follows: Nothing published.
specimen: {needs: [free_height], stiffness: "23 N/mm"}
steps:
  - contact_check: {force: "1 N", speed: "4 mm/s"}
  - press: {deflection: "4 mm", speed: "4 mm/s"}
  - hold: "5 s"
  - return: {gap: "1 mm", speed: "8 mm/s"}
report: [peak_force_n]
"""
PLAN = """
name: some squeezes
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "23 N/mm"}
contact_check: {force: "1 N", speed: "4 mm/s"}
squeeze: {deflection: "3 mm", speed: "12 mm/s", gap: "1 mm"}
block: 4
reference_after: 2
until: {cycles: 6}
"""


@pytest.fixture(scope="module")
def build(tmp_path_factory):
    return built(tmp_path_factory)


def header(reader, method):
    kinds = reader.empty()
    return CaptureHeader(
        specimen="pad no. 1",
        free_height_mm=HEIGHT_MM,
        method=method,
        calibration=CALIBRATION.as_dict(),
        force=kinds.force_channel,
        position=kinds.position_channel,
        clock=kinds.clock,
        rig={"name": "simulated press"},
    )


def watch():
    return Watch(threading.Event(), lambda text: None, lambda step, done: None)


def bench_of(reader, folder, looks_on=None):
    """Where a job is carried out: the simulated press behind a reader, and a folder of captures."""
    rig = RigFile("simulated press", calibration=CALIBRATION)
    return Bench(reader, rig, folder / "captures", looks_on or watch())


@pytest.fixture(scope="module")
def run(build, tmp_path_factory):
    """The report of one run, and the deepest squeeze that the pad saw."""
    folder = tmp_path_factory.mktemp("bench")
    checked = check_method(parse_method(METHOD, "four.yaml"), LIMITS, SpecimenFacts(HEIGHT_MM))
    with patient_bench(build, folder) as bench:
        bench.usual_specimen()
        reader = Reader(PortAddress(path=str(folder / "port")), "framed", lock_places=[folder])
        method = {"file": "four.yaml", "text": METHOD}
        with reader:
            recorded = perform_method(bench_of(reader, folder), partial(header, method=method), checked)
        deepest_mm = bench.state["deepest_mm"]
    assert recorded.reason == "method finished"
    capture = open_capture(recorded.path)
    force_n = contact_force_n(method_of(capture.header))
    result = open_recording(recorded.path).analyse(contact_force_n=force_n)
    return method_report(capture.header, capture.events(), capture.batches(), result), deepest_mm, capture


def holds(run, name, truth, *, largest_u):
    found = next(each for each in run[0].quantities if each.name == name)
    print(f"{name}: {found.value} u {found.u}, truth {truth}")
    assert found.value is not None, found.why
    assert found.u is not None, found.why
    assert abs(found.value - truth) <= WITHIN * found.u
    assert 0 < found.u <= largest_u


def test_stiffness_is_that_of_the_pad(run):
    # straight from the set s = share * p to the deepest place p, with the force k p there
    holds(run, "secant_n_per_mm", STIFFNESS_N_PER_MM / (1 - SET_SHARE), largest_u=0.3)


def test_hysteresis_is_that_of_the_pad(run):
    # straight in, (d - s)^power back: (power - 1)/(power + 1) of the energy stays
    holds(run, "hysteresis_pct", 100 * (POWER - 1) / (POWER + 1), largest_u=0.6)


def test_set_is_that_of_the_pad(run):
    # where 1 N is felt again, against the first time
    _, deepest_mm, _ = run
    again_mm = SET_SHARE * deepest_mm + 1.0 * (1 - SET_SHARE) / STIFFNESS_N_PER_MM
    holds(run, "set_mm", again_mm - 1.0 / STIFFNESS_N_PER_MM, largest_u=0.03)


def test_the_peak_force_is_that_of_the_pad(run):
    _, deepest_mm, _ = run
    holds(run, "peak_force_n", STIFFNESS_N_PER_MM * deepest_mm, largest_u=1.5)


def test_nothing_was_lost_on_the_way(run):
    _, _, capture = run
    kinds = {event["kind"] for event in capture.events()}
    assert kinds.isdisjoint({"gap", "overrun", "jump"})


def test_the_pad_was_where_it_was_found(run):
    contact = next(event for event in run[2].events() if event["kind"] == "contact found")
    # 1 N is felt 0.05 mm behind the contact; the conversion that feels it comes up to 31 ms of 4 mm/s later
    assert CONTACT_MM + 0.05 <= contact["position_mm"] <= CONTACT_MM + 0.05 + 0.15


def run_until_gone(build, folder, text, lost_at):
    """A run that has to end since `lost_at` does something to the bench at a step; the bench's last words."""
    checked = check_method(parse_method(text, "four.yaml"), LIMITS, SpecimenFacts(HEIGHT_MM))
    with patient_bench(build, folder) as bench:
        bench.usual_specimen()
        reader = Reader(PortAddress(path=str(folder / "port")), "framed", lock_places=[folder])
        method = {"file": "four.yaml", "text": text}
        looks_on = Watch(threading.Event(), lambda words: None, lambda step, done: lost_at(bench, step))
        with reader:
            place = bench_of(reader, folder, looks_on)
            recorded = perform_method(place, partial(header, method=method), checked)
        state = bench.state
    print(f"ended at {state['platen_mm']:.2f} mm and {state['force_n']:.1f} N: {recorded.reason}")
    assert recorded.failed
    assert "specimen or force lost" in recorded.reason
    assert open_capture(recorded.path).how_it_ended == recorded.reason
    return state


@pytest.mark.parametrize(("order", "depth_mm"), [("specimen none", 1.5), ("amplifier unexcited", 4.0)])
def test_a_specimen_or_a_force_that_is_gone_between_presses_ends_the_run(build, tmp_path, order, depth_mm):
    presses = []

    def lost_at(bench, step):
        presses.extend([step] if "press" in step else [])
        if len(presses) == 2:
            bench.tell(order)

    text = METHOD.replace('"4 mm", speed', f'"{depth_mm} mm", speed')
    state = run_until_gone(build, tmp_path, text, lost_at)
    # no deeper than ordered, from where 1 N was felt
    assert state["platen_mm"] <= CONTACT_MM + 0.2 + depth_mm + 0.01


@pytest.mark.parametrize("order", ["specimen none", "amplifier unexcited"])
def test_a_specimen_or_a_force_that_is_gone_in_the_last_hold_ends_the_run(build, tmp_path, order):
    def lost_at(bench, step):
        if "hold" in step:
            bench.tell(order)

    state = run_until_gone(build, tmp_path, HELD, lost_at)
    # where it held, 4 mm past the place where 1 N was felt; not a step further
    assert state["platen_mm"] == pytest.approx(CONTACT_MM + 4.1, abs=0.12)
    assert state["steps_since"] == 0


RIG = """
name: simulated press
port: {path: PORT, baud: 250000}
wire: {format: framed, rate_hz: 500}
force: {per_count: "0.125 mN"}
position: {per_count: "5 um"}
drive:
  travel: ["0 mm", "20 mm"]
  force: ["-5 N", "200 N"]
  speed: "15 mm/s"
  deceleration: "200 mm/s^2"
  conversions_per_s: 80
"""


@pytest.mark.parametrize("seen_by", ["the firmware", "the host"])
def test_the_command_ends_with_3_when_the_specimen_is_gone_and_keeps_the_capture(
    build, tmp_path, monkeypatch, capsys, seen_by
):
    # a force that falls by less than 5 N is nothing to the firmware; the host misses it in the next press
    stiffness, gone_at_mm = (20.0, 9.0) if seen_by == "the firmware" else (2.0, 9.3)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    (tmp_path / "rig.yaml").write_text(RIG.replace("PORT", str(tmp_path / "port")), encoding="utf-8")
    (tmp_path / "four.yaml").write_text(METHOD.replace('"4 mm", s', '"1.3 mm", s'), encoding="utf-8")
    with patient_bench(build, tmp_path) as bench:
        bench.tell(f"specimen {stiffness} {CONTACT_MM} {POWER} {SET_SHARE}")
        bench.tell(f"watch position {gone_at_mm} specimen none")
        words = ["pressrig", "run", "--rig", f"{tmp_path}/rig.yaml", "--out", f"{tmp_path}/captures"]
        words += ["--specimen", "pad", "--free-height", "30 mm", "--cautions-read", f"{tmp_path}/four.yaml"]
        monkeypatch.setattr("sys.argv", words)
        with pytest.raises(SystemExit) as ended:
            main()
    said = " ".join(capsys.readouterr().err.split())
    assert ended.value.code == 3, said
    (capture,) = (tmp_path / "captures").iterdir()
    assert "specimen or force lost" in said
    assert "specimen or force lost" in open_capture(capture).how_it_ended


def test_the_first_motion_of_the_notes_meets_the_pad_and_ends_above_it(build, tmp_path):
    method = parse_method(FIRST_MOTION.read_text(encoding="utf-8"), "first_motion.yaml")
    checked = check_method(method, LIMITS, SpecimenFacts(HEIGHT_MM))
    with patient_bench(build, tmp_path) as bench:
        bench.usual_specimen()
        reader = Reader(PortAddress(path=str(tmp_path / "port")), "framed", lock_places=[tmp_path])
        told = {"file": "first_motion.yaml", "text": ""}
        with reader:
            recorded = perform_method(bench_of(reader, tmp_path), partial(header, method=told), checked)
        state = bench.state
    assert recorded.reason == "method finished"
    # 1 N is felt 0.05 mm deep; what 1 mm/s adds until it stands is less
    assert 0.05 <= state["deepest_mm"] < 0.15
    assert state["platen_mm"] == pytest.approx(CONTACT_MM + 0.05 - 5.0, abs=0.1)


def test_endurance_counts_what_the_firmware_counts(build, tmp_path):
    plan = check_plan(parse_plan(PLAN, "plan.yaml"), LIMITS, SpecimenFacts(HEIGHT_MM))
    with patient_bench(build, tmp_path) as bench:
        bench.usual_specimen()
        reader = Reader(PortAddress(path=str(tmp_path / "port")), "framed", lock_places=[tmp_path])
        method = {"kind": ENDURANCE, "goes_on": plan.plan.goes_on}
        with reader:
            ended = perform_endurance(bench_of(reader, tmp_path), partial(header, method=method), plan)
        deepest_mm = bench.state["deepest_mm"]
    assert (ended.done, ended.doubtful, ended.exact) == (6, 0, True)
    events = open_capture(ended.path).events()
    counted = [event["value"] for event in events if event.get("name") == "cycle_finished"]
    # in blocks of four
    assert counted == [1, 2, 3, 4, 1, 2]
    assert not [event for event in events if event["kind"] == "gap"]
    # the pad is squeezed 3 mm beyond the place where 1 N was felt, which is up to 0.2 mm behind its contact
    assert 3.0 <= deepest_mm <= 3.2
