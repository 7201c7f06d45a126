"""`pressrig run` on a rig without a drive: it guides a hand, which here follows the lines that it prints."""

from __future__ import annotations

import dataclasses
import io
import os
import re
import signal
import sys
import threading
from contextlib import contextmanager
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

from command_line import (
    CALIBRATED,
    LINES,
    ROOT,
    done,
    pressrig,
    recorded_bytes,
    rig_file,
    running,
    wait_until,
)
from rich.console import Console

# the lever is shared with the tests of the guiding itself
sys.path.append(str(Path(__file__).parents[1] / "daemon"))

from hand_lever import CONTACT_MM, ONE_PRESS, TALK_ONLY, WITHOUT_TIME, HandLever

from rig.capture import open_capture
from rig.cli.guidance import panel_of
from rig.cli.ordering import NOT_DONE
from rig.jobs.guidance import Guidance
from rig.notebook import open_recording
from rig.virtual import VirtualPort

WITHOUT_A_CLOCK = LINES.replace("format: lines", "format: lines, columns: [force, position]")
WITH_A_DRIVE = (
    CALIBRATED.replace("{format: framed}", "{format: framed, rate_hz: 500}")
    + """
drive:
  travel: ["1 mm", "60 mm"]
  force: ["-5 N", "100 N"]
  speed: "20 mm/s"
  deceleration: "200 mm/s^2"
  conversions_per_s: 500
"""
)
PIECE = ("--specimen", "F-90-001", "--free-height", "60 mm")


@pytest.fixture
def method(tmp_path) -> Path:
    path = tmp_path / "one_press.yaml"
    path.write_text(ONE_PRESS, encoding="utf-8")
    return path


@contextmanager
def lever_at(link, how, speed_up):
    lever = HandLever(**how)
    with VirtualPort(lever, link, speed_up):
        yield lever


def follow(lever, lines, said):
    """Do what each line says until there are no more."""
    for line in lines:
        said.append(line)
        speed = re.search(r"about ([\d.]+) mm/s", line)
        if speed is None:
            continue
        deep = re.search(r"Press to ([\d.]+) mm", line)
        gap = re.search(r"gap of ([\d.]+) mm", line)
        to_mm = 5.0 if "Approach" in line else float(deep[1]) if deep else -float(gap[1])
        lever.go_to(CONTACT_MM + to_mm, float(speed[1]))


@pytest.mark.parametrize(
    ("text", "how", "speed_up"),
    [(CALIBRATED, TALK_ONLY, 4.0), (WITHOUT_A_CLOCK, WITHOUT_TIME, 4.0), (WITH_A_DRIVE, TALK_ONLY, 4.0)],
    ids=["frames", "lines without a clock", "a device without the drive that its file has"],
)
def test_a_person_who_follows_the_lines_presses_as_the_method_asks(tmp_path, method, text, how, speed_up):
    link, said = tmp_path / "rig", []
    with (
        lever_at(link, how, speed_up) as lever,
        running(
            tmp_path, "run", method, "--rig", rig_file(tmp_path, text), "--port", link, *PIECE,
            "--cautions-read", "--out", tmp_path / "captures",
        ) as process,
    ):  # fmt: skip
        hand = threading.Thread(target=follow, args=(lever, process.stderr, said))
        hand.start()
        output = process.stdout.read()
        hand.join()
        assert process.wait() == 0, said
    capture = output.splitlines()[-1]
    assert open_capture(capture).how_it_ended == "method finished"
    assert "Press to 8.0 mm (13.3 %) at about 10 mm/s, and hold.\n" in said
    depths = open_recording(capture).analyse().columns["peak_deflection_mm"]
    # 0.17 mm deeper, as the spring pushes before the contact force is felt
    assert [depth for depth in depths if depth > 2.0] == pytest.approx([8.17], abs=0.1)


def test_ctrl_c_ends_it_with_the_capture_kept(tmp_path, method):
    captures, link = tmp_path / "captures", tmp_path / "rig"
    with (
        lever_at(link, TALK_ONLY, 1.0),
        running(
            tmp_path, "run", method, "--rig", rig_file(tmp_path), "--port", link, *PIECE, "--cautions-read",
            "--out", captures,
        ) as process,
    ):  # fmt: skip
        wait_until(lambda: recorded_bytes(captures) > 10_000 or process.poll() is not None)
        process.send_signal(signal.SIGINT)
        output, errors = process.communicate(timeout=20)
    assert process.returncode == NOT_DONE, errors
    assert open_capture(output.splitlines()[-1]).how_it_ended == "stopped"


def test_a_method_that_no_hand_can_do_is_refused_with_each_reason(tmp_path):
    pounding = ROOT / "configs" / "methods" / "pounding_endurance.yaml"
    refused = pressrig(tmp_path, "run", pounding, "--rig", rig_file(tmp_path), *PIECE, "--cautions-read")
    assert refused.returncode == 2
    for reason in ("80000 times", "every 0.857 s", "120 mm/s", "180 mm/s"):
        assert reason in refused.stderr


def test_a_hand_is_cautioned_in_fewer_words_of_its_own(tmp_path, method):
    refused = pressrig(tmp_path, "run", method, "--rig", rig_file(tmp_path), "--port", "/dev/absent", *PIECE)
    assert refused.returncode == 2
    assert "is returned slowly" in refused.stderr
    assert "emergency stop" not in refused.stderr


def test_the_ready_hand_lever_is_guided(tmp_path):
    plain = ROOT / "configs" / "methods" / "plain_squeeze.yaml"
    lever = ROOT / "configs" / "rigs" / "hand_lever.yaml"
    output = done(tmp_path, "run", plain, "--rig", lever, *PIECE, "--check-only")
    assert "Moved by hand" in output
    assert "inf" not in output


def drawn(guidance):
    screen = Console(width=76, record=True, file=io.StringIO())
    screen.print(panel_of(guidance))
    return screen.export_text()


PRESSING = Guidance(
    "one_press.yaml line 9, step 2.1 press", (2,), "press to depth",
    "Press to 22.5 mm (25 %) at about 1.7 mm/s, and hold.", "press on: 11.2 mm to go", 30.0,
    deflection_mm=11.25, target_mm=22.5, speed_mm_per_s=3.0, asked_mm_per_s=1.7, pace="too fast",
    share=0.5, presses_done=1, presses=5,
)  # fmt: skip


def test_the_panel_says_depth_and_speed_against_what_is_asked():
    text = drawn(PRESSING)
    assert "[############............] 11.2 mm, to 22.5 mm, 30.0 N" in text
    assert "3.0 mm/s (1.3 to 2.1): too fast" in text
    assert "step 2.1 press, 1 of 5 presses done" in text


def test_the_panel_keeps_its_height_when_a_warning_comes():
    warned = dataclasses.replace(PRESSING, warning="TOO DEEP: 25.0 mm")
    assert "TOO DEEP: 25.0 mm" in drawn(warned)
    assert len(drawn(warned).splitlines()) == len(drawn(PRESSING).splitlines())
