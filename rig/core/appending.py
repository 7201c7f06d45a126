"""Files that only grow by whole lines or whole blocks, whatever ended the write before.

Problem: a power cut or a full disk can leave half a line, and the next line would be swallowed by it. Plan: a
torn last line is ended before anything follows, and a write that fails leaves the file as it was. Cost: a
byte is read when the file is opened.
"""

from __future__ import annotations

import os
from contextlib import suppress
from io import FileIO
from pathlib import Path


def open_lines(path: Path) -> FileIO:
    """Open a file of lines for appending, unbuffered; it is made where there is none, or raises OSError."""
    file = path.open("a+b", buffering=0)
    try:
        if file.seek(0, os.SEEK_END):
            file.seek(-1, os.SEEK_END)
            if file.read(1) != b"\n":
                append_whole(file, b"\n")
    except BaseException:
        file.close()
        raise
    return file


def append_whole(file: FileIO, data: bytes) -> None:
    """Append every byte, or leave the file as it was and raise OSError."""
    good = file.seek(0, os.SEEK_END)
    try:
        write_all(file, data)
    except BaseException:
        with suppress(OSError):
            file.truncate(good)
            file.seek(good)
        raise


def write_all(file: FileIO, data: bytes) -> None:
    """Write every byte, or raise OSError. A raw file may write less than it was given."""
    rest = memoryview(data)
    while rest:
        rest = rest[file.write(rest) or 0 :]
