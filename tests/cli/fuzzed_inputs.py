"""Wrong inputs for all commands, made from the examples by a seed, and a process that tries them.

Problem: a command takes files that nobody has seen; starting it five hundred times costs minutes.
Plan: a case is a command line and the files it names, spoilt in ways that have broken such programs before or
at random. A forked process with the libraries loaded tries a batch; each case has ten seconds of processor
time, and the growth of memory is looked at after each. Cost: some 60 ms for a case.
"""

from __future__ import annotations

import contextlib
import io
import itertools
import json
import multiprocessing
import os
import random
import resource
import secrets
import shutil
import signal
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from command_line import ROOT
from warm_commands import LOADED

CONFIGS = ROOT / "configs"

MOST_CPU_S = 10.0
"""Of processor time for one case: on a busy machine too, what takes longer hangs."""

MOST_S = 100.0
"""Of a case that waits instead, for example for a pipe."""

MOST_GROWTH_KB = 500 << 10

TOKENS = (
    '!!int ""',
    "!!timestamp foo",
    "!!python/object:os.system {}",
    "!!binary aGk=",
    "&a [*a]",
    "*nothing",
    ".inf",
    "-.inf",
    ".nan",
    "nan",
    "1e999",
    "-1",
    "0",
    "-0.0",
    "1e-320",
    "9" * 30,
    "9" * 5000,
    "0x" + "f" * 5000,
    "'",
    '"',
    "[",
    "{",
    "- ",
    "[" * 3000,
    "{a: " * 3000,
    '"\\ud800"',
    '"\\0"',
    "\0",
    "\x1b[31m",
    "\u202e",
    "[/x]",
    "$x_{",
    "=1+1",
    "~",
    "null",
    "yes",
    "2026-99-99",
    "1:30",
    "<<: *a",
    "? [a]",
    "#",
    "|",
    ">",
    "%YAML 9.9",
    "---",
    "...",
    "\t",
    "\r",
    ",",
    ";",
    ";;;;",
    "'" * 99,
    "x" * 70_000,
    "\ufeff",
    "é",
    "\xff",
    "none",
    "N",
    "3 N",
    "3 parsec",
    "1/0 N",
    "3 N +- -1 N",
    "1e400 mm",
    "()",
    "2**99999 N",
)
"""What has broken readers of text: of YAML, JSON, tables, numbers, units, terminals and plots."""

PLAIN = (
    "",
    "''",
    "[]",
    "{}",
    "~",
    "yes",
    "-1",
    "0",
    "1",
    "1e-320",
    "1e308",
    ".inf",
    ".nan",
    "nan",
    "18446744073709551615",
    "[1, 2]",
    "{a: 1}",
    "3 N",
    "-3 N",
    "0 mm",
    "1e300 mm",
    "90 mm",
    "5 mm/s",
    "200 %",
    "10 s",
    "text",
    "[/x]",
    "2026-03-14",
    "0.5 1",
    "a b",
)
"""Values that break no syntax: what comes after the reader meets them."""

QUANTITIES = (
    "3 N",
    "90 mm",
    "0.6 +- 0.1",
    "620 g +- 1 g",
    "1.2 m",
    "25%",
    "10%,5 mm",
    "2 s",
    "0.02 %",
    "9.81 m/s^2",
)


@dataclass(frozen=True)
class Case:
    """Words of a command line; the files that they name lie in the folder already."""

    words: tuple[str, ...]


def spoilt_text(text: str, rng: random.Random) -> bytes:
    """A text with one to three things wrong with it."""
    lines = text.split("\n")
    if rng.random() < 0.5:
        at = rng.randrange(len(lines))
        cells = lines[at].split(",")
        place = rng.randrange(len(cells))
        head, sign, _ = cells[place].rpartition(":")
        cells[place] = f"{head}{sign}{' ' if sign else ''}{rng.choice(PLAIN)}"
        lines[at] = ",".join(cells)
        return "\n".join(lines).encode()
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(lines))
        token = rng.choice(TOKENS)
        match rng.randrange(9):
            case 0:  # another value behind the key, or in the cell
                head, sign, _ = lines[at].partition(":" if ":" in lines[at] else ",")
                lines[at] = f"{head}{sign} {token}"
            case 1:
                lines.insert(at, token)
            case 2:
                lines.insert(at, lines[at])
            case 3:
                del lines[at:]
                lines.append("")
            case 4:
                lines[at] = lines[at][: rng.randrange(len(lines[at]) + 1)]
            case 5:
                lines[at] = "  " * rng.randint(1, 400) + lines[at]
            case 6:
                cells = lines[at].split(",")
                cells[rng.randrange(len(cells))] = token
                lines[at] = ",".join(cells)
            case 7:
                lines[at] = lines[at].replace(":", rng.choice((": -", ": [", ": {", "::", " ")), 1)
            case _:
                place = rng.randrange(len(lines[at]) + 1)
                lines[at] = lines[at][:place] + token + lines[at][place:]
    return (
        spoilt_bytes("\n".join(lines).encode(errors="replace"), rng)
        if rng.random() < 0.1
        else "\n".join(lines).encode()
    )


