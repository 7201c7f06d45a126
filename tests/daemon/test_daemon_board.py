"""The board shows what is newest, keeps every peak, and never grows or hands out without bound."""

import threading

import numpy as np
import pytest
from delivering import CALIBRATION, delivery

from rig.calibration import Calibration
from rig.daemon import board as board_module
from rig.daemon.board import LOOPS_KEPT, POINTS_A_CALL, ROWS_A_CALL, ROWS_KEPT, TRACE_POINTS, Board
from rig.daemon.bulletin import CycleRow, LoopCurve, Seen
from rig.daemon.live import QUANTITIES
from rig.reader import Delivery
from rig.samples import Samples
from rig.wire import AUXILIARY_UNITS


class Clock:
    """Wall time that passes when a test says so."""

    def __init__(self):
        self.now_s = 100.0

    def __call__(self):
        return self.now_s


def made(calibration=CALIBRATION, **how):
    return Board("bench", "ttyUSB0", calibration, **how)


def force_delivery(force_n, first_us=0, step_us=2000):
    """Samples of these forces, at 1 mN a count, 500 a second."""
    count = len(force_n)
    time_us = first_us + step_us * np.arange(count, dtype=np.int64)
    samples = Samples(
        np.arange(count, dtype=np.int64),
        time_us,
        np.round(1000 * np.asarray(force_n)).astype(np.int32),
        np.full(count, 200, np.int32),
        np.zeros(count, np.uint8),
    )
    return Delivery(samples, (), 0.0)


def rows(first, count):
    return [CycleRow(cycle=number, peak_force_n=float(number)) for number in range(first, first + count)]


def loop(cycle):
    return LoopCurve(cycle=cycle, deflection_mm=(0.0, 1.0), force_n=(0.0, 2.0))


def test_the_newest_force_and_position_are_shown_in_newtons_and_millimetres():
    board = made()
    board.take(delivery(0, 1001))
    status = board.status()
    # 1000 counts at 1 mN, and at 5 um
    assert (status.force_n, status.position_mm) == (1.0, 5.0)


def test_the_sample_rate_is_that_of_the_devices_time():
    board = made()
    for first in range(0, 3000, 100):
        board.take(delivery(first, 100))
    assert board.status().samples_per_s == pytest.approx(1000.0, rel=0.01)


def test_a_peak_of_a_single_sample_stays_in_the_thinned_trace():
    board = made()
    force_n = np.zeros(5000)
    force_n[2345] = 77.0
    force_n[3456] = -5.0
    for part in np.split(np.arange(5000), 50):
        board.take(force_delivery(force_n[part], first_us=2000 * int(part[0])))
    trace = board.news(Seen()).trace
    assert (max(trace.force_n), min(trace.force_n)) == (77.0, -5.0)
    assert trace.time_s[trace.force_n.index(77.0)] == pytest.approx(2345 * 0.002)


def test_the_trace_holds_at_most_fifty_points_for_each_second():
    board = made()
    rng = np.random.default_rng(5)
    board.take(force_delivery(rng.normal(size=5000)))
    # 10 s
    assert 450 < len(board.news(Seen()).trace.time_s) <= 500


def test_the_trace_does_not_depend_on_how_the_samples_were_cut():
    force_n = np.random.default_rng(6).normal(size=4000)
    whole, cut = made(), made()
    whole.take(force_delivery(force_n))
    for part in np.array_split(np.arange(4000), 77):
        cut.take(force_delivery(force_n[part], first_us=2000 * int(part[0])))
    assert whole.news(Seen()).trace == cut.news(Seen()).trace


def test_a_watcher_gets_each_point_once_and_in_order():
    board = made()
    force_n = np.arange(50_000) / 1000.0
    seen, got, firsts = Seen(), [], []
    for part in np.array_split(np.arange(50_000), 10):
        board.take(force_delivery(force_n[part], first_us=2000 * int(part[0])))
        news = board.news(seen)
        firsts.append(news.trace.first == len(got))
        got += news.trace.force_n
        seen = news.seen
    assert all(firsts)
    assert got == sorted(set(got))
    assert len(got) == pytest.approx(100 * 50, abs=4)


