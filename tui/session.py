"""How a command finds its site, and the controller that it works on."""

from __future__ import annotations

import argparse
import asyncio
import getpass
import os
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import TypeVar

from controller.api import ControllerApi, SiteView
from controller.local_client import LocalClient
from controller.records import Origin, OriginKind
from controller.service import Controller
from controller.site import LoadedSite, load_site
from controller.state_folder import Claim
from profiles.errors import ControllerAway, ControllerRuns, FileUnreadable, InputError
from tui.progress_line import ProgressLine

__all__ = [
    "check_same_site",
    "find_site",
    "me",
    "own_controller",
    "run_with_api",
    "state_folder",
    "working_api",
]

T = TypeVar("T")


def find_site(arguments: argparse.Namespace) -> Path:
    """The site file: ``--site``, then the environment's LINEWARDEN_SITE, then site.toml in this folder.

    Raises:
        FileUnreadable: none of them is there.
    """
    named = arguments.site or os.environ.get("LINEWARDEN_SITE")
    if named:
        return Path(named)
    here = Path("site.toml")
    if not here.exists():
        raise FileUnreadable(
            "there is no site.toml in this folder",
            todo="give --site FILE, set LINEWARDEN_SITE, or see README for the least site file",
        )
    return here


def state_folder(arguments: argparse.Namespace, loaded: LoadedSite) -> Path:
    """Where the site's journal and local socket are: ``--state``, or the user's state folder."""
    if arguments.state:
        return Path(arguments.state)
    from platformdirs import user_state_path

    return user_state_path("linewarden", appauthor=False) / loaded.site.site.id


def me() -> Origin:
    """The person at this terminal."""
    try:
        name = getpass.getuser()
    except (OSError, KeyError):
        name = ""
    return Origin(OriginKind.COMMAND_LINE, name)


@asynccontextmanager
async def own_controller(loaded: LoadedSite, claim: Claim) -> AsyncIterator[Controller]:
    """A controller of our own, for as long as the context lasts."""
    controller = await Controller.open(loaded, claim.folder)
    try:
        yield controller
    finally:
        await controller.close()


def check_same_site(view: SiteView, loaded: LoadedSite) -> None:
    """Whether the controller that answers was started with the same site file.

    Raises:
        InputError: it was not: its units are others, though the site has the same id.
    """
    ours = str(loaded.path.resolve())
    if view.path and view.path != ours:
        raise InputError(
            f"the controller that runs for site {view.id!r} was started with another file, {view.path}",
            where=ours,
            todo="give one of the two sites another id, or name another folder with --state",
        )


_PATIENCE = 10.0
"""Seconds that one short-lived controller waits for another one to end."""


@asynccontextmanager
async def working_api(loaded: LoadedSite, folder: Path) -> AsyncIterator[ControllerApi]:
    """The running controller, or one of our own for the moment where none runs.

    Raises:
        ControllerRuns: another command has the site and does not end.
    """
    until = time.monotonic() + _PATIENCE
    async with AsyncExitStack() as stack:
        while True:
            try:
                api: ControllerApi = await stack.enter_async_context(await LocalClient.connect(folder))
            except ControllerAway:
                pass
            else:
                check_same_site(await api.site(), loaded)
                break
            try:
                claim = stack.enter_context(Claim(folder))
            except ControllerRuns:
                # Another command is at it, or a controller that is just beginning to listen.
                if time.monotonic() >= until:
                    raise
                await asyncio.sleep(0.05)
                continue
            controller = await stack.enter_async_context(own_controller(loaded, claim))
            await controller.ready()
            api = controller
            break
        yield api


@asynccontextmanager
async def _progress(*, quiet: bool) -> AsyncIterator[None]:
    """On a terminal, say after a second that it is still at it."""
    with ProgressLine(quiet=quiet) as line:
        if not line.shown:
            yield
            return

        async def tell() -> None:
            began = time.monotonic()
            while True:
                await asyncio.sleep(1.0)
                line.say(f"at it for {time.monotonic() - began:.0f} s ...")

        telling = asyncio.create_task(tell())
        try:
            yield
        finally:
            telling.cancel()


def run_with_api(arguments: argparse.Namespace, work: Callable[[ControllerApi], Awaitable[T]]) -> T:
    """Load the site, find or open its controller, and do one piece of work with it."""
    loaded = load_site(find_site(arguments))

    async def main() -> T:
        quiet = bool(getattr(arguments, "json", False))
        async with working_api(loaded, state_folder(arguments, loaded)) as api, _progress(quiet=quiet):
            return await work(api)

    return asyncio.run(main())
