"""The service locks that stand: each holds at once, and outlives a power cut before it is told."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from controller.journal import Journal
from controller.records import Lock, Record, new_id
from profiles.errors import InputError, JournalError

__all__ = ["LockBook"]


class LockBook:
    """All locks of a site; they stack: a target is free when every one of its locks is cleared.

    Args:
        journal: keeps them.
        locks: those that stand.
        publish: who is told of a new or cleared one.
        utc: UTC seconds.
    """

    def __init__(
        self,
        journal: Journal,
        locks: Iterable[Lock],
        publish: Callable[[Record], None],
        utc: Callable[[], float],
    ) -> None:
        self._journal = journal
        self._locks = {lock.id: lock for lock in locks}
        self._publish = publish
        self._utc = utc

    def standing(self) -> tuple[Lock, ...]:
        """All locks, oldest first."""
        return tuple(sorted(self._locks.values(), key=lambda lock: (lock.at, lock.id)))

    async def set(self, target: str, who: str, why: str) -> Lock:
        """Set a lock on a target that is known to be there.

        Raises:
            InputError: nobody, or no reason, is named.
            JournalError: it can't be kept; it does not stand then.
        """
        if not who.strip() or not why.strip():
            raise InputError("a lock needs who sets it and why", where=target, todo="give both")
        lock = Lock(new_id(), target, who.strip(), why.strip(), self._utc())
        # It holds while it is being written: nothing may slip through until it is kept.
        self._locks[lock.id] = lock
        try:
            await self._journal.add_lock(lock)
        except JournalError:
            del self._locks[lock.id]
            raise
        self._publish(lock)
        return lock

    async def clear(self, lock_id: str) -> bool:
        """Clear one lock, named by its id or the beginning of it; whether there was one.

        Raises:
            InputError: the beginning fits several locks.
            JournalError: that can't be kept; it still stands then.
        """
        found = [lock for lock in self._locks.values() if lock.id.startswith(lock_id)] if lock_id else []
        if len(found) > 1:
            raise InputError(f"{len(found)} locks begin with {lock_id!r}", todo="give more of the id")
        if not found:
            return False
        await self._journal.remove_lock(found[0].id)
        if self._locks.pop(found[0].id, None) is None:
            return False  # somebody else has cleared it meanwhile
        self._publish(replace(found[0], over=True))
        return True
