"""A person at a hand lever is guided through a method over a real pseudo-terminal, all of it recorded."""

import os
import threading

import numpy as np
import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

from delivering import CALIBRATION, HandedOver, header_of
from hand_lever import (
    CONTACT_CHECK_N,
    CONTACT_MM,
    OFF_THE_RIG,
    ONE_PRESS,
    RECOVERY,
    STIFFNESS,
    TALK_ONLY,
    TO_A_FORCE,
    WITH_TIME,
    WITHOUT_TIME,
    Person,
    guided,
    hand_lever,
)

from rig.calibration import Calibration, Frame
from rig.capture import open_capture
from rig.errors import InputError
from rig.notebook import open_recording
from rig.reader import Delivery, LinkEvent
from rig.samples import Samples
from rig.virtual import Chain


def follow(reader, folder, show, *text, **more):
    return guided(reader, folder, show, *text, calibration=CALIBRATION, header_of=header_of, **more)


def events(result, kind):
    return [event for event in open_capture(result.path).events() if event["kind"] == kind]


def done(result, action):
    return [event for event in events(result, "guided") if event["action"] == action]


@pytest.fixture(scope="module")
def followed(tmp_path_factory):
    """A careful person, once: the lever, the person, and what was recorded. The force reads 2 N unloaded."""
    folder = tmp_path_factory.mktemp("followed")
    with hand_lever(folder, **TALK_ONLY, chain=Chain(force_zero_counts=2000)) as (lever, reader):
        person = Person(lever)
        result = follow(reader, folder, person.see)
    return lever, person, result


def test_a_person_who_follows_comes_to_the_end_of_the_method(followed):
    _, _, result = followed
    assert (result.reason, result.failed) == ("method finished", False)
    assert open_capture(result.path).how_it_ended == "method finished"


def test_the_presses_of_the_recording_reach_the_depth_that_was_asked_for(followed):
    lever, _, result = followed
    # where the platen really stood before it was sent back, from the contact check on
    stood_mm = [at - CONTACT_MM for at in lever.stood_mm if at - CONTACT_MM > 4.0]
    assert stood_mm == pytest.approx([8.0, 8.0], abs=0.1)
    found = open_recording(result.path).analyse()
    deep = [row for row, depth in enumerate(found.columns["peak_deflection_mm"]) if depth > 4.0]
    assert len(deep) == 2
    for row in deep:
        # the analysis counts from where the spring begins to push, before the contact force is felt
        assert found.columns["peak_deflection_mm"][row] == pytest.approx(
            8.0 + CONTACT_CHECK_N / STIFFNESS, abs=0.1
        )
        secant, u = found.columns["secant_n_per_mm"][row], found.columns["secant_n_per_mm_u"][row]
        assert secant == pytest.approx(STIFFNESS, abs=3 * u)


def test_the_contact_is_where_the_contact_force_is_felt(followed):
    _, _, result = followed
    (contact,) = events(result, "contact found")
    assert contact["position_mm"] == pytest.approx(CONTACT_MM, abs=0.03)


def test_each_step_has_a_begin_and_an_end_in_the_order_of_the_method(followed):
    _, _, result = followed
    steps = [(each["phase"], each["action"], each["passes"]) for each in events(result, "step")]
    cycle = ["press to depth", "wait loaded", "move", "wait"]
    wanted = [("contact check", []), ("move", []), ("wait", [])]
    wanted += [(action, [turn]) for turn in (1, 2) for action in cycle]
    assert steps == [(phase, *step) for step in wanted for phase in ("begin", "end")]


def test_a_right_speed_is_said_to_be_right_and_recorded_as_it_was(followed):
    _, person, result = followed
    assert "right" in person.paces("press to depth")
    assert "too fast" not in person.paces("press to depth")
    for press in done(result, "press to depth"):
        assert press["pace"] == "right"
        assert press["mean_mm_per_s"] == pytest.approx(10.0, rel=0.1)


def test_guidance_puts_the_press_in_words_with_its_share_of_the_height(followed):
    _, person, _ = followed
    words = {each.instruction for each in person.shown if each.action == "press to depth"}
    assert words == {"Press to 8.0 mm (13.3 %) at about 10 mm/s, and hold."}


def test_the_present_deflection_and_force_belong_together(followed):
    _, person, _ = followed
    pressed = [each for each in person.shown if each.action == "wait loaded"]
    assert pressed
    for each in pressed:
        # the force of the spring at that depth; the depth is that of the contact force on
        assert each.force_n == pytest.approx(STIFFNESS * each.deflection_mm + CONTACT_CHECK_N, abs=0.1)


def test_a_hold_lasts_as_long_as_asked_in_device_time(followed):
    _, _, result = followed
    holds = done(result, "wait loaded")
    assert [each["held_s"] for each in holds] == pytest.approx([0.5, 0.5], abs=0.01)
    assert all(each["outside_s"] == 0.0 for each in holds)


