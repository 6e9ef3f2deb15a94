"""A controller's life: it sends nothing by itself, forgets nothing that counts, and ends what it began."""

from __future__ import annotations

import asyncio
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from controller.api import JournalQuery
from controller.records import (
    Accepted,
    Command,
    Known,
    LinkState,
    Lost,
    Outcome,
    Reason,
    Result,
    StateChange,
    Traffic,
)
from controller.service import Controller
from controller.site import LoadedSite, load_site
from profiles.errors import BadValue, InputError, NotKnown
from tests.controller.halls import (
    ADA,
    Watch,
    act,
    chain_text,
    entry,
    ring,
    running,
    shipped,
    state,
    until,
    write_site,
)
from tests.controller.line_ends import FarEnd

# On start nothing is sent: proved by a far end that keeps every byte

EVERY_KIND = """
[site]
id = "larkfield-hall"
[buses.ring]
port = "{folder}/ring"
profile = "pellgate-chain"
topology = "ring"
units_expected = 2
[buses.passing]
port = "{folder}/passing"
profile = "pellgate-chain"
topology = "ring"
units_expected = 2
pass_on = true
[buses.shared]
port = "{folder}/shared"
profile = "shared.toml"
topology = "shared"
hears_itself = false
[buses.open]
port = "{folder}/open"
profile = "midi-scene"
topology = "open"
[buses.tap]
port = "{folder}/tap"
profile = "pellgate-chain"
topology = "tap"
[units.mixer]
bus = "ring"
address = 1
minimum_on_s = 1.0
[units.passed]
bus = "passing"
address = 1
[units.lift]
bus = "shared"
address = 1
[units.lights]
bus = "open"
address = 1
[units.ear]
bus = "tap"
address = 1
"""
KINDS = ("ring", "passing", "shared", "open", "tap")


