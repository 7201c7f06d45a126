"""Copies of the example capture under names that a terminal, plot, browser or spreadsheet would obey."""

from __future__ import annotations

import secrets
from dataclasses import replace
from pathlib import Path

from command_line import ROOT

from rig.capture import CaptureWriter, open_capture

EXAMPLE = ROOT / "captures" / "example-F-90-001"

NAMES = (
    "[/x]",
    "[new]",
    "$x_{",
    "$y$ and $z$",
    "\x1b[31mred\x1b]0;title\x07",
    "a\u202etfel",
    "=1+1",
    "<script>alert(1)</script>",
    "a|b *c* `d`",
    ":smile:",
    "c\x9b31m",
    "x" * 200,
)


def renamed(parent: Path, specimen: str, **fields: object) -> Path:
    """A whole capture of the example's samples under another name."""
    example = open_capture(EXAMPLE)
    header = replace(example.header, specimen=specimen, id=secrets.token_hex(16), **fields)
    with CaptureWriter.create(parent, header) as writer:
        writer.append(example.samples())
    return writer.path
