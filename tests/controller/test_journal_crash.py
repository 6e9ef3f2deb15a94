"""Killed at any moment, the journal has all that it had acknowledged, and every command has an end."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from controller.api import JournalQuery
from controller.journal_reader import JournalReader
from controller.journal_store import JournalStore
from controller.records import Result

pytestmark = pytest.mark.skipif(os.name != "posix", reason="there is no SIGKILL elsewhere")


def run_and_kill(path: Path, after_lines: int) -> list[list[str]]:
    """Let the victim work until it has said so many lines, kill it, and return all that it said."""
    victim = subprocess.Popen(
        [sys.executable, "-m", "tests.controller.journal_victim", str(path)], stdout=subprocess.PIPE
    )
    assert victim.stdout is not None
    lines = [victim.stdout.readline() for _ in range(after_lines)]
    os.kill(victim.pid, signal.SIGKILL)
    rest = victim.stdout.read()
    victim.stdout.close()
    victim.wait()
    assert victim.returncode == -signal.SIGKILL
    whole = (b"".join(lines) + rest).decode().split("\n")[:-1]
    return [line.split() for line in whole]


def verify_nothing_lost(path: Path, said: list[list[str]], counters: dict[str, int]) -> int:
    """What was acknowledged is there; returns how many commands had been open."""
    of = {kind: [words[1:] for words in said if words[0] == kind] for kind in ("intent", "outcome", "lock")}
    last_intents = {identity for (identity,) in of["intent"][-12:]}
    store = JournalStore(path, now=1.0)
    assert store.faults() == []
    reader = JournalReader(path)
    entries = {entry.command.id: entry for entry in reader.find(JournalQuery(limit=100_000, traffic=True))}
    reader.close()
    # The oldest go when the journal grows too large; the last ones never do.
    assert last_intents <= entries.keys()
    ended = {identity for (identity,) in of["outcome"]}
    for identity, entry in entries.items():
        assert entry.outcome is not None, identity
        if identity in ended:
            assert entry.outcome.result in (Result.CONFIRMED, Result.FAILED)
        assert bool(entry.traffic) == (entry.outcome.result is Result.FAILED)
    assert {identity for (identity,) in of["lock"]} <= {lock.id for lock in store.locks()}
    states = store.states().get("foyer-amp", {})
    for words in said:
        if words[0] == "state":
            value = states[words[1]].value
            assert isinstance(value, int)
        if words[0] == "counter":
            counters[words[1]] = max(counters.get(words[1], -1), int(words[2]))
    last_states = {words[1]: int(words[2]) for words in said if words[0] == "state"}
    assert all(int(states[name].value or 0) >= number for name, number in last_states.items())
    with store.transaction():
        for name, number in counters.items():
            counters[name] = store.next_counter("hall", name, 0, 1 << 30)
            assert counters[name] > number
    store.close()
    return len(store.interrupted)


def kill_often(path: Path, rounds: int, wanted: int, seed: int) -> int:
    """Kill so many times, and go on until so many commands were found open; gives how many were.

    How often a kill finds one open depends on how busy the machine is; that some are found does not.
    """
    dice = random.Random(seed)
    counters: dict[str, int] = {}
    found_open = round_number = 0
    while round_number < rounds or (found_open < wanted and round_number < 8 * rounds):
        said = run_and_kill(path, dice.randint(2, 300))
        assert said[0] == ["open", "0"]
        found_open += verify_nothing_lost(path, said, counters)
        round_number += 1
    return found_open


def test_killed_in_the_middle_of_writing_nothing_acknowledged_is_lost(tmp_path: Path) -> None:
    assert kill_often(tmp_path / "state" / "journal.sqlite", 4, 1, seed=1) >= 1


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_killed_many_times_nothing_acknowledged_is_lost(tmp_path: Path) -> None:
    assert kill_often(tmp_path / "state" / "journal.sqlite", 60, 20, seed=2) >= 20