class Wires:
    """A pty for each bus of the site above; nobody answers, and whatever is written is kept."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.ends: dict[str, FarEnd] = {}
        self.written = dict.fromkeys(KINDS, b"")
        self.plug()

    def plug(self) -> None:
        self.ends = {name: FarEnd(link=self._folder / name) for name in KINDS}

    def pull(self) -> None:
        self.read()
        for end in self.ends.values():
            end.close()

    def read(self) -> dict[str, bytes]:
        for name, end in self.ends.items():
            self.written[name] += end.read_now()
        return self.written

    def say(self, data: bytes) -> None:
        for end in self.ends.values():
            end.write(data)


async def is_up(controller: Controller) -> None:
    await until(lambda: all(bus.status.link is not LinkState.DOWN for bus in controller._buses.values()))


async def test_not_one_byte_is_written_but_by_a_command(tmp_path: Path) -> None:
    """Start, traffic, restart, the adapter pulled out and put back, a profile saved: nothing goes out."""
    loaded = load_site(write_site(tmp_path, EVERY_KIND, shared=shipped("pellgate-screen")))
    wires = Wires(tmp_path)
    silent = dict.fromkeys(KINDS, b"")
    async with running(loaded, tmp_path / "state") as controller:
        watch = Watch(controller)
        await is_up(controller)
        wires.say(b"\xff" * 3)
        await until(lambda: {each.bus for each in watch.of(Traffic)} == set(KINDS))
        # What others say on a ring that we are part of is all that is ever repeated.
        assert wires.read().keys() == set(KINDS)
        silent["passing"] = wires.written["passing"]
        assert set(silent["passing"]) <= {0xFF}
        await watch.end()
    async with running(loaded, tmp_path / "state") as controller:  # a restart
        await is_up(controller)
        wires.pull()
        await until(lambda: all(bus.status.link is LinkState.DOWN for bus in controller._buses.values()))
        wires.plug()
        await is_up(controller)
        text = await controller.profile("shared.toml")
        changed = text.text.replace("baud = 9600", "baud = 19200")
        saved = await controller.put_profile("shared.toml", changed, text.revision)
        changed = changed.replace("timeout_ms = 400.0", "timeout_ms = 300.0")
        await controller.put_profile("shared.toml", changed, saved.revision)
        await is_up(controller)
        assert await controller.alerts() == []
        await controller.presume("mixer", "power", True, ADA)
        assert await controller.all_off("ear", ADA) != []  # a tap: refused
        assert wires.read() == silent
        # And the wires do carry what is asked for.
        command = asyncio.create_task(act(controller, "lights", "program-change", scene=6))
        await until(lambda: wires.read()["open"] == b"\xc0\x05")
        assert (await command).result is Result.SENT
    assert wires.read() == {**silent, "open": b"\xc0\x05"}
    wires.pull()


# Ids


async def test_the_same_id_twice_at_once_and_later_and_after_a_restart_is_one_command(tmp_path: Path) -> None:
    loaded = ring(tmp_path)
    command = Command("mixer", "volume-up", origin=ADA, id="one")
    async with running(loaded, tmp_path / "state") as controller:
        watch = Watch(controller)
        twice = await asyncio.gather(controller.submit(command), controller.submit(command))
        later = await controller.submit(replace(command, at=77.0))
        assert twice[0] == twice[1] == later
        assert later.result is Result.CONFIRMED
        await watch.end()
        assert [each.command_id for each in watch.of(Outcome)] == ["one"]
        assert [each.id for each in watch.of(Command)] == ["one"]
        assert [each.command_id for each in watch.of(Accepted)] == ["one"]
        assert sum(len(each.data) for each in watch.of(Traffic) if each.direction == "sent") == 4
    async with running(loaded, tmp_path / "state") as controller:
        watch = Watch(controller)
        assert await controller.submit(command) == later
        await watch.end()
        assert watch.records == []
        assert len(await controller.journal(JournalQuery())) == 1


async def test_another_command_under_a_known_id_is_refused_and_leaves_the_first_as_it_is(
    tmp_path: Path,
) -> None:
    loaded = ring(tmp_path)
    command = Command("mixer", "mute-on", origin=ADA, id="one")
    async with running(loaded, tmp_path / "state") as controller:
        first = asyncio.create_task(controller.submit(command))
        await asyncio.sleep(0)
        for _ in range(2):  # while the first is under way, and when it is over
            other = await controller.submit(replace(command, unit="hall-amp"))
            assert (other.result, other.reason) == (Result.REFUSED, Reason.NOT_ALLOWED)
            assert (await first).result is Result.CONFIRMED
    async with running(loaded, tmp_path / "state") as controller:
        other = await controller.submit(replace(command, action="mute-off"))
        assert (other.result, other.reason) == (Result.REFUSED, Reason.NOT_ALLOWED)
        assert (await entry(controller, "one")).command.action == "mute-on"


async def test_equal_commands_with_two_ids_are_two_and_one_without_an_id_gets_one(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        outcomes = await asyncio.gather(*(act(controller, "mixer", "volume-up") for _ in range(3)))
        nameless = await controller.submit(Command("mixer", "volume-up", origin=ADA, id=""))
        assert len({outcome.command_id for outcome in [*outcomes, nameless]}) == 4
        entries = await controller.journal(JournalQuery())
        assert [each.outcome.result for each in entries if each.outcome] == [Result.CONFIRMED] * 4
        assert all(each.command.at > 1e9 for each in entries)


async def test_whoever_asked_may_go_away(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        asked = asyncio.create_task(controller.submit(Command("mixer", "mute-on", origin=ADA, id="one")))
        await asyncio.sleep(0)
        asked.cancel()
        again = await controller.submit(Command("mixer", "mute-on", origin=ADA, id="one"))
        assert again.result is Result.CONFIRMED
        assert asked.cancelled()


# Restarts


async def test_after_a_restart_states_are_unknown_with_their_last_known_value(tmp_path: Path) -> None:
    loaded = ring(tmp_path)
    async with running(loaded, tmp_path / "state") as controller:
        await act(controller, "mixer", "power-on")
        await act(controller, "mixer", "set-volume", level=24)
        assert (await state(controller, "mixer", "volume")).known is Known.CONFIRMED
    async with running(loaded, tmp_path / "state") as controller:
        found = (await controller.states())["mixer"]
        assert {name: value.known for name, value in found.items()} == dict.fromkeys(found, Known.UNKNOWN)
        assert {name: value.last_known for name, value in found.items()} == {
            "power": True,
            "volume": 24,
            "input": None,
            "mute": None,
        }
        assert all(value.value is None for value in found.values())


async def test_minimum_times_and_hold_offs_outlive_a_restart(tmp_path: Path) -> None:
    text = 'id = "larkfield-hall"'
    loaded = ring(tmp_path)
    spec = loaded.site.units["mixer"].model_copy(update={"minimum_off_s": 60.0})
    loaded.site.units["mixer"] = spec
    assert loaded.site.site.id in text
    async with running(loaded, tmp_path / "state") as controller:
        assert (await act(controller, "mixer", "standby")).result is Result.CONFIRMED
    async with running(loaded, tmp_path / "state") as controller:
        refused = await act(controller, "mixer", "power-on")
        assert (refused.result, refused.reason) == (Result.REFUSED, Reason.TOO_FAST)
        assert (await act(controller, "hall-amp", "power-on")).result is Result.CONFIRMED
        held = controller._gate.ready(_cleared(controller, "hall-amp"))
        assert held.held_until > controller._clock()
    async with running(loaded, tmp_path / "state") as controller:
        assert controller._gate.ready(_cleared(controller, "hall-amp")).held_until == pytest.approx(
            controller._clock() + 0.5, abs=0.5
        )


def _cleared(controller: Controller, unit: str):  # type: ignore[no-untyped-def]  # -- whatever the gate says
    return controller._gate.admit(
        Command(unit, "mute-on"), utc=0.0, now=controller._clock(), locks=(), states=controller._states
    )


async def test_counters_go_on_after_a_restart_and_are_the_same_in_a_retry(tmp_path: Path) -> None:
    counted = chain_text().replace(
        'send = [{ hex = "A5" }, { address = 1 }, { hex = "30" }, { check = "sum-8", from = 1 }]',
        'send = [{ hex = "A5" }, { address = 1 }, { hex = "30" }, { counter = "n", start = 7, wrap = 100 }, '
        '{ check = "sum-8", from = 1 }]',
    )
    loaded = ring(tmp_path, chain=counted)
    numbers = []
    for _ in range(2):
        async with running(loaded, tmp_path / "state") as controller:
            watch = Watch(controller)
            await controller.simulate(
                "sound", "drop 5"
            )  # the fourth and last echo but one of the first attempt
            outcomes = [await act(controller, "mixer", "mute-on") for _ in range(2)]
            assert [outcome.result for outcome in outcomes] == [Result.CONFIRMED] * 2
            assert outcomes[0].attempts == 2
            await watch.end()
            sent = b"".join(each.data for each in watch.of(Traffic) if each.direction == "sent")
            messages = [sent[place : place + 5] for place in range(0, len(sent), 5)]
            assert messages[0] == messages[1]
            numbers += [message[3] for message in messages]
    assert numbers == [7, 7, 8, 9, 9, 10]


# Ending


async def test_closing_twice_is_closing_once(tmp_path: Path) -> None:
    controller = await Controller.open(ring(tmp_path), tmp_path / "state")
    await controller.close()
    await controller.close()
    late = await controller.submit(Command("mixer", "power-on", origin=ADA))
    assert (late.result, late.reason) == (Result.CANCELLED, Reason.CANCELLED)
    assert asyncio.all_tasks() == {asyncio.current_task()}


async def test_a_controller_that_can_not_open_its_journal_leaves_nothing_behind(tmp_path: Path) -> None:
    (tmp_path / "state" / "journal.sqlite").mkdir(parents=True)
    (tmp_path / "state").chmod(0o700)
    with pytest.raises(Exception, match="is a folder"):
        await Controller.open(ring(tmp_path), tmp_path / "state")
    assert [thread.name for thread in threading.enumerate() if "journal" in thread.name] == []


# What there is to ask and to be told


async def test_presume_sets_a_state_right_by_hand(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        watch = Watch(controller)
        found = await controller.presume("mixer", "volume", 12, ADA)
        assert (found.value, found.known) == (12, Known.PRESUMED)
        await watch.end()
        assert [(each.unit, each.state, each.value) for each in watch.of(StateChange)] == [
            ("mixer", "volume", found)
        ]
        for unit, name in (("mixer", "colour"), ("nobody", "volume")):
            with pytest.raises(NotKnown):
                await controller.presume(unit, name, 12, ADA)
        with pytest.raises(BadValue, match="from 0 to 63"):
            await controller.presume("mixer", "volume", 64, ADA)


async def test_simulate_gives_orders_to_simulated_buses_alone(tmp_path: Path) -> None:
    far = FarEnd(link=tmp_path / "adapter")
    loaded = ring(tmp_path)
    loaded.site.buses["real"] = loaded.site.buses["sound"].model_copy(update={"port": far.name})
    loaded.profiles["real"] = loaded.profiles["sound"]
    async with running(loaded, tmp_path / "state") as controller:
        watch = Watch(controller)
        assert "volume = 31" in await controller.simulate("sound", "press 1 set-volume level=31")
        await until(lambda: watch.of(StateChange))
        assert (await state(controller, "mixer", "volume")).known is Known.OBSERVED
        await watch.end()
        with pytest.raises(InputError, match="no order"):
            await controller.simulate("sound", "explode")
        with pytest.raises(InputError, match="no simulated bus"):
            await controller.simulate("real", "show")
        with pytest.raises(NotKnown):
            await controller.simulate("nowhere", "show")
    far.close()


async def test_a_reader_that_does_not_read_slows_nobody_and_is_told_what_it_missed(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        slow, quick = controller._fanout.subscribe(size=50), Watch(controller)
        await controller.simulate("sound", "saturate 3")
        await until(lambda: len(quick.records) > 100)
        await controller.simulate("sound", "clear saturate")
        assert (await act(controller, "mixer", "mute-on")).result is Result.CONFIRMED
        await quick.end()
        assert quick.of(Lost) == []
        first = await anext(slow)
        assert isinstance(first, Lost)
        following = await anext(slow)
        assert quick.records.index(following) == first.count


async def test_the_site_as_a_front_end_sees_it(tmp_path: Path) -> None:
    loaded: LoadedSite = ring(tmp_path)
    async with running(loaded, tmp_path / "state") as controller:
        site = await controller.site()
        assert [(bus.id, bus.topology, bus.simulated) for bus in site.buses] == [("sound", "ring", True)]
        assert [unit.id for unit in site.units] == ["mixer", "hall-amp", "foyer-amp"]
        (status,) = await controller.buses()
        assert (status.link, status.units_expected) == (LinkState.UP, 3)
        assert {
            "actions",
            "failures",
            "bytes_sent",
            "bytes_heard",
            "bytes_unexplained",
        } <= status.counters.keys()
