"""Names of specimens, batches and operators that something would obey show as text, whatever shows them."""

from __future__ import annotations

import csv
import json
import os
import pty
import re
import select
import subprocess
from importlib.resources import files
from pathlib import Path

import html5lib
import pytest
from command_line import PATIENCE_S, PRESSRIG, environment
from renamed_captures import NAMES, renamed

from rig.core import visible

COMMANDS = ("\x1b", "\x07", "\x9b", "\u202e")


@pytest.fixture(scope="module")
def shelf(tmp_path_factory) -> Path:
    """A folder of captures, one under each name, each piece in one of two batches, by two operators."""
    folder = tmp_path_factory.mktemp("names") / "captures"
    for number, name in enumerate(NAMES):
        batch = ("[red]spring[/]", "$autumn_{")[number % 2]
        renamed(folder, name, batch=batch, operator=name[:40], notes=name)
    return folder


def clean(said) -> str:
    assert not [sign for sign in COMMANDS if sign in said.out + said.err]
    assert "Traceback" not in said.err
    return said.out


def test_a_listing_shows_every_name(in_process, shelf):
    output = clean(in_process("captures", shelf))
    for name in NAMES[:-1]:
        assert f" {visible(name)} " in output
    listed = json.loads(clean(in_process("captures", shelf, "--json")))["captures"]
    assert {entry["specimen"] for entry in listed} == set(NAMES)


def test_a_terminal_gets_no_command_of_a_name(tmp_path, shelf):
    ours, theirs = pty.openpty()
    wide = environment(tmp_path) | {"COLUMNS": "300", "TERM": "xterm"}
    with subprocess.Popen([PRESSRIG, "captures", shelf], stdout=theirs, stderr=theirs, env=wide) as process:
        os.close(theirs)
        seen = b""
        while select.select([ours], [], [], PATIENCE_S)[0]:
            try:
                seen += os.read(ours, 65536)
            except OSError:  # the other end is closed
                break
    os.close(ours)
    assert process.returncode == 0
    text = seen.decode()
    assert "\\x1b[31mred\\x1b]0;title\\x07" in text
    assert "a\\u202etfel" in text
    # What is left are the colours and styles of the table itself.
    assert set(re.findall(r"\x1b(.)", text)) <= {"["}
    assert not re.search(r"\x1b\[(?![0-9;]*m)", text)
    assert "\x1b[31m" not in text


def test_each_capture_is_shown_and_measured(in_process, shelf, tmp_path):
    paths = sorted(path for path in shelf.iterdir() if path.name != ".results")
    for path in paths:
        clean(in_process("show", path))
    output = clean(in_process("analyse", *paths[:5], "--out", tmp_path / "plots"))
    assert "=1+1, batch [red]spring[/]" in output


def test_a_damaged_capture_spoils_no_listing(in_process, tmp_path, shelf):
    folder = tmp_path / "captures"
    good = renamed(folder, "good")
    bad = {
        name: folder / name for name in ("fifo", "loop", "list", "bomb", "zero", "folder", "empty", "last")
    }
    for path in bad.values():
        path.mkdir()
    os.mkfifo(bad["fifo"] / "capture.yaml")
    (bad["loop"] / "capture.yaml").symlink_to(bad["loop"] / "capture.yaml")
    (bad["loop"] / "samples-0001.arrow").symlink_to(bad["loop"] / "samples-0001.arrow")
    (bad["list"] / "capture.yaml").write_text("- a\n")
    (bad["bomb"] / "capture.yaml").write_text(
        "a: &a [x]\n" + "".join(f"b{n}: &b{n} [{'*a, ' * 50}]\n" for n in range(9))
    )
    (bad["zero"] / "capture.yaml").write_bytes(b"specimen: \0\n")
    (bad["folder"] / "capture.yaml").mkdir()
    (bad["empty"] / "capture.yaml").touch()
    (bad["last"] / "samples-999999999.arrow").touch()
    listed = json.loads(clean(in_process("captures", folder, "--json")))["captures"]
    assert [entry["specimen"] for entry in listed if entry["problem"] is None] == ["good"]
    assert {Path(entry["path"]).name for entry in listed} == {good.name, *bad}
    for path in bad.values():
        clean(in_process("show", path, code=2))
        clean(in_process("analyse", path, code=2))


