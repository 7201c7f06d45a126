"""What a command says of a job that a daemon has done for it."""

from __future__ import annotations

import pytest

from rig.cli.ordering import _say_end, cycles_of
from rig.daemon.bulletin import EndCard


def ended(kind="endurance", **more):
    return EndCard(number=1, kind=kind, name="a job", **{"reason": "stopped", "failed": False} | more)


@pytest.mark.parametrize(
    ("card", "words"),
    [
        (ended(cycles=1), "1 cycle"),
        (ended(cycles=12), "12 cycles"),
        (ended("height", cycles=1), "1 contact check"),
    ],
)
def test_cycles_are_counted_by_what_they_are(card, words):
    assert cycles_of(card) == words
    assert cycles_of(card, 30).startswith(f"{card.cycles} of 30 c")


@pytest.mark.parametrize(("cycles", "told"), [(0, False), (12, True)])
def test_only_a_run_with_cycles_is_said_to_be_resumable(capsys, cycles, told):
    assert _say_end(ended(cycles=cycles, capture="captures/run")) == 1
    said = capsys.readouterr()
    assert f"{cycles} cycles; ended: stopped\n" in said.out
    assert ("pressrig endure captures/run --resume" in said.err) is told
