"""The virtual rig as a command."""

from __future__ import annotations

import csv
import json
import signal

import pytest
from command_line import RIGS, done, ended, only_capture, pressrig, running, simulated, wait_until

from rig.virtual import FAULT_NAMES, SPECIMEN_NAMES


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=["SIGINT", "SIGTERM"])
def test_a_signal_ends_it_well_and_removes_the_link(tmp_path, number) -> None:
    link, truth = tmp_path / "rig", tmp_path / "truth.json"
    with running(tmp_path, "simulate", "--link", link, "--cycles", 2, "--truth", truth) as process:
        wait_until(link.is_symlink)
        output, errors = ended(process, number)
    assert not link.is_symlink()
    assert f"--port {link}" in output
    assert output.count("\n") == 1
    assert errors == ""
    assert [each["cycle"] for each in json.loads(truth.read_text())["cycles"]] == [1, 2]


def test_a_link_left_by_a_killed_rig_is_replaced(tmp_path) -> None:
    (tmp_path / "rig").symlink_to("/nowhere")
    with running(tmp_path, "simulate", "--link", tmp_path / "rig") as process:
        wait_until((tmp_path / "rig").exists)
        ended(process, signal.SIGINT)


def test_two_rigs_serve_at_once(tmp_path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    with simulated(tmp_path / "a") as first, simulated(tmp_path / "b") as second:
        assert first.readlink() != second.readlink()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--specimen", "brick"), SPECIMEN_NAMES),
        (("--fault", "fire"), FAULT_NAMES),
        (("--format", "morse"), ("framed", "lines")),
        (("--motion", "idle"), ("driven", "hand", "sine")),
        (("--speed", "10"), ("--speed", "mm/s")),
        (("--speed", "10 N"), ("--speed", "mm/s")),
        (("--rate", "0"), ("rate", "samples a second")),
        (("--rate", "nan"), ("rate", "samples a second")),
        (("--depth", "-3"), ("depth", "above 0")),
        (("--cycles", "0"), ("cycles", "at least 1")),
        (("--speed-up", "0"), ("speed_up", "above 0")),
        (("--link", "no/such/folder/rig"), ("no/such/folder/rig", "writable folder")),
        (("--truth", "no/such/folder/truth.json"), ("no/such/folder", "--truth")),
        (("--truth", "."), ("--truth",)),
        (("--channel", "force_2=3"), ("--channel", "a number and a unit")),
        (("--channel", "humidity=3 N"), ("humidity", "expected %")),
        (("--channel", "p=1 kPa", "--channel", "p=2 kPa"), ("name of another one",)),
        (("--channel", "force_2=9e9 N"), ("--channel",)),
        (("--channel", "force_2=9000000 N"), ("does not fit",)),
        (("--channel", "p=1 kPa", "--format", "lines"), ("frames",)),
    ],
)
def test_a_wrong_option_is_refused_in_words(tmp_path, refused, arguments, words) -> None:
    said = refused(2, "simulate", "--link", tmp_path / "rig", *arguments)
    assert all(word in said for word in words)
    assert not (tmp_path / "rig").is_symlink()


def test_a_file_is_never_replaced_by_the_link(tmp_path, refused) -> None:
    (tmp_path / "rig").write_text("results")
    refused(2, "simulate", "--link", tmp_path / "rig")
    assert (tmp_path / "rig").read_text() == "results"


def test_help_names_specimens_and_faults(tmp_path) -> None:
    text = pressrig(tmp_path, "simulate", "--help").stdout
    assert set(SPECIMEN_NAMES) | set(FAULT_NAMES) <= set(text.split())


def test_channels_of_the_virtual_rig_are_recorded_shown_and_analysed(tmp_path) -> None:
    asked = (
        "--channel",
        "force_2=-1.5 N",
        "--channel",
        "air_pressure=101.3kPa",
        "--channel",
        "humidity=45 %",
    )
    with simulated(tmp_path, "--cycles", 2, "--speed-up", 10, *asked) as link:
        done(
            tmp_path,
            "record",
            "--rig",
            RIGS / "virtual.yaml",
            "--port",
            link,
            "--specimen",
            "f",
            "--cycles",
            2,
        )
    capture = only_capture(tmp_path / "captures")
    shown = json.loads(done(tmp_path, "show", capture, "--json"))["channels"]
    assert {name: (told["unit"], told["least"], told["greatest"]) for name, told in shown.items()} == {
        "force_2": ("N", -1.5, -1.5),
        "air_pressure": ("kPa", 101.3, 101.3),
        "humidity": ("%", 45.0, 45.0),
    }
    assert "-1.5 to -1.5 N" in done(tmp_path, "show", capture)
    done(tmp_path, "analyse", capture, "--out", tmp_path / "results")
    (table,) = (tmp_path / "results").glob("*cycles*.csv")
    with table.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    found = [[float(row[name]) for name in ("force_2_n", "air_pressure_kpa", "humidity_pct")] for row in rows]
    assert found == [[-1.5, 101.3, 45.0]] * 2


def test_what_is_measured_is_the_truth_of_the_run(framed, document) -> None:
    _, truth_file = framed
    truth = json.loads(truth_file.read_text())["cycles"]
    measured = document["cycles"]
    assert len(measured) == len(truth) == 3
    for found, true in zip(measured, truth, strict=True):
        for name in ("secant_n_per_mm", "peak_force_n", "energy_absorbed_mj", "contact_mm"):
            assert found[name] == pytest.approx(true[name], abs=5 * found[f"{name}_u"]), name
