"""What the documents say is true: their commands parse, their rig files read, their examples come out."""

from __future__ import annotations

import json
import re
import shlex
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.textpath import TextPath

from rig.capture import open_capture
from rig.cli import main
from rig.rigfile import read_rig_file
from rig.samples import RawChannel, Samples
from rig.wire import (
    Abilities,
    Accepts,
    Arm,
    AskState,
    Capability,
    Channel,
    ClearStop,
    Cycle,
    Describe,
    Disarm,
    Event,
    EventCode,
    FrameDecoder,
    Halt,
    Heartbeat,
    Home,
    Identify,
    Identity,
    Limits,
    LineDecoder,
    LineFormat,
    Message,
    MoveTo,
    PressUntil,
    Readings,
    ReleaseCurrent,
    Reply,
    ReplyResult,
    SampleBlock,
    State,
    StateFlag,
    StreamAt,
    Switch,
    encode_frame,
    encode_samples,
)

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
NOTES = ROOT / "firmware_notes"
EXAMPLE = ROOT / "captures" / "example-F-90-001"
GUIDES = ROOT / "rig" / "guides"
DOCUMENTS = sorted(
    [*ROOT.glob("*.md"), *NOTES.glob("*.md"), *GUIDES.glob("*.md"), ROOT / "captures" / "README.md"]
)

Run = Callable[..., tuple[int, str]]


@dataclass(frozen=True, slots=True)
class Block:
    """A fenced block of a document."""

    document: Path
    line: int
    language: str
    text: str

    def __str__(self) -> str:
        return f"{self.document.relative_to(ROOT)}:{self.line}"


def blocks(language: str, *documents: Path) -> list[Block]:
    return [
        block
        for document in documents or DOCUMENTS
        for block in _blocks(document)
        if block.language == language
    ]


def _blocks(document: Path) -> Iterator[Block]:
    text = document.read_text(encoding="utf-8")
    fence = re.compile(r"^(?P<indent> *)```(?P<language>\w+)\n(?P<text>.*?)^(?P=indent)```$", re.M | re.S)
    for match in fence.finditer(text):
        lines = match["text"].splitlines()
        inside = "\n".join(line.removeprefix(match["indent"]) for line in lines) + "\n"
        yield Block(document, text.count("\n", 0, match.start()) + 1, match["language"], inside)


def commands(document: Path) -> list[list[str]]:
    lines = [line for block in blocks("sh", document) for line in block.text.splitlines()]
    return [shlex.split(line) for line in lines if line.startswith("pressrig ")]


