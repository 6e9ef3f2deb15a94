"""The Controller API over a local socket: the front end's end."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import weakref
from pathlib import Path
from typing import Any, Self

from controller.api import JournalEntry, JournalQuery, ProbeReport, ProfileText, SiteView
from controller.fanout import Subscription
from controller.health import Health
from controller.local_endpoint import reach
from controller.local_wire import LONGEST_REQUEST, VERSION, calls, decoded, encoded, error_from_plain
from controller.plain import from_plain, to_plain
from controller.records import (
    Alert,
    BusStatus,
    Command,
    Lock,
    Lost,
    Origin,
    Outcome,
    StateValue,
    record_from_json,
)
from controller.sequences_records import SequenceOrder, SequenceProgress, SequenceView
from controller.triggers_records import TriggerStatus
from profiles.errors import ControllerAway, ControllerError, ControllerOlder, InputError
from profiles.model import Value

__all__ = ["LocalClient"]

_GREETING_WITHIN = 5.0
_LOOK_AGAIN = 0.05
_LINES_AT_ONCE = 64


class LocalClient:
    """A running controller, by its state folder. Made with ``connect``.

    When the connection is lost, every call that waits and every later one ends with ``ControllerAway``, and
    so does every subscription after what it still holds; it never connects again by itself. Cancelling the
    wait for ``submit`` does not take the command back: ``cancel`` does. What an older controller does not
    know ends with ``ControllerOlder``.
    """

    def __init__(self, folder: Path, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._folder = folder
        self._reader = reader
        self._writer = writer
        self._identities = itertools.count(1)
        self._pending: dict[int, asyncio.Future[Any]] = {}
        self._streams: dict[int, weakref.ref[Subscription]] = {}
        self._away: ControllerAway | None = None
        self._reading = asyncio.create_task(self._read(), name="local client")

    @classmethod
    async def connect(cls, folder: Path, *, patience_s: float = 0.0) -> Self:
        """Connect to the controller that runs in a state folder.

        Args:
            folder: the state folder.
            patience_s: seconds for which to look again where there is none, such as one that is starting.

        Raises:
            ControllerAway: no controller runs there, or it does not answer.
            ControllerError: it is of another version.
        """
        loop = asyncio.get_running_loop()
        until = loop.time() + patience_s
        while True:
            try:
                return await cls._connect(folder)
            except ControllerAway:
                if loop.time() >= until:
                    raise
                await asyncio.sleep(_LOOK_AGAIN)

    @classmethod
    async def _connect(cls, folder: Path) -> Self:
        reader, writer, token = await reach(folder)
        try:
            if token:
                writer.write(encoded({"token": token}, LONGEST_REQUEST))
            async with asyncio.timeout(_GREETING_WITHIN):
                greeting = decoded(await reader.readuntil())
            if "error" in greeting:
                raise error_from_plain(greeting["error"])
            if greeting.get("linewarden") != VERSION:
                raise ControllerError(
                    "the running controller is of another version of this program",
                    where=str(folder),
                    todo="restart it",
                )
        except BaseException as error:
            writer.close()
            if isinstance(error, OSError | EOFError | InputError | asyncio.LimitOverrunError):
                raise ControllerAway(
                    "a controller is there and does not answer", where=str(folder), todo="restart it"
                ) from error
            raise
        return cls(folder, reader, writer)

    async def close(self) -> None:
        """Hang up. Commands that are under way go on."""
        self._lost(ControllerAway("this connection was closed", where=str(self._folder)), said=False)
        self._reading.cancel()
        await asyncio.gather(self._reading, return_exceptions=True)
        self._writer.close()
        with contextlib.suppress(OSError):
            await self._writer.wait_closed()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    # The connection

    async def _read(self) -> None:
        number = 0
        try:
            while True:
                self._take(decoded(await self._reader.readuntil()))
                number += 1
                if number % _LINES_AT_ONCE == 0:
                    # Lines that have come already are no reason to wait: others need their turn.
                    await asyncio.sleep(0)
        except (OSError, EOFError, InputError, asyncio.LimitOverrunError):
            pass
        finally:
            # Whatever ended it: nobody may wait for an answer that nothing will read.
            todo = "see whether it still runs"
            self._lost(ControllerAway("the controller went away", where=str(self._folder), todo=todo))
            self._writer.close()

    def _take(self, document: dict[str, Any]) -> None:
        identity = document.get("id")
        if not isinstance(identity, int):
            return
        if isinstance(document.get("record"), dict):
            self._take_record(identity, document["record"])
            return
        error = error_from_plain(document["error"]) if "error" in document else None
        reference = self._streams.pop(identity, None)
        stream = reference() if reference is not None else None
        if stream is not None:
            stream.close(error)
        future = self._pending.get(identity)
        if future is not None and not future.done():
            if error is not None:
                future.set_exception(error)
            else:
                future.set_result(document.get("result"))

    def _take_record(self, identity: int, document: dict[str, Any]) -> None:
        reference = self._streams.get(identity)
        stream = reference() if reference is not None else None
        if stream is None:
            if reference is not None:
                self._unsubscribe(identity)
            return
        try:
            stream.put(record_from_json(document))
        except InputError:
            stream.put(Lost(1))

    def _lost(self, away: ControllerAway, *, said: bool = True) -> None:
        """End everything that waits; subscriptions are told why unless they were ended on purpose."""
        if self._away is not None:
            return
        self._away = away
        for future in self._pending.values():
            if not future.done():
                future.set_exception(_again(away))
        streams, self._streams = self._streams, {}
        for reference in streams.values():
            stream = reference()
            if stream is not None:
                stream.close(_again(away) if said else None)

    def _request(self, name: str, arguments: dict[str, Any]) -> int:
        if self._away is not None:
            raise _again(self._away)
        identity = next(self._identities)
        document = {"id": identity, "call": name, "arguments": arguments}
        self._writer.write(encoded(document, LONGEST_REQUEST))
        return identity

    async def _call(self, name: str, /, **arguments: Any) -> Any:
        identity = self._request(name, to_plain(arguments))
        future = asyncio.get_running_loop().create_future()
        self._pending[identity] = future
        try:
            result = await future
        except InputError as error:
            # A controller runs on after this program was replaced by a later version of it.
            if error.what == f"there is no call {name!r}":
                raise ControllerOlder(
                    f"the running controller is older than this program, and does not know {name!r}",
                    where=str(self._folder),
                    todo="restart it",
                ) from None
            raise
        finally:
            del self._pending[identity]
        return from_plain(calls()[name].result, result)

    def _unsubscribe(self, identity: int) -> None:
        if self._streams.pop(identity, None) is not None and self._away is None:
            self._request("unsubscribe", {"id": identity})

    # The Controller API

    def subscribe(
        self,
        kinds: frozenset[str] | None = None,
        buses: frozenset[str] | None = None,
        *,
        size: int = 1000,
    ) -> Subscription:
        """Records as they happen; what any later call brings about is in it.

        Args:
            kinds: the record classes' names; None for all.
            buses: buses' ids; None for all.
            size: how many may wait here. More wait at the controller, and what neither holds is told
                by a ``Lost``.

        Raises:
            ControllerAway: the connection is lost.
        """
        identity = self._request("subscribe", to_plain({"kinds": kinds, "buses": buses}))
        stream = Subscription(kinds, buses, size=size, on_close=lambda: self._unsubscribe(identity))
        self._streams[identity] = weakref.ref(stream)
        return stream

    async def submit(self, command: Command) -> Outcome:
        """Carry out a command; returns when its outcome is journalled."""
        outcome: Outcome = await self._call("submit", command=command)
        return outcome

    async def cancel(self, command_id: str) -> bool:
        """Take back a command that waits or is under way; whether there was one."""
        found: bool = await self._call("cancel", command_id=command_id)
        return found

    async def all_off(self, scope: str | None, origin: Origin) -> list[Outcome]:
        """De-energise a unit, a group, a bus, or everything, now."""
        outcomes: list[Outcome] = await self._call("all_off", scope=scope, origin=origin)
        return outcomes

    async def site(self) -> SiteView:
        """The site's buses, units, actions and states."""
        site: SiteView = await self._call("site")
        return site

    async def states(self) -> dict[str, dict[str, StateValue]]:
        """Every unit's states."""
        states: dict[str, dict[str, StateValue]] = await self._call("states")
        return states

    async def buses(self) -> list[BusStatus]:
        """How each bus is."""
        buses: list[BusStatus] = await self._call("buses")
        return buses

    async def health(self) -> Health:
        """How the controller itself is."""
        health: Health = await self._call("health")
        return health

    async def alerts(self) -> list[Alert]:
        """What is wrong now."""
        alerts: list[Alert] = await self._call("alerts")
        return alerts

    async def locks(self) -> list[Lock]:
        """The service locks that stand."""
        locks: list[Lock] = await self._call("locks")
        return locks

    async def journal(self, query: JournalQuery) -> list[JournalEntry]:
        """Commands and what became of them, newest first."""
        entries: list[JournalEntry] = await self._call("journal", query=query)
        return entries

    async def lock(self, target: str, who: str, why: str) -> Lock:
        """Set a service lock on a unit, a group or a bus."""
        lock: Lock = await self._call("lock", target=target, who=who, why=why)
        return lock

    async def unlock(self, lock_id: str) -> bool:
        """Clear one lock; whether there was one."""
        found: bool = await self._call("unlock", lock_id=lock_id)
        return found

    async def presume(self, unit: str, state: str, value: Value, origin: Origin) -> StateValue:
        """Set a state right by hand: it is then ``presumed``."""
        presumed: StateValue = await self._call("presume", unit=unit, state=state, value=value, origin=origin)
        return presumed

    async def profile(self, name: str) -> ProfileText:
        """A profile's file."""
        profile: ProfileText = await self._call("profile", name=name)
        return profile

    async def put_profile(self, name: str, text: str, revision: str) -> ProfileText:
        """Save a profile; refused if its revision has moved."""
        profile: ProfileText = await self._call("put_profile", name=name, text=text, revision=revision)
        return profile

    async def sequences(self) -> list[SequenceView]:
        """The site's sequences, and how far each has come."""
        sequences: list[SequenceView] = await self._call("sequences")
        return sequences

    async def sequence(
        self, name: str, order: SequenceOrder, origin: Origin, agreed: bool = False
    ) -> SequenceProgress:
        """Begin a sequence up or down, or cancel it; returns when it has begun, or was refused."""
        progress: SequenceProgress = await self._call(
            "sequence", name=name, order=order, origin=origin, agreed=agreed
        )
        return progress

    async def triggers(self) -> list[TriggerStatus]:
        """The site's triggers: what each waits for, and what it last did."""
        triggers: list[TriggerStatus] = await self._call("triggers")
        return triggers

    async def probe(self, bus: str) -> ProbeReport:
        """Find out who answers."""
        report: ProbeReport = await self._call("probe", bus=bus)
        return report

    async def simulate(self, bus: str, order: str) -> str:
        """Give a simulated bus a fault or press a button; says what it did."""
        done: str = await self._call("simulate", bus=bus, order=order)
        return done


def _again(away: ControllerAway) -> ControllerAway:
    """A fresh copy: one raised error has one traceback."""
    return ControllerAway(away.what, where=away.where, todo=away.todo)
