"""``linewarden bench``: captures on the dashboard's bench, with or without a site."""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
import tempfile
from pathlib import Path

from controller.service import Controller
from controller.site import LoadedSite, load_site
from controller.site_model import Site
from profiles.errors import InputError
from tui.commands.dash import show, show_site
from tui.session import find_site, state_folder


def run(arguments: argparse.Namespace) -> int:
    """Open the dashboard on the bench."""
    if not sys.stdout.isatty():
        raise InputError("the bench needs a terminal", todo="in a pipe use `linewarden decode`")
    captures = tuple(Path(word) for word in arguments.captures)
    if arguments.no_site or not _has_site(arguments):
        return asyncio.run(_without_site(captures))
    loaded = load_site(find_site(arguments))
    return asyncio.run(show_site(loaded, state_folder(arguments, loaded), captures))


def _has_site(arguments: argparse.Namespace) -> bool:
    """Whether a site is named, or stands in this folder."""
    return bool(arguments.site or os.environ.get("LINEWARDEN_SITE") or Path("site.toml").exists())


def no_site() -> LoadedSite:
    """A site without a bus; profiles are looked for from this folder."""
    site = Site.model_validate({"site": {"id": "bench", "title": "No site"}})
    return LoadedSite(Path("site.toml"), site, {})


async def _without_site(captures: tuple[Path, ...]) -> int:
    """A controller of nothing: profiles can be drafted, and nothing can be sent."""
    with tempfile.TemporaryDirectory(prefix="linewarden-") as folder:
        controller = await Controller.open(no_site(), Path(folder))
        try:
            return await show(controller, captures, cautions=False)
        finally:
            await controller.close()
