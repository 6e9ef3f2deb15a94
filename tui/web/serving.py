"""``linewarden dash --web``: from the command line to a server that listens."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import signal
import socket
import sys
from pathlib import Path

from controller.local_client import LocalClient
from controller.site import LoadedSite, load_site
from profiles.errors import ControllerError, InputError, ToolMissing
from tui.session import check_same_site, find_site, state_folder
from tui.telling import plain
from tui.web.address import WebAddress, web_address
from tui.web.door import Door, new_token

__all__ = ["run", "serve"]


def run(arguments: argparse.Namespace) -> int:
    """Serve the dashboard of the running controller until SIGTERM or Ctrl-C."""
    if arguments.broker is not None:
        todo = "use --web where the controller runs, or --broker in a terminal"
        raise InputError("--web serves one controller, --broker shows all behind it", todo=todo)
    address = web_address(arguments.web_address)
    loaded = load_site(find_site(arguments))
    asyncio.run(serve(loaded, state_folder(arguments, loaded), address))
    return 0


async def serve(loaded: LoadedSite, folder: Path, address: WebAddress) -> None:
    """Serve it, and print its address, until told to end.

    Args:
        loaded: the site.
        folder: where its controller runs.
        address: where to listen; port 0 for any that is free.

    Raises:
        ToolMissing: the extra ``web`` is not installed.
        ControllerAway: no controller runs there.
        InputError: one runs with another site file.
        ControllerError: it can't listen there.
    """
    try:
        from aiohttp import web

        from tui.web.server import WebServer
    except ModuleNotFoundError as error:
        if (error.name or "").startswith("tui"):
            raise
        package = (error.name or "").partition(".")[0]
        raise ToolMissing(
            f"the dashboard in a browser needs a package that is not installed ({package})",
            where="linewarden dash --web",
            todo="install Linewarden with its extra web: pip install '.[web]' in the folder of its source",
        ) from error
    title = await _title(loaded, folder)
    listening, address = await _bound(address)
    door = Door(address.names, new_token())
    server = WebServer(_program(loaded, folder), door, title)
    # No record of requests is kept: each has the token in it.
    runner = web.AppRunner(server.application(), access_log=None, shutdown_timeout=5.0)
    await runner.setup()
    try:
        await web.SockSite(runner, listening).start()
        _tell(address, door.token, title)
        await _until_told()
    finally:
        await runner.cleanup()


def _program(loaded: LoadedSite, folder: Path) -> tuple[str, ...]:
    """What is started for a visitor; it holds nothing that a browser said."""
    # -P: a folder called tui where this was started must not be taken for ours.
    start = (sys.executable, "-P", "-m", "tui.web.visitor")
    return (*start, str(loaded.path.resolve()), str(folder.resolve()))


async def _title(loaded: LoadedSite, folder: Path) -> str:
    async with await LocalClient.connect(folder) as client:
        view = await client.site()
    check_same_site(view, loaded)
    return plain(view.title or view.id)


async def _bound(address: WebAddress) -> tuple[socket.socket, WebAddress]:
    """A socket at the address, and the address with the port that it really has."""
    try:
        found = await asyncio.get_running_loop().getaddrinfo(
            address.host, address.port, type=socket.SOCK_STREAM
        )
        family, kind, protocol, _, place = found[0]
        listening = socket.socket(family, kind, protocol)
        try:
            if sys.platform != "win32":  # there it would let two servers have one port
                listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind(place)
        except OSError:
            listening.close()
            raise
    except OSError as error:
        raise ControllerError(
            f"the dashboard can't be served there: {error.strerror}",
            where=address.shown,
            todo="name another address or port of this machine with --web-address",
        ) from error
    return listening, WebAddress(address.host, listening.getsockname()[1])


def _tell(address: WebAddress, token: str, title: str) -> None:
    if not address.loopback:
        print(
            f"caution: other machines can reach {address.shown}, and all of it can be read on the way, "
            "the token too: use a network that you trust, or loopback and a tunnel (docs/web.md)",
            file=sys.stderr,
        )
    print(f"{title} is at http://{address.shown}/{token}/")
    print("Whoever has this address can work the gear. Ctrl-C ends it.", flush=True)


async def _until_told() -> None:
    """Wait for SIGTERM or SIGINT; where the loop knows no signals, Ctrl-C cancels us."""
    told = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):
            loop.add_signal_handler(number, told.set)
    await told.wait()
