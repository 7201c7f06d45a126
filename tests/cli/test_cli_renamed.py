"""Old names of quantities, options and keys are refused with the new ones."""

from __future__ import annotations

import pytest

from rig.calibration import Calibration
from rig.calibrationfile import read_calibration
from rig.cli.compare import named_margins
from rig.errors import InputError
from rig.methods import parse_plan
from rig.renamed import CALIBRATION_KEYS, QUANTITIES, refuse_old_name
from rig.results.piece_tables import read_pieces
from rig.results.study_values import read_trials


@pytest.mark.parametrize(("old", "new"), QUANTITIES.items())
def test_each_old_name_is_refused_with_the_new_one(old, new):
    with pytest.raises(InputError, match=new):
        refuse_old_name("--margin", old)
    with pytest.raises(InputError, match=f"{new}_u"):
        refuse_old_name("--margin", f"{old}_u")
    refuse_old_name("--margin", new)


def test_a_margin_gives_the_new_name():
    with pytest.raises(InputError, match="energy_absorbed_mj"):
        named_margins(["energy_in_mj=2 mJ"], [])


@pytest.mark.parametrize("read", [read_pieces, lambda path: read_trials(path, None)])
def test_a_heading_of_a_table_gives_the_new_name(tmp_path, read):
    table = tmp_path / "pieces.csv"
    table.write_text("piece,appraiser,trial,energy_out_mj\nF1,Ann,1,12\nF2,Ann,1,13\n")
    with pytest.raises(InputError, match="energy_returned_mj"):
        read(table)


def test_a_key_of_an_endurance_plan_gives_the_new_name():
    with pytest.raises(InputError, match=r"'dwell' is now called 'hold'"):
        parse_plan(
            "name: a\npurpose: b\nfollows: c\n"
            'touch: {force: "1 N", speed: "1 mm/s"}\n'
            'squeeze: {compression: "25 %", speed: "20 mm/s", dwell: "0.5 s"}\nuntil: {cycles: 5}\n',
            "plan.yaml",
        )


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
    ],
)
def test_an_option_by_its_old_name_gives_the_new_one(refused, arguments, new):
    assert new in refused(2, *arguments)
