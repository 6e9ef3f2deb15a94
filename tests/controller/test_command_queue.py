"""Whose turn it is on a bus: de-energising first, nobody past one that waits for the same unit."""

from __future__ import annotations

import asyncio
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from controller.command_queue import CommandQueue, TakenBack, Waiting
from controller.guard import Cleared
from controller.records import Command, Origin, OriginKind
from controller.unit_times import Ready
from tests.controller.gates import Bench, command
from tests.controller.halls import until


class Desk:
    """A queue, its clocks, and until when each unit is held off or has to stay on."""

    def __init__(self) -> None:
        self.now = 100.0
        self.held: dict[str, float] = {}
        self.stays_on: dict[str, float] = {}
        self.over = False
        self._gate = Bench()
        self.queue = CommandQueue(self._ready, lambda: self.now, lambda: self.now + 5000)

    def _ready(self, cleared: Cleared) -> Ready:
        held = max(self.held.get(unit, 0.0) for unit in cleared.units)
        on = max(self.stays_on.get(unit, 0.0) for unit in cleared.units)
        automatic = cleared.command.origin.kind is OriginKind.TRIGGER
        return Ready(held, on if automatic and cleared.de_energises else 0.0)

    def put(self, name: str, unit: str, action: str, **more: object) -> Waiting:
        asked = replace(command(unit, action), id=name, **more)  # type: ignore[arg-type]  # -- a command's own fields
        cleared = self._gate.admit(asked)
        assert isinstance(cleared, Cleared)
        return self.queue.put(cleared)

    def now_due(self) -> list[str]:
        """The ids of all that may go now, in order."""
        names = []
        while (found := self.queue._choose(self.now)[0]) is not None:
            self.queue._waiting.remove(found)
            names.append(found.id)
        return names

    @property
    def wakes_at(self) -> float | None:
        return self.queue._choose(self.now)[1]


async def test_first_come_first_served_and_de_energising_first() -> None:
    desk = Desk()
    desk.put("volume", "mixer", "mute-on")
    desk.put("on", "hall-amp", "power-on")
    desk.put("off", "mixer", "standby")
    desk.put("all off", "sound", "standby")
    assert desk.now_due() == ["off", "all off", "volume", "on"]


async def test_a_unit_that_is_held_off_holds_up_its_own_commands_alone() -> None:
    desk = Desk()
    desk.held["mixer"] = 101.0
    desk.put("1", "mixer", "mute-on")
    desk.put("2", "mixer", "mute-off")
    desk.put("other", "hall-amp", "mute-on")
    desk.put("all", "sound", "mute-off")  # reaches the mixer too, and came later
    desk.put("after all", "hall-amp", "mute-off")
    assert desk.now_due() == ["other"]
    assert desk.wakes_at == 101.0
    desk.now = 101.0
    assert desk.now_due() == ["1", "2", "all", "after all"]


async def test_nothing_passes_a_de_energising_command_that_waits() -> None:
    desk = Desk()
    desk.held["mixer"] = 101.0
    desk.put("on", "mixer", "power-on")
    desk.put("off", "mixer", "standby")
    assert desk.now_due() == []
    desk.now = 101.0
    assert desk.now_due() == ["off", "on"]


async def test_automation_that_has_to_leave_a_unit_on_holds_up_no_person() -> None:
    desk = Desk()
    desk.stays_on["mixer"] = 700.0
    trigger = Origin(OriginKind.TRIGGER)
    desk.put("automatic off", "mixer", "standby", origin=trigger)
    desk.put("volume", "mixer", "mute-on")
    desk.put("person's off", "mixer", "standby")
    desk.put("on again", "mixer", "power-on")
    assert desk.now_due() == ["person's off", "volume"]
    # What would energise it again comes after what was asked before it.
    assert desk.wakes_at == 700.0
    desk.now = 700.0
    assert desk.now_due() == ["automatic off", "on again"]


