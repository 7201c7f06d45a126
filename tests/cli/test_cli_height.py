"""`pressrig height`: measured on a driven rig, read from captures again, read from contact checks made by
hand."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner
from command_line import (
    CALIBRATED,
    PRESSRIG,
    RIGS,
    done,
    ended,
    environment,
    pressrig,
    rig_file,
    running,
    simulated,
    wait_until,
)

from rig.cli.height import command
from rig.errors import InputError

DRIVEN = RIGS / "virtual.yaml"
QUICK = ("--contact-checks", "3", "--rest", "0.5 s", "--cautions-read")
PIECE_MET_MM, HEIGHT_MM, STIFFNESS = 12.0, 30.0, 3.0
PLATEN = 2000.0

TRUE_MM = HEIGHT_MM - 0.05 / STIFFNESS + 0.05 / PLATEN
"""At the small force: a spring gives by F/k, and the bare platens by F/K."""


@contextmanager
def bench(home: Path):
    """A virtual rig with bare platens, and what lays a spring in."""
    from rig.virtual import DriveSettings, LinearSpring, VirtualPort, VirtualRig

    rig = VirtualRig(
        LinearSpring(PLATEN, 10.0),
        scripted=False,
        rate_hz=500.0,
        contact_mm=PIECE_MET_MM + HEIGHT_MM,
        clock=lambda: time.monotonic() / 20.0,
        drive=DriveSettings(112.0, 50.0, 200.0),
    )
    with VirtualPort(rig, home / "rig", 40.0):
        yield lambda: rig.replace_specimen(LinearSpring(STIFFNESS, HEIGHT_MM), PIECE_MET_MM)


def attended(home: Path, lay_in, *arguments: object) -> subprocess.CompletedProcess[str]:
    """Run the command, and do by hand what it asks for."""
    process = subprocess.Popen(
        [PRESSRIG, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(home),
        cwd=home,
    )
    said = []

    def attend():
        for line in process.stderr:
            said.append(line)
            if "Put in the piece" in line:
                lay_in()
            if "Press Enter" in line:
                process.stdin.write("\n")
                process.stdin.flush()

    person = threading.Thread(target=attend)
    person.start()
    try:
        output = process.stdout.read()
        process.wait(timeout=60)
    finally:
        process.kill()
        person.join()
        for pipe in (process.stdin, process.stdout, process.stderr):
            pipe.close()
    return subprocess.CompletedProcess(process.args, process.returncode, output, "".join(said))


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """What the command printed when it measured a spring: a document."""
    home = tmp_path_factory.mktemp("height")
    with bench(home) as lay_in:
        finished = attended(
            home, lay_in, "height", "--rig", DRIVEN, "--port", home / "rig", "--specimen", "F-90-001",
            *QUICK, "--json", "--into", home / "captures",
        )  # fmt: skip
    assert finished.returncode == 0, finished.stderr
    return json.loads(finished.stdout)


@pytest.fixture(scope="module")
def ordered(tmp_path_factory):
    """What the command printed that ordered a height from a daemon, and how the daemon stood afterwards."""
    home = tmp_path_factory.mktemp("ordered")
    serve = ("serve", "--rig", DRIVEN, "--port", home / "rig", "--no-page", "--out", home / "captures")
    with bench(home) as lay_in, running(home, *serve) as daemon:
        wait_until(lambda: daemon.poll() is not None or status(home)["state"] == "idle")
        finished = attended(
            home, lay_in, "height", "--rig", DRIVEN, "--port", home / "rig",
            "--specimen", "F-90-001", *QUICK, "--json",
        )  # fmt: skip
        yield finished, status(home), done(home, "status")
        ended(daemon, signal.SIGTERM)


def status(home: Path):
    told = pressrig(home, "status", "--json")
    return json.loads(told.stdout) or {"state": "away"}


def test_a_daemon_that_holds_the_rig_measures_and_the_command_prints_the_height(ordered):
    finished, *_ = ordered
    assert finished.returncode == 0, finished.stderr
    document = json.loads(finished.stdout)
    assert Path(document["capture"]).parent.name == "captures"
    for height in (document["at_contact_force"], document["at_greater_force"]):
        force_n = height["force_n"]
        true_mm = HEIGHT_MM - force_n / STIFFNESS + force_n / PLATEN
        assert height["height_mm"] == pytest.approx(true_mm, abs=4 * height["height_mm_u"])
    assert "job 1 of the daemon that holds rig 'virtual' at port" in finished.stderr


def test_the_daemon_shows_the_same_height(ordered):
    finished, after, words = ordered
    printed = json.loads(finished.stdout)["at_contact_force"]
    last = after["last"]
    assert (last["kind"], last["reason"], last["cycles"]) == ("height", "height measured", 6)
    shown = last["height"]["heights"][0]
    assert (shown["height_mm"], shown["u_mm"]) == (printed["height_mm"], printed["height_mm_u"])
    assert f"height of F-90-001 at 0.05 N: {printed['height_mm']:.4f} mm" in words
    assert "free height, 6 contact checks; ended: height measured" in words


def answered(*arguments: object) -> str:
    """What the command prints, run in this process."""
    result = CliRunner().invoke(command, [*map(str, arguments)], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def test_the_height_of_a_spring_is_within_its_interval(measured):
    low_mm, high_mm = measured["at_contact_force"]["interval_95_mm"]
    assert low_mm <= TRUE_MM <= high_mm
    assert high_mm - low_mm < 0.01
    top = measured["at_greater_force"]
    assert top["height_mm"] == pytest.approx(
        HEIGHT_MM - 5 / STIFFNESS + 5 / PLATEN, abs=3 * top["height_mm_u"]
    )


def test_the_budget_says_what_is_in_the_interval_and_what_is_not(measured):
    rows = {row["source"]: row for row in measured["at_contact_force"]["budget"]}
    assert rows["smallest step"]["counts"]
    # the rig's file only states what a count is
    assert rows["position calibration"]["u_mm"] is None
    total = sum(row["u_mm"] ** 2 for row in rows.values() if row["counts"])
    assert measured["at_contact_force"]["height_mm_u"] == pytest.approx(total**0.5)


def test_the_same_height_comes_out_of_the_capture_again(measured):
    again = json.loads(answered("--piece", measured["capture"], "--json"))
    assert again["at_contact_force"] == measured["at_contact_force"]


def test_a_capture_with_the_old_names_gives_the_same_height(tmp_path, measured):
    old = Path(shutil.copytree(measured["capture"], tmp_path / "old"))
    for name, now, before in (
        ("events.jsonl", '"height contact check"', '"height touch"'),
        ("capture.yaml", "contact_checks:", "touches:"),
        ("end.yaml", "height measured", "height touched"),
    ):
        text = (old / name).read_text(encoding="utf-8")
        assert now in text
        (old / name).write_text(text.replace(now, before), encoding="utf-8")
    again = json.loads(answered("--piece", old, "--json"))
    assert again["at_contact_force"] == measured["at_contact_force"]


def test_the_tables_are_plain_in_a_pipe_and_say_what_a_caliper_would_do(measured):
    output = answered("--piece", measured["capture"])
    assert "height of F-90-001" in output
    assert "A caliper compresses a soft part" in output
    assert "\x1b" not in output
    assert output.splitlines()[-1] == measured["capture"]


def test_another_greater_force_is_read_from_the_same_contact_checks_up_to_theirs(measured):
    again = json.loads(answered("--piece", measured["capture"], "--at", "3 N", "--json"))
    top = again["at_greater_force"]
    assert top["height_mm"] == pytest.approx(
        HEIGHT_MM - 3 / STIFFNESS + 3 / PLATEN, abs=3 * top["height_mm_u"]
    )
    with pytest.raises(InputError, match="contact checks go only up to 5 N"):
        answered("--piece", measured["capture"], "--at", "8 N")


def test_an_old_bare_contact_check_is_warned_of(tmp_path, measured):
    from rig.capture import CaptureHeader, CaptureWriter, open_capture

    capture = open_capture(measured["capture"])
    fields = {name: getattr(capture.header, name) for name in CaptureHeader.__dataclass_fields__}
    earlier = capture.header.started.replace(year=capture.header.started.year - 1)
    with CaptureWriter.create(
        tmp_path, CaptureHeader(**fields | {"started": earlier, "id": "0" * 32})
    ) as writer:
        for batch in capture.batches():
            writer.append(batch)
        for event in capture.events():
            writer.event(**{name: value for name, value in event.items() if name != "wall"})
        writer.end("height measured", {})
    output = answered("--bare", writer.path, "--piece", measured["capture"])
    assert "36" in next(line for line in output.splitlines() if "days older" in line)


def test_contact_checks_made_by_hand_are_found_without_marks(tmp_path):
    captures = []
    for specimen, contact, depth in (("platens", "70 mm", 0.05), ("spring", "10 mm", 3)):
        home = tmp_path / specimen
        home.mkdir()
        with simulated(
            home, "--specimen", specimen, "--contact", contact, "--depth", depth, "--gap", 1,
            "--speed", "2 mm/s", "--cycles", 3, "--motion", "hand", "--speed-up", "inf",
        ) as link:  # fmt: skip
            output = done(
                home, "record", "--rig", rig_file(home, CALIBRATED), "--port", link, "--specimen", specimen,
                "--cycles", 3, "--out", home / "captures",
            )  # fmt: skip
        captures.append(output.splitlines()[-1])
    bare, piece = captures
    found = json.loads(answered("--bare", bare, "--piece", piece, "--json"))
    low_mm, high_mm = found["at_contact_force"]["interval_95_mm"]
    # the catalogue's spring: 60 mm, 3 N/mm
    assert low_mm <= 60 - 0.05 / 3 + 0.05 / PLATEN <= high_mm
    assert high_mm - low_mm < 0.1
    assert len(found["at_contact_force"]["contact_checks_mm"]) == 3
    assert any("may have been homed" in note for note in found["notes"])


ON_RIG = ("height", "--rig", DRIVEN, "--port", "/dev/absent", "--specimen", "F", "--cautions-read")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("height",), "--rig FILE measures now"),
        ((*ON_RIG, "--contact-force", "0.05 mm"), "--contact-force"),
        ((*ON_RIG, "--contact-force", "4 N"), "expected 8 N or more"),
        ((*ON_RIG, "--contact-checks", "1"), "expected 2 to 100"),
        ((*ON_RIG, "--expected", "120 mm"), "exceed the rig's travel"),
        ((*ON_RIG, "--speed", "10 mm/s"), "use a lower speed"),
        ((*ON_RIG, "--speed", "200 mm/s"), "moves at up to 30 mm/s"),
        ((*ON_RIG, "--at", "600 N"), "--at: found 600 N, the rig's limit is 500 N"),
        ((*ON_RIG, "--at", "499 N", "--speed", "0.1 mm/s"), "--at: found 499 N"),
        ((*ON_RIG, "--rest", "2 days"), "--rest: found 172800 s"),
        ((*ON_RIG, "--bare-only", "--bare", "here"), "--bare-only"),
        (("height", "--rig", RIGS / "bench.yaml", "--specimen", "F"), "no `drive:` section"),
        (("height", "--rig", DRIVEN), "--specimen"),
        (("height", "--piece", "nowhere"), "no such folder"),
    ],
)
def test_what_makes_no_sense_is_refused_before_the_port_is_opened(refused, arguments, said):
    assert said in refused(2, *arguments)


def test_cautions_that_nobody_confirms_stop_it_before_the_port_is_opened(tmp_path):
    asked = pressrig(tmp_path, "height", "--rig", DRIVEN, "--port", "/dev/absent", "--specimen", "F")
    assert asked.returncode == 2
    assert "crush fingers" in asked.stderr
    assert "nothing moved" in asked.stderr


def test_a_rig_that_is_not_there_is_the_rigs_failure(refused):
    refused(3, *ON_RIG)