def rows(document: Path, first_cell: str) -> list[list[str]]:
    """Cells of the table rows whose first cell matches a pattern."""
    lines = [line for line in document.read_text(encoding="utf-8").splitlines() if line.startswith("|")]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    return [row for row in cells if re.fullmatch(first_cell, row[0])]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Run a command line in an empty folder that holds the example capture; exit code and output."""
    (tmp_path / "captures").mkdir()
    (tmp_path / "captures" / EXAMPLE.name).symlink_to(EXAMPLE)
    monkeypatch.chdir(tmp_path)

    def call(*words: str) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", list(words))
        with pytest.raises(SystemExit) as ended:
            main()
        return int(ended.value.code or 0), capsys.readouterr().out

    return call


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_links_lead_to_files(document: Path) -> None:
    targets = re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", document.read_text(encoding="utf-8"))
    assert [target for target in targets if not (document.parent / target).exists()] == []


@pytest.mark.parametrize(
    "words",
    [words for document in DOCUMENTS for words in commands(document)],
    ids=lambda words: " ".join(words)[:60],
)
def test_commands_of_the_documents_are_understood(words: list[str], run: Run) -> None:
    # A request for help is served only after all other options have been understood.
    assert run(*words, "--help")[0] == 0


def test_an_option_that_does_not_exist_is_not_understood(run: Run) -> None:
    assert run("pressrig", "analyse", "some", "--no-such-option", "--help")[0] == 2


@pytest.mark.parametrize("block", blocks("yaml"), ids=str)
def test_rig_files_of_the_documents_are_valid(block: Block, tmp_path: Path) -> None:
    path = tmp_path / "my-rig.yaml"
    path.write_text(block.text, encoding="utf-8")
    assert read_rig_file(path).port is not None


@pytest.mark.parametrize("block", blocks("python"), ids=str)
def test_python_of_the_documents_runs(
    block: Block, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    exec(compile(block.text, str(block), "exec"), {})
    assert capsys.readouterr().out


def test_the_hand_read_table_of_the_guide_is_imported_and_measured(run: Run, tmp_path: Path) -> None:
    (table,) = blocks("csv", GUIDES / "import.md")
    (tmp_path / "readings.csv").write_text(table.text, encoding="utf-8")
    (words,) = [words for words in commands(GUIDES / "import.md") if words[1] == "import"]
    code, output = run(*words)
    assert code == 0
    code, output = run("pressrig", "analyse", output.splitlines()[-1], "--json")
    assert code == 0
    (cycle,) = json.loads(output)["captures"][0]["cycles"]
    # The last row of the table, read by eye: 46.9 N at 30 mm.
    assert cycle["peak_force_n"] == pytest.approx(46.9, abs=0.05)
    assert cycle["peak_deflection_mm"] == pytest.approx(30, abs=0.01)
    assert cycle["rate_mm_per_s"] is None


def test_the_analysis_of_the_guide_gives_numbers_tables_and_plots(run: Run, tmp_path: Path) -> None:
    (words,) = [words for words in commands(GUIDES / "recording.md") if words[1] == "analyse"]
    assert run(*words)[0] == 0
    kinds = {path.suffix for path in (tmp_path / "results").iterdir()}
    assert kinds == {".csv", ".png"}


def test_every_name_in_the_guides_table_of_numbers_is_in_the_document(run: Run) -> None:
    section = (GUIDES / "numbers.md").read_text(encoding="utf-8")
    first_cells = [line.split("|")[1] for line in section.splitlines() if line.startswith("| `")]
    named = {name for cell in first_cells for name in re.findall(r"`([a-z_0-9]+)`", cell)}
    _, output = run("pressrig", "analyse", f"captures/{EXAMPLE.name}", "--json")
    document = json.loads(output)["captures"][0]
    given = {*document, *document["cycles"][0], *document["cycles"][0]["at"][0]}
    assert len(named) > 20
    assert named <= given


def test_the_example_capture_is_whole_small_and_unflagged(run: Run) -> None:
    capture = open_capture(EXAMPLE)
    assert capture.damage == ()
    assert capture.ending is not None
    assert sum(path.stat().st_size for path in EXAMPLE.iterdir()) < 400_000
    _, output = run("pressrig", "analyse", f"captures/{EXAMPLE.name}", "--json")
    cycles = json.loads(output)["captures"][0]["cycles"]
    assert [cycle["flags"] for cycle in cycles] == [[], [], [], []]
    # The platen was sent 38 mm past the first contact; later contacts come later.
    deepest = [cycle["contact_mm"] + cycle["peak_deflection_mm"] for cycle in cycles]
    assert deepest == pytest.approx([cycles[0]["contact_mm"] + 38] * 4, abs=0.05)


# ---- firmware_notes/bring_your_own.md


def lines_of_example(number: int, tmp_path: Path) -> tuple[LineFormat, SampleBlock, LineDecoder, Path]:
    document = NOTES / "bring_your_own.md"
    path = tmp_path / "my-rig.yaml"
    path.write_text(blocks("yaml", document)[number].text, encoding="utf-8")
    wire = read_rig_file(path).wire
    assert isinstance(wire, LineFormat)
    decoder = LineDecoder(wire)
    decoded = decoder.feed(blocks("text", document)[number].text.encode("ascii"))
    return wire, decoded.samples, decoder, path


# From the printed line and the sizes of a count in the text, by hand. Grams: 12.5 g x 9.80665 m/s^2.
SECOND_LINES = [
    (0, 0.0008 * (18307 - 18200), 427 * 0.005),
    (1, 0.0125 * 9.80665, 0.0215 * 25.4),
    (2, -20e-6 * (249412 - 249900), 90418 * 0.002),
]


@pytest.mark.parametrize(("number", "force_n", "position_mm"), SECOND_LINES)
def test_lines_of_existing_firmware_are_read_with_their_rig_files(
    number: int, force_n: float, position_mm: float, tmp_path: Path
) -> None:
    wire, block, decoder, path = lines_of_example(number, tmp_path)
    assert decoder.tally.rejected == 0
    calibration = read_rig_file(path).calibration
    numbers = np.arange(len(block), dtype=np.int64)
    force, position = RawChannel(wire.force_unit), RawChannel(wire.position_unit)
    samples = Samples(numbers, numbers.copy(), block.force, block.position, block.status, force, position)
    assert calibration.force_n(samples)[1] == pytest.approx(force_n, rel=1e-12)
    assert calibration.position_mm(samples)[1] == pytest.approx(position_mm, rel=1e-12)


# ---- firmware_notes/protocol.md

PROTOCOL = NOTES / "protocol.md"


def hexadecimal(label: str) -> list[bytes]:
    text = "".join(block.text for block in blocks("text", PROTOCOL))
    return [bytes.fromhex(found) for found in re.findall(rf"^{label} +([0-9a-f ]+)$", text, re.M)]


def test_the_worked_sample_is_what_the_encoder_sends() -> None:
    block = SampleBlock(
        np.array([258]),
        np.array([1_000_000]),
        np.array([1500], np.int32),
        np.array([4000], np.int32),
        np.array([0x40], np.uint8),
    )
    assert hexadecimal("on the wire") == [encode_samples(block)]


def test_the_worked_sample_is_put_together_from_its_parts() -> None:
    parts = ("type", "status", "seq", "time_us", "force", "position", "check sum")
    payload = b"".join(part for label in parts for part in hexadecimal(label))
    (frame,) = hexadecimal("on the wire")
    # COBS by its definition: each code byte counts the bytes up to the next zero of the payload.
    runs = payload.split(b"\x00")
    assert frame == b"".join(bytes([len(run) + 1]) + run for run in runs) + b"\x00"


def test_the_worked_conversation_is_what_the_decoder_understands() -> None:
    frames = hexadecimal("host to device") + hexadecimal("device to host")
    messages = [placed.message for placed in FrameDecoder().feed(b"".join(frames)).messages]
    assert messages == [StreamAt(7, 500_000), Reply(ReplyResult.ACCEPTED, 7, 500_000)]


def test_the_worked_motion_is_what_the_encoder_sends() -> None:
    sent = [
        MoveTo(9, 4000, 800),
        Reply(ReplyResult.ACCEPTED, 9, 0),
        Event(EventCode.FINISHED, 9, 2_000_000, 4000),
    ]
    labels = ("order", "its reply", "its event")
    assert [hexadecimal(label) for label in labels] == [[encode_frame(message)] for message in sent]


MESSAGES: dict[int, Message] = {
    0x02: Identity(1, 0, 0, Capability(0), 0, 0, bytes(8), ""),
    0x03: Event(EventCode.BOOT, 0, 0, 0),
    0x04: Reply(ReplyResult.ACCEPTED, 1, 0),
    0x06: State(0, StateFlag(0), 0, 0, 0, 0, 0, 0, 0, 0, Switch.HOME, Switch.HOME),
    0x08: Abilities(0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, channels=1),
    0x09: Channel(1, 0, bytes(8), 0, 0, 0, ""),
    0x0A: Readings(0, 1, (0,)),
    0x40: Identify(1),
    0x41: StreamAt(1, 0, Accepts.BLOCKS),
    0x42: Heartbeat(1),
    0x43: Arm(1),
    0x44: Disarm(1),
    0x45: MoveTo(1, 0, 0),
    0x46: PressUntil(1, 0, 0, 0),
    0x47: Halt(1),
    0x48: Limits(1, 0, 0, 0, 0),
    0x49: Home(1, 0),
    0x4A: Cycle(1, 0, 0, 0, 0, 0, 0),
    0x4B: ClearStop(1),
    0x4C: AskState(1),
    0x4D: Describe(1, channel=1),
    0x4E: ReleaseCurrent(1),
}
SMALLEST_SAMPLES = {0x01: 16, 0x07: 19}
"""Payloads of a sample, and of a block with one sample in it."""

FRAMING_BYTES = 4
"""Check sum, COBS's first code byte and the zero at the end."""


