"""What a controller must know of an earlier run.

Hold-offs and minimum times don't end with a restart, nor do service locks with a damaged journal.
"""

from __future__ import annotations

from controller.alerts import AlertBook
from controller.api import JournalEntry, JournalQuery
from controller.guard import Gate
from controller.journal import Journal
from controller.lock_book import LockBook
from controller.records import Outcome, Reason, Result
from controller.site import LoadedSite
from controller.states import StateBook

__all__ = ["begin_after_damage", "first_states", "remember_commands"]

_WAITED = 600.0
"""Seconds that a command may have waited between its entry in the journal and its turn."""
_MOST = 2000
_CAME_BACK_FRAME_BY_FRAME = (Reason.NO_ECHO, Reason.ECHO_STOPPED, Reason.ECHO_WRONG, Reason.ECHO_LATE)


async def remember_commands(gate: Gate, journal: Journal, *, utc: float, now: float) -> None:
    """Tell the gate what was sent lately, as far as it still matters.

    Args:
        gate: the gate.
        journal: the journal.
        utc: UTC seconds.
        now: the same instant on the gate's monotonic clock.

    Raises:
        JournalError: the journal can't be read.
    """
    if gate.memory <= 0:
        return
    query = JournalQuery(limit=_MOST, since=utc - gate.memory - _WAITED)
    for at, entry in sorted(_sent(await journal.query(query)), key=lambda pair: pair[0]):
        # A wall clock that was set back meanwhile must not put it into the future.
        gate.remember(entry.command, now - max(0.0, utc - at))


def _sent(entries: list[JournalEntry]) -> list[tuple[float, JournalEntry]]:
    return [
        (entry.outcome.at, entry)
        for entry in entries
        if entry.outcome and not entry.command.by_hand and _may_have_gone_out(entry.outcome)
    ]


def _may_have_gone_out(outcome: Outcome) -> bool:
    """Whether the whole message was out, or may have been."""
    if outcome.result.good or outcome.result is Result.INTERRUPTED:
        return True
    if outcome.attempts == 0:
        return False
    before_the_last = outcome.failed_at is not None and outcome.failed_at < outcome.frames - 1
    return not (before_the_last and outcome.reason in _CAME_BACK_FRAME_BY_FRAME)


def first_states(loaded: LoadedSite, journal: Journal, utc: float) -> StateBook:
    """All states of a site as they are at the start: unknown, with what was known last kept beside."""
    last = {
        (unit, name): value.last_known
        for unit, named in journal.states().items()
        for name, value in named.items()
        if value.last_known is not None
    }
    units = loaded.site.units.items()
    specs = {unit: loaded.profiles[spec.bus].profile.states for unit, spec in units}
    return StateBook(specs, last, utc)


async def begin_after_damage(
    loaded: LoadedSite, journal: Journal, alerts: AlertBook, locks: LockBook
) -> None:
    """Where the journal was damaged, say so; where its locks are lost, lock every bus."""
    if journal.set_aside is None:
        return
    alerts.set(
        "journal-damaged",
        "site",
        f"the journal was damaged; it is kept as {journal.set_aside.name}, and a new one was begun",
        "the disk",
    )
    if journal.locks_rescued:
        return
    for bus in loaded.site.buses:
        why = "the journal was damaged, and service locks that stood may be lost"
        await locks.set(bus, "Linewarden", why)