async def test_a_command_comes_out_when_its_time_is_over_though_its_unit_is_held() -> None:
    desk = Desk()
    desk.stays_on["mixer"] = 700.0
    desk.put("automatic off", "mixer", "standby", origin=Origin(OriginKind.TRIGGER), deadline=5110.0)
    assert desk.now_due() == []
    assert desk.wakes_at == 110.0
    desk.now = 110.5
    assert desk.now_due() == ["automatic off"]


async def test_what_is_taken_back_comes_out_at_once() -> None:
    desk = Desk()
    desk.held["mixer"] = 700.0
    desk.put("1", "mixer", "mute-on")
    second = desk.put("2", "mixer", "mute-off")
    why = TakenBack("changed her mind")
    found = desk.queue.take_back(lambda cleared: cleared.command.id == "2", why)
    assert found == [second]
    assert second.taken_back is why
    # The first reason stays.
    desk.queue.take_back(lambda _: True, TakenBack("everything off"))
    assert second.taken_back is why
    assert desk.now_due() == ["1", "2"]


async def test_next_waits_for_a_command_and_for_a_held_off_unit() -> None:
    desk = Desk()
    asked = asyncio.create_task(desk.queue.next(lambda: desk.over))
    await asyncio.sleep(0)
    assert not asked.done()
    desk.held["mixer"] = 100.02
    desk.put("1", "mixer", "mute-on")
    desk.now = 100.02  # it was told to look again in 20 ms, and finds that the time is over
    found = await asked
    assert found is not None
    assert found.id == "1"
    assert len(desk.queue) == 0


async def test_next_ends_when_something_else_is_to_be_done() -> None:
    desk = Desk()
    asked = asyncio.create_task(desk.queue.next(lambda: desk.over))
    await asyncio.sleep(0)
    desk.over = True
    desk.queue.wake()
    assert await asked is None
    desk.put("1", "mixer", "mute-on")
    assert await desk.queue.next(lambda: desk.over) is None
    desk.over = False
    found = await desk.queue.next(lambda: desk.over)
    assert found is not None


async def test_a_wait_for_a_command_can_be_given_up() -> None:
    desk = Desk()
    asked = asyncio.create_task(desk.queue.next(lambda: desk.over))
    await asyncio.sleep(0)
    asked.cancel()
    await until(asked.done)
    assert asked.cancelled()


ASKED = st.tuples(
    st.sampled_from(["mixer", "hall-amp", "foyer-amp", "sound"]),
    st.sampled_from(["power-on", "standby", "mute-on"]),
)


@given(
    st.lists(ASKED, max_size=10), st.dictionaries(st.sampled_from(["mixer", "hall-amp"]), st.floats(99, 110))
)
def test_every_command_has_its_turn_and_those_of_a_unit_keep_their_order(
    asked: list[tuple[str, str]], held: dict[str, float]
) -> None:
    async def main() -> None:
        desk = Desk()
        desk.held = held
        for number, (unit, action) in enumerate(asked):
            desk.put(str(number), unit, action)
        order: list[int] = []
        while len(desk.queue):
            order += map(int, desk.now_due())
            wakes = desk.wakes_at
            assert (wakes is not None) is bool(len(desk.queue))
            desk.now = wakes if wakes is not None else desk.now
        assert sorted(order) == list(range(len(asked)))
        for unit in ("mixer", "hall-amp", "foyer-amp"):
            mine = [number for number in order if asked[number][0] in (unit, "sound")]
            off = [number for number in mine if asked[number][1] == "standby"]
            assert mine == [*off, *(number for number in sorted(mine) if number not in off)]
            assert off == sorted(off)

    asyncio.run(main())


def test_ids_are_the_commands() -> None:
    async def main() -> str:
        return Desk().put("me", "mixer", "standby").id

    assert asyncio.run(main()) == "me"
    assert Command("mixer", "standby").id != Command("mixer", "standby").id
