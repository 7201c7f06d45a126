"""The suite as a whole: a sound device passes, a simple one is asked little, and it ends safely."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from stepped_rig import BOUNDS, SteppedOrders, checked, failed, not_tried, stepped

from rig.conformance import (
    ALL_CHECKS,
    GROUPS,
    BenchOrders,
    CheckOutcome,
    ConformanceReport,
    Dialogue,
    Nobody,
    Stand,
    Verdict,
    run_suite,
)
from rig.conformance.exceptions import NotApplicableError
from rig.conformance.provoking import EMERGENCY_STOP, RESET, Provocation
from rig.errors import DeviceError, InputError
from rig.sheets import conformance_document, conformance_page, page_html, page_markdown
from rig.virtual import Chain, LinearSpring, OrderSocket, VirtualRig
from rig.wire import (
    FrameDecoder,
    Limits,
    LineDecoder,
    LineFormat,
    MoveTo,
    PressUntil,
    Reply,
    ReplyResult,
)


def near_its_wraps(rig: VirtualRig) -> None:
    """The number wraps in a second or so; the time was told to by its start."""
    rig.device._seq = 2**16 - 5_000


def test_a_sound_device_passes_every_check_that_is_for_it() -> None:
    report = checked(near_its_wraps, start_time_us=2**32 - 30_000_000, patience_s=28.0)
    assert failed(report) == set()
    assert report.passed
    assert report.disarmed
    # it listens, it is too slow for blocks, and has no further channels
    untried = {"identity-repeated", "blocks", "channels-described", "channels-read"}
    # each of its samples has a conversion of its own, and no rule asks for what it does not watch
    untried |= {"fresh-time", "abilities-conversions", "force-unbelievable"}
    assert set(not_tried(report)) == untried
    assert len(report.of(Verdict.PASSED)) == len(ALL_CHECKS) - len(untried)


def test_every_provocation_was_made_and_undone() -> None:
    stand, _ = stepped()
    stand.meet(lines=False)
    run_suite(stand, ["reset", "trips"])
    assert isinstance(stand.provoker, SteppedOrders)
    given = stand.provoker.given
    for begun, undone in (
        ("stop open", "stop close"),
        ("upper press", "upper free"),
        ("motor stall", "motor free"),
        ("amplifier silent", "amplifier run"),
        ("amplifier saturated", "amplifier run"),
        ("amplifier frozen", "amplifier run"),
        ("scale torn", "scale run"),
    ):
        assert given.count(begun) >= 1
        assert given[given.index(begun) + 1] == undone
    # the second shows whether each boot has another id, the third comes with the emergency stop pressed
    assert given.count("reset external") == 3


def test_without_somebody_to_help_the_trips_are_not_tried_and_say_why() -> None:
    stand, _ = stepped()
    stand.provoker = Nobody("nobody is there")
    stand.meet(lines=False)
    report = run_suite(stand, ["reset", "trips"])
    assert report.passed
    why = not_tried(report)
    assert {each.check.name for each in report.outcomes if each.check.group == "reset"} <= set(why)
    assert why["trip-emergency-stop"] == "nobody is there"
    assert "trip-force" not in why


def test_a_slow_person_trips_it_during_small_cycles() -> None:
    stand, rig = stepped()
    stand.provoker.slow = True
    highest = []
    kept = rig.device.advance
    rig.device.advance = lambda samples: highest.append(rig.device.machine.position_mm) or kept(samples)  # type: ignore
    stand.meet(lines=False)
    report = run_suite(stand, ["trips"])
    assert failed(report) == set()
    untried = {"trip-frozen-converter", "trip-stall-down", "approach-at-switch", "retreat-at-switch"}
    untried |= {"switch-standing", "stop-at-boot", "sensor-standing", "converter-away"}
    assert set(not_tried(report)) == untried
    # strokes of 1 mm from 2 mm on; the limits that are passed at 5 mm/s add what braking takes
    assert max(highest) < 3.5


def test_a_person_who_does_nothing_is_not_taken_for_a_broken_device(monkeypatch) -> None:
    monkeypatch.setattr("rig.conformance.stand.HAND_S", 2.0)
    stand, _ = stepped()
    stand.provoker.slow = True
    stand.provoker.provoke = lambda what: None  # type: ignore[method-assign]
    stand.meet(lines=False)
    report = run_suite(stand, ["trips"])
    assert failed(report) == set()
    assert "nothing tripped" in not_tried(report)["trip-emergency-stop"]
    assert report.disarmed


def test_a_travel_too_short_for_a_retreat_is_no_fault_of_the_device() -> None:
    report = checked(groups=["stops-a-retreat"], bounds=replace(BOUNDS, far=BOUNDS.base + BOUNDS.speed))
    assert "travel is too short" in not_tried(report)["stops-a-retreat"]
    assert report.passed


def test_no_limit_is_ever_wider_than_the_rigs_own() -> None:
    # travel of few counts: a stroke of 3, and 60 in all
    coarse = replace(
        BOUNDS, min_position=400, max_position=460, base=404, stroke=3, far=455, speed=100, home_speed=100
    )
    sent: list[Limits] = []

    def listen(rig: VirtualRig) -> None:
        kept = rig.device._answer

        def answer(command):
            sent.extend([command] * isinstance(command, Limits))
            return kept(command)

        rig.device._answer = answer  # type: ignore[method-assign]

    report = checked(listen, ["move-slowly"], bounds=coarse)
    assert not not_tried(report)
    assert max(limits.max_position for limits in sent) == coarse.max_position


SLOW = ["force", "limits", "motion", "trips", "heartbeat", "losses-counted"]


def test_a_sound_device_with_a_slow_stream_or_converter_is_not_blamed() -> None:
    assert failed(checked(groups=SLOW, rate_hz=12.0)) == set()
    assert failed(checked(groups=["force-step"], chain=Chain(conversions_per_s=10.0))) == set()
    beside = ["force-limit-pushed", "force-limit-pulled"]
    assert failed(checked(groups=beside, chain=Chain(conversions_per_s=20.0))) == set()


def test_no_motion_is_faster_than_the_caller_allows() -> None:
    slow = replace(BOUNDS, speed=60)
    speeds: list[int] = []

    def listen(rig: VirtualRig) -> None:
        kept = rig.device._answer

        def answer(command):
            speeds.extend([command.speed] if isinstance(command, MoveTo) else [])
            return kept(command)

        rig.device._answer = answer  # type: ignore[method-assign]

    assert failed(checked(listen, ["converter-away"], bounds=slow)) == set()
    assert max(speeds) == slow.speed


def test_a_press_that_never_meets_a_limit_behind_it_is_held_close_by() -> None:
    highest = [0.0]

    def press_on(rig: VirtualRig) -> None:
        kept, advance = rig.device._answer, rig.device.advance

        def position() -> float:
            return rig.device.machine.position_mm / 0.005  # a count of the stepped rig is 5 um

        def answer(command):
            if isinstance(command, PressUntil) and command.position_limit < position() - 20:
                command = replace(command, position_limit=rig.device.drive.limits.max_position)
            return kept(command)

        def watch(samples: int):
            highest[0] = max(highest[0], position())
            return advance(samples)

        rig.device._answer, rig.device.advance = answer, watch  # type: ignore[method-assign]

    assert failed(checked(press_on, ["position-limit-first"])) == {"position-limit-first"}
    # it stood a stroke above the base, and half a stroke more is what it may reach
    assert BOUNDS.stroke < highest[0] - BOUNDS.base < 2 * BOUNDS.stroke


def test_a_refused_press_is_a_fault_and_not_a_check_that_could_not_be_prepared() -> None:
    def refuse(rig: VirtualRig) -> None:
        kept = rig.device._answer
        rig.device._answer = lambda command: (  # type: ignore[method-assign]
            [Reply(ReplyResult.BAD_ARGUMENT, command.request, 0)]
            if isinstance(command, PressUntil)
            else kept(command)
        )

    assert failed(checked(refuse, ["position-limit-first"])) == {"position-limit-first"}


def test_a_boot_loader_of_some_seconds_is_waited_for_at_each_reset() -> None:
    stand, _ = stepped()
    port, orders = stand.talk._port, stand.provoker
    read, write, give = port.read, port.write, orders._order  # type: ignore[attr-defined]
    held, until_s = b"", 0.0

    def reset(words: str) -> None:
        nonlocal until_s
        give(words)
        until_s = port.now_s + 4.0 if words.startswith("reset") else until_s  # type: ignore[attr-defined]

    def late() -> bytes:
        nonlocal held
        held += read()
        if port.now_s < until_s:  # type: ignore[attr-defined]
            return b""
        data, held = held, b""
        return data

    port.read, orders._order = late, reset  # type: ignore[method-assign, attr-defined]
    port.write = lambda data: port.now_s < until_s or write(data)  # type: ignore[method-assign, attr-defined]
    stand.meet(lines=False)
    report = run_suite(stand, ["reset"])
    assert not not_tried(report)
    assert report.passed


def test_without_bounds_nothing_is_ever_armed() -> None:
    stand, rig = stepped(bounds=None)
    armed = []
    kept = rig.device.receive
    rig.device.receive = lambda commands: armed.append(rig.device.drive.armed) or kept(commands)  # type: ignore
    stand.meet(lines=False)
    report = run_suite(stand)
    assert report.passed
    assert not any(armed)
    assert all("--rig" in why for name, why in not_tried(report).items() if name.startswith("trip-"))


def test_a_wish_to_stop_in_the_middle_of_a_motion_leaves_it_disarmed_and_at_rest() -> None:
    rigs: list[VirtualRig] = []
    stand, rig = stepped(stopped=lambda: bool(rigs) and rigs[0].device.drive.moving and homed(rigs[0]))
    rigs.append(rig)
    stand.meet(lines=False)
    report = run_suite(stand)
    assert report.stopped
    assert not report.passed
    assert report.disarmed
    assert not rig.device.drive.armed
    assert not rig.device.drive.moving
    assert not rig.device.streaming
    assert len(report.outcomes) == len(ALL_CHECKS)


def homed(rig: VirtualRig) -> bool:
    return rig.device.drive.homed


class BrokenPort:
    """Works, and then no longer."""

    def __init__(self, stand: Stand, reads: int) -> None:
        self._port = stand.talk._port
        self._left = reads

    def read(self) -> bytes:
        self._left -= 1
        if self._left < 0:
            raise DeviceError("port: gone")
        return self._port.read()

    def write(self, data: bytes) -> bool:
        return self._port.write(data)


def test_a_port_that_goes_away_ends_the_suite_with_a_reason() -> None:
    stand, _ = stepped()
    stand.meet(lines=False)
    stand.talk._port = BrokenPort(stand, 200)
    report = run_suite(stand)
    assert "gone" in report.interrupted
    assert not report.passed
    assert not report.stopped
    assert report.disarmed is None


def test_a_device_that_only_talks_gets_the_checks_that_listen() -> None:
    report = checked(talk_only=True)
    assert report.passed
    assert report.device["speaks"] == "frames, and the device only sends"
    passed = {each.check.name for each in report.of(Verdict.PASSED)}
    assert passed == {
        "identity-protocol",
        "identity-capabilities",
        "identity-words",
        "identity-repeated",
        "numbers-rise",
        "time-rises",
        "time-pace",
        "frames-whole",
    }


def lined(columns: list[str]) -> Stand:
    form = LineFormat(columns=columns)
    stand, rig = stepped(line_format=form)
    port = stand.talk._port
    talk = Dialogue(port, LineDecoder(form), clock=stand.talk.clock)
    del rig
    return Stand(talk, time_modulus_us=form.time_modulus_us)


def test_a_device_that_prints_lines_gets_the_checks_of_its_columns() -> None:
    stand = lined(["time_us", "seq", "force", "position"])
    stand.meet(lines=True)
    report = run_suite(stand)
    assert report.passed
    passed = {each.check.name for each in report.of(Verdict.PASSED)}
    assert passed == {"numbers-rise", "time-rises", "time-pace", "frames-whole"}


def test_lines_without_time_say_what_that_costs() -> None:
    stand = lined(["force", "position"])
    stand.meet(lines=True)
    why = not_tried(run_suite(stand))
    assert "rough" in why["time-pace"]
    assert why["numbers-rise"] == "it sends no sample numbers"


class PrintedLines:
    """A port at which ten lines a second arrive, some of which were replaced."""

    def __init__(self, replaced: dict[int, bytes]) -> None:
        self.now_s, self._replaced, self._printed = 0.0, replaced, 0

    def clock(self) -> float:
        return self.now_s

    def read(self) -> bytes:
        self.now_s += 0.1
        self._printed += 1
        line = b"%d,%d,2000\n" % (100_000 * self._printed, 12 + self._printed % 3)
        return self._replaced.get(self._printed, line)

    def write(self, data: bytes) -> bool:
        return True


def printed(replaced: dict[int, bytes]) -> Stand:
    port = PrintedLines(replaced)
    return Stand(Dialogue(port, LineDecoder(LineFormat()), clock=port.clock))


@pytest.mark.parametrize(
    ("line", "check", "words"),
    [
        (b"Press 1.2 ready\r\n", "frames-whole", "wrong columns 1; the last line: b'Press 1.2 ready'"),
        (b"> 7000000,12,2000\n", "frames-whole", "not a number 1"),
        (b"7000000,12,20007100000,12,2000\n", "frames-whole", "wrong columns 1"),
        (b"7000000,1,2,2000\n", "frames-whole", "wrong columns 1"),
        (b"7000000,12.0,2000\n", "frames-whole", "not a number 1"),
        (b"7000000,\xb12,2000\n", "frames-whole", "not a number 1"),
        (b"7000000,99999999999,2000\n", "frames-whole", "out of range 1"),
        (b"1" * 10_000 + b"\n", "frames-whole", "too long 1"),
        (b"6900000,12,2000\n", "time-rises", "do not go forward"),
        (b"7000,12,2000\n", "time-rises", "do not go forward"),
    ],
    ids=["banner", "prompt", "merged", "comma", "decimals", "garbage", "overflow", "10-kB", "twice", "unit"],
)
def test_one_bad_line_in_seven_seconds_is_found_and_quoted(line, check, words) -> None:
    stand = printed({70: line})
    stand.meet(lines=True)
    report = run_suite(stand)
    assert not report.passed
    found = {each.check.name: each.found for each in report.of(Verdict.FAILED)}
    assert words in found[check]


def test_good_lines_pass_and_those_that_are_no_good_at_all_are_quoted() -> None:
    stand = printed({})
    stand.meet(lines=True)
    assert run_suite(stand).passed
    with pytest.raises(DeviceError, match=r"wrong columns 30; the last line: b'0\.5;12;2000'"):
        printed(dict.fromkeys(range(1, 100), b"0.5;12;2000\n")).meet(lines=True)


class SilentPort:
    """Nothing is at its other end."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def read(self) -> bytes:
        self.now_s += 0.05
        return b""

    def write(self, data: bytes) -> bool:
        return True


