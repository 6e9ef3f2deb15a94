"""Several sequences at once, whatever is ordered and however commands end: one a bus, and off passes."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.command_queue import TakenBack
from controller.guard import Cleared
from controller.records import Command, Outcome, Reason, Result
from controller.sequences import Sequences
from controller.sequences_records import Phase, SequenceOrder, SequenceProgress
from controller.site import LoadedSite, load_site
from controller.states import StateBook
from controller.submitting import Submitting
from controller.surroundings import Surroundings
from tests.controller.halls import ADA, RING, chain_text, ring, running, until, write_site

SITE = f"""{RING}
[buses.stage]
port = "sim://{{folder}}/chain.toml?units=1&topology=ring"
profile = "chain.toml"
topology = "ring"
units_expected = 1
[units.stage-amp]
bus = "stage"
address = 1
[sequences.hall]
up = [
    {{ unit = "mixer", action = "power-on" }},
    {{ wait_s = 5 }},
    {{ unit = "hall-amp", action = "power-on" }},
]
[sequences.foyer]
on_failure = "undo"
up = [{{ unit = "foyer-amp", action = "power-on" }}, {{ unit = "foyer-amp", action = "mute-off" }}]
[sequences.stage]
on_failure = "go-on"
up = [
    {{ unit = "stage-amp", action = "power-on" }},
    {{ wait_s = 1 }},
    {{ unit = "stage-amp", action = "mute-off" }},
]
[sequences.house]
up = [{{ unit = "stage-amp", action = "power-on" }}, {{ unit = "mixer", action = "power-on" }}]
"""
NAMES = ("hall", "foyer", "stage", "house")


class Commands:
    """Takes commands in place of a controller: each ends when the test says so."""

    def __init__(self) -> None:
        self.begun: list[Command] = []
        self.out: dict[str, asyncio.Future[Outcome]] = {}

    def begin(self, command: Command) -> asyncio.Future[Outcome]:
        self.begun.append(command)
        future: asyncio.Future[Outcome] = asyncio.get_running_loop().create_future()
        self.out[command.id] = future
        return future

    def take_back(self, which: Callable[[Cleared], bool], why: TakenBack) -> None:
        for command in self.begun:
            if command.id in self.out and which(Cleared(command, "", (command.unit,), None)):
                self.end(command.id, Result.CANCELLED)

    def end(self, command_id: str, result: Result) -> None:
        outcome = Outcome(command_id, result, None if result.good else Reason.NO_ECHO, "")
        self.out.pop(command_id).set_result(outcome)


class House:
    """Sequences on commands that the test ends, and a clock that it moves."""

    def __init__(self, loaded: LoadedSite) -> None:
        self.loaded = loaded
        self.now = 0.0
        self.commands = Commands()
        self.told: list[SequenceProgress] = []
        units = loaded.site.units
        book = StateBook({unit: loaded.profiles[units[unit].bus].profile.states for unit in units})
        surroundings = Surroundings(
            cast("Any", None),
            book,
            cast("Any", None),
            lambda record: self.told.append(cast("SequenceProgress", record)),
            tuple,
            lambda: self.now,
            lambda *_: None,
            lambda _: None,
        )
        commands = cast("Submitting", self.commands)
        self.sequences = Sequences(loaded, surroundings, commands, lambda: self.now)

    async def settle(self) -> None:
        for run in self.sequences._runs:
            run.wake.set()
        for _ in range(12):
            await asyncio.sleep(0)

    @property
    def cancelled(self) -> int:
        """How many runs were cancelled so far."""
        return len({each.run for each in self.told if each.phase is Phase.CANCELLED})

    def check_one_a_bus(self) -> None:
        working = [run for run in self.sequences._active() if not run.waits]
        for bus in self.loaded.site.buses:
            on_it = [run for run in working if bus in run.buses]
            # One that is cancelled may still wait for the end of its command.
            assert len([run for run in on_it if run.cancelled is None]) <= 1
        for run in self.sequences._active():
            out = [identity for identity in run.commands.values() if identity in self.commands.out]
            assert len(out) <= 1


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> LoadedSite:
    return ring(tmp_path_factory.mktemp("house"), SITE)


ORDERS = st.tuples(st.just("order"), st.sampled_from(NAMES), st.sampled_from(list(SequenceOrder)))
HAPPENS = st.one_of(
    ORDERS,
    ORDERS,
    st.tuples(
        st.just("end"), st.integers(0, 3), st.sampled_from((Result.CONFIRMED, Result.FAILED, Result.REFUSED))
    ),
    st.tuples(st.just("pass"), st.sampled_from((0.5, 2.0, 10.0))),
    st.tuples(st.just("off"), st.sampled_from((None, "sound", "stage"))),
)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(happens=st.lists(HAPPENS, min_size=2, max_size=25))
def test_whatever_is_ordered_there_is_one_sequence_a_bus_and_off_passes(
    loaded: LoadedSite, happens: list[Any]
) -> None:
    async def play() -> None:
        house = House(loaded)
        for each in happens:
            match each:
                case ("order", name, order):
                    before = len(house.commands.begun)
                    cancelled = house.cancelled
                    progress = house.sequences.order(name, order, ADA)
                    if order is SequenceOrder.DOWN:
                        # What goes down is never refused.
                        assert progress.phase is not Phase.REFUSED
                    await house.settle()
                    if progress.phase is Phase.REFUSED:
                        assert len(house.commands.begun) == before
                    if order is SequenceOrder.UP:
                        # What comes up ends nothing.
                        assert house.cancelled == cancelled
                case ("end", number, result) if house.commands.out:
                    out = list(house.commands.out)
                    house.commands.end(out[number % len(out)], result)
                case ("pass", seconds):
                    house.now += seconds
                case ("off", bus):
                    units = [u for u, spec in loaded.site.units.items() if bus in (None, spec.bus)]
                    house.sequences.stop_rising(units, "everything off")
                    await house.settle()
                    rising = [run for run in house.sequences._active() if run.rises]
                    assert all(run.plan.units.isdisjoint(units) or run.cancelled for run in rising)
            await house.settle()
            house.check_one_a_bus()
        closing = asyncio.create_task(house.sequences.close())
        while not closing.done():
            await house.settle()
            for identity in list(house.commands.out):
                house.commands.end(identity, Result.CANCELLED)
        assert house.sequences._active() == []
        assert all(view.last is None or view.last.phase.over for view in house.sequences.views())

    asyncio.run(play())


async def test_a_site_that_is_read_again_ends_what_is_another_sequence_now(tmp_path: Path) -> None:
    slow = '\n[sequences.slow]\nup = [{ wait_s = 60 }, { unit = "mixer", action = "power-on" }]\n'
    same = '\n[sequences.same]\nup = [{ wait_s = 60 }, { unit = "stage-amp", action = "power-on" }]\n'
    async with running(ring(tmp_path, SITE + slow + same), tmp_path / "state") as controller:
        for name in ("slow", "same"):
            assert (await controller.sequence(name, SequenceOrder.UP, ADA)).phase is Phase.RUNNING
        changed = SITE + slow.replace("wait_s = 60", "wait_s = 50") + same
        await controller.reload(load_site(write_site(tmp_path, changed, chain=chain_text())))
        views = controller._automation.sequences.views
        await until(lambda: (last := views()[4].last) is not None and last.phase.over)
        ended, goes_on = views()[4].last, views()[5].last
        assert ended is not None
        assert (ended.phase, ended.text) == (Phase.CANCELLED, "cancelled: the site file has changed")
        assert goes_on is not None
        assert goes_on.phase is Phase.RUNNING
