"""The account of an endurance run: nothing is counted twice, and what is not certain is marked."""

from dataclasses import asdict

import pytest

from rig.jobs.ledger import Intent, Ledger, Settled, settle
from rig.wire import EventCode, State, StateFlag

INTENT = Intent(block=3, first_cycle=201, cycles=100, by="device", boot_id=7, request_before=40)


def state(*, boot_id=7, last_request=41, cycles_done=0):
    return State(boot_id, StateFlag(0), 0, last_request, cycles_done, 0, 0, 0, 0, 0)


def test_the_devices_own_count_goes_before_what_was_heard():
    assert settle(INTENT, state(cycles_done=57), heard=50) == Settled(57, "the device's own count", 258)


def test_a_block_that_the_device_finished_alone_is_whole():
    assert settle(INTENT, state(cycles_done=100), heard=90) == Settled(100, "the device's own count")


def test_a_block_that_the_device_never_began_counts_nothing_and_nothing_is_doubtful():
    found = settle(INTENT, state(last_request=40, cycles_done=100), heard=0)
    assert (found.done, found.doubtful) == (0, None)


@pytest.mark.parametrize("kept", [None, state(boot_id=8, last_request=0)])
def test_without_the_devices_count_what_was_heard_counts_and_is_not_called_exact(kept):
    found = settle(INTENT, kept, heard=33)
    assert (found.done, found.doubtful, found.exact) == (33, 234, False)


def test_the_host_knows_what_it_did_itself():
    by_host = Intent(1, 1, 10, "host", 7, 40)
    assert settle(by_host, None, heard=4) == Settled(4, "the host's count", 5)


def events(*settled):
    yield {"kind": "block intent", **asdict(INTENT)}
    yield {"kind": "device_event", "code": int(EventCode.CYCLE_FINISHED), "value": 12}
    for done in settled:
        yield {"kind": "block settled", "done": done, "how": "", "doubtful": 213, "exact": True}


def test_an_account_is_read_back_from_the_events_of_a_capture():
    ledger = Ledger.of(events(12))
    assert (ledger.done, ledger.blocks, ledger.doubtful, ledger.open) == (12, 3, 1, None)


def test_a_block_that_was_never_settled_stays_open_with_what_was_heard_of_it():
    ledger = Ledger.of(events())
    assert (ledger.open, ledger.heard, ledger.done) == (INTENT, 12, 0)


def test_settling_twice_counts_once():
    ledger = Ledger.of(events(12, 12))
    assert ledger.done == 12


def test_the_next_intent_begins_behind_the_last_cycle_counted():
    ledger = Ledger.of(events(12))
    intent = ledger.next(50, "device", state(last_request=99))
    assert (intent.block, intent.first_cycle, intent.request_before) == (4, 13, 99)