def test_one_call_hands_out_no_more_than_its_limit_and_the_next_goes_on_there():
    board = made()
    board.begin_job(1, "method", "a method", "F-90-007")
    board.take(force_delivery(np.random.default_rng(7).normal(size=60_000)))
    board.cycles(1, rows(1, ROWS_A_CALL + 50))
    first = board.news(Seen())
    assert (len(first.trace.time_s), len(first.cycles)) == (POINTS_A_CALL, ROWS_A_CALL)
    second = board.news(first.seen)
    assert second.trace.first == POINTS_A_CALL
    assert [row.cycle for row in second.cycles] == list(range(ROWS_A_CALL + 1, ROWS_A_CALL + 51))
    assert board.news(second.seen).cycles == ()


def test_the_fullest_answer_fits_into_a_line_of_the_socket():
    from rig.daemon.control import LONGEST_LINE
    from rig.segmenter import Flag

    board = made()
    board.begin_job(1, "method", "m" * 200, "s" * 200)
    worst = -1.23457e-05
    flags = tuple(flag.label for flag in Flag)
    full = dict.fromkeys(QUANTITIES, worst)
    board.take(force_delivery(100 * np.random.default_rng(7).normal(size=200_000), first_us=10**12))
    board.take(delivery(0, 0, ("auxiliary", dict.fromkeys(AUXILIARY_UNITS, 23.4567))))
    board.cycles(1, [CycleRow(cycle=80_000 + k, flags=flags, **full) for k in range(ROWS_KEPT)])
    board.loops(
        1, [LoopCurve(cycle=k, deflection_mm=(worst,) * 100, force_n=(worst,) * 100) for k in range(8)]
    )
    for name in range(board_module.WARNINGS_KEPT):
        board.warn(str(name), "w" * 400)
    assert len(board.news(Seen()).model_dump_json()) < LONGEST_LINE


def test_what_is_kept_is_bounded_and_a_late_watcher_gets_what_is_left():
    board = made()
    board.begin_job(1, "endurance", "a plan", "F-90-007")
    board.cycles(1, rows(1, ROWS_KEPT + 300))
    board.loops(1, [loop(cycle) for cycle in range(1, 30)])
    for k in range(4):
        board.take(force_delivery(np.random.default_rng(k).normal(size=30_000), first_us=60_000_000 * k))
    news = board.news(Seen(trace=3, cycle=5, loop=1, job=1))
    assert news.cycles[0].cycle == 301
    assert [each.cycle for each in news.loops] == list(range(30 - LOOPS_KEPT, 30))
    assert news.trace.first == pytest.approx(4 * 60 * 50 - TRACE_POINTS, abs=5)


def test_a_new_jobs_cycles_come_from_its_first_one():
    board = made()
    board.begin_job(1, "method", "a method", "F-90-007")
    board.cycles(1, rows(1, 40))
    seen = board.news(Seen()).seen
    board.begin_job(2, "method", "a method", "F-90-008")
    board.cycles(2, rows(1, 3))
    board.loops(2, [loop(1)])
    news = board.news(seen)
    assert [row.cycle for row in news.cycles] == [1, 2, 3]
    assert [each.cycle for each in news.loops] == [1]
    assert news.seen.job == 2


def test_cycles_of_the_job_before_come_too_late():
    board = made()
    board.begin_job(1, "method", "a method", "F-90-007")
    board.begin_job(2, "method", "a method", "F-90-008")
    board.cycles(1, rows(1, 3))
    assert board.news(Seen()).cycles == ()


def test_one_who_has_seen_another_daemons_news_gets_everything():
    board = made()
    board.take(force_delivery(np.random.default_rng(1).normal(size=1000)))
    news = board.news(Seen(trace=10**6))
    assert news.trace.first == 0
    assert len(news.trace.time_s) > 50


def test_a_job_says_how_far_it_is():
    board = made()
    board.begin_job(3, "method", "three presses", "F-90-007", expected_s=4.0)
    board.job_goes_on("test.yaml: line 7, step 1 (contact_check)")
    board.take(delivery(0, 1001))
    job = board.status().job
    # 1 s of 4 s
    assert (job.elapsed_s, job.left_s, job.done) == (1.0, 3.0, 0.25)
    assert "contact_check" in job.step


def test_time_left_follows_the_cycles_where_a_number_was_asked_for():
    board = made()
    board.begin_job(3, "recording", "recording", "F-90-007", cycles_wanted=10)
    board.take(delivery(0, 2001))
    board.job_goes_on("", cycles=4)
    job = board.status().job
    # 4 cycles took 2 s: 6 take 3 s
    assert (job.done, job.left_s, job.cycles) == (0.4, 3.0, 4)


