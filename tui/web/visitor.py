"""One visitor's dashboard, in a process of its own: ``python -m tui.web.visitor SITE STATE-FOLDER``.

It is the dashboard of ``linewarden dash`` on the running controller, over the same local socket; it never
opens a controller of its own. Standard input and output are the browser's.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from controller.local_client import LocalClient
from controller.site import load_site
from profiles.errors import LinewardenError
from tui.alone import run_alone
from tui.app import DashboardApp
from tui.model import HallModel
from tui.session import check_same_site, me

__all__ = ["main"]


async def _show(site: Path, folder: Path) -> int:
    async with await LocalClient.connect(folder) as client:
        check_same_site(await client.site(), load_site(site))
        who = f"{me().name}, in a browser"
        return await run_alone(DashboardApp(client, await HallModel.read(client), who=who))


def main(words: list[str]) -> int:
    """Show the dashboard until the visitor leaves; gives the exit code."""
    site, folder = map(Path, words)
    try:
        return asyncio.run(_show(site, folder))
    except LinewardenError as error:
        print(f"linewarden: a visitor's dashboard: {error}", file=sys.stderr)
        return error.exit_code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