def spoilt_bytes(data: bytes, rng: random.Random) -> bytes:
    """Bytes that were overwritten, cut, zeroed, doubled or emptied somewhere."""
    spoilt = bytearray(data or b"\0")
    for _ in range(rng.randint(1, 4)):
        first = rng.randrange(max(len(spoilt), 1))
        length = rng.choice((1, 1, 2, 8, 64, 4096))
        match rng.randrange(5):
            case 0:
                spoilt[first : first + length] = rng.randbytes(length)
            case 1:
                spoilt[first : first + length] = bytes(length)
            case 2:
                del spoilt[first:]
            case 3:
                spoilt[first:first] = spoilt[first : first + length]
            case _:
                spoilt[first : first + length] = b"\xff" * length
    return bytes(spoilt)


def short_capture(parent: Path) -> Path:
    """The first two presses of the example capture, as a whole capture of its own."""
    from rig.capture import CaptureWriter, open_capture

    example = open_capture(ROOT / "captures" / "example-F-90-001")
    with CaptureWriter.create(parent, replace(example.header, id=secrets.token_hex(16))) as writer:
        writer.append(example.samples()[:2600])
    return writer.path


class Maker:
    """Makes the cases of a seed in a folder.

    Parameters
    ----------
    folder
        Where the files of a case are put; the next case writes over them.
    seed
        Of everything that is drawn.
    """

    def __init__(self, folder: Path, seed: int) -> None:
        self._folder = folder
        self._rng = random.Random(seed)
        self._whole = short_capture(folder / "whole")
        study = folder / "study.json"
        study.write_text(
            json.dumps({"study": {"quantity": "secant", "pieces": 10, "shares": [{"source": "repeats"}]}})
        )
        self._study = study

    def case(self) -> Case:
        """The next one."""
        kinds: tuple[Callable[[], tuple[Any, ...]], ...] = (
            self._rig_file,
            self._calibration,
            self._method,
            self._plan,
            self._table,
            self._readings,
            self._pieces,
            self._document,
            self._options,
            self._capture,
            self._capture,
            self._capture,
            self._names,
        )
        return Case(tuple(str(word) for word in self._rng.choice(kinds)()))

    def _spoilt(self, example: Path, name: str) -> Path:
        path = self._folder / name
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        path.unlink(missing_ok=True)
        match self._rng.randrange(40):
            case 0:
                os.mkfifo(path)
            case 1:
                path.mkdir()
            case 2:
                path.symlink_to(path)
            case 3:
                path.touch()
            case 4:
                path.write_bytes(spoilt_bytes(example.read_bytes(), self._rng))
            case _:
                path.write_bytes(spoilt_text(example.read_text(encoding="utf-8"), self._rng))
        return path

    def _any(self, folder: str, pattern: str = "*.yaml") -> Path:
        return self._rng.choice(sorted((CONFIGS / folder).glob(pattern)))

    def _rig_file(self) -> tuple[Any, ...]:
        rig = self._spoilt(self._any("rigs"), "rig.yaml")
        return self._rng.choice(
            (
                (
                    "run",
                    self._any("methods"),
                    "--rig",
                    rig,
                    "--specimen",
                    "F-90-001",
                    "--free-height",
                    "90 mm",
                    "--check-only",
                ),
                (
                    "record",
                    "--rig",
                    rig,
                    "--specimen",
                    "F-90-001",
                    "--seconds",
                    "0.1",
                    "--port",
                    "/dev/null/none",
                ),
                ("status", "--rig", rig),
                ("analyse", self._whole, "--rig", rig),
            )
        )

    def _calibration(self) -> tuple[Any, ...]:
        return (
            "analyse",
            self._whole,
            "--calibration",
            self._spoilt(CONFIGS / "calibrations/example.yaml", "c.yaml"),
        )

    def _method(self) -> tuple[Any, ...]:
        method = self._spoilt(self._any("methods"), "method.yaml")
        rig = CONFIGS / "rigs/virtual.yaml"
        return (
            "run",
            method,
            "--rig",
            rig,
            "--specimen",
            "F-90-001",
            "--free-height",
            "90 mm",
            "--check-only",
        )

    def _plan(self) -> tuple[Any, ...]:
        plan = self._spoilt(self._any("endurance"), "plan.yaml")
        rig = CONFIGS / "rigs/virtual.yaml"
        return (
            "endure",
            plan,
            "--rig",
            rig,
            "--specimen",
            "F-90-001",
            "--free-height",
            "90 mm",
            "--check-only",
        )

    def _table(self) -> tuple[Any, ...]:
        table = self._spoilt(self._any("studies", "*.csv"), "table.csv")
        return self._rng.choice(
            (
                ("study", table),
                ("compare", "--table", table),
                ("study", table, "--json"),
                (
                    "nip",
                    "--curves",
                    table,
                    "--force",
                    "80 N",
                    "--wheel",
                    "radius 100 mm",
                    "--friction",
                    "0.6",
                ),
                ("import", table, "--specimen", "F-90-001", "--out", self._folder / "imported"),
            )
        )

    def _readings(self) -> tuple[Any, ...]:
        readings = self._spoilt(self._any("calibrations", "*.csv"), "readings.csv")
        return self._rng.choice(
            (
                ("calibrate", "force", readings, "--gravity", "9.81 m/s^2"),
                ("calibrate", "position", readings),
                ("verify", "force", readings, "--rig", CONFIGS / "rigs/bench.yaml"),
                (
                    "import",
                    readings,
                    "--force",
                    "#1:N",
                    "--position",
                    "#2:mm",
                    "--out",
                    self._folder / "imported",
                ),
            )
        )

    def _pieces(self) -> tuple[Any, ...]:
        register = self._folder / "pieces.sqlite"
        if self._rng.random() < 0.2:
            register = self._folder / "spoilt.sqlite"
            register.write_bytes(self._rng.randbytes(200))
        table = self._spoilt(self._any("specimens", "*.csv"), "pieces.csv")
        size = ("specimens", "size", "--table", table, "--register", register)
        return self._rng.choice((("specimens", "import", table, "--register", register), size))

    def _document(self) -> tuple[Any, ...]:
        document = self._spoilt(self._study, "document.json")
        two = self._any("studies", "two_batches.csv")
        height = ("specimens", "size", "--height", document, "--register", self._folder / "pieces.sqlite")
        return self._rng.choice((("compare", "--table", two, "--gauge", document), height))

    def _options(self) -> tuple[Any, ...]:
        def said() -> str:
            value = self._rng.choice(QUANTITIES)
            token = self._rng.choice(TOKENS).replace("\0", "")[:2000]
            return self._rng.choice((value, token, value.replace(" ", token[:8], 1), value + token[:20], ""))

        lift = (
            "lift",
            "--near",
            said(),
            "--far",
            said(),
            "--span",
            said(),
            "--grip-at",
            said(),
            "--angle",
            said(),
        )
        nip = (
            "nip",
            self._whole,
            "--force",
            said(),
            "--wheel",
            f"radius {said()}",
            "--friction",
            said(),
            "--size",
            said(),
        )
        analyse = ("analyse", self._whole, "--at", said(), "--contact-force", said(), "--free-height", said())
        weigh = ("weigh", f"F-90-001={said()}", "--register", self._folder / "pieces.sqlite", "--print-only")
        show = ("show", said())
        return self._rng.choice(
            (lift, nip, analyse, weigh, show, ("export", self._whole, "--to", said() + ".csv"))
        )

    def _capture(self) -> tuple[Any, ...]:
        """A whole capture with one or two of its files spoilt."""
        shelf = self._folder / "shelf"
        shutil.rmtree(shelf, ignore_errors=True)
        path = shelf / "capture"
        shutil.copytree(self._whole, path)
        for name in self._rng.sample(
            ("capture.yaml", "end.yaml", "events.jsonl", "samples-0001.arrow", "summary.jsonl"), 2
        ):
            spoilt = path / name
            whole = spoilt.read_bytes() if spoilt.exists() else b'{"kind": "started"}\n'
            spoilt.unlink(missing_ok=True)
            match self._rng.randrange(12):
                case 0:
                    os.mkfifo(spoilt)
                case 1:
                    spoilt.mkdir()
                case 2:
                    spoilt.symlink_to(spoilt)
                case 3:
                    pass  # gone
                case 4:
                    spoilt.write_bytes(whole)
                    (path / f"samples-{self._rng.randint(1, 999_999_999):04d}.arrow").write_bytes(whole)
                case _ if name.endswith((".yaml", ".jsonl")) and self._rng.random() < 0.7:
                    spoilt.write_bytes(spoilt_text(whole.decode(), self._rng))
                case _:
                    spoilt.write_bytes(spoilt_bytes(whole, self._rng))
        exported = self._folder / "samples.csv"
        exported.unlink(missing_ok=True)
        return self._rng.choice(
            (
                ("captures", shelf),
                ("captures", shelf, "--json"),
                ("show", path),
                ("show", path, "--json"),
                ("analyse", path),
                ("analyse", path, "--json"),
                ("export", path, "--to", exported),
                ("report", path),
                ("pull", path),
                ("calibrate", "delay", path),
                ("height", "--piece", path, "--bare", path),
                ("study", path),
                ("compare", path),
                ("specimens", "link", path, "--register", self._folder / "pieces.sqlite"),
                ("endure", path, "--take-up"),
                ("verify", "piece", path, "--rig", CONFIGS / "rigs/bench.yaml"),
            )
        )

    def _names(self) -> tuple[Any, ...]:
        """Names of files and folders that are none, and words that no command knows."""
        token = self._rng.choice(TOKENS).replace("\0", "")[:300]
        command = self._rng.choice(
            ("captures", "show", "analyse", "sheet", "compare", "study", "pull", "halt", token)
        )
        return (command, token)


