"""What `pressrig setup` asks: a person at the terminal, and the board at rest."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from rig.cli.attending import answered
from rig.cli.options import read_quantity
from rig.cli.output import say
from rig.errors import DeviceError, InputError
from rig.samples import Samples

if TYPE_CHECKING:
    from rig.reader import Reader

REST_S = 1.5
"""Length of a reading at rest, in device time."""

PATIENCE_S = 20.0
"""A board that sends nothing for so long is not there."""


def answer_to(question: str) -> str:
    """Return what a person answers; without anybody there, setting up ends.

    Raises InputError if the answers have ended.
    """
    answer = answered(question)
    if answer is None:
        raise InputError("setup: input ended before the rig file was complete; nothing was written")
    return answer


def quantity_answered(question: str, name: str, unit: str) -> tuple[str, float] | None:
    """Return a positive quantity in words and in this unit, None for Enter; ask again until it is one.

    Raises InputError if the answers have ended.
    """
    while True:
        text = answer_to(question)
        if not text:
            return None
        try:
            value = read_quantity(name, text, unit)
        except InputError as problem:
            say(f"  {problem}")
            continue
        assert value is not None
        return text, value


def readings(reader: Reader, duration_s: float = REST_S) -> Samples:
    """Return samples over a while from now on, in device time.

    Raises DeviceError if they stay away.
    """
    while reader.get(timeout_s=0.0) is not None:  # what was taken before
        pass
    parts, begun, first_us = [], time.monotonic(), None
    while True:
        delivery = reader.get(timeout_s=0.5)
        if delivery is not None and len(delivery.samples):
            parts.append(delivery.samples)
            first_us = delivery.samples.time_us[0] if first_us is None else first_us
            if delivery.samples.time_us[-1] - first_us >= duration_s * 1e6:
                break
        if time.monotonic() - begun > PATIENCE_S:
            raise DeviceError(
                f"no samples over {duration_s:g} s within {PATIENCE_S:g} s; is the board still connected?"
            )
    return Samples.concatenate(parts)
