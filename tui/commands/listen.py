"""``linewarden listen``: live traffic with its meaning."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import sys
from pathlib import Path

from controller.site import LoadedSite, load_site

from controller.api import ControllerApi
from controller.recording import Recorder
from controller.records import Event, Lost, Record, StateChange, Traffic, to_json
from profiles.errors import BadValue, NotKnown
from tui.session import find_site, state_folder, working_api
from tui.telling import as_json, clock_time, plain, state_word, traffic_line


def run(arguments: argparse.Namespace) -> int:
    """Listen until the time is over, or until Ctrl-C."""
    if arguments.seconds is not None and not 0 < arguments.seconds < 1e9:
        raise BadValue(f"--seconds must be above 0, not {arguments.seconds:g}")
    loaded = load_site(find_site(arguments))
    if arguments.bus not in loaded.site.buses:
        known = ", ".join(loaded.site.buses)
        raise NotKnown(f"no bus is called {arguments.bus!r}", todo=f"known are {known}")

    async def main() -> None:
        async with working_api(loaded, state_folder(arguments, loaded)) as api:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(arguments.seconds):
                    await _follow(api, arguments, loaded)

    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(main())
    return 0


async def _follow(api: ControllerApi, arguments: argparse.Namespace, loaded: LoadedSite) -> None:
    kinds = frozenset(("Traffic", "StateChange", "Event"))
    units = {unit for unit, spec in loaded.site.units.items() if spec.bus == arguments.bus}
    with contextlib.ExitStack() as stack:
        recorder = None
        if arguments.record:
            profile = loaded.profiles[arguments.bus].profile
            recorder = stack.enter_context(Recorder(Path(arguments.record), arguments.bus, profile))
        if sys.stderr.isatty() and not arguments.json:
            print(f"listening to {arguments.bus}; Ctrl-C ends it", file=sys.stderr)
        async for record in api.subscribe(kinds, frozenset((arguments.bus,))):
            if isinstance(record, StateChange) and record.unit not in units:
                continue
            if recorder is not None and isinstance(record, Traffic):
                recorder.add(record)
            text = as_json(to_json(record)) if arguments.json else _line(record)
            if text:
                print(text, flush=True)


def _line(record: Record) -> str:
    match record:
        case Traffic():
            return traffic_line(record)
        case StateChange():
            return f"{' ' * 12} = {record.unit}: {state_word(record.state, record.value)}"
        case Event():
            unit = f"{record.unit}: " if record.unit else ""
            return plain(f"{clock_time(record.at)} ! {unit}{record.name}")
        case Lost():
            return (
                f"{' ' * 12} … {record.count} records were missed here: they came faster than this could show"
            )
    return ""