@pytest.mark.parametrize("lines", [False, True])
def test_a_silent_port_is_refused_in_words(lines) -> None:
    port = SilentPort()
    decoder = LineDecoder(LineFormat()) if lines else FrameDecoder()
    stand = Stand(Dialogue(port, decoder, clock=lambda: port.now_s))
    with pytest.raises(DeviceError, match="speed of the port"):
        stand.meet(lines=lines)


def test_check_names_are_unique_and_each_says_what_a_failure_costs() -> None:
    assert len({each.name for each in ALL_CHECKS}) == len(ALL_CHECKS)
    assert all(len(text) > 4 for each in ALL_CHECKS for text in (each.rule, each.expected, each.cost))
    assert set(GROUPS) == {each.group for each in ALL_CHECKS}


@pytest.fixture
def report() -> ConformanceReport:
    """One failure, with words that could break a table or a page."""
    first, second, third = ALL_CHECKS[:3]
    return ConformanceReport(
        {"speaks": "frames", "name": "<script>|press`"},
        (
            CheckOutcome(first, Verdict.PASSED, "all well"),
            CheckOutcome(second, Verdict.FAILED, "version 7 | <b>"),
            CheckOutcome(third, Verdict.NOT_TRIED, why="nobody is there"),
        ),
        disarmed=False,
    )


