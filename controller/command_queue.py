"""Commands that wait for one bus: de-energising ones pass, and a held-off unit holds up no other."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection
from dataclasses import dataclass, field

from controller.guard import Cleared
from controller.records import Outcome, Reason
from controller.unit_times import Ready
from controller.waiting import Clock

__all__ = ["CommandQueue", "TakenBack", "Waiting"]


@dataclass(frozen=True, slots=True)
class TakenBack:
    """Why a command is not to be carried out any more."""

    text: str = "taken back before it was sent"
    reason: Reason = Reason.CANCELLED
    look_at: str = ""


@dataclass(slots=True, eq=False)
class Waiting:
    """A command in the queue, or under way."""

    cleared: Cleared
    done: asyncio.Future[Outcome] = field(default_factory=lambda: asyncio.get_running_loop().create_future())
    taken_back: TakenBack | None = None

    @property
    def id(self) -> str:
        """The command's id."""
        return self.cleared.command.id


class CommandQueue:
    """The queue of one bus.

    Args:
        ready: from when a command may be sent, on ``clock``.
        clock: monotonic seconds.
        utc: UTC seconds, for deadlines.
    """

    def __init__(self, ready: Callable[[Cleared], Ready], clock: Clock, utc: Callable[[], float]) -> None:
        self._ready = ready
        self._clock = clock
        self._utc = utc
        self._waiting: list[Waiting] = []
        self._begun: Waiting | None = None
        self._changed = asyncio.Event()

    def __len__(self) -> int:
        return len(self._waiting) + (self._begun is not None)

    def pass_by(self, cleared: Cleared) -> Waiting | None:
        """Let a command pass whose turn it is now, with nothing before it; ``next`` gives it before all else.

        Returns:
            None where it has to wait: then it was not taken.
        """
        if self._waiting or self._begun is not None:
            return None
        deadline = cleared.command.deadline
        if self._ready(cleared).at > self._clock() or (deadline is not None and not self._utc() <= deadline):
            return None
        self._begun = Waiting(cleared)
        self._changed.set()
        return self._begun

    @property
    def begun(self) -> bool:
        """Whether one was let pass and ``next`` has not given it yet."""
        return self._begun is not None

    def put(self, cleared: Cleared) -> Waiting:
        """Queue a command."""
        waiting = Waiting(cleared)
        self._waiting.append(waiting)
        self._changed.set()
        return waiting

    def take_back(self, which: Callable[[Cleared], bool], why: TakenBack) -> list[Waiting]:
        """Take back the commands that ``which`` is true of; each of them still comes out of ``next``."""
        found = [waiting for waiting in self._waiting if which(waiting.cleared)]
        for waiting in found:
            waiting.taken_back = waiting.taken_back or why
        self._changed.set()
        return found

    def wake(self) -> None:
        """Let ``next`` look again."""
        self._changed.set()

    async def next(self, until: Callable[[], bool]) -> Waiting | None:
        """The command whose turn it is; waits for one, or until ``until`` holds, which comes first."""
        while True:
            self._changed.clear()
            begun, self._begun = self._begun, None
            if begun is not None:
                return begun
            if until():
                return None
            now = self._clock()
            found, soonest = self._choose(now)
            if found is not None:
                self._waiting.remove(found)
                return found
            try:
                async with asyncio.timeout(None if soonest is None else max(0.0, soonest - now)):
                    await self._changed.wait()
            except TimeoutError:
                continue

    def _choose(self, now: float) -> tuple[Waiting | None, float | None]:
        """The command whose turn it is; or the soonest instant at which there can be one."""
        utc = self._utc()
        due: list[float] = []
        held: set[str] = set()
        stay_on: set[str] = set()
        for waiting in sorted(self._waiting, key=lambda each: not each.cleared.de_energises):
            cleared = waiting.cleared
            deadline = cleared.command.deadline
            if waiting.taken_back or (deadline is not None and not utc <= deadline):
                return waiting, None
            ready = self._ready(cleared)
            behind = _meet(cleared.units, held) or (cleared.energises and _meet(cleared.units, stay_on))
            if not behind and now >= ready.at:
                return waiting, None
            # Automation that has to leave a unit on holds up what would energise it again, and nothing else.
            (stay_on if not behind and now >= ready.held_until else held).update(cleared.units)
            if now < ready.at:
                due.append(ready.at)
            if deadline is not None:
                due.append(now + deadline - utc)
        return None, min(due, default=None)


def _meet(units: Collection[str], others: set[str]) -> bool:
    return not others.isdisjoint(units)
