"""`pressrig browse`: captures and results in a browser, without a rig."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import click

from rig.cli.options import DEFAULT_FOLDER, FOLDER
from rig.cli.serve import allow_remote_option, listen_option, say_where_the_page_is
from rig.core import ENVIRONMENT, chosen_units
from rig.daemon.page_token import token_file


@click.command("browse")
@click.argument(
    "folder", type=click.Path(path_type=Path, file_okay=False, exists=True), default=DEFAULT_FOLDER
)
@click.option(
    "--reports", type=FOLDER, default=Path("reports"), show_default=True,
    help="Folder for reports; each gets its own folder.",
)  # fmt: skip
@click.option(
    "--http", type=click.IntRange(0, 65535), default=8471, show_default=True, help="TCP port of the pages."
)
@listen_option
@allow_remote_option
def command(folder: Path, *, reports: Path, http: int, listen: str, allow_remote: bool) -> None:
    """Show the captures of FOLDER in a browser until Ctrl-C.

    List, search, overlay and correct captures, and ask for comparisons, design sheets, nips and studies. No
    rig is needed; `pressrig serve` has the same pages beside the live one.
    """
    token = token_file()
    say_where_the_page_is(listen, http, token, allow_remote=allow_remote)
    words = [sys.executable, "-m", "rig.daemon.page", "--captures", str(folder), "--reports", str(reports)]
    words += ["--listen", listen, "--http", str(http), "--token-file", str(token)]
    environment = os.environ | {ENVIRONMENT: chosen_units() or ""}
    with subprocess.Popen(words, stdin=subprocess.PIPE, env=environment) as page:
        try:
            code = page.wait()
        except KeyboardInterrupt:
            assert page.stdin is not None
            page.stdin.close()
            code = page.wait()
    if code:
        raise click.exceptions.Exit(code)