def test_the_report_says_what_failed_and_what_that_costs(report) -> None:
    cost = ALL_CHECKS[1].cost
    page = conformance_page(report)
    for text in (page_html(page, {}), page_markdown(page)):
        assert cost in text
        assert "1 passed, 1 failed, 1 not tried" in text
        assert "STILL ARMED" in text
        assert "<script>" not in text
        assert "<b>" not in text
    assert r"version 7 \| \<b\>" in page_markdown(page)


def test_the_document_holds_every_check(report) -> None:
    document = json.loads(json.dumps(conformance_document(report)))
    assert document["passed"] is False
    assert document["counts"] == {"passed": 1, "failed": 1, "not tried": 1}
    assert [each["check"] for each in document["checks"]] == [each.name for each in ALL_CHECKS[:3]]
    assert document["checks"][1]["cost"] == ALL_CHECKS[1].cost


def test_a_bench_obeys_through_its_socket_and_refuses_in_words() -> None:
    rig = VirtualRig(LinearSpring(2.0, 60.0), scripted=False)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "orders"
        with OrderSocket(rig, path), obeying(rig):
            bench = BenchOrders(path)
            try:
                bench.provoke(EMERGENCY_STOP)
                assert rig.device.drive.emergency_stop_open
                bench.undo(EMERGENCY_STOP)
                assert not rig.device.drive.emergency_stop_open
                boot_id = rig.device.boot_id
                bench.provoke(RESET)
                assert rig.device.boot_id == boot_id + 1
                assert "not known" in bench.order("make tea")["refused"]
                with pytest.raises(NotApplicableError, match="make tea"):
                    bench.provoke(Provocation("tea", "make tea", "pour it away", "", ""))
            finally:
                bench.close()
        assert not path.exists()
        with pytest.raises(InputError, match="nothing answers"):
            BenchOrders(path)


class obeying:  # noqa: N801
    """Lets a rig's time pass in a thread of its own."""

    def __init__(self, rig: VirtualRig) -> None:
        import threading

        self._rig = rig
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        while not self._stop.wait(0.002):
            self._rig.advance(0.002)

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *problem: object) -> None:
        self._stop.set()
        self._thread.join()
