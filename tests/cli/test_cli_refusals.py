"""What is wrong is refused with an exit code and a sentence, and help costs little."""

from __future__ import annotations

import subprocess
import sys

import pytest
from command_line import RIGS, environment, rig_file

from rig.rigfile import read_rig_file
from rig.wire import LineFormat

TABLE = "travel,load\n0,0\n1,5\n2,11\n"

HEAVY = ("numpy", "scipy", "pandas", "pyarrow", "matplotlib", "serial", "pint", "pydantic")

HELP = f"""
import sys
sys.argv = ["pressrig", "--help"]
from rig.cli import main
try:
    main()
except SystemExit:
    print("loaded:", *[name for name in {HEAVY!r} if name in sys.modules])
"""

# Listens to every file that Python opens, pyserial's ports included.
LISTING = """
import sys
opened = []
sys.addaudithook(lambda event, details: opened.append(str(details[0])) if event == "open" else None)
sys.argv = ["pressrig", "ports"]
from rig.cli import main
try:
    main()
except SystemExit as end:
    code = end.code
print("code:", code)
print("seen:", len(opened))
ports = ("/dev/tty", "/dev/pts", "/dev/cu")
print("ports opened:", *[path for path in opened if path.startswith(ports)])
"""


def _python(home, code: str) -> list[str]:
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment(home)
    ).stdout.splitlines()


def test_help_loads_nothing_heavy(tmp_path) -> None:
    assert _python(tmp_path, HELP)[-1] == "loaded:"


def test_ports_are_listed_and_not_opened(tmp_path) -> None:
    code, seen, opened = _python(tmp_path, LISTING)[-3:]
    assert code == "code: 0"
    assert int(seen.split()[1]) > 0
    assert opened == "ports opened:"


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("no.csv",), ("no.csv",)),
        (("table.csv", "--position", "depth:mm"), ("depth", "travel", "load")),
        (("table.csv", "--position", "#7:mm"), ("#7",)),
        (("table.csv", "--position", "travel:parsnips"), ("parsnips",)),
        (("table.csv", "--position", "travel:N"), ("travel", "N")),
        (("table.csv", "--position", "travel"), ("no unit in the table", "'travel:mm'")),
        (("table.csv", "--free-height", "90"), ("--free-height", "90")),
        (("table.csv", "--free-height", "90 kg"), ("--free-height", "kg")),
        (("table.csv", "--free-height", "-90 mm"), ("--free-height", "zero")),
        (("table.csv", "--area", "30 cm"), ("--area", "'cm'", "'mm^2'")),
        (("table.csv", "--encoding", "klingon"), ("klingon",)),
        (("table.csv", "--condition", "warm"), ("--condition", "NAME=VALUE")),
        (("table.csv", "--skip-rows", "99"), ("table.csv",)),
    ],
)
def test_a_wrong_import_is_refused_in_words(tmp_path, refused, options, words) -> None:
    (tmp_path / "table.csv").write_text(TABLE)
    needed = ("--position", "travel:mm", "--force", "load:N", "--specimen", "R1", "--out", "captures")
    said = refused(2, "import", *needed, *options)
    assert all(word in said for word in words), said
    assert not (tmp_path / "captures").exists()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ("name",)),
        ("name: [", ("line 1",)),
        ("just text", ("name: bench",)),
        ("name: bench\n", ("wire",)),
        ("name: bench\nwire: {format: morse}\n", ("wire.format", "morse")),
        ("name: bench\nwire: {format: framed, separator: ';'}\n", ("wire.separator",)),
        ("name: bench\nwire: {format: lines, columns: [force]}\n", ("wire.columns", "position")),
        ("name: bench\nwire: {format: lines, force_unit: mm}\n", ("wire.force_unit", "mm")),
        ("name: bench\nwire: {format: framed}\nspeed: 3\n", ("speed",)),
        (
            "name: bench\nwire: {format: framed}\nforce: {per_count: 1 mm}\n",
            ("force.per_count", "'mm'", "'N'"),
        ),
        ("name: bench\nwire: {format: framed}\nforce: {per_count: 0.001}\n", ("force.per_count", "0.001")),
        ("name: bench\nwire: {format: framed}\nport: {baud: 9600}\n", ("port", "path", "usb")),
        ("name: bench\nwire: {format: framed}\nport: {path: x, baud: -1}\n", ("port.baud", "-1")),
        ("name: bench\nwire: {format: framed}\n", ("no port", "--port")),
    ],
)
def test_a_wrong_rig_file_is_refused_in_words(tmp_path, refused, text, words) -> None:
    path = rig_file(tmp_path, text)
    said = refused(2, "record", "--rig", path, "--specimen", "F1", "--out", "captures")
    assert all(word in said for word in words), said
    assert not (tmp_path / "captures").exists()


