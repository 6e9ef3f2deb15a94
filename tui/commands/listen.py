"""``linewarden listen``: live traffic with its meaning."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import sys
from collections.abc import AsyncIterator
from pathlib import Path

from controller.api import ControllerApi
from controller.recording import Recorder
from controller.records import BusStatus, Event, LinkState, Lost, Record, StateChange, Traffic, to_json
from controller.site import LoadedSite, load_site
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

    ever_up = False

    async def main() -> None:
        nonlocal ever_up
        async with working_api(loaded, state_folder(arguments, loaded)) as api:
            status = next(each for each in await api.buses() if each.bus == arguments.bus)
            ever_up = status.link is not LinkState.DOWN
            if not ever_up:
                _tell_link(status)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(arguments.seconds):
                    async for status in _follow(api, arguments, loaded):
                        ever_up = ever_up or status.link is not LinkState.DOWN
                        _tell_link(status)

    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(main())
    return 0 if ever_up else 1


def _tell_link(status: BusStatus) -> None:
    """Whether the adapter is there is no traffic: it is told beside it."""
    word = f"is not there: {status.text}" if status.link is LinkState.DOWN else "is there"
    print(f"linewarden: {status.bus}: the adapter {plain(word)}", file=sys.stderr, flush=True)


async def _follow(
    api: ControllerApi, arguments: argparse.Namespace, loaded: LoadedSite
) -> AsyncIterator[BusStatus]:
    """Print what goes by; gives the bus's status whenever its link changes."""
    kinds = frozenset(("Traffic", "StateChange", "Event", "BusStatus"))
    link: LinkState | None = None
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
            if isinstance(record, BusStatus):
                if link is not None and record.link is not link:
                    yield record
                link = record.link
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