@pytest.mark.parametrize(
    "spoil", ["last of a billion", "pipe", "folder", "loop", "empty", "text pipes", "text loops"]
)
def test_a_capture_with_a_spoilt_file_is_read_as_far_as_it_goes(in_process, tmp_path, spoil):
    path = renamed(tmp_path, "F-90-001")
    more = path / "samples-0002.arrow"
    match spoil:
        case "last of a billion":
            (path / "end.yaml").unlink()
            (path / "samples-999999999.arrow").touch()
        case "pipe":
            os.mkfifo(more)
        case "folder":
            more.mkdir()
        case "loop":
            more.symlink_to(more)
        case "empty":
            more.touch()
        case _:
            (path / "events.jsonl").unlink()
            if spoil == "text pipes":
                os.mkfifo(path / "events.jsonl")
                os.mkfifo(path / "summary.jsonl")
            else:
                (path / "events.jsonl").symlink_to(path / "events.jsonl")
    # A file without a sample is what a recorder leaves that was killed at once: no damage.
    said = in_process("show", path, code=0 if spoil == "empty" else 1)
    assert "6223" in said.out
    clean(said)


def test_reports_of_many_names_show_them_all(in_process, shelf, tmp_path):
    captures = sorted(shelf.iterdir())
    clean(in_process("sheet", shelf, "--out", tmp_path / "sheet", "--title", "[bold]$x_{ \x1b[31m"))
    clean(in_process("compare", *captures, "--out", tmp_path / "compare"))
    clean(
        in_process(
            "nip",
            *captures,
            "--force",
            "80 N",
            "--wheel",
            "radius 100 mm",
            "--friction",
            "0.6",
            "--out",
            tmp_path / "nip",
        )
    )
    for page in tmp_path.glob("*/*.html"):
        text = page.read_text(encoding="utf-8")
        assert not [sign for sign in COMMANDS if sign in text]
        root = html5lib.parse(text, namespaceHTMLElements=False)
        scripts = ["".join(script.itertext()) for script in root.findall(".//script")]
        # the calculator of a sheet: its data, which must still be one document, and its program
        program = (files("rig.sheets") / "calculator.js").read_text(encoding="utf-8")
        others = [text for text in scripts if text != program]
        assert all(json.loads(text)["groups"] for text in others)
        assert len(scripts) == (2 if page.name == "sheet.html" else 0)
    names = {visible(name) for name in NAMES}
    root = html5lib.parse(
        (tmp_path / "sheet" / "sheet.html").read_text(encoding="utf-8"), namespaceHTMLElements=False
    )
    assert names <= {"".join(cell.itertext()) for cell in root.iter() if cell.tag in ("td", "th")}
    for table in tmp_path.glob("*/*.csv"):
        for row in csv.reader(table.read_text(encoding="utf-8").splitlines()):
            for cell in row:
                assert not re.match(r"[=@]|[+-](?!\d|\.|nan|inf)", cell), (table, cell)


def test_an_error_that_nobody_foresaw_has_a_code_and_a_sentence_of_its_own(in_process, monkeypatch, tmp_path):
    def broken(folder, **how):
        raise KeyError("no such\x1b[31m thing")

    monkeypatch.setattr("rig.cli.captures.archive_table", broken)
    said = in_process("captures", tmp_path, code=70)
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert "Please report it" in said.err
    assert "Traceback" not in said.err
    (details,) = tmp_path.rglob("unforeseen-errors.log")
    assert str(details) in said.err
    text = details.read_text(encoding="utf-8")
    assert "Traceback" in text
    assert "KeyError" in text
    assert "\x1b" not in text
