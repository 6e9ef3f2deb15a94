"""States that a person sets right by hand: nothing is sent, and the journal says who did it."""

from __future__ import annotations

from collections.abc import Callable

from controller.journal import Journal
from controller.records import Command, Origin, Outcome, Result
from profiles.errors import JournalError
from profiles.model import Value

__all__ = ["enter_by_hand"]


async def enter_by_hand(
    journal: Journal,
    unit: str,
    state: str,
    value: Value,
    origin: Origin,
    *,
    utc: Callable[[], float],
    failed: Callable[[JournalError], None],
) -> Command:
    """Enter what was set by hand, before anyone is told.

    A disk that does not take it keeps nobody from saying how the gear is: the entry is owed then.

    Args:
        journal: takes the entry.
        unit: whose state it is.
        state: the state's name.
        value: what it is said to be.
        origin: who said so.
        utc: UTC seconds.
        failed: told where the disk does not take it.

    Returns:
        The entry's command.
    """
    command = Command(unit, "", {state: value}, origin, at=utc(), by_hand=True)
    outcome = Outcome(command.id, Result.PRESUMED, text="set by hand; nothing was sent", at=utc())
    try:
        await journal.enter(command, outcome)
    except JournalError as error:
        failed(error)
    return command
