"""Commands and the journal: intent before the first byte, outcome before anyone is told, and a full disk."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
import threading
import time
from pathlib import Path

import pytest

from controller.api import JournalQuery
from controller.records import Alert, Command, Known, LinkState, Outcome, Reason, Result, StateChange, Traffic
from controller.service import Controller
from controller.site import load_site
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
from tests.controller.test_journal_disk import disk_that_takes_no_more

OPEN = """
[site]
id = "larkfield-hall"
[buses.midi]
port = "{folder}/adapter"
profile = "midi-scene"
topology = "open"
[units.lights]
bus = "midi"
address = 1
"""


def in_the_file(path: Path) -> list[tuple[str, str | None]]:
    """(id, result) of every command that the journal's file holds, read beside its writer."""
    with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
        return connection.execute("SELECT id, result FROM commands ORDER BY n").fetchall()


# The order of things


async def test_the_intent_is_in_the_file_before_the_first_byte_is_written(tmp_path: Path) -> None:
    far = FarEnd(link=tmp_path / "adapter")
    journal = tmp_path / "state" / "journal.sqlite"
    seen: list[list[tuple[str, str | None]]] = []

    def look() -> None:
        if far.read(1):
            seen.append(in_the_file(journal))

    looking = threading.Thread(target=look)
    loaded = load_site(write_site(tmp_path, OPEN))
    async with running(loaded, tmp_path / "state") as controller:
        looking.start()
        await controller.submit(Command("lights", "program-change", {"scene": 6}, ADA, id="one"))
        await asyncio.to_thread(looking.join)
    assert [found[0][0] for found in seen] == ["one"]
    far.close()


async def test_the_outcome_is_in_the_file_before_anyone_is_told(tmp_path: Path) -> None:
    journal = tmp_path / "state" / "journal.sqlite"
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        told: list[tuple[type, list[str | None]]] = []

        def look(record: object) -> None:
            of_it = isinstance(record, Outcome) or (
                isinstance(record, StateChange) and record.value.command_id
            )
            if of_it:
                told.append((type(record), [result for _, result in in_the_file(journal)]))

        controller._fanout.listen(look)
        await act(controller, "mixer", "power-on")
        await controller.lock("mixer", "Kim", "fuse")
        await act(controller, "mixer", "power-on")
    assert told == [
        (StateChange, ["confirmed"]),
        (Outcome, ["confirmed"]),
        (Outcome, ["confirmed", "refused"]),
    ]


