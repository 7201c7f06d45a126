"""`pressrig guide`: the user's guides, which are installed with the package."""

from __future__ import annotations

import click

from rig.cli.output import console, is_plain, say, say_exactly
from rig.guides import TOPICS, guide


@click.command("guide")
@click.argument("topic", required=False)
def command(topic: str | None) -> None:
    """Show the guide on TOPIC, or list the topics."""
    if topic is None:
        width = max(map(len, TOPICS))
        for name, about in TOPICS.items():
            say(f"{name:<{width}}  {about}")
        say("\nShow one with: pressrig guide TOPIC")
        return
    text = guide(topic)
    if is_plain():
        say_exactly(text.rstrip())
        return
    from rich.markdown import Markdown

    console().print(Markdown(text))
