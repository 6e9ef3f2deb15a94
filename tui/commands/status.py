"""``linewarden status``: is it running; buses, units, alerts, locks."""

from __future__ import annotations

import argparse
import asyncio
import time
from typing import Any

from controller.api import ControllerApi
from controller.journal import Journal
from controller.local_client import LocalClient
from controller.records import BusStatus, Known, to_json
from controller.site import LoadedSite, load_site
from profiles.errors import ControllerAway
from tui.session import find_site, state_folder
from tui.telling import as_json, clock_time, plain, state_word, table, value_word


def run(arguments: argparse.Namespace) -> int:
    """Ask the running controller; 1 where none runs (then only what the journal remembers is told)."""
    loaded = load_site(find_site(arguments))
    folder = state_folder(arguments, loaded)

    async def ask() -> dict[str, Any] | None:
        try:
            client = await LocalClient.connect(folder)
        except ControllerAway:
            return None
        try:
            return await _gather(client)
        finally:
            await client.close()

    found = asyncio.run(ask())
    if found is None:
        return _not_running(arguments, loaded, asyncio.run(_remembered(folder)))
    if arguments.json:
        print(as_json(found["document"]))
    else:
        print("\n".join(found["lines"]))
    return 0


async def _gather(api: ControllerApi) -> dict[str, Any]:
    view, states = await api.site(), await api.states()
    buses, alerts, locks = await api.buses(), await api.alerts(), await api.locks()
    lines = [f"{view.title}: the controller runs", ""]
    lines += table([_bus_row(bus) for bus in buses], ("BUS", "LINK", "UNITS ANSWERING", "LAG", ""))
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
        lines.append(plain(f"locked: {lock.target} by {lock.who}: {lock.why} (unlock {lock.id[:8]})"))
    document = {
        "running": True,
        "site": {"id": view.id, "title": view.title},
        "buses": [to_json(bus) for bus in buses],
        "states": {
            unit: {name: to_json(value) for name, value in named.items()} for unit, named in states.items()
        },
        "alerts": [to_json(alert) for alert in alerts],
        "locks": [to_json(lock) for lock in locks],
    }
    return {"lines": lines, "document": document}


def _bus_row(bus: BusStatus) -> tuple[str, str, str, str, str]:
    answering = "can't tell" if bus.units_answering is None else str(bus.units_answering)
    if bus.units_expected is not None:
        answering += f" of {bus.units_expected}"
    lag = "-" if bus.lag_ms is None else f"{bus.lag_ms:.1f} ms"
    return bus.bus, bus.link.value, answering, lag, plain(bus.text)


async def _remembered(folder: Any) -> list[tuple[str, str, str]]:
    """What the journal last knew of each state, without opening a port."""
    if not (folder / "journal.sqlite").exists():
        return []
    journal = await Journal.open(folder / "journal.sqlite", clock=time.time)
    try:
        return [
            (unit, name, value_word(value.last_known))
            for unit, named in journal.states().items()
            for name, value in named.items()
            if value.last_known is not None
        ]
    finally:
        await journal.close()


def _not_running(
    arguments: argparse.Namespace, loaded: LoadedSite, remembered: list[tuple[str, str, str]]
) -> int:
    site = loaded.site.site
    if arguments.json:
        last = [{"unit": unit, "state": name, "last_known": value} for unit, name, value in remembered]
        print(as_json({"running": False, "site": {"id": site.id, "title": site.title}, "last_known": last}))
        return 1
    print(f"{site.title or site.id}: no controller runs (start one with `linewarden run`)")
    for unit, name, value in remembered:
        print(plain(f"{unit}: {name} {Known.UNKNOWN.value}, last {value}"))
    return 1
