"""Old names of quantities, options and keys are refused with the new ones."""

from __future__ import annotations

from typing import get_args

import pytest
from command_line import ROOT

import rig
from rig.calibration import Calibration
from rig.calibration.frame import ReadBy
from rig.calibrationfile import read_calibration
from rig.capture import CaptureHeader, CaptureWriter
from rig.cli.compare import named_margins
from rig.core import EventKind, kind_of
from rig.errors import InputError
from rig.jobs.orders import HeightOrder, typed
from rig.methods import parse_method, parse_plan
from rig.renamed import CALIBRATION_KEYS, EVENTS, QUANTITIES, refuse_old_name
from rig.results.piece_tables import read_pieces
from rig.results.study_values import read_trials


@pytest.mark.parametrize(("old", "new"), QUANTITIES.items())
def test_each_old_name_is_refused_with_the_new_one(old, new):
    with pytest.raises(InputError, match=new):
        refuse_old_name("--margin", old)
    with pytest.raises(InputError, match=f"{new}_u"):
        refuse_old_name("--margin", f"{old}_u")
    refuse_old_name("--margin", new)


def test_an_option_that_nothing_needs_any_more_is_refused_with_the_reason(refused):
    said = refused(2, "pull", ROOT / "captures" / "example-F-90-001", "--no-load", "1 s")
    assert "--no-load: leave it out: zero and noise come from every stretch without load" in said


def test_a_margin_gives_the_new_name():
    with pytest.raises(InputError, match="energy_absorbed_mj"):
        named_margins(["energy_in_mj=2 mJ"], [])


@pytest.mark.parametrize("read", [read_pieces, lambda path: read_trials(path, None)])
def test_a_heading_of_a_table_gives_the_new_name(tmp_path, read):
    table = tmp_path / "pieces.csv"
    table.write_text("piece,appraiser,trial,energy_out_mj\nF1,Ann,1,12\nF2,Ann,1,13\n")
    with pytest.raises(InputError, match="energy_returned_mj"):
        read(table)


PLAN = """
name: a
purpose: b
follows: c
contact_check: {force: "1 N", speed: "1 mm/s"}
squeeze: {compression: "25 %", speed: "20 mm/s", hold: "0.5 s"}
until: {cycles: 5}
recovery: {contact_checks: 5, from: "5 s", to: "80 s"}
"""
METHOD = """
name: a
purpose: b
follows: c
steps:
  - contact_check: {force: "1 N", speed: "1 mm/s"}
  - press: {deflection: "5 mm", speed: "1 mm/s"}
  - return: {gap: "5 mm", speed: "1 mm/s"}
  - recover: {contact_checks: 5, from: "20 s", to: "1 h", force: "1 N", speed: "1 mm/s", gap: "2 mm"}
"""


@pytest.mark.parametrize(
    ("parse", "text", "old", "new"),
    [
        (parse_plan, PLAN, "dwell", "hold"),
        (parse_plan, PLAN, "touch", "contact_check"),
        (parse_plan, PLAN, "touches", "contact_checks"),
        (parse_method, METHOD, "touch", "contact_check"),
        (parse_method, METHOD, "touches", "contact_checks"),
    ],
)
def test_a_key_of_a_plan_or_method_gives_the_new_name_but_is_read_in_a_recording(parse, text, old, new):
    old_text = text.replace(f"{new}:", f"{old}:")
    line = old_text[: old_text.index(f"{old}:")].count("\n") + 1
    with pytest.raises(InputError, match=rf"line {line}, .*'{old}' is now called '{new}'"):
        parse(old_text, "here.yaml")
    assert parse(old_text, "here.yaml", recorded=True) == parse(text, "here.yaml")


def test_a_field_of_an_order_gives_the_new_name():
    with pytest.raises(InputError, match=r"'touches' is now called 'contact_checks'"):
        typed(HeightOrder, card={"specimen": "F1"}, touches=3)
    with pytest.raises(ValueError, match=r"'touches' is now called 'contact_checks'"):
        HeightOrder.model_validate_json('{"kind": "height", "card": {"specimen": "F1"}, "touches": 3}')


def test_a_frame_that_was_written_with_the_old_name_is_read():
    now = ReadBy("force", "position", 12.5).as_dict()
    old = {{"contact_mm": "touch_mm"}.get(name, name): value for name, value in now.items()}
    assert "touch_mm" in old
    assert ReadBy.from_dict(old) == ReadBy.from_dict(now) == ReadBy("force", "position", 12.5)


@pytest.mark.parametrize(("old", "new"), EVENTS.items())
def test_an_event_by_its_old_name_is_read_by_its_name_now(old, new):
    assert kind_of({"kind": old}) == new
    assert new in get_args(get_args(EventKind)[1])


@pytest.mark.parametrize(
    ("text", "old", "new"),
    [
        ("play: {play_mm: 0.02}", "play", "backlash"),
        ("backlash: {play_mm: 0.02}", "play_mm", "backlash_mm"),
        ("frame: {force_n: [5], give_mm: [0.1]}", "give_mm", "deflection_mm"),
    ],
)
def test_a_key_of_a_calibrations_file_gives_the_new_name(tmp_path, text, old, new):
    path = tmp_path / "calibration.yaml"
    path.write_text(text + "\n", encoding="utf-8")
    with pytest.raises(InputError, match=f"found {old!r}, which is now called {new!r}"):
        read_calibration(path)


def test_a_calibration_that_an_old_capture_kept_is_read_by_the_names_of_now(tmp_path):
    """As a version of November 2026 wrote it."""
    kept = {
        "force": {"per_count_n": 0.001, "zero_counts": 0.0},
        "position": {"per_count_mm": 0.005, "zero_counts": 0.0},
        "frame": {"force_n": [10.0], "give_mm": [0.04]},
        "play": {"play_mm": 0.02},
    }
    with CaptureWriter.create(tmp_path, CaptureHeader(specimen="F-90-001", calibration=kept)) as writer:
        path = writer.path
    read = rig.open_capture(path).calibration.as_dict()
    assert read["backlash"]["backlash_mm"] == 0.02
    assert list(read["frame"]["deflection_mm"]) == [0.04]


@pytest.mark.parametrize("old", CALIBRATION_KEYS)
def test_each_old_key_of_a_calibration_is_refused_in_every_part(old):
    for mapping in ({old: 1}, {"frame": {old: 1}}, {"backlash": {old: 1}}):
        with pytest.raises(InputError, match=f"found {old!r}, which is now called {CALIBRATION_KEYS[old]!r}"):
            Calibration.from_dict(mapping)


@pytest.mark.parametrize(
    ("arguments", "new"),
    [
        (("simulate", "--dwell", "2"), "--hold 2"),
        (("analyse", ".", "--foot-exponent", "1"), "--toe-exponent 1"),
        (("height", "--touches", "3"), "--contact-checks 3"),
        (("study", ".", "--pool-above", "0.25"), "--interaction pooled"),
    ],
)
def test_an_option_by_its_old_name_gives_the_new_one(refused, arguments, new):
    assert new in refused(2, *arguments)
