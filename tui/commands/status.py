"""``linewarden status``: is it running; buses, units, alerts, locks."""

from __future__ import annotations

import argparse
import asyncio
from collections.abc import Awaitable, Container
from pathlib import Path
from typing import Any, TypeVar

from controller.api import ControllerApi
from controller.health import Health
from controller.journal_reader import JournalReader
from controller.local_client import LocalClient
from controller.plain import to_plain
from controller.records import BusStatus, Known, Lock, to_json
from controller.site import LoadedSite, load_site
from profiles.errors import ControllerAway, ControllerOlder
from tui.session import check_same_site, find_site, state_folder
from tui.telling import as_json, clock_time, plain, state_word, table, value_word

T = TypeVar("T")


def run(arguments: argparse.Namespace) -> int:
    """Ask the running controller; 1 where none runs (then only what the journal remembers is told)."""
    loaded = load_site(find_site(arguments))
    folder = state_folder(arguments, loaded)

    async def ask() -> dict[str, Any] | None:
        try:
            client = await LocalClient.connect(folder)
        except ControllerAway:
            return None
        async with client:
            check_same_site(await client.site(), loaded)
            return await gather(client)

    found = asyncio.run(ask())
    if found is None:
        return _not_running(arguments, loaded, folder)
    if arguments.json:
        print(as_json(found["document"]))
    else:
        print("\n".join(found["lines"]))
    return 0


async def gather(api: ControllerApi) -> dict[str, Any]:
    """What the controller tells, as lines for a person and as a document; what an older one can't is None."""
    view, states = await api.site(), await api.states()
    buses, alerts, locks = await api.buses(), await api.alerts(), await api.locks()
    health, sequences = await _if_known(api.health()), await _if_known(api.sequences())
    lines = [f"{view.title}: the controller runs"]
    lines += [] if health is None else [health_line(health)]
    missing = [name for name, told in (("health", health), ("sequences", sequences)) if told is None]
    if missing:
        names = " and ".join(missing)
        lines.append(f"it is older than this program, and does not tell its {names}: restart it")
    lines.append("")
    links = {} if health is None else health.buses
    rows = [_bus_row(bus, links.get(bus.bus, bus.link.value)) for bus in buses]
    lines += table(rows, ("BUS", "LINK", "UNITS ANSWERING", "LAG", ""))
    lines.append("")
    for unit in view.units:
        told = ", ".join(state_word(name, value) for name, value in states.get(unit.id, {}).items())
        lines.append(plain(f"{unit.id} ({unit.title}): {told or 'no states'}"))
    for alert in alerts:
        look = f"; look at {alert.look_at}" if alert.look_at else ""
        lines.append(
            plain(f"! {alert.target} since {clock_time(alert.since, date=True)}: {alert.text}{look}")
        )
    for lock in locks:
        lines.append(_lock_line(lock))
    begun = [view.last for view in sequences or () if view.last is not None]
    for progress in begun:
        if not progress.phase.over:
            lines.append(
                plain(f"on its way: {progress.sequence} {progress.direction}, begun by {progress.by}")
            )
    document = {
        "running": True,
        "site": {"id": view.id, "title": view.title},
        "health": to_plain(health),
        "buses": [to_json(bus) for bus in buses],
        "states": {
            unit: {name: to_json(value) for name, value in named.items()} for unit, named in states.items()
        },
        "alerts": [to_json(alert) for alert in alerts],
        "locks": [to_json(lock) for lock in locks],
        "sequences": None if sequences is None else [to_json(progress) for progress in begun],
    }
    return {"lines": lines, "document": document}


async def _if_known(asked: Awaitable[T]) -> T | None:
    """What is told; None where the running controller is older than this program and does not know of it."""
    try:
        return await asked
    except ControllerOlder:
        return None


def health_line(health: Health) -> str:
    """How the controller itself is, for a person."""
    journal = "takes entries" if health.journal else "CAN'T BE WRITTEN: nothing that energises is sent"
    left = "can't be told" if health.disk_free_mb is None else f"{health.disk_free_mb} MB"
    return f"since {clock_time(health.up_since, date=True)}; the journal {journal}; free on its disk: {left}"


def _bus_row(bus: BusStatus, link: str) -> tuple[str, str, str, str, str]:
    answering = "can't tell" if bus.units_answering is None else str(bus.units_answering)
    if bus.units_expected is not None:
        answering += f" of {bus.units_expected}"
    lag = "-" if bus.lag_ms is None else f"{bus.lag_ms:.1f} ms"
    return bus.bus, link, answering, lag, plain(bus.text)


def _remembered(folder: Path, units: Container[str]) -> tuple[list[tuple[str, str, str]], list[Lock]]:
    """What the journal last knew of each state of the units, and the locks that stand.

    Nothing is opened for writing. A journal outlives its site's file, and may know units that are gone.
    """
    path = folder / "journal.sqlite"
    if not path.exists():
        return [], []
    reader = JournalReader(path)
    try:
        states = [
            (unit, name, value_word(value.last_known))
            for unit, named in reader.states().items()
            for name, value in named.items()
            if unit in units and value.last_known is not None
        ]
        return states, reader.locks()
    finally:
        reader.close()


def _not_running(arguments: argparse.Namespace, loaded: LoadedSite, folder: Path) -> int:
    site = loaded.site.site
    remembered, locks = _remembered(folder, loaded.site.units)
    if arguments.json:
        document = {
            "running": False,
            "site": {"id": site.id, "title": site.title},
            "last_known": [{"unit": u, "state": n, "last_known": value} for u, n, value in remembered],
            "locks": [to_json(lock) for lock in locks],
        }
        print(as_json(document))
        return 1
    print(plain(f"{site.title or site.id}: no controller runs (start one with `linewarden run`)"))
    for unit, name, value in remembered:
        print(plain(f"{unit}: {name} {Known.UNKNOWN.value}, last {value}"))
    for lock in locks:
        print(_lock_line(lock))
    return 1


def _lock_line(lock: Lock) -> str:
    return plain(f"locked: {lock.target} by {lock.who}: {lock.why} (unlock {lock.id[:8]})")
