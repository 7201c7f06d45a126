"""Captures that several tests look at."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from command_line import FAST, LINES, analysed, done, environment, rig_file, simulated
from loguru import logger

from rig.cli import main

ON_PTYS = ["test_cli_record.py", "test_cli_simulate.py", "test_cli_demo.py"]
collect_ignore = [] if os.name == "posix" else ON_PTYS


class Said(NamedTuple):
    """What a command wrote."""

    out: str
    err: str


@pytest.fixture
def in_process(tmp_path, monkeypatch, capsys) -> Iterator[Callable[..., Said]]:
    """What a command says, run in this process since there are many of them; it must end with the code."""
    monkeypatch.chdir(tmp_path)
    for name, value in environment(tmp_path).items():
        monkeypatch.setenv(name, value)

    def run(*arguments: object, code: int = 0) -> Said:
        monkeypatch.setattr(sys, "argv", ["pressrig", *map(str, arguments)])
        with pytest.raises(SystemExit) as end:
            main()
        said = Said(*capsys.readouterr())
        assert (end.value.code or 0) == code, said
        return said

    yield run
    logger.remove()  # it writes to the captured standard error, which is gone after the test


@pytest.fixture
def refused(in_process) -> Callable[..., str]:
    """What the command says that is refused."""
    return lambda code, *arguments: in_process(*arguments, code=code).err


@pytest.fixture(scope="session")
def framed(tmp_path_factory) -> tuple[Path, Path]:
    """A spring squeezed three times, recorded from frames: its capture, and the file of its truth."""
    if os.name != "posix":
        pytest.skip("needs a pseudo-terminal")
    home = tmp_path_factory.mktemp("framed")
    truth = home / "truth.json"
    with simulated(home, "--specimen", "spring", "--cycles", 3, "--truth", truth, *FAST) as link:
        output = done(
            home, "record", "--rig", rig_file(home), "--port", link, "--specimen", "K1", "--batch", "spring",
            "--free-height", "60 mm", "--cycles", 3, "--out", home / "captures", afresh=True,
        )  # fmt: skip
    return Path(output.splitlines()[-1]), truth


@pytest.fixture(scope="session")
def document(framed) -> dict[str, Any]:
    """What `analyse --json` says of the capture from frames."""
    capture, _ = framed
    return analysed(capture.parent, capture, afresh=True)


@pytest.fixture(scope="session")
def lines(tmp_path_factory) -> Path:
    """A spring squeezed three times, recorded from lines of text."""
    if os.name != "posix":
        pytest.skip("needs a pseudo-terminal")
    home = tmp_path_factory.mktemp("lines")
    with simulated(home, "--specimen", "spring", "--cycles", 3, "--format", "lines", *FAST) as link:
        output = done(
            home, "record", "--rig", rig_file(home, LINES), "--port", link, "--specimen", "K1",
            "--cycles", 3, "--out", home / "captures",
        )  # fmt: skip
    return Path(output.splitlines()[-1])