@pytest.mark.parametrize("row", rows(PROTOCOL, r"0x[0-9A-F]{2}"), ids=lambda row: row[0])
def test_layouts_in_the_tables_have_the_size_that_is_sent(row: list[str]) -> None:
    kind, body = int(row[0], 16), row[2]
    bits = sum(map(int, re.findall(r"`[ui](\d+)`", body)))
    size = 1 + bits // 8 + sum(map(int, re.findall(r"(?<!to )\b(\d+) bytes(?! of)", body)))
    if kind in SMALLEST_SAMPLES:
        assert size == SMALLEST_SAMPLES[kind]
    elif kind != 0x05:
        request = 2 if kind >= 0x40 else 0
        assert len(encode_frame(MESSAGES[kind])) == size + request + FRAMING_BYTES


def test_the_tables_name_every_message_event_and_reply() -> None:
    kinds = {int(row[0], 16) for row in rows(PROTOCOL, r"0x[0-9A-F]{2}")}
    assert kinds == {0x05, *SMALLEST_SAMPLES, *MESSAGES}
    text = PROTOCOL.read_text(encoding="utf-8")
    for heading, codes in (("| code |", EventCode), ("| result |", ReplyResult)):
        table = text.split(heading)[1].split("\n\n")[0]
        assert {int(code) for code in re.findall(r"^\| (\d+) \|", table, re.M)} == {
            int(each) for each in codes
        }


