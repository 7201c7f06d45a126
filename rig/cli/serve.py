"""`pressrig serve`: the daemon that holds a rig, with its page."""

from __future__ import annotations

import ipaddress
import sys
from pathlib import Path

import click

from rig.cli.logs import log_to_file
from rig.cli.options import FOLDER, folder_option, port_option, rig_option
from rig.cli.output import say
from rig.cli.starting import say_how_it_stands
from rig.cli.stopping import stop_on_signals
from rig.daemon.page_token import token_file
from rig.daemon.serving import PageWish, serve
from rig.errors import InputError
from rig.rigfile import read_rig_file

FOLDERS = ("methods", "endurance")
"""Of methods and plans, in `configs` and in the installed package."""


listen_option = click.option(
    "--listen", default="127.0.0.1", show_default=True, metavar="ADDRESS", help="Address to serve it on."
)
allow_remote_option = click.option(
    "--allow-remote", is_flag=True, help="Let other machines reach the page with a token."
)


@click.command("serve")
@rig_option()
@port_option()
@click.option(
    "--methods", "folders", multiple=True, type=FOLDER,
    help="Folder of methods for the page; repeatable.  [default: configs here, else the installed examples]",
)  # fmt: skip
@click.option(
    "--http", type=click.IntRange(0, 65535), default=8470, show_default=True, help="TCP port of the page."
)
@listen_option
@allow_remote_option
@click.option("--no-page", is_flag=True, help="Serve no page; all other commands still work.")
@folder_option("Folder for the captures.")
def command(
    rig_file: Path,
    *,
    port: str | None,
    folders: tuple[Path, ...],
    http: int,
    listen: str,
    allow_remote: bool,
    no_page: bool,
    out: Path,
) -> None:
    """Hold a rig until Ctrl-C or SIGTERM, which halt the platen and end the capture.

    The page and the commands `pressrig status`, `halt`, `run`, `endure` and `height` use it. If the port is
    missing or disappears, the daemon keeps looking for it.
    """
    if sys.platform == "win32":
        raise InputError("the daemon does not run on Windows: use Linux, macOS or WSL")
    rig = read_rig_file(rig_file)
    address = rig.address(port)
    say_how_it_stands(rig)
    page = None
    if not no_page:
        token = token_file()
        say_where_the_page_is(listen, http, token, allow_remote=allow_remote)
        page = PageWish(listen, http, token, out.absolute(), Path("reports").absolute(), rig_file.absolute())
    with log_to_file(), stop_on_signals() as stopped:
        serve(
            rig,
            address,
            out.absolute(),
            methods=folders or ready_folders(),
            page=page,
            stop_asked=stopped.fileno(),
        )


def ready_folders() -> tuple[Path, ...]:
    """Return the folders of methods and plans: those here, those in the wheel, or those of the checkout."""
    package = Path(__file__).parents[1]
    places = (Path("configs"), package / "packaged", package.parent / "configs")
    found = (tuple(place / name for name in FOLDERS) for place in places if (place / FOLDERS[0]).is_dir())
    return next(found, ())


def say_where_the_page_is(listen: str, http: int, token: Path, *, allow_remote: bool) -> None:
    """Say how a person enters the page. The link holds the token, so it goes to a terminal and to no log.

    Raises InputError if others could reach the page without permission.
    """
    if not _is_loopback(listen) and not allow_remote:
        raise InputError(
            f"--listen {listen}: other machines could reach the page; give --allow-remote to allow that"
        )
    if http and _is_loopback(listen) and sys.stderr is not None and sys.stderr.isatty():
        name = f"[{listen}]" if ":" in listen else listen
        place, secret = f"{name}:{http}", token.read_text(encoding="ascii").strip()
        say(f"the page: http://{place}/enter#{secret}", err=True)
    else:
        say(f"the page asks for the token in {token}; on this machine, halt needs none", err=True)


def _is_loopback(listen: str) -> bool:
    """Return whether only this machine can reach an address.

    Raises InputError if it is no address.
    """
    if listen == "localhost":
        return True
    try:
        return ipaddress.ip_address(listen).is_loopback
    except ValueError:
        raise InputError(f"--listen: found {listen!r}, expected an address such as 127.0.0.1") from None
