"""The box's own trigger machine (C99), built for this computer and given lists of inputs.

What it has to do is said here a second time, from a list of levels and without counting down: a level counts
as steady once it was seen for so many ticks, an order comes so many ticks after that, and an order whose
level has gone again never comes.
"""

from __future__ import annotations

import ctypes
import itertools
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from profiles.firmware.request import AtStart
from tests.profiles.firmware.boxes import exported, profile_text

DEBOUNCE, DELAY_ON, DELAY_OFF, HOLD_ON, HOLD_OFF = 4, 7, 3, 9, 0
NONE, ON, OFF = 0, 1, 2

pytestmark = pytest.mark.peer("cc")


class _Trigger(ctypes.Structure):
    _fields_ = [
        ("seen", ctypes.c_bool),
        ("steady", ctypes.c_bool),
        ("said", ctypes.c_bool),
        ("settled", ctypes.c_bool),
        ("bounce", ctypes.c_uint16),
        ("delay", ctypes.c_uint32),
        ("hold", ctypes.c_uint32),
    ]


class Machine:
    """trigger.c as a library."""

    def __init__(self, path: Path) -> None:
        self._library = ctypes.CDLL(str(path))
        self._library.trigger_rests.restype = ctypes.c_bool
        self._state = _Trigger()

    def start(self, level: bool) -> None:
        self._library.trigger_start(ctypes.byref(self._state), ctypes.c_bool(level))

    def step(self, level: bool, ticks: int) -> int:
        return int(
            self._library.trigger_step(ctypes.byref(self._state), ctypes.c_bool(level), ctypes.c_uint8(ticks))
        )

    def told(self, on: bool) -> None:
        self._library.trigger_told(ctypes.byref(self._state), ctypes.c_bool(on))

    def rests(self) -> bool:
        return bool(self._library.trigger_rests(ctypes.byref(self._state)))


@dataclass
class Told:
    """The same from the list of levels seen, one a tick; nothing is counted down."""

    at_start: AtStart
    levels: list[bool] = field(default_factory=list)
    steady: bool | None = None
    since: int = 0
    """The tick at which the steady level became so."""
    said: bool | None = None
    free: int = 0
    """The tick from which on something may be said."""

    def step(self, level: bool) -> int:
        self.levels.append(level)
        now = len(self.levels) - 1
        last = self.levels[-(DEBOUNCE + 1) :]
        if len(last) > DEBOUNCE and len(set(last)) == 1 and level != self.steady:
            first = self.steady is None
            self.steady, self.since = level, now
            if first:
                quiet = {AtStart.NOTHING: level, AtStart.OFF: True, AtStart.FOLLOW: not level}
                self.said = quiet[self.at_start]
        unsure = len(set(last)) > 1 or len(last) <= DEBOUNCE
        if self.steady is None or self.steady == self.said or unsure or now < self.free:
            return NONE
        if now - self.since < (DELAY_ON if self.steady else DELAY_OFF):
            return NONE
        self.said = self.steady
        self.free = now + (HOLD_ON if self.steady else HOLD_OFF)
        return ON if self.steady else OFF


@pytest.fixture(scope="module", params=list(AtStart))
def built(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[AtStart, Path]:
    """The machine, built for one choice of what a start says."""
    folder = tmp_path_factory.mktemp("machine")
    tick = 0.001
    made = exported(
        profile_text(confirm='method = "none"', more=f"hold_off_ms = {HOLD_ON}.0"),
        debounce=(DEBOUNCE - 1) * tick,
        delay_on=DELAY_ON * tick,
        delay_off=DELAY_OFF * tick,
        at_start=request.param,
    )
    for name in ("trigger.c", "trigger.h", "config.h"):
        (folder / name).write_text(made.files[name])
    library = folder / "trigger.so"
    command = ["cc", "-std=c99", "-Wall", "-Wextra", "-Werror", "-fPIC", "-shared", "-o", str(library)]
    subprocess.run([*command, str(folder / "trigger.c")], check=True, timeout=60)
    return request.param, library


runs = st.lists(st.tuples(st.booleans(), st.integers(1, 14)), min_size=1, max_size=30)
"""Levels, and for how many ticks each is there."""


def ticks(levels: list[tuple[bool, int]]) -> Iterator[bool]:
    for level, count in levels:
        yield from [level] * count


@settings(max_examples=150, deadline=None)
@given(levels=runs)
def test_orders_come_when_they_have_to_and_never_else(
    built: tuple[AtStart, Path], levels: list[tuple[bool, int]]
) -> None:
    at_start, library = built
    machine, told = Machine(library), Told(at_start)
    told.free = max(HOLD_ON, HOLD_OFF)  # it does not know what was said before its start
    seen = list(ticks(levels))
    machine.start(seen[0])
    told.levels.append(seen[0])
    for number, level in enumerate(seen):
        order = machine.step(level, 1)
        assert order == told.step(level), f"tick {number}"
        if order != NONE:
            machine.told(order == ON)
        if machine.rests():
            assert told.said == told.steady == level


@settings(max_examples=100, deadline=None)
@given(levels=runs, asleep=st.lists(st.integers(1, 255), min_size=1, max_size=20))
def test_a_chip_that_overslept_says_nothing_twice(
    built: tuple[AtStart, Path], levels: list[tuple[bool, int]], asleep: list[int]
) -> None:
    at_start, library = built
    machine = Machine(library)
    seen = list(ticks(levels))
    machine.start(seen[0])
    orders = []
    for number, level in enumerate(seen):
        order = machine.step(level, asleep[number % len(asleep)])
        if order != NONE:
            orders.append(order)
            machine.told(order == ON)
            assert machine.step(level, 0) == NONE
            assert level == (order == ON), "nothing is said that the trigger does not ask for"
    # On and off take turns: the same is never said again, whatever the trigger did meanwhile.
    assert all(one != other for one, other in itertools.pairwise(orders))
    if at_start is not AtStart.FOLLOW:
        assert orders[:1] != [ON] or not all(seen), "a start never says on by itself"
