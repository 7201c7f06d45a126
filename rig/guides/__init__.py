"""The user's guides, installed with the package: one Markdown file per topic.

In: nothing. Out: topics and their texts. Must not depend on: anything else.
"""

from __future__ import annotations

from importlib.resources import files

from rig.errors import InputError

__all__ = ["TOPICS", "guide"]

TOPICS = {
    "safety": "Cautions for a driven press: read them before anything moves.",
    "recording": "Describe your rig, record, and analyse.",
    "hand-lever": "A day at a hand lever: from set-up to design sheet.",
    "import": "Make captures from tables that you already have.",
    "numbers": "What every number means, its uncertainty, and why it can be empty.",
    "calibration": "Calibrate and verify a rig; check standards.",
    "methods": "Let a driven rig run a method, or guide a hand through it.",
    "endurance": "Squeeze a part many thousand times and watch it recover.",
    "daemon": "Hold a rig day and night, with a page to watch and control it.",
    "pieces": "Register, weigh and measure pieces; compare batches and states.",
    "design-sheet": "Write the sheet that a machine builder works from.",
    "machines": "Nips, lifting and pull-off: what a machine does to a part.",
    "browser": "View captures and results in a browser.",
    "captures": "What a capture is, how to correct one, and how other programs read it.",
}
"""Topics in the order in which a newcomer needs them."""


def guide(topic: str) -> str:
    """Return the text of a guide, in Markdown.

    Raises InputError if there is no such topic.
    """
    if topic not in TOPICS:
        raise InputError(f"guide: no topic {topic!r:.40}; found {', '.join(TOPICS)}")
    path = files("rig.guides") / f"{topic}.md"
    if topic == "safety" and not path.is_file():  # a wheel has it here, a checkout among the notes
        path = files("rig") / ".." / "firmware_notes" / "safety.md"
    return path.read_text(encoding="utf-8")