def test_a_hold_counts_from_when_the_platen_came_to_stand(followed):
    _, _, result = followed
    begun, ended = (
        [each["time_us"] for each in events(result, "step") if (each["phase"], each["action"]) == wanted]
        for wanted in (("begin", "wait loaded"), ("end", "wait loaded"))
    )
    # that it stands is known 0.3 s later, and these are part of the half second
    lasted_s = [(end - begin) / 1e6 for begin, end in zip(begun, ended, strict=True)]
    assert lasted_s == pytest.approx([0.2, 0.2], abs=0.02)


def test_too_fast_strokes_are_said_to_be_too_fast(tmp_path):
    with hand_lever(tmp_path) as (lever, reader):
        person = Person(lever, haste=2.0)
        result = follow(reader, tmp_path, person.see, ONE_PRESS)
    assert "too fast" in person.paces("press to depth")
    presses = done(result, "press to depth")
    assert {press["pace"] for press in presses} == {"too fast"}
    # twice 10 mm/s, and 10 mm of way with ramps of 1 mm at its ends, of which the middle 80 % is measured
    assert [press["mean_mm_per_s"] for press in presses] == pytest.approx([20.0], rel=0.1)


def test_too_slow_strokes_are_said_to_be_too_slow(tmp_path):
    with hand_lever(tmp_path, 8.0) as (lever, reader):
        person = Person(lever, haste=0.5)
        result = follow(reader, tmp_path, person.see, ONE_PRESS)
    assert {press["pace"] for press in done(result, "press to depth")} == {"too slow"}


def test_a_press_beyond_the_methods_deepest_step_is_warned_of_and_noted_but_goes_on(tmp_path):
    told = []
    with hand_lever(tmp_path) as (lever, reader):
        person = Person(lever, too_deep_mm=2.0)
        result = follow(reader, tmp_path, person.see, ONE_PRESS, tell=lambda text, done: told.append(text))
    assert result.reason == "method finished"
    assert any(each.warning and each.warning.startswith("TOO DEEP") for each in person.shown)
    assert any(text.startswith("TOO DEEP") for text in told)
    assert [press["over_mm"] for press in done(result, "press to depth")] == pytest.approx([2.0], abs=0.1)


def test_a_force_above_the_stated_largest_is_warned_of(tmp_path):
    with hand_lever(tmp_path) as (lever, reader):
        person = Person(lever)
        # 8 mm of 3 N/mm past the contact check of 0.5 N are 24.5 N
        follow(reader, tmp_path, person.see, ONE_PRESS, largest_force_n=20.0)
    warnings = {each.warning for each in person.shown if each.action == "wait loaded"}
    assert all(warning and warning.startswith("TOO HARD") for warning in warnings)


def test_a_press_to_a_force_ends_when_the_force_was_felt_and_its_overshoot_is_noted(tmp_path):
    with hand_lever(tmp_path) as (lever, reader):
        person = Person(lever)
        result = follow(reader, tmp_path, person.see, TO_A_FORCE)
    assert result.reason == "method finished"
    for press in done(result, "press to force"):
        assert press["reached"]
        # what the platen went on, seen and stopped late, times the stiffness
        deepest_n = STIFFNESS * press["went_to_mm"] + CONTACT_CHECK_N
        assert press["peak_n"] == pytest.approx(deepest_n, abs=0.2)
        assert press["over_n"] == pytest.approx(press["peak_n"] - 15.0)


@pytest.mark.parametrize(
    ("how", "clock"), [(WITH_TIME, "device"), (WITHOUT_TIME, "host"), (TALK_ONLY, "device")]
)
def test_each_wire_is_guided_on_its_own_clock(tmp_path, how, clock):
    speed_up = 1.0 if clock == "host" else 8.0
    text = OFF_THE_RIG
    with hand_lever(tmp_path, speed_up, **how) as (lever, reader):
        person = Person(lever)
        result = follow(reader, tmp_path, person.see, text)
    assert result.reason == "method finished"
    assert open_capture(result.path).header.clock == clock
    (contact,) = events(result, "contact found")
    assert contact["position_mm"] == pytest.approx(CONTACT_MM, abs=0.1)


def test_a_step_off_the_rig_waits_for_the_person(tmp_path):
    asked = []
    with hand_lever(tmp_path, 8.0) as (lever, reader):
        person = Person(lever)
        result = follow(reader, tmp_path, person.see, OFF_THE_RIG, ask=asked.append)
    assert asked == ["Turn the float by a quarter."]
    assert [each["instruction"] for each in events(result, "step off the rig")] == asked
    assert not {"rig-reader", "rig-prompt"} & {thread.name for thread in threading.enumerate()}


