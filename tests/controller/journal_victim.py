"""A process that commands without end and says what the journal has taken, until it is killed.

``python -m tests.controller.journal_victim JOURNAL``: prints a line for each thing that was acknowledged.
"""

from __future__ import annotations

import asyncio
import itertools
import os
import sys
import time
from pathlib import Path

from controller.journal import Journal
from controller.records import Command, Direction, Known, Lock, Outcome, Result, StateValue, Traffic


def say(*words: object) -> None:
    # In one write: half a line is none, and a whole one is with the reader whatever happens to this process.
    os.write(1, (" ".join(map(str, words)) + "\n").encode())


async def work(journal: Journal, name: str) -> None:
    for number in itertools.count():
        identity = f"{os.getpid()}-{name}-{number}"
        serial = await journal.next_counter("hall", name, 0, 1 << 30)
        say("counter", name, serial)
        await journal.intent(Command("foyer-amp", "power-on", {"serial": serial}, id=identity))
        say("intent", identity)
        around = [Traffic("hall", time.time(), Direction.HEARD, bytes(64))] if number % 3 == 0 else []
        await journal.outcome(Outcome(identity, Result.FAILED if around else Result.CONFIRMED), around)
        say("outcome", identity)
        if number % 5 == 0:
            await journal.set_state("foyer-amp", name, StateValue(number, Known.CONFIRMED, time.time()))
            say("state", name, number)
        if number % 7 == 0:
            await journal.add_lock(Lock(identity, "hall", "kim", "rewiring", time.time()))
            say("lock", identity)
        if number % 40 == 39:
            await journal.retain(most_bytes=400_000)


async def main() -> None:
    journal = await Journal.open(Path(sys.argv[1]), clock=time.time)
    say("open", len(journal.interrupted))
    await asyncio.gather(*(work(journal, name) for name in ("a", "b", "c")))


asyncio.run(main())
