"""``linewarden probe``: who answers, and where the ring is cut."""

from __future__ import annotations

import argparse
import asyncio
import sys

from controller.api import ControllerApi, ProbeReport, SiteView
from controller.plain import to_plain
from controller.records import to_json
from controller.site import load_site
from tui.break_search import Searched, search_for_break
from tui.probe_words import leads_to_break, probe_lines
from tui.session import find_site, run_with_api, state_folder, working_api
from tui.telling import as_json


def run(arguments: argparse.Namespace) -> int:
    """Ask; 1 where the bus is not as it should be, or the ring still cut in the end."""
    if arguments.find_break:
        return _find_break(arguments)

    async def work(api: ControllerApi) -> tuple[ProbeReport, SiteView]:
        return await api.probe(arguments.bus), await api.site()

    report, site = run_with_api(arguments, work)
    if arguments.json:
        print(as_json(to_json(report)))
    else:
        further = leads_to_break(report, site)
        print("\n".join([*probe_lines(report), *([further] if further else [])]))
    return 0 if report.well else 1


def _find_break(arguments: argparse.Namespace) -> int:
    loaded = load_site(find_site(arguments))

    def say(line: str) -> None:
        # With --json the person is led on standard error, and standard output has the one document.
        print(line, file=sys.stderr if arguments.json else sys.stdout, flush=True)

    async def main() -> Searched:
        async with working_api(loaded, state_folder(arguments, loaded)) as api:
            return await search_for_break(api, arguments.bus, say)

    searched = asyncio.run(main())
    if arguments.json:
        print(as_json(to_plain(searched)))
    return 0 if searched.whole else 1