async def test_a_refused_command_is_one_entry_with_its_outcome(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        watch = Watch(controller)
        outcome = await act(controller, "mixer", "set-volume", level=99)
        assert (outcome.result, outcome.reason) == (Result.REFUSED, Reason.OUT_OF_RANGE)
        found = await entry(controller, outcome.command_id)
        assert found.outcome == outcome
        await watch.end()
        assert [type(record).__name__ for record in watch.records] == ["Command", "Outcome"]


async def test_a_command_of_no_time_is_of_now(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        for number, at in enumerate((float("nan"), float("inf"), 1e308, -1.0, 0.0)):
            command = Command("mixer", "standby", origin=ADA, id=f"c{number}", at=at)
            assert (await controller.submit(command)).result is Result.CONFIRMED
            kept = (await entry(controller, command.id)).command.at
            assert 1.7e9 < kept < 1e11
        said = Command("mixer", "standby", origin=ADA, id="said", at=1.75e9)
        assert (await controller.submit(said)).result is Result.CONFIRMED
        assert (await entry(controller, "said")).command.at == 1.75e9


async def test_a_command_that_waits_has_an_intent_and_no_outcome(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        assert (await act(controller, "mixer", "power-on")).result is Result.CONFIRMED
        asked = asyncio.create_task(controller.submit(Command("mixer", "mute-on", origin=ADA, id="two")))
        await until(lambda: len(controller._buses["sound"]._queue) == 1)
        assert (await entry(controller, "two")).outcome is None
        assert (await asked).result is Result.CONFIRMED


async def test_a_command_goes_stale_while_it_waits(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        assert (await act(controller, "mixer", "power-on")).result is Result.CONFIRMED
        late = Command("mixer", "mute-on", origin=ADA, deadline=time.time() + 0.1)
        outcome = await controller.submit(late)
        # Its unit is held off for half a second: it ends when its own time is over.
        assert (outcome.result, outcome.reason) == (Result.REFUSED, Reason.STALE)
        assert outcome.at - (late.deadline or 0.0) < 0.3


# A disk that is full


async def test_on_a_full_disk_nothing_energises_and_everything_can_be_switched_off(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        controller._watch._every = 0.02
        watch = Watch(controller)
        with disk_that_takes_no_more():
            for action in ("power-on", "mute-on"):  # neutral ones need an intent as well
                refused = await act(controller, "mixer", action)
                assert (refused.result, refused.reason) == (Result.REFUSED, Reason.JOURNAL)
            off = await controller.all_off(None, ADA)
            assert [outcome.result for outcome in off] == [Result.CONFIRMED] * 3
            assert (await state(controller, "mixer", "power")).value is False
            again = await controller.submit(Command("mixer", "standby", origin=ADA, id=off[-1].command_id))
            assert again in off  # the same id is the same command, though the journal knows of none
            (alert,) = await controller.alerts()
            assert alert.id == "journal-site"
            assert "disk" in alert.text
            await asyncio.sleep(0.1)
            assert await controller.alerts() != []
        await until(lambda: not controller._alerts.standing())
        assert (await act(controller, "mixer", "power-on")).result is Result.CONFIRMED
        entries = await controller.journal(JournalQuery())
        assert [each.outcome.result for each in reversed(entries) if each.outcome] == [
            Result.REFUSED,
            Result.REFUSED,
            *[Result.CONFIRMED] * 4,
        ]
        await watch.end()
        assert len(watch.of(Outcome)) == 6
        assert [(each.id, each.over) for each in watch.of(Alert)] == [
            ("journal-site", False),
            ("journal-site", True),
        ]


async def test_counters_go_on_from_memory_where_the_disk_is_full(tmp_path: Path) -> None:
    counted = chain_text().replace(
        'send = [{ hex = "A5" }, { address = 1 }, { hex = "02" }, { check = "sum-8", from = 1 }]',
        'send = [{ hex = "A5" }, { address = 1 }, { hex = "02" }, { counter = "n", start = 7, wrap = 9 }]',
    )
    async with running(ring(tmp_path, chain=counted), tmp_path / "state") as controller:
        watch = Watch(controller)
        assert (await act(controller, "mixer", "standby")).result is Result.CONFIRMED
        with disk_that_takes_no_more():
            for _ in range(2):
                assert (await act(controller, "mixer", "standby")).result is Result.CONFIRMED
        await watch.end()
        sent = b"".join(each.data for each in watch.of(Traffic) if each.direction == "sent")
        assert [sent[place + 3] for place in (0, 4, 8)] == [7, 8, 0]


async def test_a_disk_that_hangs_holds_up_nothing_that_de_energises(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The writing thread stands still: what takes energy away goes on after a moment, entered later."""
    monkeypatch.setattr("controller.submitting.PATIENCE", 0.05)
    monkeypatch.setattr("controller.telling._PATIENCE", 0.05)
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        gate = threading.Event()
        hanging = asyncio.create_task(
            controller._journal._writer.ask(lambda _: gate.wait(20), in_place=False)
        )
        await asyncio.sleep(0.01)
        energising = asyncio.create_task(act(controller, "hall-amp", "power-on"))
        off = await act(controller, "mixer", "standby")
        assert off.result is Result.CONFIRMED
        assert not energising.done()
        assert [alert.id for alert in await controller.alerts()] == ["journal-site"]
        gate.set()
        await hanging
        assert (await energising).result is Result.CONFIRMED
        assert (await entry(controller, off.command_id)).outcome == off


# Traffic around a failure


async def failing(controller: Controller, identity: str = "bad") -> Outcome:
    await controller.simulate("sound", "cut 2")
    return await controller.submit(Command("mixer", "mute-on", origin=ADA, id=identity))


async def test_the_traffic_before_and_after_a_failure_is_kept_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.telling._AFTER", 0.3)
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        watch = Watch(controller)
        good = await act(controller, "hall-amp", "mute-on")
        await controller.simulate("sound", "press 3 set-volume level=5")
        await until(lambda: any(each.meaning and "Volume told" in each.meaning for each in watch.of(Traffic)))
        assert (await failing(controller)).reason is Reason.NO_ECHO
        await controller.simulate("sound", "press 3 set-volume level=6")
        kept: list[Traffic] = []
        while not any("level 6" in (each.meaning or "") for each in kept):
            kept = list((await entry(controller, "bad", traffic=True)).traffic)
            await asyncio.sleep(0.02)
        await watch.end()
        told = [each for each in watch.of(Traffic) if each.meaning or each.command_id]
        assert [each for each in kept if each in told] == told[: len(kept)]
        assert {each.command_id for each in kept} >= {good.command_id, "bad", None}
        assert "level 5" in " ".join(each.meaning or "" for each in kept)
        assert (await entry(controller, good.command_id, traffic=True)).traffic == ()


async def test_what_followed_a_failure_is_kept_though_the_controller_closes(tmp_path: Path) -> None:
    loaded = ring(tmp_path)
    async with running(loaded, tmp_path / "state") as controller:
        watch = Watch(controller)
        assert (await failing(controller)).reason is Reason.NO_ECHO
        await controller.simulate("sound", "press 3 set-volume level=6")
        await until(lambda: any(each.meaning and "level 6" in each.meaning for each in watch.of(Traffic)))
        await watch.end()
    async with running(loaded, tmp_path / "state") as controller:
        kept = (await entry(controller, "bad", traffic=True)).traffic
        assert [each.meaning for each in kept][-1] == "Volume told, foyer-amp: level 6, volume 6"


async def test_a_port_that_is_not_there_fails_a_command_at_once_and_says_why(tmp_path: Path) -> None:
    loaded = load_site(write_site(tmp_path, OPEN.replace("adapter", "nothing")))
    async with running(loaded, tmp_path / "state") as controller:
        outcome = await act(controller, "lights", "program-change", scene=6)
        assert (outcome.result, outcome.reason, outcome.attempts) == (Result.FAILED, Reason.LINK_LOST, 0)
        assert "nothing" in outcome.text
        (status,) = await controller.buses()
        assert status.link is LinkState.DOWN
        assert (await state(controller, "lights", "scene")).known is Known.UNKNOWN
        assert [alert.id for alert in await controller.alerts()] == ["link-midi"]
        assert shipped("midi-scene") == (await controller.profile("midi-scene")).text
