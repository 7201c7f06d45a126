"""What came of an endurance run is read from the events of its capture."""

import json

import numpy as np
import pytest
from rich.console import Console

from rig.results import endurance_report
from rig.sheets import endurance_sentences, endurance_table


def settled(total, *, doubtful=None, exact=True, **more):
    return {"kind": "block settled", "total": total, "doubtful": doubtful, "exact": exact, **more}


EVENTS = [
    {"kind": "endurance", "name": "float abuse"},
    settled(100, set_mm=2.0, stiffness_loss_pct=3.0),
    {"kind": "pause", "why": "the cable came out"},
    settled(157, doubtful=158, set_mm=2.5, stiffness_loss_pct=4.5),
    {"kind": "device_event", "code": 13, "value": 4},
    {"kind": "squeezing ended", "reason": "157 cycles"},
]
CONTACT_CHECKS = [
    {"kind": "recovery contact check", "after_s": after_s, "set_mm": 3.0 - 0.5 * np.log10(after_s)}
    for after_s in (20.0, 60.0, 200.0, 600.0, 2000.0)
]


def test_the_newest_block_says_how_the_run_stands():
    report = endurance_report(EVENTS)
    assert (report.name, report.cycles, report.doubtful, report.exact) == ("float abuse", 157, 1, True)
    assert (report.set_mm, report.stiffness_loss_pct, report.reason) == (2.5, 4.5, "157 cycles")
    assert report.pauses == ["the cable came out"]


def test_a_count_that_is_not_certain_is_said_to_be_so():
    said = " ".join(endurance_sentences(endurance_report([*EVENTS, settled(160, exact=False)])))
    assert "lost its count" in said


def test_an_event_that_makes_no_sense_leaves_the_count_uncertain():
    report = endurance_report([*EVENTS, {"kind": "block settled", "total": "many"}, *CONTACT_CHECKS])
    assert (report.cycles, report.exact, len(report.recovery)) == (157, False, 5)


def test_the_forecast_goes_one_decade_beyond_the_last_contact_check():
    report = endurance_report([*EVENTS, *CONTACT_CHECKS])
    ahead = report.fit.forecast
    assert ahead.after_s == pytest.approx(20_000.0)
    assert ahead.set_mm == pytest.approx(3.0 - 0.5 * np.log10(20_000.0), abs=1e-6)
    assert any("Forecast" in sentence for sentence in endurance_sentences(report))


def test_the_recovery_of_a_recording_with_old_names_is_read_as_before():
    old = [event | {"kind": "recovery touch"} for event in CONTACT_CHECKS]
    now = endurance_report([*EVENTS, *CONTACT_CHECKS])
    assert endurance_report([*EVENTS, *old]).as_dict() == now.as_dict()
    assert len(now.recovery) == 5


def test_without_recovery_nothing_is_forecast():
    report = endurance_report(EVENTS)
    assert report.fit is None
    assert not any("Forecast" in sentence for sentence in endurance_sentences(report))


def test_a_run_without_a_single_settled_block_is_reported_too():
    report = endurance_report([])
    assert "has not ended" in endurance_sentences(report)[0]
    assert report.as_dict()["set_mm"] is None


def test_its_document_is_json_without_not_a_number():
    text = json.dumps(endurance_report([*EVENTS, *CONTACT_CHECKS[:2]]).as_dict(), allow_nan=False)
    assert json.loads(text)["cycles"] == 157


def test_the_table_shows_the_set_at_every_contact_check():
    screen = Console(width=100)
    with screen.capture() as shown:
        screen.print(endurance_table(endurance_report([*EVENTS, *CONTACT_CHECKS]), plain=True))
    assert sum("after the last squeeze" in line for line in shown.get().splitlines()) == 5