def test_a_persons_stop_ends_it_with_the_capture_kept(tmp_path):
    stopped = threading.Event()
    with hand_lever(tmp_path) as (lever, reader):
        person = Person(lever)

        def see(guidance):
            person.see(guidance)
            if guidance.action == "press to depth" and guidance.share > 0.5:
                stopped.set()

        result = follow(reader, tmp_path, see, stopped=stopped)
    assert (result.reason, result.failed) == ("stopped", False)
    assert open_capture(result.path).how_it_ended == "stopped"
    # one second untouched, the contact check and half a press
    assert len(open_capture(result.path).samples()) > 500


def test_a_method_that_no_hand_can_do_is_refused_with_its_reasons_before_anything_is_recorded(tmp_path):
    fast = OFF_THE_RIG.replace("10 mm/s", "80 mm/s")
    with hand_lever(tmp_path) as (_, reader), pytest.raises(InputError, match="80 mm/s") as refusal:
        follow(reader, tmp_path, lambda guidance: None, fast)
    assert "line 9" in str(refusal.value)
    assert not (tmp_path / "captures").exists()


def test_an_uncalibrated_rig_is_refused_before_it_is_opened(tmp_path):
    with hand_lever(tmp_path) as (_, reader), pytest.raises(InputError, match="per_count"):
        guided(reader, tmp_path, lambda guidance: None, calibration=Calibration(), header_of=header_of)


def pressed_once():
    """Untouched for a second and a half, then pressed at 2 mm/s for a second: counts a millisecond apart."""
    seq = np.arange(2500, dtype=np.int64)
    position_mm = np.maximum(seq / 1000 - 1.5, 0.0) * 2.0
    force = np.round(1000 * STIFFNESS * position_mm).astype(np.int32)
    position = np.round(200 * position_mm).astype(np.int32)
    return Samples(seq, seq * 1000, force, position, np.zeros(2500, np.uint8))


def test_the_force_zero_is_measured_before_anything_is_met(followed):
    _, _, result = followed
    zeros = events(result, "force zero")
    assert sum(each["zero_n"] for each in zeros) / len(zeros) == pytest.approx(2.0, abs=0.01)
    kinds = [each["kind"] for each in open_capture(result.path).events()]
    assert kinds.index("force zero") < kinds.index("step")


def test_what_the_frame_gives_way_is_no_depth(tmp_path):
    samples, shown = pressed_once(), []
    gone = Delivery(Samples.empty(), (LinkEvent("reset", 0.0),), 0.0)
    parts = [Delivery(part, (), 0.0) for part in (samples[:1400], samples[1400:])]
    soft = Calibration(CALIBRATION.force, CALIBRATION.position, frame=Frame.straight(0.1))
    guided(HandedOver([*parts, gone]), tmp_path, shown.append, calibration=soft, header_of=header_of)
    # 2 mm of way at 6 N less 0.6 mm of frame, from the contact at 0.5 N, which is 0.167 mm less 0.05 mm
    assert shown[-1].deflection_mm == pytest.approx(1.4 - 0.117, abs=0.01)


@pytest.mark.parametrize("kind", ["reset", "link_lost"])
def test_a_contact_that_is_not_known_any_more_ends_the_method_as_a_failure(tmp_path, kind):
    samples = pressed_once()
    gone = Delivery(Samples.empty(), (LinkEvent(kind, 0.0),), 0.0)
    reader = HandedOver([Delivery(part, (), 0.0) for part in (samples[:1400], samples[1400:])] + [gone])
    result = follow(reader, tmp_path, lambda guidance: None)
    assert result.failed
    assert "start again" in result.reason
    capture = open_capture(result.path)
    assert (capture.how_it_ended, len(capture.samples())) == (result.reason, 2500)


def test_recovery_is_watched_at_its_times(tmp_path):
    with hand_lever(tmp_path, 8.0) as (lever, reader):
        person = Person(lever)
        result = follow(reader, tmp_path, person.see, RECOVERY)
    assert result.reason == "method finished"
    # the first contact check sets the contact, the others only look
    assert len(events(result, "contact found")) == 1
    met_mm = [each["position_mm"] for each in events(result, "contact checked")]
    assert met_mm == pytest.approx([CONTACT_MM, CONTACT_MM], abs=0.05)
    steps = events(result, "step")
    (clock,) = [
        each["time_us"] for each in steps if each["action"] == "start clock" and each["phase"] == "end"
    ]
    waits = [each["time_us"] for each in steps if each["action"] == "wait until" and each["phase"] == "end"]
    assert [(each - clock) / 1e6 for each in waits] == pytest.approx([8.0, 20.0], abs=0.01)


def test_a_contact_check_below_the_noise_is_warned_of(tmp_path):
    told = []
    with hand_lever(tmp_path, **TALK_ONLY, chain=Chain(force_noise_n=0.2)) as (_, reader):
        stopped = threading.Event()

        def see(guidance):
            if guidance.action == "contact check":
                stopped.set()

        # a contact check of half a newton is less than six times the noise
        follow(reader, tmp_path, see, stopped=stopped, tell=lambda text, done: told.append(text))
    assert any("may be reported where there is none" in text for text in told)
