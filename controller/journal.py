"""The journal: every command and what became of it, last known states, locks, counters; for asyncio."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from pathlib import Path

from controller.api import JournalEntry, JournalQuery
from controller.journal_intents import intent_line
from controller.journal_reader import JournalReader
from controller.journal_store import JournalStore, Learned
from controller.journal_text import as_text
from controller.journal_writer import JournalWriter
from controller.records import Command, Lock, Outcome, Record, StateChange, StateValue, Traffic
from controller.threads import named_pool
from profiles.errors import InputError, JournalError

__all__ = ["Journal", "Learned"]

_STATES_AFTER = 1.0
"""Seconds after which noted states are written, all that have come together by then at once."""
_STATES_AGAIN = 10.0
"""Seconds until the next try where the disk did not take them."""
_MOST_NOT_ENTERED = 1000
_ANSWER_WITHIN = 20.0
"""Seconds for a question."""


class Journal:
    """The journal of one controller, for the event loop in which it was opened.

    Every method that waits raises ``JournalError`` where the disk does not take what is to be written.
    Nothing is damaged then, and the journal goes on by itself when there is space again.
    """

    def __init__(self, store: JournalStore, clock: Callable[[], float]) -> None:
        """Use ``open`` instead: a file is no work for an event loop."""
        self._clock = clock
        self._path = store.path
        self._writer = JournalWriter(store)
        self._reader: JournalReader | None = None
        self._reading = named_pool("question", 1)
        self._closed = False
        self._loop = asyncio.get_running_loop()
        self._states = store.states()
        self._locks = {lock.id: lock for lock in store.locks()}
        self._learned = store.learned()
        self._noted: dict[tuple[str, str], StateValue] = {}
        self._noting: asyncio.TimerHandle | None = None
        self._writing_notes: asyncio.Task[None] | None = None
        self._not_entered: dict[str, tuple[Command, float]] = {}
        self.interrupted = store.interrupted
        """Commands of an earlier run that were found without an outcome; theirs is ``interrupted`` now."""
        self.set_aside = store.set_aside
        """Where a damaged journal was put, if this one was begun in its place."""
        self.locks_rescued = store.locks_rescued
        """False where a damaged journal's service locks could not be read."""

    @classmethod
    async def open(cls, path: Path, *, clock: Callable[[], float], begin_anew: bool = False) -> Journal:
        """Open the journal at ``path``, made where there is none.

        Args:
            path: the file, in a state folder whose ``Claim`` the caller holds.
            clock: UTC seconds.
            begin_anew: whether a damaged journal is set aside and a new one begun.

        Raises:
            JournalDamaged: the file is damaged, and ``begin_anew`` was not said.
            JournalError: it can't be opened, or a newer program wrote it.
        """
        store = await asyncio.to_thread(JournalStore, path, now=clock(), begin_anew=begin_anew)
        return cls(store, clock)

    @property
    def path(self) -> Path:
        """The file."""
        return self._path

    # Commands

    def log_intent(self, command: Command) -> bool:
        """Enter a command whose id was made just now, at once, if the disk is quick.

        Returns:
            Whether it is entered and may go ahead; otherwise ``intent`` is to be called.
        """
        now, text = self._clock(), as_text(command)
        return self._writer.log(lambda store: store.intent(command, now, text), intent_line(text, now))

    async def intent(self, command: Command) -> JournalEntry | None:
        """Enter a command, before the first byte of it is written.

        Returns:
            None where it is new: it may go ahead. Otherwise what the journal has under its id, without an
            outcome while it is under way: the same id is the same command, and must not be sent again.
        """
        now = self._clock()
        try:
            return await self._writer.ask(lambda store: store.intent(command, now))
        except JournalError:
            self._not_entered[command.id] = (command, now)
            if len(self._not_entered) > _MOST_NOT_ENTERED:
                del self._not_entered[next(iter(self._not_entered))]
            raise

    async def outcome(self, outcome: Outcome, traffic: Sequence[Traffic] = ()) -> Outcome:
        """Enter what became of a command, before anyone is told; it then outlives a power cut.

        A command whose intent the disk did not take is entered with its outcome. An outcome that the disk
        does not take either is owed: the error is raised, and it is entered as soon as that can be done.

        Returns:
            The outcome that stands: a command has one, and the first stays.

        Raises:
            JournalError: it can't be written, or no such command was entered.
        """
        kept = tuple(traffic)
        missed = self._not_entered.pop(outcome.command_id, None)

        def enter(store: JournalStore) -> Outcome:
            if missed is not None:
                store.intent(*missed)
            return store.outcome(outcome, kept)

        try:
            return await self._writer.ask(enter, durable=True, owed=True)
        except InputError as error:
            raise JournalError(error.what, where=error.where) from error

    async def enter(self, command: Command, outcome: Outcome) -> JournalEntry | None:
        """Enter a command together with its outcome, such as one that was refused at once.

        Returns:
            As ``intent``: what is there under its id already, and then stays as it is.
        """
        now = self._clock()

        def enter(store: JournalStore) -> JournalEntry | None:
            earlier = store.intent(command, now)
            if earlier is None:
                store.outcome(outcome)
            return earlier

        return await self._writer.ask(enter, durable=True, owed=True)

    async def keep_traffic(self, command_id: str, traffic: Sequence[Traffic]) -> None:
        """Keep more traffic with a command, such as what followed its failure.

        Raises:
            JournalError: it can't be written, or no such command was entered.
        """
        kept = tuple(traffic)
        try:
            await self._writer.ask(lambda store: store.keep_traffic(command_id, kept), in_place=False)
        except InputError as error:
            raise JournalError(error.what, where=error.where) from error

    async def query(self, query: JournalQuery) -> list[JournalEntry]:
        """Commands and what became of them, the last one entered first. Holds up no writing.

        Raises:
            InputError: the query names a result that there is not.
            JournalError: it can't be read, or not in time: a disk that hangs holds up nobody for ever; or it
                was closed, before or meanwhile.
        """
        finding: Future[list[JournalEntry]] | None = None
        try:
            async with asyncio.timeout(_ANSWER_WITHIN):
                await self._writer.catch_up()
                self._check_open()
                finding = self._reading.submit(self._find, query)
                return await asyncio.wrap_future(finding)
        except TimeoutError:
            if finding is not None and not finding.cancelled() and self._reader is not None:
                self._reader.interrupt()
            raise JournalError(
                f"gives no answer within {_ANSWER_WITHIN:g} s",
                where=str(self._path),
                todo="ask for less: a unit, a time; or the disk does not answer: see whether it is sound",
            ) from None

    def _find(self, query: JournalQuery) -> list[JournalEntry]:
        self._check_open()
        if self._reader is None:
            self._reader = JournalReader(self._path)
        try:
            return self._reader.find(query)
        except JournalError:
            # Closing interrupts the question that is under way.
            self._check_open()
            raise

    def _check_open(self) -> None:
        if self._closed:
            raise JournalError(
                "the journal is closed",
                where=str(self._path),
                todo="ask again when the controller runs again",
            )

    @property
    def owed(self) -> int:
        """How many outcomes wait for the disk to take them."""
        return self._writer.owed

    # States

    def states(self) -> dict[str, dict[str, StateValue]]:
        """The last known states as they were when noted, by unit and state."""
        return {unit: dict(values) for unit, values in self._states.items()}

    async def set_state(self, unit: str, state: str, value: StateValue) -> None:
        """Keep a state's value; it outlives the end of this process from here on."""
        self._states.setdefault(unit, {})[state] = value
        self._noted.pop((unit, state), None)
        await self._writer.ask(lambda store: store.set_states({(unit, state): value}))

    def note(self, record: Record) -> None:
        """Keep the value of a ``StateChange`` within about a second; made to listen to a ``Fanout``."""
        if not isinstance(record, StateChange):
            return
        self._states.setdefault(record.unit, {})[record.state] = record.value
        self._noted[record.unit, record.state] = record.value
        if self._noting is None:
            self._noting = self._loop.call_later(_STATES_AFTER, self._write_notes_soon)

    def _write_notes_soon(self) -> None:
        self._writing_notes = self._loop.create_task(self._write_notes())

    async def _write_notes(self) -> None:
        noted, self._noted = self._noted, {}
        try:
            if noted:
                await self._writer.ask(lambda store: store.set_states(noted), in_place=False)
        except JournalError:
            self._noted = noted | self._noted
            self._noting = self._loop.call_later(_STATES_AGAIN, self._write_notes_soon)
            return
        self._noting = self._loop.call_later(_STATES_AFTER, self._write_notes_soon) if self._noted else None

    # Counters, locks, learned values

    async def next_counter(self, scope: str, name: str, start: int, wrap: int) -> int:
        """The number that is up for a counter of a bus or unit; never given twice, nor after a restart.

        Args:
            scope: the bus's or unit's id.
            name: the counter's name in the profile.
            start: its first number.
            wrap: it goes on from ``wrap - 1`` to 0.
        """
        return await self._writer.ask(lambda store: store.next_counter(scope, name, start, wrap))

    def locks(self) -> list[Lock]:
        """The service locks that stand, oldest first."""
        return sorted(self._locks.values(), key=lambda lock: (lock.at, lock.id))

    async def add_lock(self, lock: Lock) -> None:
        """Keep a service lock; it outlives a power cut from here on."""
        await self._writer.ask(lambda store: store.add_lock(lock), durable=True)
        self._locks[lock.id] = lock

    async def remove_lock(self, lock_id: str) -> bool:
        """Forget a service lock; whether there was one."""
        removed = await self._writer.ask(lambda store: store.remove_lock(lock_id), durable=True)
        self._locks.pop(lock_id, None)
        return removed

    def learned(self, bus: str) -> Learned | None:
        """What is known of a bus's line and adapter; None where nothing is."""
        return self._learned.get(bus)

    async def learn(self, bus: str, learned: Learned) -> None:
        """Keep what was learned of a bus."""
        self._learned[bus] = learned
        await self._writer.ask(lambda store: store.learn(bus, learned))

    # Housekeeping

    async def retain(
        self,
        *,
        older_than_s: float | None = None,
        most_bytes: int | None = None,
        probes_older_than_s: float | None = None,
    ) -> int:
        """Delete commands that are over and old, and the oldest where the journal is too large.

        Args:
            older_than_s: seconds since a command was entered after which it may go; None for never.
            most_bytes: what the file may use; None for as much as there is.
            probes_older_than_s: the same as the first, for scheduled probes that found all well.

        Returns:
            How many commands went.
        """
        before, probes = (
            None if age is None else self._clock() - age for age in (older_than_s, probes_older_than_s)
        )
        total = 0
        while gone := await self._writer.ask(
            lambda store: store.forget(before=before, most_bytes=most_bytes, probes_before=probes),
            in_place=False,
        ):
            total += gone
        return total

    async def close(self) -> None:
        """Write what is still to be written, and close the file. A second time does nothing.

        Questions that wait, and later ones, end with a ``JournalError``.
        """
        self._closed = True
        if self._noting is not None:
            self._noting.cancel()
        if self._writing_notes is not None:
            await asyncio.gather(self._writing_notes, return_exceptions=True)
            if self._noting is not None:
                self._noting.cancel()
        noted, self._noted = self._noted, {}
        try:
            if noted:
                await self._writer.ask(lambda store: store.set_states(noted), in_place=False)
        finally:
            # The reader first: the last connection to close puts the log into the file.
            await self._loop.run_in_executor(None, self._stop_reading)
            await self._writer.close()

    def _stop_reading(self) -> None:
        if self._reader is not None:
            self._reader.interrupt()
        # Those that wait are not cancelled: each is told that the journal is closed.
        self._reading.shutdown()
        if self._reader is not None:
            self._reader.close()
            self._reader = None
