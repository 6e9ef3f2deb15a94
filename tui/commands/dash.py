"""``linewarden dash``: the dashboard."""

from __future__ import annotations

import argparse
import asyncio
import sys
from pathlib import Path

from controller.api import ControllerApi
from controller.local import LocalServer
from controller.local_client import LocalClient
from controller.site import LoadedSite, load_site
from controller.state_folder import Claim
from profiles.errors import ControllerAway, InputError
from tui.alone import run_alone
from tui.app import DashboardApp
from tui.model import HallModel
from tui.session import check_same_site, find_site, me, own_controller, state_folder

__all__ = ["run", "show", "show_site"]


def run(arguments: argparse.Namespace) -> int:
    """Open it on the running controller, or on one of its own, which other commands can then use.

    With ``--broker`` it is opened on every controller behind the broker, with ``--web`` in browsers.
    """
    if arguments.web or arguments.web_address is not None:
        from tui.web.serving import run as serve

        return serve(arguments)
    if not sys.stdout.isatty():
        raise InputError("the dashboard needs a terminal", todo="in a pipe use `linewarden status`")
    if arguments.broker is not None:
        return asyncio.run(_behind_a_broker(arguments))
    loaded = load_site(find_site(arguments))
    return asyncio.run(show_site(loaded, state_folder(arguments, loaded)))


async def show_site(loaded: LoadedSite, folder: Path, captures: tuple[Path, ...] | None = None) -> int:
    """The dashboard on a site's running controller, or on one of its own.

    Args:
        loaded: the site.
        folder: where its controller keeps its journal.
        captures: shown first, on the bench; None for the units.

    Raises:
        InputError: the controller that runs was started with another site file of the same id.
    """
    try:
        client = await LocalClient.connect(folder)
    except ControllerAway:
        with Claim(folder) as claim:
            async with own_controller(loaded, claim) as controller, LocalServer(controller, claim):
                return await show(controller, captures)
    async with client:
        check_same_site(await client.site(), loaded)
        return await show(client, captures)


async def _behind_a_broker(arguments: argparse.Namespace) -> int:
    from tui.remote.broker import broker_settings
    from tui.remote.dashboard import BrokerDashboard
    from tui.remote.sites import RemoteSites

    if arguments.site is not None:
        todo = "leave out one of the two"
        raise InputError("--broker shows all sites behind it, --site one on this machine", todo=todo)
    who = me().name
    settings = broker_settings(arguments)
    async with await RemoteSites.connect(settings, who=who, any_protocol=arguments.protocol is None) as sites:
        app = BrokerDashboard(sites, await HallModel.read(sites), who=who)
        return await run_alone(app)


async def show(api: ControllerApi, captures: tuple[Path, ...] | None = None, *, cautions: bool = True) -> int:
    """The dashboard on a controller, until it is left; with captures the bench is shown first."""
    app = DashboardApp(api, await HallModel.read(api), who=me().name, cautions=cautions)
    app.captures = captures
    return await run_alone(app)
