"""The few ways in which something can be refused, each with the exit code that a shell sees.

Every message says where (file, line, field or port), what was found and what would be right.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager


class RigError(Exception):
    """Base of all errors that a person is meant to read. `exit_code` is what the command returns."""

    exit_code = 2


class InputError(RigError):
    """A file, field, unit, column or option is wrong. Nothing was moved and nothing was recorded."""


class CaptureError(InputError):
    """A capture on disk cannot be read or must not be overwritten."""


class DeviceError(RigError):
    """The rig or its port failed: absent, in use, silent, or answering in an unknown way."""

    exit_code = 3


class RecorderError(RigError):
    """The disk refused the recording (full, read-only, gone). What was written before it is kept."""

    exit_code = 3


@contextmanager
def refused_at(place: str) -> Iterator[None]:
    """Put a place, such as a file, field or option, in front of the InputErrors of a block."""
    try:
        yield
    except InputError as problem:
        raise InputError(f"{place}: {problem}") from None
