"""A controller that nobody watches: signals, the service manager, the site file taken anew, the log."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

from controller.local import LocalServer
from controller.mqtt import MqttBridge
from controller.mqtt_settings import BrokerSettings, settings_for
from controller.records import Alert, BusStatus, Command, LinkState, Lock, Outcome
from controller.reloading import Differences, check_same_site
from controller.service import Controller
from controller.service_manager import ServiceManager
from controller.site import LoadedSite, load_site
from controller.state_folder import Claim
from profiles.errors import LinewardenError
from tui.session import own_controller
from tui.telling import outcome_words, plain

__all__ = ["Unattended", "broker_of"]

log = logging.getLogger("linewarden")

_STATUS_EVERY = 5.0
"""Seconds between looks at whether there is something new to tell the service manager."""


def broker_of(loaded: LoadedSite) -> BrokerSettings | None:
    """How the site's broker is reached; None where it has none.

    Raises:
        InputError: a file that it names can't be used.
    """
    mqtt = loaded.site.mqtt
    return None if mqtt is None else settings_for(mqtt, loaded.path.parent)


class Unattended:
    """Runs one site until it is told to end.

    Args:
        loaded: the site.
        broker: its broker.
        manager: the service manager.
    """

    def __init__(self, loaded: LoadedSite, broker: BrokerSettings | None, manager: ServiceManager) -> None:
        self._loaded = loaded
        self._broker = broker
        self._manager = manager
        self._stop = asyncio.Event()
        self._anew = asyncio.Event()
        self._bridge: MqttBridge | None = None
        self._at_terminal = _terminal_is_there()

    async def run(self, folder: Path) -> None:
        """Run it; the state folder is claimed for that time."""
        self._listen_to_signals()
        with Claim(folder) as claim:
            async with own_controller(self._loaded, claim) as controller, LocalServer(controller, claim):
                await self._begin_bridge(controller)
                try:
                    await self._serve(controller)
                finally:
                    self._manager.stopping()
                    await self._end_bridge()

    def _listen_to_signals(self) -> None:
        wanted: dict[str, Callable[[], None]] = {
            "SIGTERM": self._stop.set,
            "SIGINT": self._stop.set,
            "SIGHUP": self._hung_up,
        }
        loop = asyncio.get_running_loop()
        for name, what in wanted.items():
            with contextlib.suppress(NotImplementedError, AttributeError):  # Windows has none in the loop
                loop.add_signal_handler(getattr(signal, name), what)

    def _hung_up(self) -> None:
        """SIGHUP: the site file is to be taken anew, or the terminal that we were started in has gone."""
        gone = self._at_terminal and not _terminal_is_there()
        (self._stop if gone else self._anew).set()

    async def _serve(self, controller: Controller) -> None:
        tasks = [
            asyncio.create_task(work)
            for work in (_tell(controller), self._give_signs(controller), self._work(controller))
        ]
        try:
            await self._stop.wait()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _work(self, controller: Controller) -> None:
        """Say when it is ready, then take the site file anew as often as that is asked for."""
        await controller.ready()
        _tell_warnings(self._loaded)
        title = self._loaded.site.site.title or self._loaded.site.site.id
        print(f"{plain(title)}: running; nothing was sent", flush=True)
        self._manager.ready(await _status(controller))
        await asyncio.gather(self._tell_manager(controller), self._take_anew(controller))

    async def _give_signs(self, controller: Controller) -> None:
        """A sign of life proves that this loop runs, and every bus's thread: else there is none."""
        every = self._manager.sign_every
        while every is not None:
            stuck = controller.stuck()
            if stuck:
                log.critical(
                    "no sign of life: %s", "; ".join(f"bus {name}: {t}" for name, t in stuck.items())
                )
            else:
                self._manager.alive()
            await asyncio.sleep(every)

    async def _tell_manager(self, controller: Controller) -> None:
        told = ""
        while self._manager.listens:
            status = await _status(controller)
            if status != told:
                told = status
                self._manager.status(status)
            await asyncio.sleep(_STATUS_EVERY)

    # The site file, taken anew

    async def _take_anew(self, controller: Controller) -> None:
        while True:
            await self._anew.wait()
            self._anew.clear()
            self._manager.reloading(time.monotonic_ns() // 1000)
            try:
                found = await self._reload(controller)
            except LinewardenError as error:
                text = "the site file was not taken, and nothing was changed"
                log.error("%s: %s", text, plain(str(error)))  # noqa: TRY400 -- a person's mistake, in one line
                look = "the site file: `linewarden check` lists all its faults"
                controller.alert("site-file", "site", f"{text}: {error}", look)
            except Exception:
                log.exception("the site file could not be taken for a fault of this program")
                text = "the site file could not be taken for a fault of this program"
                controller.alert("site-file", "site", text, "the log of the controller; restarting it")
            else:
                log.warning("the site file was taken anew: %s", plain(str(found)))
                _tell_warnings(self._loaded)
                controller.alert("site-file", "site", None)
            await controller.ready()
            self._manager.ready(await _status(controller))

    async def _reload(self, controller: Controller) -> Differences:
        """Read the file, check it whole, and only then change anything.

        Raises:
            LinewardenError: it can't be taken; nothing is changed.
        """
        new = await asyncio.to_thread(load_site, self._loaded.path)
        broker = await asyncio.to_thread(broker_of, new)
        check_same_site(self._loaded, new)
        another = broker != self._broker or new.site.mqtt != self._loaded.site.mqtt
        if another:
            await self._end_bridge()
        try:
            found = await controller.reload(new)
            self._broker = broker
        finally:
            if another:
                await self._begin_bridge(controller)
        return found

    async def _begin_bridge(self, controller: Controller) -> None:
        if self._broker is not None:
            self._bridge = MqttBridge(controller, self._loaded, self._broker)
            await self._bridge.__aenter__()

    async def _end_bridge(self) -> None:
        bridge, self._bridge = self._bridge, None
        if bridge is not None:
            await bridge.__aexit__(None, None, None)


def _tell_warnings(loaded: LoadedSite) -> None:
    """What the site says that is worth knowing, such as power amplifiers that do not come on last."""
    for warning in loaded.warnings:
        log.warning("%s", plain(str(warning)))


def _terminal_is_there() -> bool:
    """Whether standard input is a terminal that has not been closed."""
    try:
        return os.isatty(sys.stdin.fileno())
    except (AttributeError, OSError, ValueError):
        return False


async def _status(controller: Controller) -> str:
    """How the controller is, in one line."""
    buses: list[BusStatus] = await controller.buses()
    up = sum(bus.link is not LinkState.DOWN for bus in buses)
    alerts = await controller.alerts()
    told = f"{up} of {len(buses)} buses up"
    locks = await controller.locks()
    if locks:
        told += f"; locked: {', '.join(sorted({lock.target for lock in locks}))}"
    if alerts:
        told += f"; {len(alerts)} alert{'s' * (len(alerts) != 1)}, the oldest of {alerts[0].target}: "
        told += plain(alerts[0].text)
    return told


async def _tell(controller: Controller) -> None:
    """Commands, outcomes, alerts and service locks into the log."""
    commands: dict[str, Command] = {}
    records = controller.subscribe(frozenset(("Command", "Outcome", "Alert", "Lock")))
    for alert in await controller.alerts():
        _tell_alert(alert)  # raised before anybody listened
    for lock in await controller.locks():
        _tell_lock(lock)
    async for record in records:
        match record:
            case Command():
                commands[record.id] = record
            case Outcome():
                command = commands.pop(record.command_id, None)
                if command is not None:
                    level = logging.INFO if record.result.good else logging.WARNING
                    log.log(level, "%s", outcome_words(command, record))
            case Alert():
                _tell_alert(record)
            case Lock():
                _tell_lock(record)


def _tell_lock(lock: Lock) -> None:
    word = "unlocked" if lock.over else "locked"
    log.warning("%s: %s, by %s: %s", word, lock.target, plain(lock.who), plain(lock.why))


def _tell_alert(alert: Alert) -> None:
    if alert.over:
        log.warning("over: %s: %s", alert.target, plain(alert.text))
    else:
        look = f"; look at {alert.look_at}" if alert.look_at else ""
        log.warning("alert: %s: %s", alert.target, plain(alert.text + look))