# ---- .ci/run


def test_what_runs_on_every_change_installs_and_tests_as_the_readme_says() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    setups = [line for block in blocks("sh", README) for line in block.text.splitlines() if "-m venv" in line]
    assert len(setups) == 2
    install, test = (part.strip() for part in setups[1].split("&&")[1:])
    for command in (install, test):
        assert command.removeprefix(".venv/bin/") in script


def test_the_readme_is_short_enough_to_be_read() -> None:
    assert len(README.read_text(encoding="utf-8").split()) <= 1500


def test_every_guide_has_a_topic_and_every_command_stands_in_the_readme() -> None:
    from rig.cli.main import _COMMANDS
    from rig.guides import TOPICS, guide

    assert {path.stem for path in GUIDES.glob("*.md")} | {"safety"} == set(
        TOPICS
    )  # it is a note of the firmware
    assert all(guide(topic).startswith("# ") for topic in TOPICS)
    text = README.read_text(encoding="utf-8")
    assert [name for name in _COMMANDS if f"`{name}`" not in text and f"`pressrig {name}`" not in text] == []


def test_the_comparison_of_the_guide_gives_an_answer_in_a_checkout(run: Run, tmp_path: Path) -> None:
    for path in ROOT.glob("captures/*"):
        if path.name.startswith("example-") or path.name == "README.md":
            (tmp_path / "captures" / path.name).unlink(missing_ok=True)
            (tmp_path / "captures" / path.name).symlink_to(path)
    (words,) = [words for words in commands(GUIDES / "pieces.md") if words[1] == "compare"]
    code, output = run(*words)
    # the autumn mould is softer by more than the margin
    assert code == 1
    assert re.match(r"autumn mould is softer than spring mould: .* larger than the margin of 4 N", output)


@dataclass(frozen=True, slots=True)
class Label:
    """A text of a drawing, and the box that it fills."""

    words: str
    box: tuple[float, float, float, float]

    def meets(self, other: Label) -> bool:
        left, top, right, bottom = self.box
        return left < other.box[2] and other.box[0] < right and top < other.box[3] and other.box[1] < bottom


def labels(drawing: ElementTree.Element) -> list[Label]:
    """Texts of a drawing with their boxes, in the font that stands first in its list."""
    found = []
    for text in drawing.findall(".//{*}text"):
        size = float(text.get("font-size", drawing.get("font-size", "16")))
        weight = text.get("font-weight", "normal")
        words = "".join(text.itertext())
        width = (
            TextPath((0, 0), words, size=size, prop={"family": "DejaVu Sans", "weight": weight})
            .get_extents()
            .width
        )
        shift = {"start": 0.0, "middle": width / 2, "end": width}[text.get("text-anchor", "start")]
        left, base = float(text.get("x", "0")) - shift, float(text.get("y", "0"))
        found.append(Label(words, (left, base - 0.75 * size, left + width, base + 0.2 * size)))
    return found


@pytest.mark.parametrize("path", sorted(NOTES.glob("*.svg")), ids=lambda path: path.stem)
def test_no_two_texts_of_a_drawing_run_into_each_other_or_off_the_sheet(path: Path) -> None:
    drawing = ElementTree.parse(path).getroot()
    _, _, width, height = map(float, drawing.get("viewBox", "").split())
    found = labels(drawing)
    assert [(a.words, b.words) for a, b in combinations(found, 2) if a.meets(b)] == []
    assert [
        label.words
        for label in found
        if label.box[0] < 0 or label.box[1] < 0 or label.box[2] > width or label.box[3] > height
    ] == []
    assert len(found) > 10