def test_an_absent_rig_file_is_refused_in_words(refused) -> None:
    assert "configs/rigs" in refused(2, "record", "--rig", "no.yaml", "--specimen", "F1")


def test_an_absent_port_is_the_rigs_failure(tmp_path, refused) -> None:
    arguments = ("record", "--rig", rig_file(tmp_path), "--port", "/dev/ttyNONE", "--specimen", "F1")
    said = refused(3, *arguments, "--out", "captures")
    assert "/dev/ttyNONE" in said
    assert not (tmp_path / "captures").exists()


def test_an_empty_port_is_not_taken_for_the_working_folder(tmp_path, refused) -> None:
    said = refused(2, "record", "--rig", rig_file(tmp_path), "--port", "", "--specimen", "F1")
    assert "--port: found ''" in said


def test_seconds_and_cycles_together_are_refused(tmp_path, refused) -> None:
    arguments = ("record", "--rig", rig_file(tmp_path), "--specimen", "F1", "--seconds", "1", "--cycles", "1")
    assert "--seconds and --cycles" in refused(2, *arguments)


def test_a_length_that_is_not_a_number_is_refused_before_anything_is_opened(tmp_path, refused) -> None:
    arguments = ("record", "--rig", rig_file(tmp_path), "--specimen", "F1", "--seconds", "nan")
    assert "--seconds" in refused(2, *arguments)


@pytest.mark.parametrize("command", ["analyse", "show", "export"])
@pytest.mark.parametrize("what", ["absent", "empty", "garbage"])
def test_what_is_no_capture_is_refused_in_words(tmp_path, refused, command, what) -> None:
    capture = tmp_path / "capture"
    if what != "absent":
        capture.mkdir()
    if what == "garbage":
        for name in ("capture.yaml", "end.yaml", "events.jsonl", "samples-0001.arrow"):
            (capture / name).write_bytes(bytes(range(256)) * 8)
    options = ("--to", tmp_path / "out.csv") if command == "export" else ()
    assert str(capture) in refused(2, command, capture, *options)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--at", "half"), ("--at", "half")),
        (("--at", "10%,5"), ("--at", "'5'", "'5 mm'")),
        (("--toe-exponent", "nan"), ("--toe-exponent", "nan")),
        (("--contact-force", "2 mm"), ("--contact-force", "'mm'", "'N'")),
        (("--datum", "yesterday"), ("cycle", "first")),
        (("--conditioning", "-1"), ("--conditioning",)),
        (("--rig", "no.yaml"), ("no.yaml",)),
        (("--out", ""), ("--out", "expected a path")),
    ],
)
def test_a_wrong_question_is_refused_in_words(tmp_path, refused, options, words) -> None:
    (tmp_path / "table.csv").write_text(TABLE)
    needed = ("--position", "travel:mm", "--force", "load:N", "--specimen", "R1", "--out", "captures")
    refused(0, "import", "table.csv", *needed)
    (capture,) = (tmp_path / "captures").iterdir()
    said = refused(2, "analyse", capture, *options)
    assert all(word in said for word in words), said


@pytest.mark.parametrize("path", sorted(RIGS.glob("*.yaml")), ids=lambda path: path.stem)
def test_every_rig_file_that_comes_along_is_read(path) -> None:
    assert read_rig_file(path, weighs=path.stem == "scale").port is not None


def test_the_rig_file_of_lines_says_what_is_taken_without_it() -> None:
    assert read_rig_file(RIGS / "lines.yaml").wire == LineFormat()
