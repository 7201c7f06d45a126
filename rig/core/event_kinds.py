"""What can happen beside the samples of a capture: the kinds of its events, each with the fields it has.

Problem: readers of `events.jsonl` in four packages match what writers in three others wrote. Plan: every kind
stands here once; a writer of another kind, or a reader that compares with one, is found by the type checker.
Cost: none.
"""

from collections.abc import Mapping
from typing import Any, Literal, cast

from rig.renamed import EVENTS

LinkKind = Literal[
    "opened",  # port, baud
    "identified",  # what the identity message holds
    "abilities",  # what the abilities message holds
    "channel",  # number, name, unit as recorded, whether it is a force: beside the samples
    "streaming",  # rate_hz granted
    "unanswered",  # the device talks but does not answer
    "gap",  # after_seq of the first gap, gaps, missing samples in all
    "repeated",  # samples that came again
    "implausible",  # samples whose seq and time fit neither what was before nor what came after
    "reset",  # cause, boot_id where known, after_seq
    "link_lost",  # why
    "link_restored",  # port, after_s
    "overflow",  # samples, batches and events lost because the consumer fell behind
    "device_event",  # code, name, request, value, device_time_us as sent
    "note",  # text
    "state",  # what the state message holds
    "auxiliary",  # means by channel, count of lines; time_us is the middle of these
    "rejected",  # bytes, and frames or lines by cause, since the last such event
]
"""What the reader says of the link."""

EventKind = (
    LinkKind
    | Literal[
        # the capture itself
        "started",
        "resumed",  # run, samples_before
        "warning",  # text
        "slow disk",  # took_s, samples_waiting
        "ended",  # reason, tallies
        # beside it, added later: amendments.jsonl
        "amended",
        "excluded",
        "restored",
        # a method, driven or by hand
        "method",  # name, source, by
        "step",  # phase, place, passes, action
        "contact found",  # position_mm
        "contact checked",  # position_mm
        "step off the rig",  # instruction, taken_s
        "platen goes on",  # moved_mm
        "method stopped",  # why
        "force zero",  # zero_n, noise_n
        "guided",  # what a hand did of a step
        "hand warning",  # text
        # contact checks for a height
        "height search",  # phase, surface, position_mm
        "height contact check",  # phase, surface, number
        "height stopped",  # why
        # endurance
        "endurance",  # name, source, cycles_wanted
        "block intent",  # block, cycles and how they are made
        "cycle done",  # of_block
        "block settled",  # done, how, doubtful, exact, total, set_mm, stiffness_loss_pct, squeezed_s
        "reference",  # cycle, stiffness, peak_force_n, contact_mm
        "pause",  # why
        "taken up",  # after_s, cycles
        "contact check",  # position_mm, shift_mm
        "squeezing ended",  # reason
        "recovery contact check",  # after_s, set_mm
    ]
)
"""All that a capture of this version holds; one of a later version may hold more."""


def kind_of(event: Mapping[str, Any]) -> EventKind | None:
    """Return the kind of an event, by its name now; what no version known here wrote equals none of them."""
    kind = event.get("kind")
    return cast("EventKind | None", EVENTS.get(kind, kind) if isinstance(kind, str) else kind)