def test_the_end_of_a_job_stays_to_be_read_with_cycles_that_come_late():
    board = made()
    board.begin_job(3, "method", "three presses", "F-90-007")
    board.job_records("captures/one")
    board.end_job("method finished", failed=False)
    board.cycles(3, rows(1, 4))
    last = board.status().last
    assert (last.number, last.reason, last.capture, last.cycles) == (3, "method finished", "captures/one", 4)
    assert board.status().job is None


def test_a_rig_that_falls_silent_is_away():
    clock = Clock()
    board = made(clock=clock)
    board.take(delivery(0, 100))
    assert board.status().state == "idle"
    clock.now_s += 3.5
    status = board.status()
    assert (status.state, status.force_n) == ("away", None)
    assert "no sample" in status.warnings[0]


def test_a_lost_link_is_told_with_its_reason():
    board = made()
    board.take(delivery(0, 100))
    board.take(delivery(0, 0, ("link_lost", {"why": "the cable is out"})))
    assert board.status().state == "away"
    assert board.status().warnings == ("the cable is out",)


def test_temperatures_are_shown_and_stand_beside_the_cycles_of_their_time():
    board = made()
    board.begin_job(1, "endurance", "a plan", "F-90-007")
    board.cycles(1, rows(1, 1))
    board.take(delivery(0, 10, ("auxiliary", {"specimen_temperature": 31.5, "count": 100})))
    board.take(delivery(10, 10))
    board.cycles(1, rows(2, 1))
    assert board.status().auxiliary == {"specimen_temperature": 31.5}
    assert [row.auxiliary for row in board.news(Seen()).cycles] == [{}, {"specimen_temperature": 31.5}]


def test_channels_of_the_device_are_shown_by_their_names_with_their_units():
    board = made()
    board.take(
        delivery(0, 10, ("channel", {"number": 1, "name": "air_pressure", "unit": "kPa", "force": False}))
    )
    board.take(delivery(10, 10, ("auxiliary", {"air_pressure": 101.3, "humidity": 45.0, "count": 10})))
    assert board.status().auxiliary == {"air_pressure": 101.3, "humidity": 45.0}
    assert board.status().auxiliary_units == {"air_pressure": "kPa", "humidity": "%"}
    # another device may be on the port now
    board.reopened(lambda: False)
    assert board.status().auxiliary == {}


def test_a_device_that_begins_anew_under_other_names_leaves_none_of_the_old():
    board = made()
    for boot in range(100):
        name = f"channel_{boot}"
        board.take(delivery(0, 10, ("reset", {}), ("channel", {"number": 1, "name": name, "unit": "kPa"})))
        board.take(delivery(10, 10, ("auxiliary", {name: 1.0, "count": 10})))
        assert board.status().auxiliary_units == {name: "kPa"}
    assert len(board._auxiliary_units) < 10


def test_lost_samples_are_counted():
    board = made()
    board.take(delivery(0, 10, ("gap", {"after_seq": 4, "missing": 3}), ("overflow", {"samples": 20})))
    assert board.status().samples_lost == 23


IDENTITY = ("identified", {"capabilities": 31, "name": "press", "firmware": "1.0"})


def test_a_latched_stop_is_shown_until_the_device_says_otherwise():
    board = made()
    board.take(delivery(0, 10, IDENTITY))
    board.take(delivery(10, 10, ("device_event", {"code": 4, "name": "force_trip"})))
    status = board.status()
    assert (status.state, status.device.stop_cause) == ("stopped", "force trip")
    board.take(delivery(20, 10, ("state", {"flags": 2, "stop_cause": 0})))
    status = board.status()
    assert (status.state, status.device.stop_cause, status.device.homed) == ("idle", None, True)


def test_an_uncalibrated_rig_is_shown_without_numbers():
    board = made(calibration=Calibration())
    board.take(delivery(0, 1000))
    status = board.status()
    assert (status.state, status.force_n, status.position_mm) == ("idle", None, None)
    assert board.news(Seen()).trace.time_s == ()


def test_watchers_and_the_one_who_writes_do_not_disturb_each_other():
    board = made()
    board.begin_job(1, "method", "a method", "F-90-007")
    over = threading.Event()
    gaps = []

    def watch():
        seen, got = Seen(), 0
        while not over.is_set():
            news = board.news(seen)
            gaps.extend([1] * (news.trace.first != got))
            got += len(news.trace.time_s)
            seen = news.seen

    threads = [threading.Thread(target=watch) for _ in range(3)]
    for thread in threads:
        thread.start()
    for k in range(200):
        board.take(delivery(100 * k, 100))
        board.cycles(1, rows(k, 1))
    over.set()
    for thread in threads:
        thread.join()
    assert gaps == []