class Hung(BaseException):
    """A case took too long."""


def _hung(number: int, frame: object) -> None:
    raise Hung(f"signal {number}")


def _try(case: Case) -> tuple[int | str, str]:
    """Exit code of a case, or what went wrong, and what it said on standard error."""
    from rig.cli.main import main

    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8") for _ in range(2))
    sys.argv = ["pressrig", *case.words]
    code: int | str = "ended without an exit code"
    signal.setitimer(signal.ITIMER_PROF, MOST_CPU_S)
    signal.setitimer(signal.ITIMER_REAL, MOST_S)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 0 if end.code is None else str(end.code)
    except BaseException as problem:
        code = repr(problem)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
    err.flush()
    return code, err.buffer.getvalue().decode()  # type: ignore[attr-defined]


def try_batch(folder: str, seed: int, count: int, report: str) -> None:
    """In a process of its own: try the cases of a seed and write down what became of each that failed."""
    os.chdir(folder)
    for name in ("HOME", "XDG_STATE_HOME", "XDG_RUNTIME_DIR"):
        os.environ[name] = folder
    signal.signal(signal.SIGPROF, _hung)
    signal.signal(signal.SIGALRM, _hung)
    maker = Maker(Path(folder), seed)
    _try(Case(("analyse", str(maker._whole))))  # what is loaded now is not the growth of a case
    with Path(report).open("w", encoding="utf-8") as file:
        for number in range(count):
            case = maker.case()
            print(
                json.dumps({"number": number, "words": [word[:200] for word in case.words]}),
                file=file,
                flush=True,
            )
            before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            code, said = _try(case)
            grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb
            good = code in (0, 1, 2, 3) and "Traceback" not in said and "\x1b" not in said
            good = good and (code in (0, 1) or said.strip() != "") and grown_kb < MOST_GROWTH_KB
            if not good:
                print(
                    json.dumps({"code": code, "said": said[-1500:], "grown_kb": grown_kb}),
                    file=file,
                    flush=True,
                )
        print("done", file=file)


def failures(folder: Path, seed: int, count: int) -> list[str]:
    """What went wrong in a batch, with its case; also that the process died or hung in the middle of one."""
    report = folder / "report.jsonl"
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([*LOADED, __name__])
    process = context.Process(target=try_batch, args=(str(folder), seed, count, str(report)))
    process.start()
    process.join(count * MOST_S)
    if process.exitcode is None:
        process.kill()
        process.join()
    lines = report.read_text(encoding="utf-8").splitlines() if report.exists() else ["nothing was tried"]
    wrong = [f"{before} -> {line}" for before, line in itertools.pairwise(lines) if '"code"' in line[:8]]
    return wrong if lines[-1] == "done" else [*wrong, f"died with {process.exitcode} in {lines[-1]}"]
