"""`pressrig verify force --loads`: led through the runs, on a device behind a real pseudo-terminal."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("pseudo-terminals are needed", allow_module_level=True)

from click.testing import CliRunner
from command_line import CALIBRATED, environment
from scale_pan import Hand, ScalePan

from rig.cli.verify_force import command

COUNTS_PER_N = 1000.0
HIGH = 1.004
"""The pan reads so much too high."""

LOADS = (20.0, 40.0)
STEPS = [*[0.0, *LOADS, 0.0] * 2, 0.0, *LOADS, LOADS[0], 0.0]
"""Loads in the order in which a person is asked for them."""


@pytest.fixture
def home(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name, value in environment(tmp_path).items():
        monkeypatch.setenv(name, value)
    (tmp_path / "bench.yaml").write_text(CALIBRATED)
    return tmp_path


def verified(home: Path, hand: Hand, *arguments: object):
    words = ["readings.csv", "--rig", "bench.yaml", "--port", home / "rig", "--loads", "20 N, 40 N"]
    words += ["--settle", "0.2 s", *arguments]
    return CliRunner().invoke(command, [str(each) for each in words], input=hand)


def rows(home: Path) -> list[tuple[str, str, float]]:
    lines = (home / "readings.csv").read_text().splitlines()
    assert lines[0] == "run,direction,load_N,indicated_counts"
    return [(cells[0], cells[1], float(cells[2])) for cells in (line.split(",") for line in lines[1:])]


def test_a_person_is_led_through_three_rising_runs_and_a_falling_one(home) -> None:
    with ScalePan(home / "rig") as pan:

        def puts(load_n: float):
            def act() -> None:
                pan.load_counts = load_n * COUNTS_PER_N * HIGH

            return act

        finished = verified(home, Hand([(puts(load), "") for load in STEPS]), "--json")
    assert finished.exit_code == 0, (finished.output, finished.exception)
    assert [row[2] for row in rows(home)] == STEPS
    assert [row for row in rows(home) if row[1] == "falling"][-2:] == [
        ("3", "falling", 20.0),
        ("3", "falling", 0.0),
    ]
    document = json.loads(finished.stdout)
    # the pan's zero of 4 N is taken off; its noise is 3 counts, in a mean of 201
    assert [each["q"] for each in document["loads"]] == pytest.approx([0.4, 0.4], abs=0.01)


def test_what_was_read_before_the_person_stops_is_kept(home) -> None:
    with ScalePan(home / "rig"):
        finished = verified(home, Hand([(None, ""), (None, "q")]))
    assert finished.exit_code == 2 or finished.exception is not None
    assert rows(home) == [("1", "rising", 0.0)]


def test_loads_that_pull_are_asked_for_below_zero_and_verified_as_tension(home) -> None:
    with ScalePan(home / "rig") as pan:

        def puts(load_n: float):
            def act() -> None:
                pan.load_counts = -load_n * COUNTS_PER_N * HIGH

            return act

        hand = Hand([(puts(load_n), "") for load_n in STEPS])
        finished = verified(home, hand, "--loads", "-20 N, -40 N", "--json")
    assert finished.exit_code == 0, (finished.output, finished.exception)
    document = json.loads(finished.stdout)
    assert document["sense"] == "tension"
    assert [each["q"] for each in document["loads"]] == pytest.approx([0.4, 0.4], abs=0.01)


@pytest.mark.parametrize(
    "loads", ["20, 40", "20 N, 2 kg", "40 N, 20 N", "0 N, 20 N", "-20 N, 40 N", "-40 N, -20 N", ""]
)
def test_loads_that_are_none_are_refused_before_the_port_is_opened(home, loads) -> None:
    finished = verified(home, Hand([]), "--loads", loads)
    assert "--loads" in str(finished.exception)
    assert not (home / "readings.csv").exists()


def test_a_table_that_is_there_is_not_written_over(home) -> None:
    (home / "readings.csv").write_text("kept\n")
    finished = verified(home, Hand([]))
    assert "already exists" in str(finished.exception)
    assert (home / "readings.csv").read_text() == "kept\n"
